"""The screw ledger: what was turned, what the sweeps before and after say of it, what a turn does.

Owns: comparing two runs, the rows, sensitivity per turn in the technician's own direction words, the advice. Refuses: a
nudge before as found is frozen, and advice on a movement that is not known.
"""

from __future__ import annotations

import json
import math
import time
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from protocol.errors import RequestError
from rf.notch.cavity import HoldingRange, bottom_unit_hz
from rf.notch.notch import NotchPlace
from rf.notch.nudge import Q_SPREAD, Nudge, find_nudge
from rf.values.words import as_json, text
from visit.day.stages import AS_FOUND, stages
from visit.figures.averaging import floor_of
from visit.figures.run_figures import RunFigures
from visit.record.stored_json import stored_figure, stored_object
from visit.record.visit_file import RunRow, VisitFile
from visit.site.hookup import Side

LOCK_NUT = "lock nut"
REACH = 1.0 / 3.0
"""Share of the channel spacing around the reject channel that is compared: farther out the pass begins to move too."""

MODEL_ERROR = 5e-3
"""The rest of the response is not slow to better than this over the compared span; far from the zeros, where levels are
strong, that outweighs the noise."""

ONE_CAVITY = 2.1
"""One cavity of three may move so much farther than all together before the same rejection is lost (study, scenario 38:
30 kHz against 14)."""

USUAL_Q, Q_UNKNOWN = 2000.0, 0.7
"""Without a fitted Q: cavities of 1000 to 4000 (study, part 4)."""


@dataclass(frozen=True, slots=True)
class Told:
    """What the technician said of the turn; None where nothing was said."""

    cavity: int | None = None
    screw: str = "rod"
    direction: str = ""
    turns: float | None = None


@dataclass(frozen=True, slots=True)
class NudgeRow:
    """One row of the ledger; figures as JSON objects with their words."""

    at_s: float
    side: str
    told: Told
    before_run: int
    after_run: int
    figures: dict[str, Any]

    @property
    def moved_hz(self) -> float | None:
        """The movement, None where it is not known."""
        value = self.figures["moved"]["value"]
        return None if value is None else float(value)


def compare(figures: RunFigures, before: RunRow, after: RunRow, unloaded_q: float | None) -> Nudge:
    """What one screw did between two runs of one hook-up. Raises RequestError when they can't be compared."""
    side, site = before.hookup.side, figures.site
    if side is None or before.hookup != after.hookup:
        raise RequestError("a nudge is read from two runs of one hook-up with the antenna port; sweep the same again")
    averages = []
    for run in (before, after):
        made = figures.averaged(run)
        if made is None:
            raise RequestError(f"run {run.id} kept no sweep; sweep again")
        averages.append(made)
    f, x, y = averages[0].frequency_hz, averages[0].s21, averages[1].s21
    if not np.array_equal(f, averages[1].frequency_hz):
        raise RequestError("the sweep was changed between the two runs: keep it while a screw is turned")
    reject = site.reject_hz(side)
    near = np.abs(f - reject) <= REACH * (site.high_hz - site.low_hz)
    floors = [floor_of(average) for average in (x, y)]
    powers = [floor.additive_power / np.maximum(average.kept, 1) for floor, average in zip(floors, (x, y), strict=True)]
    relative = max(floor.relative_error for floor in floors) / np.sqrt(max(min(x.sweeps, y.sweeps), 1))
    return find_nudge(
        f[near], x.mean[near], y.mean[near], powers[0][near], powers[1][near], unloaded_q or USUAL_Q,
        relative_error=max(float(relative), MODEL_ERROR),
        q_spread=Q_UNKNOWN if unloaded_q is None else Q_SPREAD,
    )  # fmt: skip


def add_nudge(visit: VisitFile, before: RunRow, after: RunRow, told: Told, nudge: Nudge) -> None:
    """Write a row of the ledger. Raises RequestError before as found is frozen."""
    if not any(stage.name == AS_FOUND for stage in stages(visit)):
        raise RequestError("freeze as found first: without it nobody can tell what the turning did")
    side = before.hookup.side
    assert side is not None
    figures = {"before": as_json(nudge.before), "after": as_json(nudge.after), "moved": as_json(nudge.moved)}
    with visit.writing() as connection:
        connection.execute(
            "insert into nudge (at_s, side, cavity, screw, direction, turns, before_run, after_run, figures)"
            " values (?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (
                time.time(),
                side.value,
                told.cavity,
                told.screw,
                told.direction,
                told.turns,
                before.id,
                after.id,
                json.dumps(figures, allow_nan=False),
            ),
        )


def ledger(visit: VisitFile) -> list[NudgeRow]:
    """All nudges in their order."""
    rows = visit.rows(
        "select at_s, side, cavity, screw, direction, turns, before_run, after_run, figures from nudge order by id"
    )
    found = []
    for at_s, side, cavity, screw, direction, turns, before, after, figures in rows:
        told = Told(
            None if cavity is None else int(str(cavity)), str(screw), str(direction),
            None if turns is None else float(str(turns)),
        )  # fmt: skip
        data = stored_object(visit, figures, "the ledger of screws")
        moved = stored_figure(visit, data, "moved", "the ledger of screws")
        data["moved"] = {**data["moved"], **moved}
        found.append(NudgeRow(float(str(at_s)), str(side), told, int(str(before)), int(str(after)), data))
    return found


def sensitivity_hz(rows: list[NudgeRow], side: Side, cavity: int | None) -> float | None:
    """Hertz per turn of a cavity's rod from the ledger (signed by its own direction words' first use); None when no
    turn was entered. The median: a rod jumps now and then."""
    found = [
        row.moved_hz / row.told.turns
        for row in rows
        if row.side == side.value and row.told.cavity == cavity and row.told.turns and row.moved_hz is not None
    ]
    return float(np.median(found)) if found else None


def advice(rows: list[NudgeRow], side: Side, offset_hz: float, uncertainty_hz: float) -> str:
    """What to do next about a mean that lies `offset_hz` off the channel."""
    if abs(offset_hz) <= uncertainty_hz:
        return (
            f"stop: {abs(offset_hz) / 1e3:.1f} kHz off is less than the uncertainty of {uncertainty_hz / 1e3:.1f} kHz"
        )
    need = -offset_hz
    words = f"the mean must move {need / 1e3:+.1f} kHz"
    last = next((row for row in reversed(rows) if row.side == side.value and row.moved_hz), None)
    if last is None or last.moved_hz is None:
        return f"{words}: turn one screw a little, then enter it"
    per_turn = sensitivity_hz(rows, side, last.told.cavity)
    which = f"cavity {last.told.cavity}" if last.told.cavity else "the same screw"
    again = (need > 0) == (last.moved_hz > 0)
    way = (last.told.direction or "your last turn") if again else f"against {last.told.direction or 'your last turn'}"
    much = f", about {abs(need) / abs(per_turn):.2g} turns" if per_turn else ""
    return f"{words}: {which} {way}{much}"


def gain_words(notch: NotchPlace, offset_hz: float) -> str:
    """What bringing the mean onto the channel would bring against the uncertainty: when to stop (study, part 5, 16)."""
    at, unit = notch.rejection_at[0], bottom_unit_hz(notch.bottom_width_hz)
    if not (at.known and unit > 0.0):
        return "what centring would bring can't be said"
    gain, half = 30.0 * math.log10(1.0 + (offset_hz / unit) ** 2), (at.high - at.low) / 2.0
    words = "stop, less than that" if gain < half else "more than that"
    return f"centring brings INFERRED {gain:.1f} dB, uncertainty {half:.1f}: {words}"


def lock_words(nudge: Nudge, held: HoldingRange | None, goal_db: float) -> str:
    """What the lock nut did against what the unit allows (study, scenario 38)."""
    if not nudge.known:
        return f"locking: {nudge.why or 'not determined'}"
    words = f"locking moved it by {text(nudge.moved, signed=True)}"
    if held is None:
        return f"{words}; how much is allowed is not known"
    far = max(abs(nudge.moved.low), abs(nudge.moved.high))
    one, common = ONE_CAVITY * held.shift_hz, held.shift_hz
    said = f"still {goal_db:g} dB" if far <= one else f"{goal_db:g} dB is in danger: unlock, set it against, lock again"
    return f"{words}; allowed {common / 1e3:.0f} kHz in common, {one / 1e3:.0f} one cavity alone: {said}"


def nudge_words(nudge: Nudge, reject_hz: float, told: Told) -> str:
    """One sentence of what the last turn did."""
    if not nudge.known:
        return f"last turn: {nudge.why}"
    name = f"cavity {told.cavity}" if told.cavity else "it"
    place = ""
    if nudge.before.known:
        before = nudge.before
        off = replace(before, value=before.value - reject_hz, low=before.low - reject_hz, high=before.high - reject_hz)
        place = f"; {name} was at {text(off, signed=True)}"
    return f"you moved {name} by {text(nudge.moved, signed=True)}{place}"
