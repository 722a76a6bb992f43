"""Hands at a screen inside the test: keys pressed and counted, what the screen says, until it says what is waited for;
on the pages beside the duplexer also a line typed, and a look that no text is cut.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from textual.pilot import Pilot
from textual.widgets import Input, Static

from tests.tui.whole import faults
from tui.drawing.rows import Rows

PATIENCE_S = 20.0


class Hand:
    """Presses keys and counts them."""

    def __init__(self, pilot: Pilot[bool]) -> None:
        self.pilot, self.keys = pilot, 0

    async def press(self, *keys: str) -> None:
        self.keys += len(keys)
        await self.pilot.press(*keys)

    async def until(self, words: str | Callable[[], bool]) -> None:
        """Look until it stands there, or is so; the deadline only ends a test that fails."""
        deadline = asyncio.get_running_loop().time() + PATIENCE_S
        while not (words() if callable(words) else words in self.text()):
            assert asyncio.get_running_loop().time() < deadline, self.text()
            await self.pilot.pause(0.02)

    def text(self) -> str:
        """All that the screen says: rows first, then texts."""
        screen = self.pilot.app.screen
        rows = [line for block in screen.query(Rows) for line in block.texts]
        return "\n".join([*rows, *(str(block.content) for block in screen.query(Static))])


class PageHand(Hand):
    """Presses keys on a page of text with one line to type into."""

    def shown(self) -> str:
        """What the page says."""
        return str(self.pilot.app.screen.query_one("#text", Static).content)

    async def whole(self, condition: Callable[[], bool]) -> None:
        """Until it is so; then every line of the page stands within the terminal."""
        await self.until(condition)
        await self.pilot.pause()
        assert not faults(self.pilot.app)

    async def typed(self, key: str, text: str) -> None:
        """Open the line by its key, and write into it."""
        await self.press(key)
        field = self.pilot.app.screen.query_one("#line", Input)
        await self.until(lambda: field.has_focus)
        field.value = text
        await self.press("enter")
