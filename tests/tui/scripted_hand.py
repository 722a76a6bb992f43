"""A hand that tunes by what stands on the screen and by nothing else: it reads the text of the terminal, presses the
keys that it is told, and turns the simulated screws as badly as a hand does.

Owns: reading the advice, turning, counting. Refuses: to look at a figure, a file or an object of the program.
"""

from __future__ import annotations

import re
import time
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from protocol.simulated.bench import Bench, start_bench
from tests.tui.terminal import STILL_S, Terminal

SITES = Path(__file__).parents[2] / "fixtures/sites"
TURN = re.compile(r"cavity (\d), (?:rod|trimmer)(?: for the pass)?: ([\d.]+) turns? (\w+)")
HAND_ERROR = 0.2
ABLE = re.compile(
    r"prove it|survey first|y if it hangs|no screw brings|the best they give|needs the bench|until \d+ sweeps a look"
    r"|(rod|trimmer|pass): [\d.]+ turns? \w+"
)
"""What a hand can do; half a line that is still being drawn is none of it."""
STOOD_S = 1.0
TO_THE_SCREWS = (
    ("g", "DAY"),
    ("11", "STEP 11"),
    ("f", "who holds the key;"),
    ("the technician\r", "locking in W;"),
    ("0\r", "(W): 0"),
    ("d", "1 of 40"),
    ("26", "STEP 26"),
    ("\r", "freeze this for good"),
    ("\r", "is frozen"),
    ("x", "TUNE"),
)
"""Keys, and what then stands on the screen."""


def block(text: str, label: str) -> str:
    """What stands beside a word at the left, its lines joined."""
    found: list[str] = []
    for line in text.splitlines():
        if line.startswith(f" {label}"):
            found.append(line[8:].strip())
        elif found and line.startswith(" " * 8) and line.strip():
            found.append(line.strip())
        elif found:
            break
    return " ".join(found)


def planned(text: str) -> int:
    """Sweeps of a look, at the end of the tuning screen's title; 0 while none stands there."""
    found = re.search(r"\blooking \d+ of (\d+)$", text.partition("\n")[0].rstrip())
    return int(found[1]) if found else 0


def advised(terminal: Terminal) -> str:
    """The tuning screen once there is something to do, and has been for a second: a line is drawn after another, and
    half of them are no answer."""
    stood, since = "", time.monotonic()

    def stands(text: str) -> bool:
        nonlocal stood, since
        words = f"{block(text, 'DO')} | {block(text, 'WHY')}"
        able = "y if it hangs" in words or (planned(text) and ABLE.search(words))
        if words != stood or not able:
            stood, since = words, time.monotonic()
        return time.monotonic() - since > STOOD_S

    return terminal.wait_moving(stands)


def survey_between(terminal: Terminal, bench: Bench) -> None:
    """Leads off to loads and back, as the screen says it."""
    terminal.type("s")
    terminal.wait_moving("on loads, then s")
    bench.say("connect loads")
    terminal.type("s")
    terminal.wait_moving("leads back on")
    bench.say("connect A L")
    terminal.type("s")
    terminal.wait_moving(lambda text: planned(text) > 0)


@dataclass
class Tuned:
    """How it went."""

    ended: str
    true_db: float
    turns: int = 0
    keys: int = 0
    sweeps: int = 0
    said: list[str] = field(default_factory=list)


class TuningHand:
    """Tunes the low side of V6, detuned by `off_hz` (3,); each screw does what `rng` draws, forward or back."""

    def __init__(self, folder: Path, seed: int, off_hz: tuple[float, float, float], speed: float = 0.05) -> None:
        self._rng = np.random.default_rng(seed)
        self._off = list(off_hz)
        self._per_turn = self._rng.uniform(40e3, 120e3, 3) * self._rng.choice([-1.0, 1.0], 3)
        self._folder, self._seed, self._speed = folder, seed, speed
        self.keys = self.turns = self.sweeps = 0
        self.said: list[str] = []

    def run(self, most_turns: int = 40) -> Tuned:
        """Until the screen says to prove, or that the goal is out of reach."""
        with start_bench(["--unit", "V6", "--speed", f"{self._speed}", "--seed", f"{self._seed}"]) as bench:
            for number, hz in enumerate(self._off, 1):
                bench.say(f"turn L {number} {hz:.0f}")
            visit = self._folder / f"{self._seed}.visit"
            ended = self._sat(bench, SITES / "demo-150.toml", visit, most_turns)
            return Tuned(ended, self._true_db(), self.turns, self.keys, self.sweeps, self.said)

    def _sat(self, bench: Bench, site: Path, visit: Path, most_turns: int) -> str:
        """One sitting at the terminal, from the live screen to the shell; what the screen said last of the screws."""
        words = ["live", "--port", bench.node, "--site", str(site), "--visit", str(visit),
                 "--sweeps", "8", "--marks", "ascii"]  # fmt: skip
        terminal = Terminal(words, {"XDG_DATA_HOME": str(self._folder), "OPENBLAS_NUM_THREADS": "1"})
        try:
            self._to_the_screws(terminal)
            ended = self._tune(terminal, bench, most_turns)
            self._press(terminal, "q")
            terminal.wait_moving("SWEEPS")
            self._press(terminal, "q")
            self._press(terminal, "\r")  # a run may go on
            terminal.wait_for_end(STILL_S)
        finally:
            terminal.close()
        return ended

    def _press(self, terminal: Terminal, key: str) -> None:
        self.keys += 1
        terminal.type(key)

    def _to_the_screws(self, terminal: Terminal) -> None:
        """The gates before a screw: the key is held, nothing transmits, as found is frozen."""
        terminal.wait_moving(lambda text: "8 of 8" in text and "skirts INFERRED" in text)
        for keys, shown in TO_THE_SCREWS:
            self.keys += len(keys)
            terminal.type(keys)  # at once: digits of a step that come one by one may come too late for one another
            terminal.wait_moving(shown)

    def _tune(self, terminal: Terminal, bench: Bench, most_turns: int) -> str:
        while self.turns < most_turns:
            text = advised(terminal)
            do, why = block(text, "DO"), block(text, "WHY")
            self.sweeps += planned(text) if " looking" in text else 0
            self.said.append(f"{do} | {why} | {block(text, 'SKIRTS')}")
            if "prove it" in do or "out of reach" in why:
                return f"{do} | {why}"
            if "y if it hangs" in do:
                self._press(terminal, "y")
                terminal.wait_moving(lambda text: "y if it hangs" not in text)
                continue
            longer = re.search(r"until (\d+) sweeps a look", do)
            turn = TURN.search(do)
            if "survey first" in do:
                survey_between(terminal, bench)
                self.keys += 3
            elif longer:
                self._average_longer(terminal, int(longer[1]))
            elif turn:
                self._turn(terminal, bench, int(turn[1]), float(turn[2]), turn[3])
            else:
                return do
        return "no end"

    def _average_longer(self, terminal: Terminal, sweeps: int) -> None:
        for _ in range(12):
            now = planned(terminal.text)
            if now == sweeps:
                return
            self._press(terminal, "+")
            terminal.wait_moving(lambda text, now=now: planned(text) == 2 * now)  # type: ignore[misc]
        raise AssertionError(f"{sweeps} sweeps a look do not come by pressing +:\n{terminal.text}")

    def _turn(self, terminal: Terminal, bench: Bench, cavity: int, turns: float, direction: str) -> None:
        self._press(terminal, "t")
        terminal.wait_moving("TURNING")
        sign = {"clockwise": 1.0, "anticlockwise": -1.0}[direction]
        hz = sign * turns * self._per_turn[cavity - 1] * self._rng.normal(1.0, HAND_ERROR)
        bench.say(f"turn L {cavity} {hz:.0f}")
        self._off[cavity - 1] += hz
        self.turns += 1
        self._press(terminal, "t")
        terminal.wait_moving(lambda text: "TURNING" not in text)  # "measuring" may be over before it is read

    def _true_db(self) -> float:
        """What the bench gives at the channel now; the hand itself never knows."""
        from tests.benchtop import exact, make_unit

        return float(-20.0 * np.log10(abs(exact(make_unit("V6", tuple(self._off)), [150.6e6])[0])))
