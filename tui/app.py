"""The Textual application: only wires the live screen to a station.

Owns: start, clean leave on hang-up and termination, the settings that keep a thin line thin. Refuses: everything else.
"""

from __future__ import annotations

import asyncio
import os
import signal

from textual.app import App

from tui.live_screen import LiveScreen
from tui.marks import MarkSet
from visit.conductor import RunOrder
from visit.tool import Tool


class DeepnotchApp(App[None]):
    """One live screen."""

    TITLE = "deepnotch"
    ENABLE_COMMAND_PALETTE = False

    def __init__(self, tool: Tool, order: RunOrder, marks: MarkSet) -> None:
        super().__init__()
        self.animation_level = "none"
        self._tool, self._order, self._marks = tool, order, marks

    def on_mount(self) -> None:
        """Leave cleanly when the terminal goes or somebody asks (a default SIGHUP would kill without clean-up)."""
        loop = asyncio.get_running_loop()
        for name in (signal.SIGHUP, signal.SIGTERM):
            loop.add_signal_handler(name, self.exit)
        self.push_screen(LiveScreen(self._tool, self._order, self._marks))


def run_screen(tool: Tool, order: RunOrder, marks: MarkSet) -> None:
    """Show the live screen until the user leaves. Mouse reports are off: they are traffic for nothing."""
    os.environ.setdefault("TEXTUAL_FPS", "10")
    DeepnotchApp(tool, order, marks).run(mouse=False)
