"""The rows that show where a measurement stands: the same for the process that measures and for one that watches.

Owns: where the blocks stand. Looks at a picture twice a second and repaints only rows that changed. Refuses: to compute
figures and to wait for anything.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.css.scalar import Scalar
from textual.geometry import Size
from textual.screen import Screen

from tui.drawing.blocks import kept_blocks
from tui.drawing.marks import MarkSet
from tui.drawing.plot import AXIS_WIDTH, plot_rows, ruler_row
from tui.drawing.rows import Row, Rows
from tui.drawing.view import View, next_place, panned, stepped, zoomed
from tui.drawing.wrapping import INDENT, wrapped
from tui.screens import live_rows as rows
from tui.screens.framed import SafetyRow
from tui.screens.picture_rows import marker_rows, plot_of, trace_names, whole_span
from tui.screens.reading_dialogs import HelpDialog, key_pairs
from tui.screens.too_small import useful_size
from tui.terminal.thin_line import ThinApp
from visit.figures.assessment import Assessment
from visit.figures.marker import S11, S21
from visit.run.live import LiveState

REFRESH_S = 0.5
"""The screen looks for news this often; known practice for a thin SSH line (a figure nobody can read faster)."""


DRAWN = ("reject", "bar", "plot", "ruler")
"""Blocks that are drawn to the width that they are given; all others wrap."""
LEAST_PLOT = 3
"""Rows of a picture that still shows anything."""
WEIGHTS = {"floor": 2, "path": 1, "sweeps": 3, "pass": 5, "bar": 0, "next": 6, "notch": 4}
"""Which blocks give way whole where rows are few, the smallest first; the picture before all of them. What is not named
always stands: a figure with its word and verdict, a fault, the keys, the cautions."""
ORDER = (
    "head",
    "reject",
    "bar",
    "plot",
    "ruler",
    "marker",
    "notch",
    "pass",
    "floor",
    "sweeps",
    "path",
    "next",
    "message",
    "keys",
)


WHOLE = View()
PICTURE_KEYS: list[BindingType] = [
    Binding("i", "trace", "S11/S21", show=False, tooltip="picture: S11, what comes back at port 1, or S21 again"),
    Binding(
        "j", "mark", "marker", show=False, tooltip="marker: jumps to the channel to reject, to the other one, away"
    ),
    Binding("left", "marker(-1)", "left", show=False, tooltip="marker one column left; right: right"),
    Binding("right", "marker(1)", "right", show=False),
    Binding("plus,equals_sign", "near(2)", "nearer", show=False, tooltip="picture: twice as near about the marker"),
    Binding("minus", "near(0.5)", "farther", show=False, tooltip="picture: half as near"),
    Binding("comma", "aside(-0.25)", "aside", show=False, tooltip="picture: a quarter to the left; a full stop: right"),
    Binding("full_stop", "aside(0.25)", "aside", show=False),
]
"""What looks closer at the picture; the sweep and all figures stay as they are."""


class Panel(Screen[None]):
    """Blocks of rows over one picture. Whoever derives from it says whence the picture comes, and the keys."""

    BINDINGS: ClassVar[list[BindingType]] = PICTURE_KEYS
    DEFAULT_CSS = "Panel { layout: vertical; overflow: hidden; }"

    def __init__(self, marks: MarkSet) -> None:
        super().__init__()
        self._marks = marks
        self._view = WHOLE

    def picture(self) -> LiveState:
        """The picture to show."""
        raise NotImplementedError

    def key_row(self, width: int) -> Row:
        """The last row: what the keys do."""
        raise NotImplementedError

    def compose(self) -> ComposeResult:
        """Blocks from top to bottom, each as high as its text; the cautions stay at the bottom."""
        with Vertical():
            for name in ORDER:
                yield Rows(id=name)
        yield SafetyRow()

    def on_mount(self) -> None:
        """Begin to look."""
        self.set_interval(REFRESH_S, self.look)
        self.call_after_refresh(self.look)

    def on_resize(self) -> None:
        """The plot takes what the other rows leave."""
        self.call_after_refresh(self.look)

    def look(self) -> None:
        """Show the latest state; unchanged rows write nothing to the terminal."""
        size = useful_size(self.app)
        for name, block in laid_out(self.picture(), self.key_row(size.width), self._marks, size, self._view).items():
            shown = self.query_one(f"#{name}", Rows)
            shown.show(block)
            if shown.styles.height != Scalar.from_number(len(block)):
                shown.styles.height = len(block)
                shown.display = bool(block)

    # The picture

    def _seen(self, change: Callable[[View, Assessment], View]) -> None:
        """Another view of the same trace; nothing before there is one."""
        a = self.picture().assessment
        if a is not None and a.frequency_hz.size > 1:
            self._view = change(self._view, a)
            self.look()

    def action_near(self, factor: float) -> None:
        """Zoom the picture; the sweep stays."""
        self._seen(lambda view, a: zoomed(view, whole_span(a), _step_hz(a), factor))

    def action_aside(self, share: float) -> None:
        """Pan the zoomed picture."""
        self._seen(lambda view, a: panned(view, whole_span(a), share))

    def action_marker(self, by: int) -> None:
        """Move the marker."""
        columns = useful_size(self.app).width - AXIS_WIDTH
        self._seen(lambda view, a: stepped(view, whole_span(a), _step_hz(a), columns, by))

    def action_mark(self) -> None:
        """The marker to the channel held back, to the one that passes, away."""
        site = self.picture().site
        side = self.picture().hookup.side
        places = (site.reject_hz(side), site.pass_hz(side)) if side is not None else (site.low_hz, site.high_hz)
        self._seen(lambda view, a: next_place(view, whole_span(a), places))

    def action_trace(self) -> None:
        """The other trace: what comes back at port 1 instead of what passes through, or the other way."""
        a = self.picture().assessment
        names = trace_names(a) if a is not None else ()
        if len(names) < 2:
            self.notify("there is one trace only here", timeout=6)
            return
        other = S11 if self._view.trace == S21 else S21
        self._seen(lambda view, _: replace(view, trace=other))

    def action_help(self) -> None:
        """All keys and words."""
        self.app.push_screen(HelpDialog(key_pairs([*self.BINDINGS, *PICTURE_KEYS]), self._marks))

    def action_redraw(self) -> None:
        """Draw the whole screen again, whatever stands on the terminal."""
        if isinstance(self.app, ThinApp):
            self.app.draw_anew()


def _step_hz(a: Assessment) -> float:
    return float(a.frequency_hz[1] - a.frequency_hz[0])


def laid_out(state: LiveState, keys: Row, marks: MarkSet, size: Size, view: View = WHOLE) -> dict[str, list[Row]]:
    """Every block in the rows that it takes, none wider than the terminal; empty where it gave way."""
    width, room = size.width, size.height - 1  # the cautions
    *reject, bar = rows.reject_rows(state, width, marks)
    texts = {
        "head": [rows.head_row(state, width)],
        "marker": marker_rows(state, view),
        "notch": rows.notch_rows(state),
        "pass": [rows.pass_row(state)],
        "floor": [rows.floor_row(state)],
        "sweeps": [rows.sweeps_row(state)],
        "path": [rows.path_row(state, width)],
        "next": rows.next_rows(state, width),
        "message": rows.message_rows(state, width),
        "keys": [keys],
    }

    def fitted(block: list[Row], indent: int) -> list[Row]:
        return [row for long in rows.plain_rows(block, marks) for row in wrapped(long, width, indent)]

    blocks = {name: fitted(text, INDENT) for name, text in texts.items()}
    blocks |= {"reject": fitted(reject, 2), "bar": rows.plain_rows([bar], marks)}
    named = [name for name in ORDER if name in blocks]
    kept = kept_blocks([(len(blocks[name]), WEIGHTS.get(name)) for name in named], room)
    standing = {named[at] for at in kept}
    left = room - sum(len(blocks[name]) for name in standing)
    figure = plot_of(state, view)
    drawn = figure is not None and left > LEAST_PLOT
    empty: list[Row] = [[("", "")]] * left
    plot = rows.plain_rows(plot_rows(figure, width, left - 1, marks), marks) if drawn and figure else empty
    ruler = [ruler_row(figure, width)] if drawn and figure else []
    made = {name: block if name in standing else [] for name, block in blocks.items()}
    return {name: (made | {"plot": plot, "ruler": ruler})[name] for name in ORDER}
