"""The guided desense test of a visit: before and after, what comes next, what is written down, what it says.

Owns: the order of its steps with what must be true before each, its entries. Refuses: a level while the analyzer may
hang on the duplexer: a transmitter works in two of the four states.
"""

from __future__ import annotations

from dataclasses import dataclass

from protocol.errors import RequestError
from rf.repeater.desense_levels import (
    ANTENNA_OFF,
    ANTENNA_ON,
    LOAD_OFF,
    LOAD_ON,
    STATES,
    Finding,
    Levels,
    findings,
    levels_of,
)
from rf.values.figure import Figure
from visit.day.day import LOCK_STEP, REBUILT_STEP, STEPS, Day
from visit.record.sheet import Line, write
from visit.record.visit_file import VisitFile

BEFORE, AFTER = "before", "after"
WHENS = (BEFORE, AFTER)
PHASE = {BEFORE: "arrive", AFTER: "prove"}

SET_UP = (
    "the analyzer off the duplexer, the original jumpers back, nothing of the kit in the line",
    "isolation tee or coupler in the lead from the duplexer to the receiver, the generator on its coupled port",
    "a load that stands the transmitter's power on the duplexer's antenna port",
)
DO = {
    LOAD_OFF: "load on the antenna port, transmitter OFF: generator's level for 12 dB SINAD",
    LOAD_ON: "the same with the transmitter ON: keep clear of the load, it gets hot",
    ANTENNA_OFF: "transmitter OFF, then the feeder back on the antenna port: the level again",
    ANTENNA_ON: "the same with the transmitter ON",
}


def line_of(when: str, state: str) -> Line:
    """The entry that holds a level."""
    return Line(f"generator {when}: {state}", "dBm", -150.0, 20.0)


@dataclass(frozen=True, slots=True)
class Taken:
    """Where a test stands: levels so far, what comes next ("" when all is taken), what they show."""

    when: str
    dbm: dict[str, float]
    following: str
    levels: Levels
    findings: tuple[Finding, ...]


def taken(visit: VisitFile, when: str, explained: Figure | None = None) -> Taken:
    """What was written down of a test. Raises RecordError."""
    names = {line_of(when, state).name: state for state in STATES}
    dbm: dict[str, float] = {}
    for name, value in visit.rows("select name, value from entry order by id"):
        state = names.get(str(name))
        if state is not None and value is not None and -150.0 <= float(str(value)) <= 20.0:
            dbm[state] = float(str(value))
    levels = levels_of(dbm)
    following = next((state for state in STATES if state not in dbm), "")
    return Taken(when, dbm, following, levels, tuple(findings(levels, explained)))


def check_keying(day: Day, when: str) -> None:
    """Raises RequestError while the analyzer may hang on the duplexer: before, once the transmitter was locked for the
    measurement; after, until the original jumpers are back."""
    done = {number for number, (state, _) in day.states().items() if state == "done"}
    if when == BEFORE and LOCK_STEP in done:
        raise RequestError(
            f"{STEPS[LOCK_STEP - 1].named} is done: the test before belongs in front of it; take the one after"
        )
    if when == AFTER and REBUILT_STEP not in done:
        raise RequestError(f"first {STEPS[REBUILT_STEP - 1].named}; nothing is keyed while the analyzer hangs on it")


def take(visit: VisitFile, when: str, state: str, text: str) -> None:
    """Write down a level; with both of a pair the day's own entry of that desensitisation too. Raises RequestError."""
    day = Day(visit)
    check_keying(day, when)
    write(visit, line_of(when, state), text)
    levels = taken(visit, when).levels
    for name, states, figure in (
        ("desense with load", (LOAD_OFF, LOAD_ON), levels.with_load),
        ("desense with antenna", (ANTENNA_OFF, ANTENNA_ON), levels.with_antenna),
    ):
        if state in states and figure.known:
            asking = next(
                step.number
                for step in STEPS
                if step.phase == PHASE[when] and any(ask.name == name for ask in step.asks)
            )
            day.enter(asking, name, f"{figure.value:.1f}")
