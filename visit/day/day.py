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
from visit.record.sheet import typed_number
from visit.record.visit_file import VisitFile

PHASES = ("home", "arrive", "set up", "as found", "adjust", "prove", "afterwards")


@dataclass(frozen=True, slots=True)
class Ask:
    """One thing a step writes down: its name, its unit ("" for words)."""

    name: str
    unit: str = ""


@dataclass(frozen=True, slots=True)
class Step:
    """One step of the day. `screen` names what the live screen does for it: "" nothing, a hook-up, "calibrate",
    "verify", "tune", "zoom", "freeze", "report", "antenna", "gains", "suits". `hard`: nothing that opens a connector
    may come before it. `rebuilt`: the analyzer is off the duplexer; `keyed`: the transmitter works, so nothing of it
    may come before that."""

    number: int
    phase: str
    title: str
    hint: str
    asks: tuple[Ask, ...] = ()
    screen: str = ""
    hard: bool = False
    rebuilt: bool = False
    keyed: bool = False

    @property
    def named(self) -> str:
        """Number and title, as a gate names it."""
        return f"step {self.number}: {self.title}"


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
            row.get("rebuilt", False),
            row.get("keyed", False),
        )
        for number, row in enumerate(tomllib.loads(text)["step"], 1)
    )


STEPS = _steps()
UNITS = {ask.name: ask.unit for step in STEPS for ask in step.asks}
LOCK_STEP = next(step.number for step in STEPS if step.hard)
REBUILT_STEP = next(step.number for step in STEPS if step.rebuilt)
FREEZE_STEP = next(step.number for step in STEPS if step.screen == "freeze")
REPORT_STEP = next(step.number for step in STEPS if step.screen == "report")
FEEDER_STEP = next(step.number for step in STEPS if step.screen == "antenna")
FIRST_TURN = next(step.number for step in STEPS if step.screen == "tune")

MOST_INCOMING_DBM = 0.0
"""More than this never goes into an analyzer's port (common practice for instruments of this class, which are damaged
from about +10 dBm)."""

ORDER = {
    "band-reject": ("the rod moves the notch", "notch of each cavity first, then the match; never the pass alone"),
    "pass-reject": (
        "the rod moves pass and notch together, the trimmer the notch alone",
        "rough pass, rough notch, final pass by return loss, final notch LAST",
    ),
    "band-pass": (
        "the rod moves the pass",
        "pass by return loss, resonator by resonator (x says which and how far); the rejection comes by itself",
    ),
    "preselector": ("the rod moves the pass", "resonator by resonator: x says which and how far; no third port"),
    "single-cavity": ("the rod moves f0, a loop its coupling", "loops first, for they pull f0; then the rod (X)"),
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
        if number == FREEZE_STEP and not self.frozen():
            raise RequestError("nothing is frozen yet: Enter on this step shows what would be, and asks")
        self._add(number, "done", words)

    def skip(self, number: int, reason: str) -> None:
        """Leave a step out. Raises RequestError without a reason, and for a step that nothing goes without."""
        self._exists(number)
        if STEPS[number - 1].hard:
            raise RequestError(f"{STEPS[number - 1].named} is never left out: nothing is opened before it")
        if not reason.strip():
            raise RequestError("a step is left out with a reason only: say why in a word or two")
        self._add(number, "skipped", reason.strip())

    def check(self, number: int) -> None:
        """Raises RequestError, naming it, when something must come before this step."""
        self._exists(number)
        states, step = self.states(), STEPS[number - 1]
        lock = STEPS[LOCK_STEP - 1]
        if step.phase in PHASES[2:6] and states.get(LOCK_STEP, ("", ""))[0] != "done":
            raise RequestError(f"first {lock.named}; nothing is opened before it")
        if step.keyed:
            if states.get(REBUILT_STEP, ("", ""))[0] != "done":
                rebuilt = STEPS[REBUILT_STEP - 1]
                raise RequestError(f"first {rebuilt.named}; nothing is keyed while the analyzer hangs on it")
        elif step.phase in PHASES[2:6] and self._keyed_since_lock():
            raise RequestError(f"first {lock.named}, again: the transmitter was keyed since")
        if step.screen == "antenna":
            self._incoming(step)
        if number >= FIRST_TURN and step.phase == "adjust" and not self.frozen():
            raise RequestError(f"first {STEPS[FREEZE_STEP - 1].named}; no screw is turned before it")

    @staticmethod
    def _exists(number: int) -> None:
        if not 1 <= number <= len(STEPS):
            raise RequestError(f"there is no step {number}; the day has {len(STEPS)}")

    def _keyed_since_lock(self) -> bool:
        """Whether the transmitter worked after it was last locked and proved dead."""
        rows = self._visit.rows("select number, state from step order by id")
        order = [int(str(number)) for number, state in rows if str(state) == "done"]
        keyed = max((at for at, number in enumerate(order) if STEPS[number - 1].keyed), default=-1)
        return keyed > max((at for at, number in enumerate(order) if number == LOCK_STEP), default=-1)

    def check_incoming(self) -> None:
        """Raises RequestError unless the power that comes down the feeder is written down and small."""
        self._incoming(STEPS[FEEDER_STEP - 1])

    def _incoming(self, step: Step) -> None:
        """The feeder brings what others transmit: its power is known and small before it meets the analyzer."""
        for ask in step.asks:
            found = [value for number, name, value, _, _ in self.entries() if (number, name) == (step.number, ask.name)]
            if not found or found[-1] is None:
                raise RequestError(f"{step.named}: first write down the {ask.name}")
            if found[-1] > MOST_INCOMING_DBM:
                raise RequestError(f"{found[-1]:g} dBm come down the feeder: that never goes into the analyzer")

    def _proved_dead(self, number: int) -> None:
        """The hard stop before anything is opened: who holds the key, and no power seen since it was last keyed."""
        since = self._last_keyed_s()
        entered = {name: value for at_s, step, name, value in self._timed() if step == number and at_s > since}
        for ask in STEPS[number - 1].asks:
            if ask.name not in entered:
                raise RequestError(f"step {number} first: {ask.name}; nothing is opened before it is written down")
            if ask.unit == "W" and entered[ask.name] != 0.0:
                raise RequestError(f"{entered[ask.name]:g} W are still there: off, locked, tagged, then prove it again")

    def _last_keyed_s(self) -> float:
        """Unix time of the last step at which the transmitter worked; long ago where none was."""
        rows = self._visit.rows("select at_s, number from step where state = 'done'")
        return max((float(str(at)) for at, number in rows if STEPS[int(str(number)) - 1].keyed), default=float("-inf"))

    def _timed(self) -> list[tuple[float, int, str, float | None]]:
        rows = self._visit.rows("select at_s, step, name, value from entry order by id")
        return [
            (float(str(at)), int(str(step)), str(name), None if value is None else float(str(value)))
            for at, step, name, value in rows
        ]

    def _add(self, number: int, state: str, words: str) -> None:
        with self._visit.writing() as connection:
            connection.execute(
                "insert into step (at_s, number, state, words) values (?, ?, ?, ?)", (time.time(), number, state, words)
            )

    # Entries

    def enter(self, number: int, name: str, text: str) -> None:
        """Write down what a step asks for. Raises RequestError when a number is none."""
        value, unit = self._read(number, name, text)
        with self._visit.writing() as connection:
            connection.execute(
                "insert into entry (at_s, step, name, value, unit, words) values (?, ?, ?, ?, ?, ?)",
                (time.time(), number, name, value, unit, text.strip()),
            )

    def correct(self, number: int, name: str, text: str) -> None:
        """What was written down last under a name is replaced; the log keeps what stood there. Raises RequestError when
        a number is none, or nothing stands there."""
        value, _ = self._read(number, name, text)
        rows = self._visit.rows("select id, words from entry where step = ? and name = ? order by id", (number, name))
        if not rows:
            raise RequestError(f"step {number}: nothing is written down under {name}")
        row, old = rows[-1]
        now_s = time.time()
        with self._visit.writing() as connection:
            connection.execute(
                "update entry set at_s = ?, value = ?, words = ? where id = ?", (now_s, value, text.strip(), row)
            )
        self._visit.remark("corrected", f"step {number}, {name}: {old} is now {text.strip()}", now_s)

    def take_back(self, number: int) -> str:
        """The newest thing written down or marked at a step is taken back, and the log says so; what it was. Raises
        RequestError when there is none, or when it is frozen."""
        entries = self._visit.rows("select at_s, id, name, words from entry where step = ?", (number,))
        marks = self._visit.rows("select at_s, id, state, words from step where number = ?", (number,))
        both = (("entry", entries), ("step", marks))
        found = [(float(str(row[0])), int(str(row[1])), table, row) for table, rows in both for row in rows]
        if not found:
            raise RequestError(f"step {number}: nothing stands there that could be taken back")
        _, row_id, table, row = max(found, key=lambda one: one[:3])
        if table == "step" and number == FREEZE_STEP and self.frozen():
            raise RequestError("as found is frozen and stays; all else of the day can be taken back")
        said = f"{row[2]}{f': {row[3]}' if str(row[3]) else ''}"
        statement = "delete from entry where id = ?" if table == "entry" else "delete from step where id = ?"
        with self._visit.writing() as connection:
            connection.execute(statement, (row_id,))
        self._visit.remark("taken back", f"step {number}, {said}", time.time())
        return said

    def _read(self, number: int, name: str, text: str) -> tuple[float | None, str]:
        """Number and unit of what was typed. Raises RequestError."""
        ask = next((ask for ask in STEPS[number - 1].asks if ask.name == name), None)
        if ask is None:
            known = ", ".join(ask.name for ask in STEPS[number - 1].asks) or "nothing"
            raise RequestError(f"step {number} does not ask for {name!r}; it asks for {known}")
        if not text.strip():
            raise RequestError(f"{name}: nothing was typed, nothing is written down; f asks again")
        if not ask.unit:
            return None, ""
        try:
            value = typed_number(text, ask.unit)
        except ValueError:
            raise RequestError(f"{name}: {text!r} is not a number of {ask.unit}") from None
        _sensible(name, value, ask.unit)
        return value, ask.unit

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

    def frozen(self, side: str = "") -> bool:
        """Whether as found stands: of one side ("L", "H"), or of any hook-up."""
        rows = self._visit.rows("select hookup from stage where name = 'as found'")
        return any(not side or str(hookup).split()[0] in (f"A>{side}", f"{side}>A") for (hookup,) in rows)


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
