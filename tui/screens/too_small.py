"""What stands on a terminal that is too small for a figure: one honest line, and no figure cut in its middle.

Owns: the smallest useful size. Refuses: every key but the one to leave.
"""

from __future__ import annotations

from typing import Any, ClassVar

from textual.app import App, ComposeResult
from textual.binding import Binding, BindingType
from textual.geometry import Size
from textual.screen import ModalScreen
from textual.widgets import Static

LEAST_COLUMNS, LEAST_ROWS = 72, 20
"""The short line of safety takes 71 columns; the rows of the live screen without its plot are 16."""


def useful_size(app: App[Any]) -> Size:
    """Columns and rows that a screen lays itself out for: those of the terminal, and where it is too small those of the
    smallest useful one. What stands there then is not seen."""
    return Size(max(app.size.width, LEAST_COLUMNS), max(app.size.height, LEAST_ROWS))


class TooSmall(ModalScreen[None]):
    """Covers the whole terminal until it is large enough again; what is measured goes on."""

    DEFAULT_CSS = """
    TooSmall { background: $background; align: left top; }
    TooSmall Static { width: 100%; height: auto; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [Binding("q", "leave", "leave")]

    def compose(self) -> ComposeResult:
        """The line, wrapped where it must be."""
        yield Static(id="size", markup=False)

    def on_mount(self) -> None:
        """Say it."""
        self._say()

    def on_resize(self) -> None:
        """Say the new size."""
        self._say()

    def _say(self) -> None:
        width, height = self.app.size
        self.query_one("#size", Static).update(
            f"{width}x{height} is too small: make it {LEAST_COLUMNS}x{LEAST_ROWS}. What runs goes on. q leaves"
        )

    def action_leave(self) -> None:
        """As on the screen below."""
        self.app.pop_screen()
        self.app.simulate_key("q")
