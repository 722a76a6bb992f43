"""Owns the byte side of a served console: the pty, the log file, the bench file and simulated time."""

from __future__ import annotations

import json
import os
import select
import time
import tty
from pathlib import Path

from .physics import BENCHES


class Gone(Exception):
    """The one who started this process closed its standard input."""


class Wire:
    """Characters in and out of the pty, with everything received written to the log."""

    def __init__(self, log: Path | None, bench: Path | None, speed: float, stdin: int = 0) -> None:
        self.master, self.slave = os.openpty()
        tty.setraw(self.slave)
        os.set_blocking(self.master, False)
        self.path = os.ttyname(self.slave)
        self._stdin = stdin
        self._bench = bench
        self.speed = speed
        self._log = log.open("a", encoding="utf-8") if log else None
        self._zero = time.monotonic()
        self._in: list[str] = []

    def close(self) -> None:
        """Let go of the pty and the log; only where the process goes on."""
        os.close(self.master)
        os.close(self.slave)
        if self._log:
            self._log.close()

    def log(self, line: str, effect: str, detail: str = "") -> None:
        """One interpreted thing; effect is none, setting, query, sweep or HARM."""
        if self._log:
            record = {"t": round(time.monotonic() - self._zero, 4), "line": line, "effect": effect, "detail": detail}
            self._log.write(json.dumps(record) + "\n")
            self._log.flush()

    def _watch_stdin(self, ready: list[int]) -> None:
        if self._stdin in ready and not os.read(self._stdin, 4096):
            raise Gone

    def _pull(self, timeout: float | None) -> bool:
        ready, _, _ = select.select([self.master, self._stdin], [], [], timeout)
        self._watch_stdin(ready)
        if self.master in ready:
            chunk = os.read(self.master, 4096).decode("latin-1")
            self.log(chunk, "none", "bytes")
            self._in.extend(chunk)
        return bool(ready)

    def getch(self, timeout: float | None = None) -> str | None:
        """Next character, or None when nothing came within the time."""
        end = None if timeout is None else time.monotonic() + timeout
        while not self._in:
            left = None if end is None else max(0.0, end - time.monotonic())
            self._pull(left)
            if not self._in and end is not None and time.monotonic() >= end:
                return None
        return self._in.pop(0)

    def put(self, text: str) -> None:
        """Send; blocks while nobody reads, as a serial line with flow control does."""
        data = text.encode("latin-1", "replace")
        while data:
            ready, writable, _ = select.select([self._stdin], [self.master], [])
            self._watch_stdin(ready)
            if writable:
                try:
                    data = data[os.write(self.master, data):]
                except BlockingIOError:
                    continue

    def nap(self, seconds: float) -> None:
        """Simulated instrument time, cut to a few milliseconds at speed 0."""
        if self.speed <= 0:
            seconds = min(seconds, 0.003)
        else:
            seconds /= self.speed
        end = time.monotonic() + seconds
        while (left := end - time.monotonic()) > 0:
            ready, _, _ = select.select([self._stdin], [], [], left)
            self._watch_stdin(ready)

    def bench(self) -> str:
        """The word in the bench file; a missing or odd file means open."""
        try:
            word = self._bench.read_text(encoding="utf-8").strip() if self._bench else "open"
        except OSError:
            return "open"
        return word if word in BENCHES else "open"
