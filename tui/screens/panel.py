"""The rows that show where a measurement stands: the same for the process that measures and for one that watches.

Owns: where the blocks stand. Looks at a picture twice a second and repaints only rows that changed. Refuses: to compute
figures and to wait for anything.
"""

from __future__ import annotations

from textual.app import ComposeResult
from textual.containers import Vertical
from textual.css.scalar import Scalar
from textual.screen import Screen

from tui.drawing.marks import MarkSet
from tui.drawing.plot import plot_rows, ruler_row
from tui.drawing.rows import Row, Rows
from tui.drawing.wrapping import wrapped
from tui.screens import live_rows as rows
from tui.terminal.thin_line import ThinApp
from visit.run.live import LiveState

REFRESH_S = 0.5
"""The screen looks for news this often; known practice for a thin SSH line (a figure nobody can read faster)."""


DRAWN = ("plot", "ruler", "reject")
"""Blocks that are drawn to the width that they are given; all others wrap, and the plot gives them a row."""


class Panel(Screen[None]):
    """Blocks of rows over one picture. Whoever derives from it says whence the picture comes, and the keys."""

    DEFAULT_CSS = """
    Panel { layout: vertical; overflow: hidden; }
    #plot { height: 1fr; }
    #reject { height: 5; }
    Panel ToastRack { dock: top; align: right top; margin-top: 1; }
    """

    def __init__(self, marks: MarkSet) -> None:
        super().__init__()
        self._marks = marks

    def picture(self) -> LiveState:
        """The picture to show."""
        raise NotImplementedError

    def key_row(self, width: int) -> Row:
        """The last row: what the keys do."""
        raise NotImplementedError

    def compose(self) -> ComposeResult:
        """Blocks from top to bottom; all but the plot have a fixed height."""
        with Vertical():
            for name in ("head", "reject", "plot", "ruler", "notch", "pass", "floor", "sweeps", "path", "safety"):
                yield Rows(id=name)
            yield Rows(id="next")
            yield Rows(id="message")
            yield Rows(id="keys")

    def on_mount(self) -> None:
        """Begin to look."""
        self.set_interval(REFRESH_S, self.look)
        self.call_after_refresh(self.look)

    def on_resize(self) -> None:
        """The plot takes what the other rows leave."""
        self.call_after_refresh(self.look)

    def look(self) -> None:
        """Show the latest state; unchanged rows write nothing to the terminal."""
        state = self.picture()
        width = self.size.width
        for name, unwrapped in self._blocks(state, width).items():
            whole = name in DRAWN
            block = unwrapped if whole else [row for long in unwrapped for row in wrapped(long, width)]
            shown = self.query_one(f"#{name}", Rows)
            shown.show(rows.plain_rows(block, self._marks))
            if not whole and shown.styles.height != Scalar.from_number(len(block)):
                shown.styles.height = len(block)  # the plot gives or takes a row

    def action_redraw(self) -> None:
        """Draw the whole screen again, whatever stands on the terminal."""
        if isinstance(self.app, ThinApp):
            self.app.draw_anew()

    def _blocks(self, state: LiveState, width: int) -> dict[str, list[Row]]:
        figure = rows.plot_of(state)
        height = self.query_one("#plot", Rows).size.height
        empty: list[Row] = [[("", "")]]
        drawn = height >= 1 and figure is not None
        return {
            "head": [rows.head_row(state, width)],
            "reject": rows.reject_rows(state, width, self._marks),
            "plot": plot_rows(figure, width, height, self._marks) if drawn and figure else empty,
            "ruler": [ruler_row(figure, width)] if figure else empty,
            "notch": rows.notch_rows(state),
            "pass": [rows.pass_row(state)],
            "floor": [rows.floor_row(state)],
            "sweeps": [rows.sweeps_row(state)],
            "path": [rows.path_row(state, width)],
            "safety": [rows.safety_row(width)],
            "next": rows.next_rows(state, width),
            "message": rows.message_rows(state, width),
            "keys": [self.key_row(width)],
        }
