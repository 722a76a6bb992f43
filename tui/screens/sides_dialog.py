"""Both sides at once over the live screen, read from the visit while the measurement goes on.

Owns: reading in a thread of its own and showing what came. Refuses: to hold up the screen while fits are made.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Sequence
from typing import ClassVar

from textual.binding import Binding, BindingType

from protocol.errors import RequestError
from tui.drawing.side_lines import side_lines
from tui.screens.reading_dialogs import ReadingDialog, under
from visit.figures.sides import SideState


class SidesDialog(ReadingDialog):
    """Low and high side beside one another."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("o", "leave", "leave", show=False)]

    def __init__(self, read: Callable[[], Sequence[SideState]]) -> None:
        super().__init__()
        self._read = read
        self._sides: Sequence[SideState] = ()
        self._said = "reading the visit ..."

    def on_mount(self) -> None:
        """Begin to read."""
        self.run_worker(self._look(), exclusive=True)

    async def _look(self) -> None:
        try:
            self._sides = await asyncio.to_thread(self._read)
            self._said = ""
        except RequestError as error:
            self._said = f"! {error}"
        self.show_lines()

    def lines(self, width: int) -> list[str]:
        """The table, or how far it is."""
        body = under(f" {self._said}", width) if self._said else side_lines(self._sides, time.time(), width)
        return ["Both sides, each by its best runs (Esc or q: back)", "", *body]
