"""Choosing one of several lines, and typing one.

Owns: the two dialogs, and the list that they and others have. Refuses: to know what is chosen; the caller gets a number
or the text, None when it was left.
"""

from __future__ import annotations

from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.widgets import Input, OptionList
from textual.widgets.option_list import Option

from tui.drawing.plain import Plain
from tui.screens.framed import Dialog


class Choices(OptionList):
    """Lines to choose from whose ends are ends: a key too many at the first one takes nobody to the last."""

    def action_cursor_up(self) -> None:
        """The line before, where there is one."""
        if self.highlighted:
            super().action_cursor_up()

    def action_cursor_down(self) -> None:
        """The line after, where there is one."""
        if self.highlighted is None or self.highlighted < self.option_count - 1:
            super().action_cursor_down()


class ListDialog(Dialog[int | None]):
    """One of several lines; answers with its number from 0."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("q", "leave", "leave", show=False)]

    def __init__(self, title: str, lines: list[str]) -> None:
        super().__init__()
        self._title, self._lines = title, lines

    def compose(self) -> ComposeResult:
        """The title and the lines."""
        with Vertical(classes="box"):
            yield Plain([self._title])
            lines = Choices(*(Option(line) for line in self._lines), markup=False)
            lines.styles.max_height = 18
            yield lines

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        """Answer."""
        self.dismiss(event.option_index)


class LineDialog(Dialog[str | None]):
    """One line of text."""

    def __init__(self, title: str, standing: str = "") -> None:
        super().__init__()
        self._title, self._standing = title, standing

    def compose(self) -> ComposeResult:
        """The title and the line."""
        with Vertical(classes="box"):
            yield Plain([self._title])
            field = Input(self._standing, max_length=400)
            field.cursor_blink = False
            yield field

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Answer."""
        self.dismiss(event.value.strip())
