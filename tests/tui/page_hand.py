"""A hand on the pages beside the duplexer: what the page says, a line typed into it, a look that no fault was drawn."""

from __future__ import annotations

from collections.abc import Callable

from textual.widgets import Input, Static

from tests.tui.test_calibration_screen import Hand
from tests.tui.whole import faults


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
