"""Invented cases to rehearse on: what is wrong with the simulated bench, what a hand can do about it, and what the
learner should come to.

Owns: the cases, bringing the bench into one and out of it again, deeds of the hand, what is left of a case. Refuses: to
tell the case to whoever measures; the simulated analyzer shows it as a real one would.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Protocol

import numpy as np

from protocol.errors import RequestError

OFF_SHARE = 0.03
"""Of the channel spacing: a cavity nearer to where it belongs is not off."""
HAND_ERROR = 0.2
"""A hand turns by what it meant within this share (one standard deviation)."""


class Bench(Protocol):
    """What obeys control lines."""

    def say(self, line: str) -> str:
        """Send one line, return the answer. Raises RequestError when it makes no sense."""


@dataclass(frozen=True, slots=True)
class Case:
    """`turns` of screws (side, cavity, share of the channel spacing), control `lines`, their opposite in `undo`; `unit`
    the demo's; `always` is said again whenever a lead was moved, THIRD standing for the port that has the load. `found`
    is what the learner should come to, `signs` (a regular expression) the words by which the program names it, `cure`
    the deed that mends it, `sides` those whose screws have to be turned."""

    title: str
    found: str
    turns: tuple[tuple[str, int, float], ...] = ()
    lines: tuple[str, ...] = ()
    undo: tuple[str, ...] = ()
    always: str = ""
    signs: str = ""
    cure: str = ""
    unit: str = "U6"

    @property
    def sides(self) -> str:
        """L, H, both or none."""
        return "".join(sorted({side for side, _, _ in self.turns}))


CASES = {
    "whole": Case("nothing is wrong", "every goal is met and can be shown"),
    "detuned": Case(
        "one side detuned, its mean right", "three cavities of the low side stand apart; turn each to the channel",
        (("L", 1, 0.1), ("L", 2, -0.18), ("L", 3, 0.06)), signs="rejection",
    ),
    "pair": Case(
        "two cavities far off", "cavities 1 and 2 of the high side stand far off on both sides",
        (("H", 1, 0.22), ("H", 2, -0.2)), signs="rejection",
    ),
    "far": Case(
        "every screw of a side turned", "no cavity of the low side stands near its channel: coarse first, then fine",
        (("L", 1, 0.45), ("L", 2, -0.8), ("L", 3, 1.1)), signs="rejection",
    ),
    "band-pass": Case(
        "resonators of a band-pass side off", "resonators 2 to 4 of the low side, counted from its port, stand off",
        (("L", 1, 0.05), ("L", 2, -0.07), ("L", 3, 0.06)), signs="resonator", unit="B4",
    ),
    "cable": Case("a damaged cable", "the loss comes from the lead, not from the duplexer: change lead 2",
                  lines=("gap 20pF",), undo=("gap none",), signs="[Gg]ap|GAP|plug|pin|loss .*missed", cure="lead"),
    "leads": Case("leads that leak", "a survey on loads shows a leak; better leads or a half-wave jumper",
                  lines=("leakage -86",), undo=("leakage none",), signs="leak READING|leak of", cure="leads"),
    "busy": Case("a busy hill", "bursts hit many sweeps; wait, or sweep closer",
                 lines=("bursts 0.4 40",), undo=("bursts 0",), signs="busy", cure="wait"),
    "load": Case("a wrong load", "the load on the third port returns 8 dB only: change it",
                 always="close THIRD load 8", signs="good load|POOR LOAD|load on [ALH]|NOT LOADED", cure="load"),
    "feeder": Case("a kink in the feeder", "an echo stands before the end of the feeder, 12 m up (key a)",
                   lines=("feeder 40 0.88 2.15 4.45 0.02", "kink 12.5 20"), undo=("feeder 17.98754748 1", "kink none"),
                   signs="echo of the feeder: INFERRED", cure="feeder"),
}  # fmt: skip
"""By the word that chooses them."""

DEEDS = {
    "lead": "another lead 2", "leads": "better leads, both", "load": "a good load on the third port",
    "wait": "wait for a quiet hour", "feeder": "a new feeder",
}  # fmt: skip
"""What hands can do besides turning; it mends what it mends."""


@dataclass
class CaseBench:
    """A bench that can be brought into a case; `spacing_hz` between the channels. `done` the deeds that were told."""

    bench: Bench
    spacing_hz: float
    case: str = "whole"
    seed: int = 1
    done: list[str] = field(default_factory=list)
    _undo: list[str] = field(default_factory=list)
    _third: str = ""
    _side: str = "L"
    _cured: bool = False
    _home_hz: dict[str, list[float]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self._rng = np.random.default_rng(self.seed)
        self._per_turn = self._rng.uniform(0.07, 0.2, (2, 8)) * self._rng.choice([-1.0, 1.0], (2, 8))

    def say(self, line: str) -> str:
        """A control line; `case NAME` brings the bench into a case, `do DEED` is what a hand does, `screw 1 0.25
        clockwise` turns a screw of the side on the leads as badly as a hand. Raises RequestError."""
        words = line.split()
        if words[:1] == ["case"]:
            return self.choose(words[1] if len(words) == 2 else "")
        if words[:1] == ["do"]:
            return self._do(words[1] if len(words) == 2 else "")
        if words[:1] == ["screw"]:
            return self._screw(words[1:])
        try:
            answer = self.bench.say(line)
        except RequestError as error:
            also = "; besides case, do and screw" if "no such word" in str(error) else ""
            raise RequestError(f"{error}{also}") from None
        self._cured = self._cured or line in CASES[self.case].undo
        if words[:1] == ["connect"]:
            ports = {word[0] for word in words[1:3] if word in ("A", "L", "H")}
            self._third = "".join({"A", "L", "H"} - ports) if len(ports) == 2 else ""
            self._side = next((word for word in words[1:3] if word in ("L", "H")), self._side)
            self._again()
        return answer

    def choose(self, name: str) -> str:
        """Out of the case that stands, into another. Raises RequestError for an unknown one."""
        if name not in CASES:
            raise RequestError(f"no case {name!r}; there are {', '.join(CASES)}")
        for line in [*self._undo, *self._good_load()]:
            self.bench.say(line)
        case, self._undo, self.case, self._cured = CASES[name], [], name, False
        self._home_hz = self._places_hz()
        for side, cavity, share in case.turns:
            self.bench.say(f"turn {side} {cavity} {share * self.spacing_hz:+.0f}")
            self._undo.append(f"turn {side} {cavity} {-share * self.spacing_hz:+.0f}")
        for line in case.lines:
            self.bench.say(line)
        self._undo += case.undo
        self._again()
        return f"case: {case.title}"

    def left(self) -> list[str]:
        """What is still wrong, a line each."""
        case, said = CASES[self.case], []
        for side, places in self._places_hz().items() if self._home_hz else ():
            name = {"L": "low", "H": "high"}[side]
            for number, (hz, home) in enumerate(zip(places, self._home_hz[side], strict=True), 1):
                if abs(hz - home) > OFF_SHARE * self.spacing_hz:
                    said.append(f"cavity {number} of the {name} side stands {(hz - home) / 1e3:+.0f} kHz off")
        if case.cure and not self._cured:
            said.append(f'{case.title}: nobody did "{DEEDS[case.cure]}"')
        return said

    def _do(self, deed: str) -> str:
        if deed not in DEEDS:
            raise RequestError(f"no deed {deed!r}; there are {', '.join(DEEDS)}")
        self.done.append(DEEDS[deed])
        case = CASES[self.case]
        if deed == case.cure and not self._cured:
            for line in [*case.undo, *self._good_load()]:
                self.bench.say(line)
            self._cured = True
        return f"done: {DEEDS[deed]}"

    def _screw(self, words: list[str]) -> str:
        try:
            number, turns, direction = int(words[0]), float(words[1]), words[2]
            sign = {"clockwise": 1.0, "anticlockwise": -1.0}[direction]
            rate = self._per_turn["LH".index(self._side)][number - 1]
        except (ValueError, IndexError, KeyError):
            raise RequestError("say: screw 1 0.25 clockwise (or anticlockwise)") from None
        by_hz = sign * turns * rate * self.spacing_hz * self._rng.normal(1.0, HAND_ERROR)
        self.bench.say(f"turn {self._side} {number} {by_hz:+.0f}")
        return f"screw {number} of {self._side}: {turns:g} turns {direction}, as well as a hand can"

    def _places_hz(self) -> dict[str, list[float]]:
        """Where the notches stand, by the bench's own status."""
        _, _, places = self.bench.say("status").partition("notches at ")
        found = {}
        for part in places.partition(" Hz")[0].split("; "):
            side, *values = part.split()
            found[side] = [float(value) for value in values]
        return found

    def _good_load(self) -> list[str]:
        return [f"close {self._third} load"] if CASES[self.case].always and self._third else []

    def _again(self) -> None:
        """What a moved lead has undone."""
        if CASES[self.case].always and self._third and not self._cured:
            self.bench.say(CASES[self.case].always.replace("THIRD", self._third))
