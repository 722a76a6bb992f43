"""The Textual application: one screen on a terminal, and why it ended.

Owns: start, clean leave on hang-up and termination, the settings that keep a thin line thin. Refuses: everything else.
"""

from __future__ import annotations

import asyncio
import enum
import os
import sys

from textual.events import Resize
from textual.geometry import Size
from textual.notifications import SeverityLevel
from textual.screen import Screen

from protocol.errors import RequestError
from protocol.files.harmless import harmless
from tui.drawing.marks import MarkSet, terminal_marks
from tui.screens.live_screen import LiveScreen
from tui.screens.too_small import LEAST_COLUMNS, LEAST_ROWS, TooSmall
from tui.screens.watch_screen import WatchScreen
from tui.terminal.terminal_gone import Signals, terminal_gone
from tui.terminal.thin_line import ThinApp
from visit.run.conductor import RunOrder
from visit.run.set_up import Choice, SetUp
from visit.run.tool import Tool
from visit.run.watch import Watcher

LOOK_FOR_TERMINAL_S = 1.0


class Left(enum.Enum):
    """Why a screen ended."""

    BY_KEY = "by key"
    HUNG_UP = "hung up"
    TERMINATED = "terminated"
    TAKE_OVER = "take over"
    SITE_EDITED = "site edited"
    CRASHED = "crashed"


class DeepnotchApp(ThinApp[bool]):
    """One screen; True when a watching screen ended to take over."""

    TITLE = "deepnotch"
    CSS = "ToastRack { dock: top; align: right top; margin-top: 1; }"
    """News stands at the top: the cautions at the bottom are never hidden."""
    ENABLE_COMMAND_PALETTE = False

    def __init__(self, screen: Screen[None], signals: Signals | None = None, marks: MarkSet = MarkSet.BRAILLE) -> None:
        super().__init__()
        self.marks = marks
        """The signs of this terminal, for all text on it."""
        self.animation_level = "none"
        self._first, self._signals = screen, signals
        self._home: asyncio.AbstractEventLoop | None = None
        self.fault: Exception | None = None
        """The first fault of the program itself that ended the screen."""

    def _handle_exception(self, error: Exception) -> None:
        """Close the screen without a word on it; whoever opened it says what happened and goes on measuring."""
        if self.fault is None:
            inner = getattr(error, "error", None)  # what a worker failed of
            self.fault = inner if isinstance(inner, Exception) else error
        if self.is_headless:
            super()._handle_exception(error)
            return
        self._return_code = 1
        self._close_messages_no_wait()

    def on_resize(self, event: Resize) -> None:
        """A terminal that is too small shows that and nothing else."""
        self._look_at_size(event.size)

    def _look_at_size(self, size: Size) -> None:
        small = size.width < LEAST_COLUMNS or size.height < LEAST_ROWS
        if small and not isinstance(self.screen, TooSmall):
            self.push_screen(TooSmall())
        elif not small and isinstance(self.screen, TooSmall):
            self.pop_screen()

    def notify(
        self,
        message: str,
        *,
        title: str = "",
        severity: SeverityLevel = "information",
        timeout: float | None = None,
        markup: bool = False,
    ) -> None:
        """As Textual does, the words harmless and never taken for markup: they may be untrusted."""
        del markup
        super().notify(harmless(message), title=title, severity=severity, timeout=timeout, markup=False)

    def action_help_quit(self) -> None:
        """Ctrl-C, for many the way out of a program: ends nothing, says which key leaves."""
        self.notify("q leaves a screen. Ctrl-C ends nothing here: what is measured goes on.")

    def on_mount(self) -> None:
        """Show the screen; look whether the terminal is still there (a default SIGHUP would kill without clean-up)."""
        self._home = asyncio.get_running_loop()
        self.push_screen(self._first)
        self._look_at_size(self.size)
        if self._signals is not None:
            self._signals.listen(self.leave_soon, self.leave_soon)
            self.set_interval(LOOK_FOR_TERMINAL_S, self._look_for_terminal)

    def _look_for_terminal(self) -> None:
        if terminal_gone() and self._signals is not None:
            self._signals.hang_up()

    def leave_soon(self) -> None:
        """End the screen; may be called by a signal's handler."""
        if self._home is not None:
            self._home.call_soon_threadsafe(self.exit, False)


def run_screen(tool: Tool, order: RunOrder, marks: MarkSet, signals: Signals) -> tuple[Left, Exception | None]:
    """Show the live screen until the user leaves or the terminal goes; with the fault when it crashed."""
    screen = LiveScreen(tool, order, marks)
    left, fault = _run(screen, signals, marks)
    if fault is not None:
        return left, fault
    return (Left.SITE_EDITED if left is Left.BY_KEY and screen.edited else left), None


def run_start(set_up: SetUp, signals: Signals) -> Choice | None:
    """Show the start screen; None when the user left it or the terminal went. A fault of the program is raised."""
    from tui.screens.start_screen import StartScreen  # noqa: PLC0415 - learning loads only where somebody chooses

    screen = StartScreen(set_up)
    _, fault = _run(screen, signals, terminal_marks())
    if fault is not None:
        raise fault
    return screen.choice


def run_watch(watcher: Watcher, marks: MarkSet, signals: Signals, *, can_take_over: bool) -> Left:
    """Show somebody else's run. A fault of the program is raised: nothing of the run depends on this screen."""
    left, fault = _run(WatchScreen(watcher, marks, can_take_over=can_take_over), signals, marks)
    if fault is not None:
        raise fault
    return left


def _run(screen: Screen[None], signals: Signals, marks: MarkSet) -> tuple[Left, Exception | None]:
    """Why the screen ended, and the fault when it crashed. Mouse reports are off: they are traffic for nothing."""
    os.environ.setdefault("TEXTUAL_FPS", "10")
    app = DeepnotchApp(screen, signals, marks)
    try:
        take_over = app.run(mouse=False)
    except Exception as error:  # a screen that fails must not take the run with it
        app.fault = app.fault or error
        take_over = None
    if signals.hung_up:
        return Left.HUNG_UP, None
    if signals.terminated:
        return Left.TERMINATED, None
    if app.fault is not None:
        return Left.CRASHED, app.fault
    return (Left.TAKE_OVER if take_over else Left.BY_KEY), None


def check_terminal() -> None:
    """Raises RequestError where no screen can stand: no terminal, or one that can't place a cursor."""
    no_screen = "a screen needs a terminal; without one measure with `deepnotch check`"
    if not (sys.__stdin__ and sys.__stderr__ and sys.__stdin__.isatty() and sys.__stderr__.isatty()):
        raise RequestError(f"this is no terminal (input or error output leads elsewhere): {no_screen}")
    if os.environ.get("TERM", "") in ("", "dumb"):
        raise RequestError(f"this terminal can't place a cursor (TERM={os.environ.get('TERM', '')!r}): {no_screen}")
