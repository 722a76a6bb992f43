"""The day at a site, step by step: what is next, what was done, what was left out and why.

Owns: the list of steps in the order of the work, their states in the visit file, what a step asks to be written
down, the order of turning for each kind of duplexer. Refuses: to let a step be left out without a reason, and a
nudge before the as found stands frozen.
"""

from __future__ import annotations

import importlib.resources
import time
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass

from protocol.errors import RequestError
from visit.record.visit_file import VisitFile

PHASES = ("home", "arrive", "set up", "as found", "adjust", "prove", "afterwards")


@dataclass(frozen=True, slots=True)
class Ask:
    """One thing a step writes down: its name, its unit ("" for words)."""

    name: str
    unit: str = ""


@dataclass(frozen=True, slots=True)
class Step:
    """One step of the day. `screen` names what the live screen does for it: "" nothing, a hook-up, "calibrate", "tune",
    "zoom", "report". `hard`: nothing that opens a connector may come before it."""

    number: int
    phase: str
    title: str
    hint: str
    asks: tuple[Ask, ...] = ()
    screen: str = ""
    hard: bool = False


def _steps() -> tuple[Step, ...]:
    text = (importlib.resources.files("fixtures") / "day.toml").read_text(encoding="utf-8")
    return tuple(
        Step(
            number,
            row["phase"],
            row["title"],
            row["hint"],
            tuple(Ask(*(part.strip() for part in ask.split(","))) for ask in row.get("asks", ())),
            row.get("screen", ""),
            row.get("hard", False),
        )
        for number, row in enumerate(tomllib.loads(text)["step"], 1)
    )


STEPS = _steps()
UNITS = {ask.name: ask.unit for step in STEPS for ask in step.asks}
LOCK_STEP = next(step.number for step in STEPS if step.hard)
FREEZE_STEP = next(step.number for step in STEPS if step.screen == "freeze")
FIRST_TURN = next(step.number for step in STEPS if step.screen == "tune")

ORDER = {
    "band-reject": ("the rod moves the notch", "notch of each cavity first, then the match; never the pass alone"),
    "pass-reject": (
        "the rod moves pass and notch together, the trimmer the notch alone",
        "rough pass, rough notch, final pass by return loss, final notch LAST",
    ),
    "band-pass": ("the rod moves the pass", "pass by return loss; the rejection comes by itself"),
}
"""Per kind: what its screws move and the order of turning (field manuals of cavity makers; common practice)."""


class Day:
    """The steps of one visit and their states, kept in the visit file."""

    def __init__(self, visit: VisitFile) -> None:
        self._visit = visit

    def states(self) -> dict[int, tuple[str, str]]:
        """State and words by step: ("done", ""), ("skipped", reason); the newest row counts."""
        rows = self._visit.rows("select number, state, words from step order by id")
        return {int(str(number)): (str(state), str(words)) for number, state, words in rows}

    def next_three(self) -> list[Step]:
        """What is to do next."""
        states = self.states()
        return [step for step in STEPS if step.number not in states][:3]

    def done(self, number: int, words: str = "") -> None:
        """Mark a step done. Raises RequestError when it can't be yet."""
        self.check(number)
        if STEPS[number - 1].hard:
            self._proved_dead(number)
        self._add(number, "done", words)

    def skip(self, number: int, reason: str) -> None:
        """Leave a step out, with a reason. Raises RequestError without one."""
        self.check(number)
        if not reason.strip():
            raise RequestError("a step is left out with a reason only: say why in a word or two")
        self._add(number, "skipped", reason.strip())

    def check(self, number: int) -> None:
        """Raises RequestError when something must come before this step."""
        if not 1 <= number <= len(STEPS):
            raise RequestError(f"there is no step {number}; the day has {len(STEPS)}")
        states = self.states()
        step = STEPS[number - 1]
        if step.phase in PHASES[2:6] and LOCK_STEP not in states:
            raise RequestError(f"first step {LOCK_STEP}: {STEPS[LOCK_STEP - 1].title}; nothing is opened before it")
        if number >= FIRST_TURN and step.phase == "adjust" and FREEZE_STEP not in states:
            raise RequestError(
                f"first step {FREEZE_STEP}: {STEPS[FREEZE_STEP - 1].title}; no screw is turned before it"
            )

    def _proved_dead(self, number: int) -> None:
        """The hard stop before anything is opened: who holds the key, and no power seen."""
        entered = {name: value for step, name, value, _, _ in self.entries() if step == number}
        for ask in STEPS[number - 1].asks:
            if ask.name not in entered:
                raise RequestError(f"step {number} first: {ask.name}; nothing is opened before it is written down")
            if ask.unit == "W" and entered[ask.name] != 0.0:
                raise RequestError(f"{entered[ask.name]:g} W are still there: off, locked, tagged, then prove it again")

    def _add(self, number: int, state: str, words: str) -> None:
        with self._visit.writing() as connection:
            connection.execute(
                "insert into step (at_s, number, state, words) values (?, ?, ?, ?)", (time.time(), number, state, words)
            )

    # Entries

    def enter(self, number: int, name: str, text: str) -> None:
        """Write down what a step asks for. Raises RequestError when a number is none."""
        ask = next((ask for ask in STEPS[number - 1].asks if ask.name == name), None)
        if ask is None:
            known = ", ".join(ask.name for ask in STEPS[number - 1].asks) or "nothing"
            raise RequestError(f"step {number} does not ask for {name!r}; it asks for {known}")
        value: float | None = None
        if ask.unit:
            try:
                value = float(text.strip().replace(",", "."))
            except ValueError:
                raise RequestError(f"{name}: {text!r} is not a number of {ask.unit}") from None
            _sensible(name, value, ask.unit)
        with self._visit.writing() as connection:
            connection.execute(
                "insert into entry (at_s, step, name, value, unit, words) values (?, ?, ?, ?, ?, ?)",
                (time.time(), number, name, value, ask.unit, text.strip()),
            )

    def entries(self) -> list[tuple[int, str, float | None, str, str]]:
        """(step, name, value, unit, words) in the order in which they were written."""
        rows = self._visit.rows("select step, name, value, unit, words from entry order by id")
        return [
            (int(str(step)), str(name), None if value is None else float(str(value)), str(unit), str(words))
            for step, name, value, unit, words in rows
        ]

    def value(self, name: str, *, first: bool = False) -> float | None:
        """The newest (or first) number entered under a name."""
        found = [value for _, entered, value, _, _ in self.entries() if entered == name and value is not None]
        for value in found:  # what was entered was looked at then; a file may be untrusted
            _sensible(name, value, UNITS.get(name, ""))
        return None if not found else found[0 if first else -1]

    def words(self, name: str) -> str:
        """The newest words entered under a name; "" without one."""
        return next((words for _, entered, _, _, words in reversed(self.entries()) if entered == name), "")

    def frozen(self) -> bool:
        """Whether as found stands."""
        return FREEZE_STEP in self.states()


def _sensible(name: str, value: float, unit: str) -> None:
    """Numbers that can't be are typing errors."""
    limits = {
        "C": (-60, 80),
        "W": (0, 2000),
        "dBm": (-150, 60),
        "dB": (-20, 120),
        "kHz": (-5000, 5000),
        "min": (0, 6000),
    }
    low, high = limits.get(unit, (-1e12, 1e12))
    if not low <= value <= high:
        raise RequestError(f"{name}: {value:g} {unit} is not between {low:g} and {high:g}; a slip of the finger?")


def turning_order(kind: str) -> Sequence[str]:
    """What the screws of a kind move, and the order in which they are turned."""
    return ORDER.get(kind, ORDER["band-reject"])
