"""The program in a terminal of its own: a process behind a pty whose screen is kept by a terminal emulator (pyte)."""

from __future__ import annotations

import contextlib
import fcntl
import os
import pty
import re
import select
import struct
import subprocess
import sys
import termios
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import pyte

ROOT = Path(__file__).parents[2]
PATIENCE_S = 40.0
STILL_S = 120.0
"""A screen that has not moved for so long will not; a busy machine is slow, but draws."""
MOST_DRAWN = 20_000
"""Other screens than the one that is waited for, before a wait is given up: an hour of sweeps."""


class Terminal:
    """80 by 24. `hang_up` is what happens when an ssh link drops. `answers`: it tells where its cursor is when it
    is asked, as all but toys do."""

    def __init__(
        self,
        words: Sequence[str],
        environment: Mapping[str, str] | None = None,
        rows: int = 24,
        *,
        answers: bool = True,
        command: Sequence[str] = (sys.executable, "-m", "tui"),
        folder: Path = ROOT,
    ) -> None:
        self._master, slave = pty.openpty()
        fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", rows, 80, 0, 0))
        self.process = subprocess.Popen(
            [*command, *words],
            cwd=folder,
            env={**os.environ, "TERM": "xterm-256color", "LANG": "C.UTF-8", "LC_ALL": "", **(environment or {})},
            preexec_fn=lambda: os.login_tty(slave),  # noqa: PLW1509 - no other thread of a test holds a lock here
        )
        os.close(slave)
        self._screen = pyte.Screen(80, rows)
        if answers:
            self._screen.write_process_input = self.type  # type: ignore[method-assign]
        self._stream = pyte.ByteStream(self._screen)
        self.raw = b""

    @property
    def text(self) -> str:
        """The screen as lines."""
        return "\n".join(line.rstrip() for line in self._screen.display)

    @property
    def cells(self) -> list[list[object]]:
        """Every character with its colours."""
        return [[self._screen.buffer[y][x] for x in range(80)] for y in range(self._screen.lines)]

    def read(self, patience_s: float = 0.1) -> bool:
        """Take what the program has drawn; False when nothing came."""
        if self._master < 0:
            return False
        ready, _, _ = select.select([self._master], [], [], patience_s)
        if not ready:
            return False
        try:
            data = os.read(self._master, 1 << 16)
        except OSError:
            return False
        self.raw += data
        # The emulator does not know these private reports; a terminal ignores what it does not know.
        self._stream.feed(re.sub(rb"\x1b\[[<>=?][0-9;]*[a-zA-Z]|\x1b\[\?[0-9;]*\$p", b"", data))
        return bool(data)

    def wait_for(self, condition: str | Callable[[str], bool], patience_s: float = PATIENCE_S) -> str:
        """Read until the screen shows it; the deadline only ends a test that fails."""
        until = time.monotonic() + patience_s
        seen = condition if callable(condition) else lambda text: condition in text
        while not seen(self.text):
            assert time.monotonic() < until, f"waited in vain for {condition}; the screen:\n{self.text}"
            self.read()
        return self.text

    def wait_moving(self, condition: str | Callable[[str], bool]) -> str:
        """As `wait_for`, by the screen and not by the clock: it fails on a screen that stands still, or that shows
        everything but what is waited for. How fast the machine is does not matter."""
        seen = condition if callable(condition) else lambda text: condition in text
        text, since, drawn = self.text, time.monotonic(), 0
        while not seen(text):
            self.read()
            now = self.text
            if now != text:
                text, since, drawn = now, time.monotonic(), drawn + 1
            still = time.monotonic() - since > STILL_S
            assert not still and drawn < MOST_DRAWN, f"waited in vain for {condition}; the screen:\n{text}"
        return text

    def type(self, data: str) -> None:
        os.write(self._master, data.encode())

    def send(self, data: bytes) -> None:
        """Bytes as they are: noise, another alphabet, a binary paste."""
        os.write(self._master, data)

    def draw_over(self, data: bytes) -> None:
        """Another program writes on the terminal."""
        self._stream.feed(data)

    def modes(self) -> list[Any]:
        """Of the terminal: tcgetattr(3)."""
        return termios.tcgetattr(self._master)

    def change_modes(self, modes: list[Any]) -> None:
        """As another program on it does."""
        termios.tcsetattr(self._master, termios.TCSANOW, modes)

    def clear(self) -> None:
        """Nothing of what was drawn stands there any more."""
        self._screen.reset()

    def hang_up(self) -> None:
        """Close our side: the kernel sends SIGHUP to the program."""
        os.close(self._master)
        self._master = -1

    def wait_for_end(self, patience_s: float = PATIENCE_S) -> int:
        """Exit status; the screen is read meanwhile."""
        until = time.monotonic() + patience_s
        while self.process.poll() is None:
            assert time.monotonic() < until, f"the program does not end; the screen:\n{self.text}"
            self.read(0.05)
        while self.read(0.0):
            pass
        assert self.process.returncode is not None
        return self.process.returncode

    def close(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait()
        if self._master >= 0:
            self.hang_up()


@contextlib.contextmanager
def terminal(*words: str, environment: Mapping[str, str] | None = None, answers: bool = True) -> Iterator[Terminal]:
    """A program in a terminal, ended with the block."""
    made = Terminal(words, environment, answers=answers)
    try:
        yield made
    finally:
        made.close()
