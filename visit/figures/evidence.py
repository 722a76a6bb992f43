"""Which runs of a hook-up its figures rest on: the best valid evidence of one state of the duplexer.

Owns: what counts as one state (no screw of the ledger turned, nor a tuning run of a side that was turned between),
which run is good for a figure, what is said when runs contradict each other. Refuses: to choose by the outcome: a run
is chosen by its floor or by the proof that its looks reached, and looks of all runs share one 5 %.

A later run takes nothing from an earlier one as long as nothing moved between them: a short wide sweep after a long
proof does not undo the proof. Where two runs exclude each other something moved that nobody wrote down, and the newest
counts.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from rf.repeater.hookup_check import State
from rf.values.figure import Figure, Kind
from visit.figures.assessment import Assessment, Role
from visit.figures.looks import NO_LOOKS
from visit.record.visit_file import RunRow

CLEARLY_LOWER_DB = 3.0
"""An earlier wide run is taken before a newer one when its floor lies so much lower."""
AGREE_FACTOR = 1.5
"""Two 95 % intervals of one value lie apart by more than this many of their joint half-widths in about 0.3 % of
honest pairs (normal law, 1.5 x 1.96 = 2.94 standard deviations)."""


@dataclass(frozen=True, slots=True)
class Evidence:
    """The runs for a hook-up: the wide one, then the zooms that carry its rejection lower (newest first); what a reader
    must know about the choice."""

    wide: RunRow
    zooms: tuple[RunRow, ...] = ()
    notes: tuple[str, ...] = ()


Judged = Sequence[tuple[RunRow, Assessment]]


def usable(assessment: Assessment) -> bool:
    """Whether a run says anything of the duplexer: declared hook-up, quiet enough, corrected."""
    if assessment.check.state is State.WRONG or assessment.too_busy:
        return False
    return any(channel.transmission.known or channel.return_loss.known for channel in assessment.channels)


def of_one_state(runs: Sequence[RunRow], moved: Iterable[int]) -> list[RunRow]:
    """The runs after the last that a screw was turned in or before; `moved`: rows of runs begun after a turn. Where the
    ledger has no turn at all the tuning page was only looked at: whether something moved is told by what runs show."""
    turns = list(moved)
    tuned = [run.id for run in runs if turns and run.purpose == NO_LOOKS]
    first = max([*tuned, *turns], default=0)
    return [run for run in runs if run.id >= first]


def choose(wides: Judged, zooms: Judged) -> Evidence | None:
    """The evidence among runs of one hook-up in one state, both in their order; None without a wide run."""
    if not wides:
        return None
    good = [pair for pair in wides if usable(pair[1])]
    if not good:
        return Evidence(wides[-1][0])
    notes = []
    newest = good[-1]
    if wides[-1] is not newest:
        why = wides[-1][1].cautions[0] if wides[-1][1].cautions else "it says nothing of the duplexer"
        notes.append(f"run {wides[-1][0].id} does not count: {why}")
    wide = newest
    for earlier in reversed(good[:-1]):
        if not agree(earlier[1], newest[1]):
            notes.append(
                f"runs {earlier[0].id} and {newest[0].id} exclude each other: something moved between them; run"
                f" {newest[0].id} counts"
            )
            break
        if _floor(earlier) < _floor(wide) - CLEARLY_LOWER_DB:
            wide = earlier
    near, more = _zooms(zooms, _state_from(good), newest)
    return Evidence(wide[0], near, (*notes, *more))


def carries_on(earlier: Assessment, later: Assessment) -> bool:
    """Whether figures of before a stage still stand for what nobody turned since: the later ones agree, and their floor
    lies no lower. Floors choose and not outcomes, for each stage has its own 5 %."""
    pair = earlier.floor_averaged, later.floor_averaged
    return agree(earlier, later) and pair[0].known and pair[1].known and pair[0].value < pair[1].value


def _state_from(good: Judged) -> int:
    """The first wide run of the newest state; 0 when all agree. A zoom taken before it, while something moved, belongs
    to nobody knows which state."""
    first = 0
    for later, earlier in zip(reversed(good), list(reversed(good))[1:], strict=False):
        if not agree(earlier[1], good[-1][1]):
            first = later[0].id
            break
    return first


def _zooms(zooms: Judged, moved_at: int, newest: tuple[RunRow, Assessment]) -> tuple[tuple[RunRow, ...], list[str]]:
    """The best zoom of each channel, and what contradicts; a zoom from before a movement does not count."""
    chosen: list[RunRow] = []
    notes: list[str] = []
    channels = sorted({c.frequency_hz for _, a in zooms for c in a.channels if c.role is Role.REJECT})
    for hz in channels:
        mine = [pair for pair in zooms if pair[0].id > moved_at and usable(pair[1]) and _at(pair[1], hz).known]
        if mine and mine[-1][0].id < newest[0].id and not _fits(_at(mine[-1][1], hz), newest[1], hz):
            notes.append(f"run {newest[0].id} excludes the zoom of run {mine[-1][0].id}: something moved; zoom again")
            continue
        if not mine:
            continue
        best = last = mine[-1]
        for earlier in reversed(mine[:-1]):
            if not _apart(_at(earlier[1], hz), _at(last[1], hz)):
                best = max(best, earlier, key=_reach)
                continue
            notes.append(
                f"zooms of runs {earlier[0].id} and {last[0].id} exclude each other: something moved between them; run"
                f" {last[0].id} counts"
            )
            break
        if best[0] not in chosen:
            chosen.append(best[0])
    return tuple(sorted(chosen, key=lambda run: -run.id)), notes


def _reach(pair: tuple[RunRow, Assessment]) -> tuple[float, float]:
    """How far a zoom carries: what its looks proved, then how low its floor lies."""
    proven = pair[1].proof.proven_db
    return (-math.inf if proven is None else proven, -_floor(pair))


def _floor(pair: tuple[RunRow, Assessment]) -> float:
    level = pair[1].floor_averaged
    return level.value if level.known else math.inf


def _at(assessment: Assessment, hz: float) -> Figure:
    return next(channel.transmission for channel in assessment.channels if channel.frequency_hz == hz)


def _fits(zoomed: Figure, wide: Assessment, hz: float) -> bool:
    """Whether a zoom's rejection can be that of a later wide run: its own figure there, and its fitted one."""
    if _apart(zoomed, _at(wide, hz)):
        return False
    fitted = wide.notch.rejection_at[0] if wide.notch is not None and wide.notch.trusted else None
    return fitted is None or not _apart(zoomed, fitted)


def agree(one: Assessment, other: Assessment) -> bool:
    """Whether two wide runs can show one state: notch place, loss and reading of the rejection."""
    picks: tuple[Callable[[Assessment], Figure], ...] = (
        lambda a: a.notch_offset,
        *((lambda a, i=index: a.channels[i].transmission) for index in range(len(one.channels))),
    )
    return not any(_apart(pick(one), pick(other)) for pick in picks)


def _apart(one: Figure, other: Figure) -> bool:
    """Whether two figures of one value exclude each other; a bound excludes what lies clearly under it."""
    if not (one.known and other.known):
        return False
    if Kind.AT_LEAST in (one.kind, other.kind):
        return _under(one, other) or _under(other, one)
    joint = math.hypot((one.high - one.low) / 2.0, (other.high - other.low) / 2.0)
    return abs(one.value - other.value) > AGREE_FACTOR * joint


def _under(one: Figure, bound: Figure) -> bool:
    """Whether a figure lies under a bound by more than half its own width again."""
    return one.high + (one.high - one.low) * (AGREE_FACTOR - 1.0) < bound.low
