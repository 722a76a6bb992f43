"""What freezing a stage would freeze, looked up while the day's screen stays alive.

Owns: asking for it, how far that is, and forgetting it when somebody goes on to another step. Refuses: to freeze; that
is done once it was seen.
"""

from __future__ import annotations

import asyncio

from protocol.errors import RequestError
from tui.screens.framed import TextScreen
from visit.run.tool import Tool

FREEZES = {"freeze": "as found", "report": "as left"}
"""What a step freezes, by the word for it."""
LOOKING = "looking at what would be frozen"


class DayFreeze(TextScreen[str | None]):
    """A screen of the day that shows what would be frozen before it is."""

    def __init__(self, tool: Tool) -> None:
        super().__init__()
        self._tool, self._day = tool, tool.visit.day()
        self._freezing: list[str] | None = None
        """What would be frozen, while it is asked."""
        self._words = ""
        self._looking = 0
        """Which question stands; the answer to an earlier one is not shown."""

    def look_at(self, name: str) -> None:
        """Ask what freezing under this name would freeze now."""
        self.forget()
        self._words = LOOKING
        self.run_worker(self._show_frozen(name, self._looking), exclusive=True)
        self.draw()

    def forget(self) -> None:
        """What would be frozen is not wanted."""
        self._freezing = None
        self._looking += 1
        self._tool.visit.forget_asked()

    async def _show_frozen(self, name: str, number: int) -> None:
        loop, freezing, words = asyncio.get_running_loop(), None, ""

        def tell(what: str, done: int, of: int) -> None:
            loop.call_soon_threadsafe(self._tell, number, f"{LOOKING}: {what}, {done} of {of}")

        try:
            freezing = await asyncio.to_thread(self._tool.to_freeze, name, tell)
        except RequestError as error:
            words = f"! {error}"
            if name == FREEZES["report"] and self._day.frozen():
                words = f"{error}; as found stands. Write it with: deepnotch report {self._tool.visit.file.path.name}"
        if number == self._looking:
            self._freezing, self._words = freezing, words
            self.draw()

    def _tell(self, number: int, words: str) -> None:
        if number == self._looking and self._words.startswith(LOOKING):
            self._words = words
            self.draw()
