"""The screw ledger: what was turned, what the sweeps before and after say of it, what a turn does.

Owns: comparing two runs, the rows, sensitivity per turn in the technician's own direction words, the advice. Refuses: a
nudge before as found is frozen, and advice on a movement that is not known.
"""

from __future__ import annotations

import json
import math
import re
import time
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from protocol.errors import RequestError
from rf.notch.dips import Dip, Expected, find_dips, moved_dip
from rf.notch.nudge import Nudge, find_nudge, turned_round
from rf.values.figure import Figure, cant_say, inferred
from rf.values.words import as_json, finite, rounded_down, text
from visit.day.stages import AS_FOUND, stages
from visit.figures.assessment import Assessment
from visit.figures.averaging import Averaged, floor_of
from visit.figures.run_figures import RunFigures
from visit.record.opening import damaged
from visit.record.stored_json import stored_figure, stored_number, stored_object
from visit.record.visit_file import RunRow, VisitFile
from visit.site.presets import is_far

LEDGER = "the ledger of screws"
TURN = "turn"
"""Kind of the remarks that correct a row of the ledger."""
_NUMBER = r"-|[0-9]{1,3}(?:\.[0-9]{1,6})?(?:e-?[0-9]{1,2})?"
_TOLD_ANEW = re.compile(
    rf"turn (?P<number>[0-9]{{1,9}}) told anew: cavity=(?P<cavity>-|[0-9]{{1,2}}) turns=(?P<turns>{_NUMBER})"
    rf' screw="(?P<screw>.{{0,60}})" direction="(?P<direction>.{{0,400}})"'
)
_STRUCK = re.compile(r"turn (?P<number>[0-9]{1,9}) struck out: (?P<why>.{1,400})")
MOST_CAVITIES = 8
"""Of one side."""
FASTEST = 0.02
"""No turn of a screw moves its cavity by a larger share of the channel's frequency (common practice: the few per cent
of a whole travel take several turns): a fit that went over to another answer looks so."""
LOCK_NUT = "lock nut"
ROD, TRIMMER = "rod", "trimmer"
FOR_THE_PASS = "rod for the pass"
"""A rod that is turned for the pass, which it moves with the notch."""
REACH = 1.0 / 3.0
"""Share of the channel spacing around the reject channel that is compared: farther out the pass begins to move too."""

USUAL_Q = 2000.0
"""Of a cavity, where no fit tells it (study, part 4)."""

LEAST_ERROR = 2e-4
"""Relative error of a level that is always reckoned with: 0.002 dB."""


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
    number: int = 0
    """Counts the turns of the visit, from 1."""
    first: Told | None = None
    """What was entered at first, where it was corrected later."""
    struck: str = ""
    """Why it is no turn, where it was struck out later; it stays in the file, and counts for nothing."""

    @property
    def moved_hz(self) -> float | None:
        """The movement, None where it is not known."""
        value = self.figures["moved"]["value"]
        return None if value is None else float(value)

    @property
    def trims(self) -> bool:
        """Whether it was a trimmer that was turned; what a turn of it does says nothing of the rod."""
        return self.told.screw == TRIMMER

    @property
    def misfit(self) -> float:
        """How badly one moved zero explains the change (reduced chi-square); 0 where it was not written down."""
        value = self.figures.get("misfit")
        return float(value) if isinstance(value, int | float) else 0.0

    @property
    def unseen(self) -> bool:
        """Every dip of the sweep stayed where it was."""
        return self.figures.get("unseen") is True

    @property
    def left(self) -> bool:
        """What moved is not seen any more."""
        return self.figures.get("left") is True

    @property
    def single(self) -> bool:
        """By its dip alone, in a response that no circuit fits."""
        return self.figures.get("single") is True

    def figure(self, name: str) -> Figure:
        """`before`, `after`, `moved`, `mean_before` or `mean_after` in hertz; CAN'T SAY where the row has none."""
        return _figure(self.figures.get(name))

    def zeros(self, name: str) -> tuple[Figure, ...]:
        """`zeros_before` or `zeros_after`: what the skirts resolved then, in hertz, rising; empty where nothing."""
        return tuple(_figure(one) for one in self.figures.get(name, ()))


def _figure(data: object) -> Figure:
    if not isinstance(data, dict) or data.get("value") is None:
        return cant_say("Hz", str(data.get("why", "")) if isinstance(data, dict) else "")
    return inferred(float(data["value"]), float(data["low"]), float(data["high"]), "Hz")


@dataclass(frozen=True, slots=True)
class Around:
    """What the skirts showed before and after a turn: the mean notch's offset from the channel, and the single zeros
    where they were resolved, in hertz."""

    mean: tuple[Figure, Figure] = (cant_say("Hz", "not known"), cant_say("Hz", "not known"))
    zeros: tuple[tuple[Figure, ...], tuple[Figure, ...]] = ((), ())
    passing: tuple[Figure, Figure] = (cant_say("dB", "not read"), cant_say("dB", "not read"))
    """Return loss of the pass channel."""


def compare(
    figures: RunFigures,
    before: RunRow,
    after: RunRow,
    first: Assessment | None = None,
    second: Assessment | None = None,
    expected: Expected | None = None,
) -> Nudge:
    """What one screw did between two runs of one hook-up. `first` and `second`: what they showed, as far as somebody
    has it; `expected`: what earlier turns let expect. Where no circuit fits, or the sweep is one for a unit that is far
    off, the dips are compared one by one. Raises RequestError when they can't be compared."""
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
    if is_far(site, f):
        return _by_dips(averages[0], averages[1], expected, site.cavities)
    near = np.abs(f - site.reject_hz(side)) <= REACH * (site.high_hz - site.low_hz)
    floors = [floor_of(average) for average in (x, y)]
    powers = [floor.additive_power / np.maximum(average.kept, 1) for floor, average in zip(floors, (x, y), strict=True)]
    relative = max(floor.relative_error for floor in floors) * np.sqrt(2.0 / max(min(x.sweeps, y.sweeps), 1))
    error = max(float(relative), LEAST_ERROR)
    sweeps = [(average.mean[near], power[near]) for average, power in zip((x, y), powers, strict=True)]
    why = ""
    for look, run, (was, now) in ((first, before, sweeps), (second, after, sweeps[::-1])):
        seen = figures.assess(run) if look is None else look
        notch = None if seen is None else seen.notch
        if notch is not None and notch.circuit is not None:
            found = find_nudge(f[near], was[0], now[0], was[1], now[1], notch.circuit, relative_error=error)
            return found if run is before else turned_round(found)
        why = why or ("" if notch is None else notch.why)
    return _by_dips(averages[0], averages[1], expected, site.cavities)


def dips_of(average: Averaged) -> tuple[Dip, ...]:
    """The dips of an averaged run, from low to high; none where bursts hit too much of it."""
    s21 = average.s21
    if s21.too_busy:
        return ()
    return find_dips(average.frequency_hz, s21.mean, floor_of(s21).additive_power / np.maximum(s21.kept, 1))


def _by_dips(before: Averaged, after: Averaged, expected: Expected | None, cavities: int | None) -> Nudge:
    """By the dips alone. Where fewer are seen than there are cavities, the one that stayed may be two."""
    span = float(before.frequency_hz[0]), float(before.frequency_hz[-1])
    told = moved_dip(dips_of(before), dips_of(after), span, expected)
    few = len(dips_of(after)) < (cavities or 0) and expected is not None and expected.by is not None
    if told.unseen and few:
        told = replace(told, unseen=False, why="no dip moved: it may stand beside another one")
    return Nudge(told.before, told.after, told.moved, why=told.why, unseen=told.unseen, left=told.left, single=True)


def add_nudge(visit: VisitFile, before: RunRow, after: RunRow, told: Told, nudge: Nudge, around: Around) -> None:
    """Write a row of the ledger. Raises RequestError before as found is frozen."""
    if not any(stage.name == AS_FOUND for stage in stages(visit)):
        raise RequestError("freeze as found first: without it nobody can tell what the turning did")
    side = before.hookup.side
    assert side is not None
    figures: dict[str, Any] = {
        "before": as_json(nudge.before),
        "after": as_json(nudge.after),
        "moved": as_json(nudge.moved),
        "mean_before": as_json(around.mean[0]),
        "mean_after": as_json(around.mean[1]),
        "zeros_before": [as_json(zero) for zero in around.zeros[0]],
        "zeros_after": [as_json(zero) for zero in around.zeros[1]],
        "pass_before": as_json(around.passing[0]),
        "pass_after": as_json(around.passing[1]),
        "misfit": finite(nudge.misfit),
        "unseen": nudge.unseen,
        "left": nudge.left,
        "single": nudge.single,
    }
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


LATER = ("mean_before", "mean_after", "pass_before", "pass_after")
"""Figures of a row that files of earlier programs have not."""


def _checked(visit: VisitFile, data: dict[str, Any]) -> dict[str, Any]:
    """The figures of a row; files before this told nothing of the mean. Raises RecordError."""
    for name in ("before", "after", "moved", *(name for name in LATER if name in data)):
        data[name] = _sound(visit, data, name)
    for name in ("zeros_before", "zeros_after"):
        several = data.get(name, [])
        if not isinstance(several, list) or len(several) > MOST_CAVITIES:
            raise damaged(visit.path, f"{name} is no short list", LEDGER)
        data[name] = [_sound(visit, {name: one}, name) for one in several]
    data["misfit"] = stored_number(visit, data.get("misfit"), LEDGER)
    return data


def _sound(visit: VisitFile, data: dict[str, Any], name: str) -> dict[str, Any]:
    """A figure of a row whose value lies in its interval. Raises RecordError."""
    figure = stored_figure(visit, data, name, LEDGER)
    value, low, high = figure["value"], figure["low"], figure["high"]
    if value is not None and not (low is not None and high is not None and low <= value <= high):
        raise damaged(visit.path, f"{name} lies outside its interval", LEDGER)
    return {**data[name], **figure}


def ledger(visit: VisitFile) -> list[NudgeRow]:
    """The turns that count, in their order, as they were told last."""
    return [row for row in whole_ledger(visit) if not row.struck]


def whole_ledger(visit: VisitFile) -> list[NudgeRow]:
    """Every row in its order, those that were struck out too."""
    rows = visit.rows(
        "select id, at_s, side, cavity, screw, direction, turns, before_run, after_run, figures from nudge order by id"
    )
    later = _corrections(visit)
    found = []
    for number, at_s, side, cavity, screw, direction, turns, before, after, figures in rows:
        told = Told(
            None if cavity is None else int(str(cavity)), str(screw), str(direction),
            None if turns is None else float(str(turns)),
        )  # fmt: skip
        data = _checked(visit, stored_object(visit, figures, LEDGER))
        anew, struck = later.get(int(str(number)), (None, ""))
        for one in (told, anew or told):
            if one.cavity is not None and not 1 <= one.cavity <= MOST_CAVITIES:
                raise damaged(visit.path, f"there is no cavity {one.cavity}", LEDGER)
        found.append(
            NudgeRow(
                float(str(at_s)), str(side), anew or told, int(str(before)), int(str(after)), data, int(str(number)),
                None if anew is None else told, struck,
            )
        )  # fmt: skip
    return found


def correct(visit: VisitFile, number: int, told: Told) -> None:
    """A turn was another one than was entered; the entry stays in the file. Raises RequestError for one that is not
    there."""
    _there(visit, number)
    cavity = "-" if told.cavity is None else told.cavity
    turns = "-" if told.turns is None else f"{told.turns:g}"
    way = " ".join(told.direction.split())
    _log(visit, f'turn {number} told anew: cavity={cavity} turns={turns} screw="{told.screw}" direction="{way}"')


def strike(visit: VisitFile, number: int, why: str) -> None:
    """What was entered as a turn was none; the entry stays in the file. Raises RequestError without a reason."""
    _there(visit, number)
    reason = " ".join(why.split())
    if not reason:
        raise RequestError("why was it no turn? a row of the ledger is struck out with its reason only")
    _log(visit, f"turn {number} struck out: {reason}")


def _there(visit: VisitFile, number: int) -> None:
    row = next((row for row in whole_ledger(visit) if row.number == number), None)
    if row is None:
        raise RequestError(f"there is no turn {number} in the ledger")
    if row.struck:
        raise RequestError(f"turn {number} is struck out already: {row.struck}")


def _log(visit: VisitFile, words: str) -> None:
    if not (_TOLD_ANEW.fullmatch(words) or _STRUCK.fullmatch(words)):
        raise RequestError("that can't be written down: say it shorter, a turn as 1 rod 0.25 clockwise")
    visit.remark(TURN, words, time.time())


def _corrections(visit: VisitFile) -> dict[int, tuple[Told | None, str]]:
    """By number of the turn: what it was told anew to be, last; why it was struck out. Raises RecordError."""
    found: dict[int, tuple[Told | None, str]] = {}
    for (words,) in visit.rows("select words from remark where kind = ? order by id", (TURN,)):
        said = _TOLD_ANEW.fullmatch(str(words)) or _STRUCK.fullmatch(str(words))
        if said is None:
            raise damaged(visit.path, "a correction can't be read", LEDGER)
        number = int(said["number"])
        told, struck = found.get(number, (None, ""))
        if said.re is _STRUCK:
            struck = said["why"]
        else:
            told = Told(
                None if said["cavity"] == "-" else int(said["cavity"]), said["screw"], said["direction"],
                None if said["turns"] == "-" else float(said["turns"]),
            )  # fmt: skip
        found[number] = told, struck
    return found


def lock_words(nudge: Nudge, together: Figure, alone: Figure, goal_db: float) -> str:
    """What the lock nut did against the shift in hertz that the unit allows, of all cavities `together` and of one
    `alone` (study, scenario 38)."""
    if not nudge.known:
        return f"locking: {nudge.why or 'not determined'}"
    words = f"locking moved it by {text(nudge.moved, signed=True)}"
    if not alone.known or not together.known:
        return f"{words}; how much is allowed: {text(alone)}, {alone.why or together.why}"
    far = max(abs(nudge.moved.low), abs(nudge.moved.high))
    safe = far <= alone.low
    said = f"still {goal_db:g} dB" if safe else f"{goal_db:g} dB is in danger: unlock, set it against, lock again"
    return f"{words}; allowed {shift_words(together)} in common, {shift_words(alone)} one cavity alone: {said}"


def shift_words(allowed: Figure) -> str:
    """How far it may go, with its word; where nothing surely loses the goal, how far is safe."""
    if math.isfinite(allowed.high):
        return text(allowed)
    return f"{allowed.kind.value} {rounded_down(allowed.low / 1e3, 1):g} kHz or more"


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
