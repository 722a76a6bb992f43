"""Invented cases to rehearse on: what is wrong with the simulated bench, and what the learner should come to.

Owns: the cases, and bringing the bench into one and out of it again. Refuses: to tell the case to whoever measures; the
simulated analyzer shows it as a real one would.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Protocol

from protocol.errors import RequestError


class Bench(Protocol):
    """What obeys control lines."""

    def say(self, line: str) -> str:
        """Send one line, return the answer. Raises RequestError when it makes no sense."""


@dataclass(frozen=True, slots=True)
class Case:
    """`turns` of screws (side, cavity, share of the channel spacing), control `lines`, their opposite in `undo`;
    `always` is said again whenever a lead was moved, THIRD standing for the port that has the load. `found` is what the
    learner should come to."""

    title: str
    found: str
    turns: tuple[tuple[str, int, float], ...] = ()
    lines: tuple[str, ...] = ()
    undo: tuple[str, ...] = ()
    always: str = ""


CASES = {
    "whole": Case("nothing is wrong", "every goal is met and can be shown"),
    "detuned": Case(
        "one side detuned, its mean right", "three cavities of the low side stand apart; turn each to the channel",
        (("L", 1, 0.1), ("L", 2, -0.18), ("L", 3, 0.06)),
    ),
    "pair": Case(
        "two cavities far off", "cavities 1 and 2 of the high side stand far off on both sides",
        (("H", 1, 0.22), ("H", 2, -0.2)),
    ),
    "cable": Case("a damaged cable", "the loss comes from the lead, not from the duplexer: move the thru check",
                  lines=("gap 20pF",), undo=("gap none",)),
    "leads": Case("leads that leak", "a survey on loads shows a leak; better leads or a half-wave jumper",
                  lines=("leakage -86",), undo=("leakage none",)),
    "busy": Case("a busy hill", "bursts hit many sweeps; wait, or sweep closer",
                 lines=("bursts 0.2 40",), undo=("bursts 0",)),
    "feeder": Case("a kink in the feeder", "an echo stands before the end of the feeder, 12 m up; its loss is sound",
                   lines=("feeder 40 0.88 2.15 4.45 0.02", "kink 12.5 20"),
                   undo=("feeder 17.99 1 0 0", "kink none")),
    "load": Case("a wrong load", "the load on the third port returns 8 dB only: change it",
                 always="close THIRD load 8"),
}  # fmt: skip
"""By the word that chooses them."""


@dataclass
class CaseBench:
    """A bench that can be brought into a case; `spacing_hz` between the channels."""

    bench: Bench
    spacing_hz: float
    case: str = "whole"
    _undo: list[str] = field(default_factory=list)
    _third: str = ""

    def say(self, line: str) -> str:
        """A control line; `case NAME` brings the bench into a case. Raises RequestError."""
        words = line.split()
        if words[:1] == ["case"]:
            return self.choose(words[1] if len(words) == 2 else "")
        answer = self.bench.say(line)
        if words[:1] == ["connect"]:
            ports = {word[0] for word in words[1:3] if word in ("A", "L", "H")}
            self._third = "".join({"A", "L", "H"} - ports) if len(ports) == 2 else ""
            self._again()
        return answer

    def choose(self, name: str) -> str:
        """Out of the case that stands, into another. Raises RequestError for an unknown one."""
        if name not in CASES:
            raise RequestError(f"no case {name!r}; there are {', '.join(CASES)}")
        undo = [*self._undo, *([f"close {self._third} load"] if CASES[self.case].always and self._third else [])]
        for line in undo:
            self.bench.say(line)
        case, self._undo, self.case = CASES[name], [], name
        for side, cavity, share in case.turns:
            self.bench.say(f"turn {side} {cavity} {share * self.spacing_hz:+.0f}")
            self._undo.append(f"turn {side} {cavity} {-share * self.spacing_hz:+.0f}")
        for line in case.lines:
            self.bench.say(line)
        self._undo += case.undo
        self._again()
        return f"case: {case.title}"

    def _again(self) -> None:
        """What a moved lead has undone."""
        if CASES[self.case].always and self._third:
            self.bench.say(CASES[self.case].always.replace("THIRD", self._third))
