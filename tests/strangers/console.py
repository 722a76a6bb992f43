"""Owns what every served console shares: the sweep state, a measured sweep, line reading, harm logging."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

import numpy as np

from .physics import Complex, Real, World
from .wire import Wire


class Console:
    """State and helpers. A subclass gives `boot` and `command` (or its own `run`)."""

    title = ""
    fmin, fmax = 1e5, 1.5e9
    nmin, nmax = 2, 401
    start, stop, points = 1e6, 9e8, 101
    bandwidth, averages = 1000.0, 1
    f_round = 1.0
    bandwidths: tuple[float, ...] = ()
    eol_in, eol = "\r\n", "\r\n"
    echo = False
    prompt = ""
    key = ""

    def __init__(self, wire: Wire | None) -> None:
        self._wire = wire
        self.world = World(self.key or type(self).__name__, self.fmin, self.fmax)
        self.s11: Complex = np.zeros(0, dtype=np.complex128)
        self.s21: Complex = np.zeros(0, dtype=np.complex128)
        self.f: Real = np.zeros(0)
        self.born = time.monotonic()
        self._last = ""

    @property
    def wire(self) -> Wire:
        assert self._wire is not None
        return self._wire

    # --- sweep -----------------------------------------------------------------
    def freqs(self) -> Real:
        grid = np.linspace(self.start, self.stop, int(self.points))
        return np.asarray(np.round(grid / self.f_round) * self.f_round, dtype=np.float64)

    def sweep_time(self) -> float:
        return float(min(1.5, max(0.05, self.points * self.averages * 2.0 / max(self.bandwidth, 1.0))))

    def measure(self, wait: bool = True) -> None:
        """One sweep with the state as it is; the bench file is read first."""
        bench = self.wire.bench()
        self.f = self.freqs()
        if wait:
            self.wire.nap(self.sweep_time())
        self.s11, self.s21 = self.world.sweep(bench, self.f, self.bandwidth, self.averages)
        span = f"{self.start:.0f}..{self.stop:.0f} Hz, {self.points} points"
        self.log("", "sweep", f"{span}, bandwidth {self.bandwidth:g}, averages {self.averages}, bench {bench}")

    # --- log -------------------------------------------------------------------
    def log(self, line: str, effect: str, detail: str = "") -> None:
        self.wire.log(line, effect, detail)

    def harm(self, line: str, detail: str) -> None:
        self.wire.log(line, "HARM", detail)

    # --- text ------------------------------------------------------------------
    def say(self, *lines: str) -> None:
        self.wire.put("".join(x + self.eol for x in lines))

    def readline(self, idle: Callable[[], None] | None = None, every: float = 5.0) -> str:
        """One line without its end; echo and backspace as this console does them."""
        text = ""
        while True:
            char = self.wire.getch(every if idle else None)
            if char is None:
                if idle and not text:
                    idle()
                continue
            pair = char == "\n" and self._last == "\r" and "\r" in self.eol_in
            self._last = char
            if pair:
                continue
            if char in self.eol_in:
                self.end_echo(text)
                return text
            if char in "\r\n":
                continue
            if char in "\b\x7f":
                text = text[:-1]
                if self.echo:
                    self.wire.put("\b \b")
                continue
            if self.echo:
                self.wire.put(self.echoed(char))
            text += char

    def end_echo(self, text: str) -> None:
        if self.echo:
            self.wire.put(self.eol)

    def echoed(self, char: str) -> str:
        return char

    def confirm(self, line: str, question: str, yes: str = "yY", tail: str = "done",
                no: str = "") -> None:
        """A question after a harmful word: the word is logged, and a confirming answer is logged again."""
        self.harm(line, "word received; asks for confirmation")
        self.wire.put(question)
        answer = self.readline().strip()
        if (yes == "*" and not (no and answer[:1] in no)) or (answer[:1] and answer[0] in yes):
            self.harm(answer, f"confirmed: {line}")
            self.say(tail)
        else:
            self.log(answer, "none", "not confirmed")
            self.say("cancelled")

    # --- life ------------------------------------------------------------------
    def boot(self) -> None:
        return

    def command(self, line: str) -> None:
        raise NotImplementedError

    def run(self) -> None:
        self.boot()
        self.wire.put(self.prompt)
        while True:
            self.command(self.readline())
            self.wire.put(self.prompt)

    def facts(self) -> dict[str, Any]:
        raise NotImplementedError

    def recipe(self, start: float, stop: float, points: int, trace: str) -> list[str]:
        """Lines which, sent one after another, set a sweep; the reply to the last one holds trace s11 or s21."""
        raise NotImplementedError

    def decode(self, text: str, trace: str) -> list[complex]:
        """The trace out of the reply to the last line of the recipe."""
        raise NotImplementedError
