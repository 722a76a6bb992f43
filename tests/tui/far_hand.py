"""A hand at a unit whose screws somebody turned: from the first sweep to the proof or to "this one needs the bench", by
what stands on the screen and by nothing else.

Owns: the start from any state, the way to the screws when the hook-up looks wrong, screws with ends of travel. Refuses:
to look at a figure, a file or an object of the program; see `scripted_hand`.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from protocol.simulated.bench import Bench, start_bench
from protocol.simulated.duplexer import load_unit
from tests.tui.scripted_hand import (
    HAND_ERROR,
    SITES,
    TO_THE_SCREWS,
    Tuned,
    TuningHand,
    advised,
    block,
    planned,
    survey_between,
)
from tests.tui.terminal import Terminal

SITE_OF = {"U6": "demo-450", "V6": "demo-150", "V4": "demo-154", "P6": "demo-150"}
FAR_SHARE = {"U6": 0.02, "V6": 0.01, "V4": 0.01, "P6": 0.01}
"""How far a cavity may stand off, as a share of its channel."""
TRIMMER_OFF_HZ = 100e3
TURN_SECONDS = 20.0
"""What a turn takes a hand, with the nut and the look at the screen."""
SCREW = re.compile(r"cavity (\d), (rod|trimmer)(?: for the pass)?: ([\d.]+) turns? (\w+)")


@dataclass(frozen=True, slots=True)
class Start:
    """A state of the low side: hertz off by rod and by trimmer, and the ends of a rod's travel by cavity (from 0)."""

    unit: str
    rods_hz: tuple[float, ...]
    trimmers_hz: tuple[float, ...] = ()
    ends_hz: dict[int, tuple[float, float]] | None = None


def drawn(unit: str, seed: int) -> Start:
    """A start at random."""
    rng, made = np.random.default_rng(7000 + seed), load_unit(unit)
    count, share = len(made.sides["L"]), FAR_SHARE[unit] * made.high_hz
    rods = tuple(float(hz) for hz in rng.uniform(-share, share, count))
    if unit != "P6":
        return Start(unit, rods)
    return Start(unit, rods, tuple(float(hz) for hz in rng.uniform(-TRIMMER_OFF_HZ, TRIMMER_OFF_HZ, count)))


class FarHand(TuningHand):
    """Brings a side from a `Start` to its goal; each screw does what `seed` draws, forward or back."""

    def __init__(self, folder: Path, seed: int, start: Start, speed: float = 0.0) -> None:
        super().__init__(folder, seed, (0.0, 0.0, 0.0), speed)
        self._start, unit = start, load_unit(start.unit)
        spacing, count = unit.high_hz - unit.low_hz, len(start.rods_hz)
        self._off = list(start.rods_hz)
        self._trimmers = list(start.trimmers_hz) or [0.0] * count
        self._per_turn = self._rng.uniform(0.07, 0.2, count) * spacing * self._rng.choice([-1.0, 1.0], count)
        ways = np.random.default_rng(seed + 9000)
        self._per_trim = ways.uniform(0.03, 0.1, count) * spacing * ways.choice([-1.0, 1.0], count)
        self.bench_min = 0.0

    def run(self, most_turns: int = 60) -> Tuned:
        """Until the screen says to prove, or that the goal is out of reach."""
        start = self._start
        site = self._folder / f"{start.unit}-{self._seed}.toml"
        words = (SITES / f"{SITE_OF[start.unit]}.toml").read_text(encoding="utf-8")
        if start.unit == "P6":
            words = words.replace('kind = "band-reject"', 'kind = "pass-reject"')
        site.write_text(words, encoding="utf-8")
        with start_bench(["--unit", start.unit, "--speed", f"{self._speed}", "--seed", f"{self._seed}"]) as bench:
            for number, hz in enumerate(self._off, 1):
                bench.say(f"turn L {number} {hz:.0f}")
            for number, hz in enumerate(self._trimmers, 1):
                bench.say(f"turn L {number} {hz:.0f} trimmer")
            visit = self._folder / f"{start.unit}-{self._seed}.visit"
            ended = self._sat(bench, site, visit, most_turns)
            seconds = float(bench.say("status").rpartition(", ")[2].split()[0])
            self.bench_min = (seconds + TURN_SECONDS * self.turns) / 60.0
            return Tuned(ended, self._true_db(), self.turns, self.keys, self.sweeps, self.said)

    def _to_the_screws(self, terminal: Terminal) -> None:
        """A unit that is far off looks like a wrong hook-up: the leads are looked at, then it is said so."""
        ready = "8 of 8"
        text = terminal.wait_moving(lambda text: ready in text or "y if" in block(text, "NEXT") or "or y" in text)
        if ready not in text:
            self._press(terminal, "y")
            terminal.wait_moving(ready)
        for keys, shown in TO_THE_SCREWS:
            self.keys += len(keys)
            terminal.type(keys)
            terminal.wait_moving(shown)

    def _tune(self, terminal: Terminal, bench: Bench, most_turns: int) -> str:
        while self.turns < most_turns:
            text = advised(terminal)
            do, why = block(text, "DO"), block(text, "WHY")
            self.sweeps += planned(text) if " looking" in text else 0
            self.said.append(f"{do} | {why} | {block(text, 'CAVITY')} | {block(text, 'LAST')}")
            if "prove it" in do or "out of reach" in why:
                return f"{do} | {why}"
            longer, screw = re.search(r"until (\d+) sweeps a look", do), SCREW.search(do)
            if "y if it hangs" in do:
                self._press(terminal, "y")
                terminal.wait_moving(lambda text: "y if it hangs" not in text)
            elif "survey first" in do:
                survey_between(terminal, bench)
                self.keys += 3
            elif longer:
                self._average_longer(terminal, int(longer[1]))
            elif screw:
                self._turn(terminal, bench, int(screw[1]), float(screw[3]), screw[4], screw[2])
            else:
                return do
        return "no end"

    def _turn(
        self, terminal: Terminal, bench: Bench, cavity: int, turns: float, direction: str, screw: str = "rod"
    ) -> None:
        self._press(terminal, "t")
        terminal.wait_moving("TURNING")
        k, sign = cavity - 1, {"clockwise": 1.0, "anticlockwise": -1.0}[direction]
        rate = self._per_turn[k] if screw == "rod" else self._per_trim[k]
        hz = sign * turns * rate * self._rng.normal(1.0, HAND_ERROR)
        places = self._off if screw == "rod" else self._trimmers
        if screw == "rod" and self._start.ends_hz and k in self._start.ends_hz:
            low, high = self._start.ends_hz[k]
            hz = min(max(places[k] + hz, low), high) - places[k]
        bench.say(f"turn L {cavity} {hz:.0f}{'' if screw == 'rod' else ' trimmer'}")
        places[k] += hz
        self.turns += 1
        self._press(terminal, "t")
        terminal.wait_moving(lambda text: "TURNING" not in text)

    def _true_db(self) -> float:
        """What the bench gives at the channel now; the hand itself never knows."""
        unit = load_unit(self._start.unit)
        for number, (rod, trimmer) in enumerate(zip(self._off, self._trimmers, strict=True), 1):
            unit.turn("L", number, rod)
            unit.turn("L", number, trimmer, trimmer=True)
        return float(-20.0 * np.log10(abs(unit.s(np.array([unit.high_hz]))[0, 1, 0])))
