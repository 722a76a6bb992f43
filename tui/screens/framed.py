"""The frame of every screen: the cautions are the last row of the terminal, once, whatever stands above them.

Owns: that row, a screen of wrapped text over it, a dialog that leaves it free. Refuses: a dialog with cautions of its
own, and text that is wider than the terminal.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import ClassVar, TypeVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.screen import ModalScreen, Screen
from textual.widgets import Input

from tui.drawing.blocks import LABEL, Block, labelled, stacked
from tui.drawing.cautions import SAFETY, SAFETY_SHORT
from tui.drawing.marks import ORANGE, plain
from tui.drawing.plain import Plain, signs_of
from tui.drawing.rows import Row, Rows
from tui.drawing.wrapping import wrapped
from tui.screens.too_small import useful_size

R = TypeVar("R")
MARGIN = 1
"""The last column stays free: some terminals wrap there."""
LEAVE: list[BindingType] = [Binding("escape", "leave", "leave"), Binding("f10", "leave", "leave", show=False)]
FIELD_CSS = "{ height: 1; border: none; padding: 0; background: $boost; }"


def safety_row(width: int) -> Row:
    """The cautions that bite first; they stand on the screen all the time."""
    return [(f" {SAFETY if width >= len(SAFETY) + 2 else SAFETY_SHORT}", ORANGE)]


class SafetyRow(Rows):
    """The cautions, at the bottom of whatever screen they are put on."""

    DEFAULT_CSS = "SafetyRow { dock: bottom; height: 1; }"

    def __init__(self) -> None:
        super().__init__(id="safety")

    def on_mount(self) -> None:
        """Before anything else is known."""
        self.show([safety_row(useful_size(self.app).width)])

    def on_resize(self) -> None:
        """Long or short, as the width allows."""
        self.show([safety_row(useful_size(self.app).width)])


class TextScreen(Screen[R]):
    """Blocks of text that wrap and give way, a line to type into where one is asked for, the cautions below."""

    AUTO_FOCUS = ""
    DEFAULT_CSS = f"""
    TextScreen {{ layout: vertical; overflow: hidden; }}
    TextScreen #text {{ height: auto; }}
    TextScreen Input, TextScreen Input:focus {FIELD_CSS}
    """
    PLACEHOLDER: ClassVar[str] = ""

    def text_blocks(self, width: int) -> Sequence[Block]:
        """What stands on the screen, from top to bottom; a line wider than `width` is wrapped."""
        raise NotImplementedError

    def compose(self) -> ComposeResult:
        """Text, and a line to type into."""
        with Vertical():
            yield Plain(id="text")
            field = Input(id="line", placeholder=self.PLACEHOLDER, max_length=400)
            field.cursor_blink = False
            field.display = False
            yield field
        yield SafetyRow()

    @property
    def width(self) -> int:
        """Columns of a line."""
        return useful_size(self.app).width - MARGIN

    @property
    def field(self) -> Input:
        """The line to type into."""
        return self.query_one("#line", Input)

    def on_resize(self) -> None:
        """Another size."""
        self.draw()

    def draw(self) -> None:
        """Show what stands now; what finds no room gives way whole."""
        if not self.is_mounted:
            return
        rows = useful_size(self.app).height - 1 - (1 if self.field.display else 0)
        marks, width = (
            signs_of(self.app),
            self.width,
        )  # some signs of an ASCII terminal are wider than what they stand for
        blocks = [
            replace(one, lines=tuple(part for line in one.lines for part in _fitted(plain(line, marks), width)))
            for one in self.text_blocks(width)
        ]
        self.query_one("#text", Plain).show(stacked(blocks, rows))

    def type_in(self, standing: str = "") -> None:
        """Open the line. It has the focus at once: what is typed next is for it, not for the keys."""
        field = self.field
        field.value, field.display = standing, True
        field.cursor_position = len(standing)
        self.set_focus(field)
        self.draw()

    def close_line(self) -> None:
        """Nothing is typed any more."""
        self.field.display = False
        self.set_focus(None)


def _fitted(line: str, width: int) -> list[str]:
    return ["".join(part for part, _ in row) for row in wrapped([(line, "")], width, LABEL)]


class Dialog(ModalScreen[R]):
    """A box over another screen, whose cautions stay in sight below it."""

    BINDINGS: ClassVar[list[BindingType]] = LEAVE
    DEFAULT_CSS = f"""
    Dialog {{ align: center middle; background: transparent; }}
    Dialog > .box {{
        width: 100%; max-width: 78; height: auto; max-height: 100%; border: ascii $foreground; padding: 0 1;
        background: $surface; margin: 0 0 1 0;
    }}
    Dialog Input, Dialog Input:focus {FIELD_CSS}
    Dialog Input {{ width: 1fr; }}
    Dialog OptionList, Dialog OptionList:focus {{ height: auto; border: none; padding: 0; }}
    Dialog Label {{ width: 26; }}
    Dialog Horizontal {{ height: 1; }}
    """

    def action_leave(self) -> None:
        """Leave without a change."""
        self.dismiss(None)


def hanging(pairs: Iterable[tuple[str, str]], column: int, width: int) -> list[str]:
    """Words with their meaning beside them, each wrapped under itself, no line wider than `width`."""
    return [line for word, means in pairs for line in labelled(word, means, width, column)]
