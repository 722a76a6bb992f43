"""Pages whose content is made from the visit file: anew when something was typed, or when a sweep came.

Owns: making it off the screen's thread, looking for news of the run, ordering a sweep of what hangs on the leads.
Refuses: to know what is made, and the keys.
"""

from __future__ import annotations

import asyncio
import time
from typing import Generic, TypeVar

from protocol.errors import RequestError
from protocol.sweep import SweepSettings
from tui.drawing.blocks import Block
from tui.screens.bench_words import bench_lines
from tui.screens.page_screen import PageScreen, block
from visit.run.conductor import RunOrder
from visit.run.tool import Tool
from visit.site.hookup import HookUp

LOOK_S = 0.5
WORTH_SAYING_S = 1.5
"""A shorter wait is not worth a line that comes and goes."""
Made = TypeVar("Made")


class FilePage(PageScreen, Generic[Made]):
    """Whoever derives from it says what is made from the file."""

    def __init__(self, tool: Tool) -> None:
        super().__init__()
        self._tool = tool
        self.made: Made | None = None
        """What was made last; None before the first time."""
        self._began_s: float | None = None
        self._once_more = False

    def make(self) -> Made:
        """Make it; called off the screen's thread. Raises RequestError, whose words are shown."""
        raise NotImplementedError

    def failed(self, error: RequestError) -> None:
        """Say that it could not be made; what was made before stays."""
        self.said = f"! {error}"

    def on_mount(self) -> None:
        """Make it; the page's own handler draws."""
        self.again()
        self.set_interval(LOOK_S, self._count)

    def again(self) -> None:
        """Make it anew; what is being made is made to its end first, or sweeps that come faster than a fit takes would
        never let one be shown."""
        if self._began_s is not None:
            self._once_more = True
            return
        self._began_s = time.monotonic()
        self.run_worker(self._anew())

    async def _anew(self) -> None:
        try:
            self.made = await asyncio.to_thread(self.make)
        except RequestError as error:
            self.failed(error)
        finally:
            self._began_s = None
        self.draw()
        if self._once_more:
            self._once_more = False
            self.again()

    @property
    def computing(self) -> str:
        """What a wait is for and how long it has lasted; empty while nothing is computed, or not for long."""
        taken_s = 0.0 if self._began_s is None else time.monotonic() - self._began_s
        if self.made is None:
            if self._began_s is None and self.said:
                return "the figures could not be made"
            return f"computing the figures from the visit file, {taken_s:.0f} s so far"
        newer = f"computing them anew, {taken_s:.0f} s so far; the figures shown are of the sweeps before"
        return newer if taken_s > WORTH_SAYING_S else ""

    def wait(self, width: int) -> list[Block]:
        """That it computes, as a row; nothing while it does not."""
        return [block("WAIT", self.computing, width)] if self.computing else []

    def _count(self) -> None:
        if self._began_s is not None:
            self.draw()

    def hang(self, hookup: HookUp, settings: SweepSettings, sweeps: int, purpose: str) -> None:
        """End the run in hand and order one of what hangs on the leads now, which a simulated bench is told."""
        tool = self._tool
        tool.station.stop_run().result()
        if tool.bench is not None:
            for line in bench_lines(hookup, tool.site):
                tool.bench.say(line)
        self.ordered = RunOrder(hookup, settings, sweeps, purpose)
        tool.station.order(self.ordered)


class SweptPage(FilePage[Made]):
    """A page that is made anew with each sweep."""

    def __init__(self, tool: Tool) -> None:
        super().__init__(tool)
        self._seen = self._news()

    def _news(self) -> object:
        progress = self._tool.station.state().progress
        return progress.run_id, progress.done, progress.phase

    def on_mount(self) -> None:
        """Look for news twice a second."""
        self.set_interval(LOOK_S, self._look)

    def _look(self) -> None:
        news = self._news()
        if news != self._seen:
            self._seen = news
            self.again()
