"""What hands do at a bench when they are told to: hang leads, change a load, take a pad out, turn a screw, wait.

Owns: deeds of the hand, and what each does to the simulated bench on a day with a hidden fault. Refuses: to know the
fault; a deed that mends nothing is done all the same.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from protocol.simulated.bench import Bench

HAND_ERROR = 0.2
GOOD_LOAD_DB = 35.0
LOCKING_HZ = 1.5e3
"""What tightening a nut moves, one standard deviation."""
DEEDS = (
    ("exchange", re.compile(r"exchange the leads")),
    ("load", re.compile(r"(put|try|hang) (a|another) (good )?load on [ALH]|change the load")),
    ("pad", re.compile(r"pad at port.*take it out|take the pad out|take it off")),
    ("leads", re.compile(r"better leads")),
    ("lead", re.compile(r"centre pins?|broken pin|bad plug|another (lead|cable)|change the (lead|cable)|^plugs")),
    ("wait", re.compile(r"wait for a quieter|wait until it is off")),
)  # fmt: skip
"""Deeds in the order in which their words are looked for."""


def deed_in(words: str) -> str:
    """What the hand is told to do at the bench; "" for nothing that a hand does."""
    return next((name for name, told in DEEDS if told.search(words)), "")


@dataclass
class BenchHand:
    """The hand of one day; `fault` is the day's table, which only the bench feels. `done` what it was told to do."""

    bench: Bench
    fault: dict[str, Any]
    rng: np.random.Generator
    done: list[str] = field(default_factory=list)
    turned: set[str] = field(default_factory=set)
    _third_db: float = GOOD_LOAD_DB
    _exchanged: bool = False
    _hung: str = "A>L"

    def __post_init__(self) -> None:
        self._third_db = self.fault.get("third_db", GOOD_LOAD_DB)
        self._exchanged = self.fault.get("exchanged", False)
        self._per_turn = self.rng.uniform(40e3, 120e3, (2, 3)) * self.rng.choice([-1.0, 1.0], (2, 3))
        for side, offsets in self.fault.get("off_khz", {}).items():
            for number, khz in enumerate(offsets, 1):
                self.bench.say(f"turn {side} {number} {khz * 1e3:.0f}")
        self.say("bench")
        self.hang("A>L")

    def say(self, name: str) -> None:
        """Lines that the day's table has under a name."""
        for line in self.fault.get(name, ()):
            self.bench.say(line)

    def hang(self, what: str) -> None:
        """A hook-up ("A>L") or a part ("loads", "thru", "short" ...) on the leads."""
        if ">" not in what:
            self.bench.say(f"connect {what}")
            return
        self._hung = what
        driven, read = what[0], what[2]
        third = next(port for port in "ALH" if port not in (driven, read))
        if self._exchanged:
            driven, read = read, driven
        self.bench.say(f"connect {driven} {read}")
        self.bench.say(f"close {third} load {self._third_db:g}")

    def back(self) -> None:
        """The duplexer on the leads again, as it hung before."""
        self.hang(self._hung)

    def do(self, deed: str) -> None:
        """What it does on this day to do as told; nothing where that was not the fault."""
        self.done.append(deed)
        lines = self.fault.get("deeds", {}).get(deed)
        if deed == "load":
            self._third_db = GOOD_LOAD_DB
        elif deed == "exchange":
            self._exchanged = not self._exchanged
        for line in lines or ():
            self.bench.say(line)
        self.back()

    def turn(self, cavity: int, turns: float, direction: str) -> None:
        """A screw of the side on the leads, by what was told within what a hand can do."""
        side = self._hung[2]
        self.turned.add(side)
        sign = {"clockwise": 1.0, "anticlockwise": -1.0}[direction]
        hz = sign * turns * self._per_turn["LH".index(side)][cavity - 1] * self.rng.normal(1.0, HAND_ERROR)
        self.bench.say(f"turn {side} {cavity} {hz:.0f}")

    def lock(self, cavity: int) -> None:
        """Tighten a nut."""
        self.bench.say(f"turn {self._hung[2]} {cavity} {self.rng.normal(0.0, LOCKING_HZ):.0f}")
