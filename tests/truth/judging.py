"""Every figure that the program prints of one bench, beside the truth of that bench.

Owns: what is true of each figure, and one `Row` per figure: said or not, covered or not, and which way it errs.
Refuses: to measure (`tests.truth.visits`), and to judge a row of rows (`tests.truth.tables`).

Figures are taken from the documented JSON object (docs/json.md), so that what is judged is what is printed.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np

from rf.notch.nudge import Nudge
from rf.values.figure import inferred
from rf.values.words import as_json
from tests.truth.bench import Bench
from tests.truth.visits import Measured
from visit.figures.assessment import Assessment, Role, goals_of
from visit.figures.figures_json import assessment_data
from visit.site.hookup import HookUp

STEPS_DB = (0.05, 0.5, 2.0, -1.0, -3.0, -8.0)
"""Goals are drawn so far above the truth, where every pass is false, and below it, where a pass is due."""

LOST_DB = 6.0
"""What a common shift may cost where a holding range is judged."""

Truth = tuple[float, float]
"""Lowest and highest value that was true while a run was taken; both alike on a bench that stands still."""


@dataclass(frozen=True)
class Row:
    """One figure: `kind` its word, `covered` None when nothing was said, `err` how far the nearer end of the interval
    lies beyond the truth (0: covered) with its sign, `half` the half-width, `eager`: it errs to the side that looks
    better."""

    figure: str
    kind: str
    covered: bool | None = None
    err: float = 0.0
    half: float | None = None
    eager: bool = False
    why: str = ""


@dataclass(frozen=True)
class Judged:
    """One verdict: how far the goal lies beyond the truth in dB (below 0: it is met), and what was said."""

    goal: str
    step: float
    verdict: str


def states(bench: Bench, measured: Measured) -> Sequence[int]:
    """Sweep numbers at which the bench may have stood while a run was taken."""
    e = bench.errors
    if not e.drift_k and e.screw_at is None:
        return [measured.first]
    found = {measured.first, measured.last}
    if e.screw_at is not None and measured.first <= e.screw_at <= measured.last:
        found |= {max(e.screw_at - 1, measured.first), e.screw_at}
    return sorted(found)


def _db(value: complex) -> float:
    return -20.0 * math.log10(max(abs(value), 1e-30))


def span(values: Sequence[float]) -> Truth:
    """Lowest and highest of what was true."""
    return min(values), max(values)


def levels(bench: Bench, measured: Measured, hz: float, *, ideal: bool, reflected: bool = False) -> Truth:
    """Rejection, loss or return loss that was true at a frequency, in positive dB."""
    ask = bench.truth_ideal_load if ideal else bench.truth
    return span([_db(ask([hz], k)[0 if reflected else 1][0]) for k in states(bench, measured)])


def compared(figure: str, said: dict[str, Any] | None, truth: Truth, better: int) -> Row:
    """One figure in its JSON form against the truth. `better`: +1 when a higher value looks better, -1 a lower one, 0
    neither."""
    if said is None or said["kind"] == "cannot_say":
        return Row(figure, "refused" if said is None else "cannot_say", why="" if said is None else said["why"][:120])
    low = -math.inf if said["low"] is None else float(said["low"])
    high = math.inf if said["high"] is None else float(said["high"])
    err = low - truth[1] if low > truth[1] else high - truth[0] if high < truth[0] else 0.0
    half = (high - low) / 2.0 if math.isfinite(high - low) else None
    return Row(figure, said["kind"], err == 0.0, err, half, better * err > 0.0, said["limited_by"])


def wide_rows(bench: Bench, hookup: HookUp, measured: Measured) -> Iterator[Row]:
    """All figures of a wide run."""
    a = measured.assessment
    assert a is not None
    data = assessment_data(a)
    yield from channel_rows("", bench, measured, a, data)
    side = hookup.side
    if side is not None:
        yield from _notch_rows(bench, measured, a, data, side.value)
    yield from _floor_rows(bench, a, data)


def channel_rows(prefix: str, bench: Bench, measured: Measured, a: Assessment, data: dict[str, Any]) -> Iterator[Row]:
    """Loss, rejection and return losses of a run, and its proof."""
    for channel, said in zip(a.channels, data["channels"], strict=True):
        hz, reject = channel.frequency_hz, channel.role is Role.REJECT
        if not a.frequency_hz[0] <= hz <= a.frequency_hz[-1]:
            continue
        figure = said["rejection" if reject else "loss"]
        name = prefix + ("rejection" if reject else "loss")
        better = 1 if reject else -1
        word = "bound " if reject and figure["kind"] == "at_least" else ""
        yield compared(f"{word}{name}", figure, levels(bench, measured, hz, ideal=False), better)
        yield compared(f"{word}{name}, ideal load", figure, levels(bench, measured, hz, ideal=True), better)
        if not prefix:
            match = levels(bench, measured, hz, ideal=False, reflected=True)
            yield compared(f"return loss, {channel.role.value}", said["return_loss"], match, 1)
    if a.proof.proven_db is not None:
        rejects = [c.frequency_hz for c in a.channels if c.role is Role.REJECT]
        truth = min(levels(bench, measured, hz, ideal=True)[1] for hz in rejects)
        err = max(a.proof.proven_db - truth, 0.0)
        yield Row(f"{prefix}proof", "at_least", err == 0.0, err, truth - a.proof.proven_db, err > 0.0)


def _notch_rows(bench: Bench, measured: Measured, a: Assessment, data: dict[str, Any], side: str) -> Iterator[Row]:
    zeros = [bench.unit_at(k).zeros_hz(side) for k in states(bench, measured)]
    fitted, reject_hz = data["fitted"], a.site.reject_hz(type(a.hookup.side)(side))  # type: ignore[misc]
    if zeros[0].size == 0:  # no finite zeros: any place is one too many
        if a.notch_offset.known:
            yield Row("place", "inferred", False, 0.0, None, True, "a place where there is none")
        return
    centre = span([float(z.real.mean()) - reject_hz for z in zeros])
    yield compared("place", data["notch_offset"], centre, 0)
    for name, better in (("depth", 1), ("rejection", 1)):
        said = None if fitted is None else fitted[name]
        for words, ideal in (("", False), (", ideal load", True)):
            truth = (
                levels(bench, measured, reject_hz, ideal=ideal)
                if name == "rejection"
                else span([_deepest(bench, k, side, ideal=ideal) for k in states(bench, measured)])
            )
            yield compared(f"fitted {name}{words}", said, truth, better)
    q = [z.real / (2.0 * np.abs(z.imag)) for z in zeros]
    yield compared("unloaded Q", None if fitted is None else fitted["unloaded_q"], span(np.concatenate(q).tolist()), 0)
    singles = [] if fitted is None else fitted["cavities"]
    if not singles:
        yield Row("each cavity", "cannot_say", why="not resolved")
    elif len(singles) != zeros[0].size:
        yield Row("each cavity", "inferred", False, why=f"{len(singles)} told, {zeros[0].size} there")
    else:
        places = np.sort(np.array([z.real for z in zeros]), axis=1)
        for said, truth in zip(singles, zip(places.min(axis=0), places.max(axis=0), strict=True), strict=True):
            yield compared("each cavity", said, (float(truth[0]), float(truth[1])), 0)
    yield from _holding(bench, measured, a, reject_hz)


def _deepest(bench: Bench, state: int, side: str, *, ideal: bool) -> float:
    """Rejection at the lowest point between the outermost zeros and a little beyond."""
    zeros = bench.unit_at(state).zeros_hz(side)
    reach = float(np.ptp(zeros.real)) / 2.0 + 2.0 * float(np.abs(zeros.imag).max())
    grid = float(zeros.real.mean()) + np.linspace(-reach, reach, 401)
    ask = bench.truth_ideal_load if ideal else bench.truth
    return _db(float(np.abs(ask(grid, state)[1]).min()))


def _holding(bench: Bench, measured: Measured, a: Assessment, reject_hz: float) -> Iterator[Row]:
    """How far the notch may move in common before 6 dB are lost, against the response itself, moved."""
    if a.notch is None or a.notch.falls is None or not a.notch.rejection_at[0].known:
        return
    shown = a.notch.rejection_at[0].value
    held = a.notch.falls.within(inferred(shown, shown, shown, "dB"), shown - LOST_DB)
    grid = np.linspace(0.0, 8.0 * a.notch.bottom_width_hz, 801)
    there = levels(bench, measured, reject_hz, ideal=False)[0]
    ways = []
    for way in (-1.0, 1.0):
        level = -20.0 * np.log10(np.abs(bench.truth(reject_hz + way * grid, measured.last)[1]) + 1e-30)
        fallen = np.flatnonzero(level < there - LOST_DB)
        ways.append(float(grid[fallen[0]]) if fallen.size else float(grid[-1]))
    yield compared("holding range", as_json(held), (min(ways), min(ways)), 1)


def _floor_rows(bench: Bench, a: Assessment, data: dict[str, Any]) -> Iterator[Row]:
    e = bench.errors
    if e.floor_db is None or e.burst_rate or e.quant_linear or e.quant_db:
        return
    lifted = e.floor_db + (e.pad1_db + e.pad2_db)  # a pad before or behind the normalisation lifts the noise alike
    if not e.pads_in_cal:
        lifted = e.floor_db + a.hookup.path.pad1_db + a.hookup.path.pad2_db
    yield compared("floor of one sweep", data["floor_one_sweep"], (lifted, lifted), -1)
    # A sweep that was hit lost some of its points, or all: the average holds no more than the one and no less than the
    # other.
    least, most = (lifted - 10.0 * math.log10(max(n, 1)) for n in (a.sweeps, a.sweeps - a.thrown_sweeps))
    yield compared("floor of the average", data["floor_averaged"], (least, most), -1)


def survey_rows(bench: Bench, a: Assessment) -> Iterator[Row]:
    """The leak that a survey tells, and the limit made of it."""
    data = assessment_data(a)
    at = [a.site.low_hz, a.site.high_hz]
    leak = np.abs(bench.leak(at, survey=True))
    level = [20.0 * math.log10(float(v) + 1e-15) for v in leak]
    limit = data["leakage_limit_db"]
    if limit is None:
        yield Row("leak limit", "cannot_say", why="; ".join(a.cautions)[:120])
        return
    err = min(limit - max(level), 0.0)
    yield Row("leak limit", "at_least", err == 0.0, err, limit - max(level), err < 0.0)


def nudge_rows(nudge: Nudge, before_hz: float, after_hz: float) -> Iterator[Row]:
    """Where the zero of a turned screw was, and how far it went."""
    moved = after_hz - before_hz
    yield compared("nudge, movement", as_json(nudge.moved), (moved, moved), 0)
    yield compared("nudge, place before", as_json(nudge.before), (before_hz, before_hz), 0)


def verdicts(a: Assessment, bench: Bench, measured: Measured) -> Iterator[Judged]:
    """The verdicts on goals drawn around the truth: rejection, loss and return loss. Truth is that with ideal loads
    for rejection and loss; a goal is met when it was met at any moment of the run."""
    for channel in a.channels:
        hz = channel.frequency_hz
        if channel.role is Role.REJECT:
            name, (low, high) = "rejection", levels(bench, measured, hz, ideal=True)
            yield from _judged(a, name, hz, low, high)
        else:
            name, (low, high) = "loss", levels(bench, measured, hz, ideal=True)
            yield from _judged(a, name, hz, low, high)
            name, (low, high) = "return loss", levels(bench, measured, hz, ideal=False, reflected=True)
            yield from _judged(a, name, hz, low, high)


def _judged(a: Assessment, name: str, hz: float, low: float, high: float) -> Iterator[Judged]:
    key = name.replace(" ", "_") + "_db"
    for step in STEPS_DB:
        asked = step
        if name == "loss":
            asked = step / 10.0
            goal = low - asked
        else:
            goal = high + step if step > 0 else low + step
        if not 0.05 < goal < 150.0:
            continue
        goals = replace(a.site.goals, **{key: goal})
        channels = [channel for channel in a.channels if channel.frequency_hz == hz]
        for result in goals_of(replace(a.site, goals=goals), channels, a.proof, doubts=a.doubts):
            if result.name == name:
                yield Judged(name, asked, result.verdict.value)


def plain(rows: Sequence[Row | Judged]) -> list[dict[str, Any]]:
    """For a line of JSON."""
    return [asdict(row) for row in rows]
