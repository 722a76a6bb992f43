"""A terminal that goes away, and a process that is told to end: what becomes of the run.

Owns: the two signals while a command measures, and letting go of a dead terminal. Refuses: to stop a run by itself. A
hang-up (SIGHUP, the ssh link dropped) lets the run go on without a terminal to its planned end; a termination
(SIGTERM) ends it at the end of the sweep in hand.
"""

from __future__ import annotations

import os
import select
import signal
import sys
from collections.abc import Callable
from types import FrameType, TracebackType


class Signals:
    """Holds both signals for as long as its `with` block lasts."""

    def __init__(self) -> None:
        self.hung_up = self.terminated = False
        self._on_hang_up: Callable[[], None] = _nothing
        self._on_termination: Callable[[], None] = _nothing
        self._before: dict[signal.Signals, object] = {}

    def __enter__(self) -> Signals:
        for name in (signal.SIGHUP, signal.SIGTERM):
            self._before[name] = signal.signal(name, self._came)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for name, handler in self._before.items():
            # After a hang-up more of them may come (kernel, shell, session manager): none may kill what goes on.
            keep = signal.SIG_IGN if name is signal.SIGHUP and self.hung_up else handler
            signal.signal(name, keep)  # type: ignore[arg-type]

    def listen(self, on_hang_up: Callable[[], None], on_termination: Callable[[], None]) -> None:
        """Who hears of them from now on; called on the main thread, between two of its steps. What came before is
        told at once."""
        self._on_hang_up, self._on_termination = on_hang_up, on_termination
        if self.hung_up:
            on_hang_up()
        if self.terminated:
            on_termination()

    def hang_up(self) -> None:
        """The terminal is gone, however that was noticed."""
        if not self.hung_up:
            self.hung_up = True
            self._on_hang_up()

    @property
    def came(self) -> bool:
        """True after either."""
        return self.hung_up or self.terminated

    def _came(self, number: int, _: FrameType | None) -> None:
        if number == signal.SIGHUP:
            self.hang_up()
        elif not self.terminated:
            self.terminated = True
            self._on_termination()


def _nothing() -> None:
    """Nobody listens yet."""


def let_go_of_terminal() -> None:
    """Point those of stdin, stdout and stderr that are terminals at /dev/null: writing to a dead one fails for ever.

    A file or pipe that the user chose for the data is kept.
    """
    nothing = os.open(os.devnull, os.O_RDWR)
    try:
        for descriptor in (0, 1, 2):
            try:
                terminal = os.isatty(descriptor) or _gone(descriptor)
            except OSError:
                continue
            if terminal:
                os.dup2(nothing, descriptor)
    finally:
        os.close(nothing)


def terminal_gone() -> bool:
    """True when stdin is a terminal whose other end is gone, for sessions in which no signal tells."""
    try:
        return sys.__stdin__ is not None and _gone(sys.__stdin__.fileno())
    except (OSError, ValueError):
        return False


def _gone(descriptor: int) -> bool:
    """A terminal that was hung up is no terminal any more (isatty fails on it), but poll tells."""
    poll = select.poll()
    poll.register(descriptor, 0)
    return any(events & select.POLLHUP for _, events in poll.poll(0))
