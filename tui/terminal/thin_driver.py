"""The way out to a terminal that may not take what is written: Textual's own driver, but nothing of it waits for ever.

Owns: what has been handed to the writing thread and not been taken yet, leaving a terminal that takes nothing,
reading one that sends anything, and what a process that was stopped does when it goes on. Refuses: to decide what is
worth writing.
"""

from __future__ import annotations

import contextlib
import os
import select
import signal
import sys
import termios
import threading
import time
from io import TextIOWrapper
from typing import Any, cast

from textual.drivers.linux_driver import LinuxDriver
from textual.events import CursorPosition, Resize
from textual.geometry import Size
from textual.message import Message

from tui.terminal.terminal_gone import let_go_of_terminal
from tui.terminal.typed_bytes import TypedBytes

ASK = "\x1b[6n"
"""A terminal answers this with where its cursor is (ECMA-48 DSR 6)."""
MOST_WAITING = 20
"""Textual's writer blocks its caller when 30 pieces wait. From here on they are dropped: whoever stalls the terminal
must not stall the keys, the signals and the leaving."""
TICK_S = 0.1
HOLD_EVERY_S = 1.0
MOST_AT_ONCE = 4096
LEAVE_S = 3.0
"""A terminal that takes nothing for so long when the screen ends is let go of."""
STAND_AGAIN = "\x1b[?1049h\x1b[?25l\x1b[?1004h\x1b[?2004h\x1b[?7l"
"""The modes of a screen, for a terminal that somebody else may have used meanwhile."""


class Outlet:
    """A text file that writes to a descriptor and counts what was taken. Written to by one thread."""

    def __init__(self, descriptor: int, encoding: str) -> None:
        self._descriptor, self._encoding = descriptor, encoding
        self.taken = 0

    def fileno(self) -> int:
        """The descriptor."""
        return self._descriptor

    def write(self, text: str) -> int:
        """Returns when the kernel has taken all of it, or will not any more (the terminal is gone)."""
        rest = memoryview(text.encode(self._encoding, "backslashreplace"))
        with contextlib.suppress(OSError):
            while rest:
                try:
                    rest = rest[os.write(self._descriptor, rest) :]
                except BlockingIOError:  # whoever shares the terminal may have set it so
                    select.select([], [self._descriptor], [])
        self.taken += 1
        return len(text)

    def flush(self) -> None:
        """Nothing is held back."""


class ThinDriver(LinuxDriver):
    """Writes in a thread; knows whether the terminal has taken what was written."""

    def __init__(self, *arguments: Any, **named: Any) -> None:
        super().__init__(*arguments, **named)
        self._given = 0
        self._answers = self._gone = False
        self._answered = threading.Event()
        self._answered.set()
        self._wanted = self._stands = self._standing_up = False
        self._continued = 0
        self._modes: list[Any] | None = None
        self._held_s = 0.0
        stream = sys.__stderr__
        assert stream is not None  # check_terminal has looked
        self._outlet = Outlet(stream.fileno(), stream.encoding)
        self._file = cast("TextIOWrapper", self._outlet)

    @property
    def waiting(self) -> int:
        """Pieces written that the kernel has not taken."""
        return self._given - self._outlet.taken

    def write(self, data: str) -> None:
        """Hand to the writing thread; dropped when the terminal takes nothing."""
        if self.waiting < MOST_WAITING:
            if ASK in data:
                self._answered.clear()
            self._given += 1
            super().write(data)

    def start_application_mode(self) -> None:
        """Stand on the terminal. In the background it does not, until somebody brings the program to the front."""
        self._wanted, before = True, self._writer_thread
        super().start_application_mode()  # type: ignore[no-untyped-call]
        self._stands = self._writer_thread is not before
        with contextlib.suppress(termios.error):
            self._modes = termios.tcgetattr(self.fileno)

    def stop_application_mode(self) -> None:
        """Leave the terminal, for good unless it is for a stop."""
        self._wanted = self._stands = False
        super().stop_application_mode()

    def _sigtstp_application(self, *_: object) -> None:
        """Told to stop: leave the terminal first."""
        if self._stands:
            self.suspend_application_mode()
            self._wanted = self._must_signal_resume = True
        os.kill(os.getpid(), signal.SIGSTOP)

    def _sigcont_application(self, *_: object) -> None:
        """The process goes on. The kernel says so with every hang-up too, and a screen that has ended must not begin
        again then, for what it was opened for may go on without it."""
        self._continued += 1
        if self._standing_up:  # stopped again by the terminal itself, because the process was in the background
            return
        self._standing_up = True
        try:
            seen = 0
            while self._wanted and not self._stands and seen != self._continued:
                seen = self._continued
                self.resume_application_mode()
            if self._wanted and self._stands and not seen:
                self._stand_again()
        finally:
            self._standing_up = False

    def _stand_again(self) -> None:
        """Stopped without being told, the terminal as the screen had set it: others may have changed all of it."""
        if self._modes is not None:
            with contextlib.suppress(termios.error):
                termios.tcsetattr(self.fileno, termios.TCSANOW, self._modes)
        self.write(STAND_AGAIN)
        size = Size(*self._get_terminal_size())
        self.send_message(Resize(size, size))

    def _run_input_thread(self) -> None:
        """A fault of the reading ends the screen as any other fault of it does."""
        try:
            self.run_input_thread()
        except Exception as error:
            self._app.call_later(self._app._handle_exception, error)

    def run_input_thread(self) -> None:
        """In the reading thread, until the screen ends: no byte that the terminal sends may end it."""
        typed = TypedBytes()
        while not self.exit_event.is_set() and not self._gone:
            for message in [*self._heard(typed, TICK_S), *typed.tick(time.monotonic())]:
                self.process_message(message)
            self._hold_modes()
        for message in [*self._heard(typed, 0.0, final=True), *typed.end()]:
            self.process_message(message)

    def _hold_modes(self) -> None:
        """Somebody else has set the terminal to lines and echo (`stty sane`): no key would come through any more.
        Looked at once in a while, and only where the screen stands in front."""
        now_s = time.monotonic()
        if now_s < self._held_s + HOLD_EVERY_S or not self._stands or self._modes is None:
            return
        self._held_s = now_s
        with contextlib.suppress(termios.error, OSError):
            in_front = os.tcgetpgrp(self.fileno) == os.getpgrp()
            if in_front and self._stands and termios.tcgetattr(self.fileno)[3] != self._modes[3]:
                termios.tcsetattr(self.fileno, termios.TCSANOW, self._modes)

    def _heard(self, typed: TypedBytes, wait_s: float, *, final: bool = False) -> list[Message]:
        """What came within that time. A terminal that is gone (its end can be read, or nothing at all) never says
        anything again: the reading ends with it, for a thread that waited on would keep the process from ending."""
        data = b""
        try:
            poll = select.poll()  # select() knows no descriptor above 1023
            poll.register(self.fileno, select.POLLIN)
            if poll.poll(wait_s * 1000.0):
                data = os.read(self.fileno, MOST_AT_ONCE)
                self._gone = not data
        except BlockingIOError:
            self.exit_event.wait(wait_s)
        except OSError:
            self._gone = True
        return typed.feed(data, time.monotonic(), final=final)

    def _get_terminal_size(self) -> tuple[int, int]:
        """Columns and rows of the terminal that is read from, wherever stdout leads."""
        with contextlib.suppress(OSError):
            found = os.get_terminal_size(self.fileno)
            if found.columns and found.lines:
                return found.columns, found.lines
        return super()._get_terminal_size()

    def process_message(self, message: Message) -> None:
        """In the reading thread: note an answer at once. A size that the terminal tells is asked of the kernel: noise
        on the line may tell any."""
        if isinstance(message, Resize):
            size = Size(*self._get_terminal_size())
            message = Resize(size, size)
        if isinstance(message, CursorPosition):
            self._answered.set()
            self._answers = True
        super().process_message(message)

    def disable_input(self) -> None:
        """Wait for an answer that is still on its way: the shell would take it for something typed."""
        if self._answers and not self.exit_event.is_set():
            self._answered.wait(LEAVE_S)
            self._answered.set()
        super().disable_input()

    def close(self) -> None:
        """Wait for the last bytes, but not for ever. A terminal that does not take them gets nothing any more."""
        self._wanted = self._stands = False
        writer = self._writer_thread
        if writer is None:
            return
        done = threading.Thread(target=writer.stop, name="last bytes", daemon=True)
        done.start()
        done.join(LEAVE_S)
        if done.is_alive():
            let_go_of_terminal()
