"""Puts a simulated instrument behind a pty and serves it until told to stop.

Owns: the pty (both ends, so that opening and closing by the program never ends it), the loop over port and control
lines, real or shrunk time. Refuses: physics and dialects.
"""

from __future__ import annotations

import contextlib
import os
import pty
import select
import sys
import termios
import time
import tty
from collections import deque
from collections.abc import Callable
from pathlib import Path

from protocol.simulated.replies import Action, Dialect, Drop, Wait
from protocol.simulated.reply_faults import ReplyFaults

CHUNK = 65536


class PtyPort:
    """A pty whose far side is this process. `replug` makes a new one under the same link."""

    def __init__(self, link: Path | None) -> None:
        self._link = link
        self.master = self._slave = -1
        self.node = ""
        self.plug()

    def plug(self) -> None:
        """Open a pty in raw mode and keep an own hand on the far end (without one Linux reports a hang-up)."""
        self.master, self._slave = pty.openpty()
        tty.setraw(self._slave, termios.TCSANOW)
        os.set_blocking(self.master, False)
        self.node = os.ttyname(self._slave)
        if self._link is not None:
            self._link.unlink(missing_ok=True)
            self._link.symlink_to(self.node)

    def unplug(self) -> None:
        """Close both ends: the program's next read or write fails as with a pulled cable."""
        for end in (self.master, self._slave):
            if end >= 0:
                os.close(end)
        self.master = self._slave = -1

    def close(self) -> None:
        """Unplug and take the link away."""
        self.unplug()
        if self._link is not None:
            self._link.unlink(missing_ok=True)


class Server:
    """The loop: bytes from the port to the dialect, its actions back in their time, control lines in between."""

    def __init__(
        self, port: PtyPort, dialect: Dialect, faults: ReplyFaults, control: Callable[[str], str], speed: float
    ) -> None:
        self._port, self._dialect, self._faults, self._control = port, dialect, faults, control
        self._speed = speed
        self._due = 0.0
        self._actions: deque[Action] = deque()
        self._lines = b""
        self._stopped = False

    def stop(self, *_: object) -> None:
        """End the loop soon; safe to call from a signal handler."""
        self._stopped = True

    def run(self, *, end_with_input: bool) -> None:
        """Serve until stopped, or until standard input ends when `end_with_input`."""
        listen_to_input = True
        while not self._stopped:
            self._send_due()
            readers = [self._port.master] if self._port.master >= 0 else []
            readers += [0] if listen_to_input else []
            pause = max(self._due - time.monotonic(), 0.0) if self._actions else 0.5
            ready, _, _ = select.select(readers, [], [], min(pause, 0.5))
            if self._port.master in ready:
                self._receive()
            if 0 in ready:
                data = os.read(0, CHUNK)
                if not data:
                    listen_to_input = False
                    if end_with_input:
                        return
                self._obey(data)

    def _receive(self) -> None:
        try:
            data = os.read(self._port.master, CHUNK)
        except (BlockingIOError, OSError):
            return
        for action in self._faults.strike(self._dialect.feed(data)):
            if isinstance(action, Drop):
                self._actions.clear()
                self._due = 0.0
            else:
                self._actions.append(action)

    def _send_due(self) -> None:
        """Carry out actions until one has to wait."""
        while self._actions and time.monotonic() >= self._due:
            action = self._actions.popleft()
            if isinstance(action, Wait):
                self._due = time.monotonic() + action.seconds * self._speed
            elif isinstance(action, bytes):
                self._write(action)

    def _write(self, data: bytes) -> None:
        """Write all, waiting for the reader; what cannot leave because the cable is out is lost, as on a real one."""
        view = memoryview(data)
        while view and self._port.master >= 0 and not self._stopped:
            try:
                view = view[os.write(self._port.master, view) :]
            except BlockingIOError:
                select.select([], [self._port.master], [], 0.1)
            except OSError:
                return

    def _obey(self, data: bytes) -> None:
        self._lines += data
        while b"\n" in self._lines:
            line, _, self._lines = self._lines.partition(b"\n")
            try:
                answer = "ok " + self._command(line.decode("utf-8", "replace").strip())
            except ValueError as error:
                answer = f"no: {error}"
            with contextlib.suppress(BrokenPipeError):
                print(answer, flush=True)  # noqa: T201 - the protocol of the control lines

    def _command(self, line: str) -> str:
        words = line.split()
        if words[:1] == ["fault"] and len(words) in (2, 3):
            return self._faults.ask(words[1], words[2] if len(words) == 3 else "1", self._dialect)
        if words == ["restart"]:
            self._dialect.restart()
        if words == ["unplug"]:
            self._port.unplug()
            return "unplugged"
        if words == ["replug"]:
            if self._port.master < 0:
                self._port.plug()
            return f"node {self._port.node}"
        return self._control(line)


def announce(port: PtyPort) -> None:
    """The first line of the output: the device node."""
    print(f"node {port.node}", flush=True)  # noqa: T201 - read by whoever started us
    sys.stdout.flush()
