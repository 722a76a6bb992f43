"""Where each cavity of a side stands, as far as the turned screws tell.

Owns: the places with their intervals, carried from turn to turn; which zero belongs to which screw; what a turn of each
screw does. Refuses: to give a zero to a screw that was never turned, unless all others are taken.

A turn of one screw moves one zero (study, F12): the sweeps before and after say where it was and how far it went. The
mean of all is known from the skirts. Both are linear in the places, so they are held as a mean and a covariance (Kalman
1960) that a turn widens for the one cavity and a sweep narrows.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rf.notch.apart import Each
from rf.notch.dips import Expected
from rf.notch.nudge import LARGEST_MISFIT
from rf.values.figure import NORMAL_95, Figure, cant_say, inferred, shifted
from visit.day.directions import way
from visit.day.nudges import FASTEST, TRIMMER, NudgeRow, Told

ANYWHERE_HZ = 2e7
"""Standard deviation of a place before anything is known of it: somebody may have turned every screw."""

PLACED_HZ = 1e5
"""A place with a smaller one is known."""

MOST_HUNTS = 2
"""Turns after which a dip that is not seen again is left alone while others can be brought nearer, and after which what
earlier turns let expect is doubted."""

SMALL_TURN = 0.1
"""A turn that is smaller and moves nothing that is seen says nothing of the screw."""

SLIPPING = 4
"""So many turns one after the other that move nothing: the screw does not hold its rod."""

HAND_SHARE = 0.3
"""A hand turns by what it meant within this share (one standard deviation): rods stick and slip."""

FINE_HZ = 10e3
"""Zeros whose intervals are all shorter are told to a tenth of a kilohertz."""

UNSEEN_HZ = 15e3
"""A turn that the sweeps did not show may have moved its cavity by so much (one standard deviation)."""

MOST_WORTH = 0.6
"""A place known no better than this share of the notch's own half-width f / 2Q is of no use to turn by."""

FAR_OFF = 4.5
"""Standard deviations by which a zero may lie off the place of its cavity before it must be another one."""

DISAGREE = 3.0
"""Standard deviations by which the ratio of two sweeps and the means of both may differ before the means count."""

DOUBTED = 9.0
"""Chi-square by which one way of giving zeros to cavities must beat the others."""

FEWEST_MOVED = 2.0
"""A movement tells how much a turn does when it is this many half-widths large."""

MOVED_ALONE = "the notch moved with no turn told: t before and after each; the places are found anew"
"""Another screw was turned, or the unit warmed up."""

TWO_MOVED = "more than one screw moved in the last turn: one at a time; the places are found anew"


@dataclass(frozen=True, slots=True)
class CavityState:
    """One cavity: `place` in hertz off the channel, `turned` by its own screw, what a whole turn `forward` does in
    hertz (signed) and how well that is known (relative standard deviation). While no turn told that: `unseen_turns` the
    largest of the `tries`, `blind` how many of them left every dip of a sweep where it was. `most_turns` the largest
    turn that was seen; `stuck` how many turns did nothing although it had followed before, once a turn back has shown
    that its dip was watched; `idle` how many of the last ones did nothing; `last` the last turn of its screw.
    """

    number: int
    place: Figure
    sd_hz: float
    turned: bool
    hz_per_turn: float | None = None
    spread: float = HAND_SHARE
    forward: str = "clockwise"
    unseen_turns: float = 0.0
    tries: int = 0
    blind: int = 0
    hunted: int = 0
    """Turns in a row after which its place was not seen."""
    most_turns: float = 0.0
    stuck: int = 0
    idle: int = 0
    last: Told | None = None

    def resolved(self, unit_hz: float) -> bool:
        """Whether the place is known well enough to turn by, `unit_hz` being the half-width f / 2Q of one notch."""
        return self.place.known and NORMAL_95 * self.sd_hz <= MOST_WORTH * unit_hz


@dataclass(frozen=True, slots=True)
class Places:
    """All cavities of a side; `zeros` in hertz off the channel that the skirts resolve but no screw is known for;
    `mixed` says of the last turn that it can't have been one screw, or the one that was told."""

    cavities: tuple[CavityState, ...]
    zeros: tuple[Figure, ...] = ()
    mixed: str = ""

    def cavity(self, number: int) -> CavityState | None:
        """The cavity of that number, None when the side has none."""
        return next((one for one in self.cavities if one.number == number), None)


class _Track:
    """Mean (n,) and covariance (n, n) of the places in hertz off the channel."""

    def __init__(self, count: int) -> None:
        self.x = np.zeros(count)
        self.p = np.eye(count) * ANYWHERE_HZ**2

    def see(self, pick: NDArray[np.float64], value: float, sd: float) -> bool:
        """Take in that `pick` @ places is `value`; False, and nothing taken in, when it contradicts what is known."""
        spread = self.p @ pick
        variance = float(pick @ spread) + max(sd, 1.0) ** 2
        miss = value - float(pick @ self.x)
        if miss**2 > FAR_OFF**2 * variance:
            return False
        gain = spread / variance
        self.x = self.x + gain * miss
        self.p = self.p - np.outer(gain, spread)
        return True

    def move(self, index: int, by_hz: float, sd: float) -> None:
        """A screw was turned."""
        self.x[index] += by_hz
        self.p[index, index] += sd**2

    def forget(self, index: int | None = None) -> None:
        """Nothing is known of one cavity (None: of any) any more."""
        for k in range(self.x.size) if index is None else (index,):
            self.p[k, :] = self.p[:, k] = 0.0
            self.p[k, k], self.x[k] = ANYWHERE_HZ**2, 0.0

    def sd(self, index: int) -> float:
        """Standard deviation of a place."""
        return math.sqrt(max(float(self.p[index, index]), 0.0))


@dataclass(frozen=True, slots=True)
class _Rate:
    """What a whole turn forward does, in hertz, and how far the turns so far lie apart (relative)."""

    hz: float
    spread: float
    forward: str


_Rates = dict[int, _Rate]


def track(
    rows: Sequence[NudgeRow],
    reject_hz: float,
    cavities: int | None,
    mean: Figure | None = None,
    singles: Sequence[Figure] = (),
    blind: int = 0,
    *,
    trims: bool = False,
) -> Places:
    """What the turns of one side (`rows`, in their order) tell. `mean` is the present offset of the mean notch in
    hertz, `singles` the zeros that the skirts resolve now (absolute, rising); `cavities` None: not known how many.
    The first `blind` rows were read before the leak was bounded: what their fits say of places is not believed, for a
    leak looks like cavities that stand together; a dip that was seen is one. `trims`: what a turn does is
    told of the trimmers, else of the rods."""
    told = [row.told.cavity for row in rows if row.told.cavity]
    count = max([cavities or 0, *told])
    state, mixed = _Track(count), ""
    average = np.full(count, 1.0 / count) if cavities is not None and count == cavities else None
    turned, singly = set[int](), False
    for index, row in enumerate(rows):
        if index == blind > 0 and not rows[blind - 1].single:
            state.forget()
            turned.clear()
        if row.single and not singly:
            state.forget()  # what a fit told of a response that it does not fit
        singly = row.single
        alike = [other for other in rows[:index] if other.trims == row.trims]
        known = _rates(alike, cavities, reject_hz), _unseen(alike, row.told.cavity)
        mixed = _turn(state, row, reject_hz, average, *known)
        if row.told.cavity and not mixed:
            turned.add(row.told.cavity)
        elif mixed:
            turned.clear()
    if rows and len(rows) == blind and not rows[-1].single:
        state.forget()
        turned.clear()
    if average is not None and mean is not None and not _see_mean(state, average, mean):
        state.forget()
        turned.clear()
        mixed = MOVED_ALONE
    zeros = tuple(shifted(one, -reject_hz) for one in singles)
    if count and len(zeros) == count == cavities:
        _give(state, zeros)
    rows = [row for row in rows if row.trims == trims]
    rates = _rates(rows, cavities, reject_hz)
    made = tuple(_cavity(state, number, number in turned, rates, rows) for number in range(1, count + 1))
    placed = sum(one.sd_hz < PLACED_HZ for one in made)
    return Places(made, zeros if placed < count else (), mixed)


def expected_of(
    rows: Sequence[NudgeRow], reject_hz: float, cavities: int | None, told: Told, blind: int = 0
) -> Expected:
    """What the turns so far (`rows` of one side) let expect of the next one."""
    state = (
        None
        if told.cavity is None
        else track(rows, reject_hz, cavities, blind=blind, trims=told.screw == TRIMMER).cavity(told.cavity)
    )
    if state is None or told.cavity is None or state.hunted >= MOST_HUNTS:
        return Expected()  # what was expected did not come, time and again
    place = (reject_hz + state.place.value, state.sd_hz) if state.place.known else None
    forward, sign = way(told.direction)
    if not (state.hz_per_turn and told.turns and forward == state.forward):
        return Expected(place)
    by = sign * state.hz_per_turn * told.turns
    return Expected(place, (by, HAND_SHARE * abs(by)))


def zero_words(each: Each, reject_hz: float) -> str:
    """The zeros of a side against its channel, from low to high, each with its interval; those that the skirts do not
    tell apart have one interval together. "" when nothing is known of them."""
    if not each.figures:
        return ""
    said: list[str] = []
    fine = max(one.high - one.low for one in each.figures) < FINE_HZ
    for group in each.groups:
        low, value, high = (
            f"{(hz - reject_hz) / 1e3:+.{int(fine)}f}"
            for hz in (each.figures[group[0]].low, each.figures[group[0]].value, each.figures[group[0]].high)
        )
        word = "" if said else "INFERRED "  # in front of the first number: what wraps keeps them on one line
        if len(group) == 1:
            said.append(f"{word}{value} ({low}..{high})")
            continue
        # Not by number: which screw's they are only a turn tells.
        which = f"all {len(group)}" if len(group) == len(each.figures) else f"{len(group)} of them"
        said.append(f"{which} together in {word}{low}..{high}")
    return f"{', '.join(said)} kHz"


def _turn(
    state: _Track,
    row: NudgeRow,
    reject_hz: float,
    average: NDArray[np.float64] | None,
    rates: _Rates,
    unseen_before: bool,
) -> str:
    """One row of the ledger; what was wrong with it. `unseen_before`: the turn of this screw before it was not seen."""
    before, after, moved = seen_move(row, None if average is None else average.size)
    number, misfit, fault = row.told.cavity, row.misfit, ""
    if average is not None and not _see_mean(state, average, row.figure("mean_before")):
        state.forget()
        fault = MOVED_ALONE
    if number is None:
        state.forget()
        return "it is not said which screw was turned (e): the places are found anew"
    index = number - 1
    if misfit > LARGEST_MISFIT:
        state.forget()
        return TWO_MOVED
    rate = rates.get(number)
    if row.single:
        _singly(state, row, index, rate, reject_hz, again=unseen_before)
        return ""
    if _another_moved(row, moved, rate, None if average is None else average.size):
        state.forget()
        return TWO_MOVED
    pick = np.zeros(state.x.size)
    pick[index] = 1.0
    if before.known and not state.see(pick, before.value - reject_hz, _sd(before)):
        here = (before.value - reject_hz) / 1e3
        fault = f"what moved stood at {here:+.0f} kHz, cavity {number} at {state.x[index] / 1e3:+.0f}: another screw?"
        state.forget()
        state.see(pick, before.value - reject_hz, _sd(before))
    if moved.known:
        state.move(index, moved.value, _sd(moved))
        if after.known and not before.known:
            state.see(pick, after.value - reject_hz, _sd(after))
    elif rate is not None and row.told.turns:
        forward, sign = way(row.told.direction)
        by = rate.hz * row.told.turns * (sign if forward == rate.forward else 0)
        state.move(index, by, HAND_SHARE * abs(rate.hz * row.told.turns) + UNSEEN_HZ / 3.0)
    else:
        state.move(index, 0.0, UNSEEN_HZ)
    if average is not None and not _see_mean(state, average, row.figure("mean_after")):
        state.forget(index)
    return fault


def _singly(state: _Track, row: NudgeRow, index: int, rate: _Rate | None, reject_hz: float, *, again: bool) -> None:
    """A turn that was read from single dips: nothing is known of the others by it, and what is not seen is lost. What
    stayed at two turns (`again`) was another cavity's dip, or the screw does not follow: a turn back tells."""
    pick = np.zeros(state.x.size)
    pick[index] = 1.0
    after = row.figure("after")
    if after.known:
        state.forget(index)
        state.see(pick, after.value - reject_hz, _sd(after))
    elif row.unseen and rate is not None and not again:
        state.move(index, 0.0, UNSEEN_HZ / 3.0)
    elif rate is not None and row.told.turns and not row.unseen and state.sd(index) < ANYWHERE_HZ / 4.0:
        forward, sign = way(row.told.direction)  # it hides among the others: about where the turn should have led
        by = rate.hz * row.told.turns * (sign if forward == rate.forward else 0)
        state.move(index, by, HAND_SHARE * abs(rate.hz * row.told.turns) + PLACED_HZ)
    else:
        state.forget(index)


def _another_moved(row: NudgeRow, moved: Figure, rate: _Rate | None, cavities: int | None) -> bool:
    """Whether the one movement that the sweeps tell is no single screw's: the mean of all moved otherwise, or it went
    the other way or much farther than turns of this screw do. Two zeros that are not told apart move as one."""
    if not moved.known:
        return False
    by = _by_means(row, cavities)
    if by is not None and abs(moved.value - by.value) > FAR_OFF * math.hypot(_sd(moved), _sd(by)):
        return True
    if rate is None or not row.told.turns:
        return False
    forward, sign = way(row.told.direction)
    expected = rate.hz * row.told.turns * sign
    room = FAR_OFF * math.hypot(HAND_SHARE * expected, _sd(moved))
    return forward == rate.forward and abs(moved.value - expected) > room


def seen_move(row: NudgeRow, cavities: int | None) -> tuple[Figure, Figure, Figure]:
    """Where the zero of the turned screw was, where it is, how far it went: by the ratio of the sweeps, else by the
    zeros that the skirts resolved, else by the mean of all `cavities`, which tells the movement alone; so it does where
    the ratio says clearly another, for notches under the floor mislead it, unless two screws must have moved."""
    moved, by = row.figure("moved"), _by_means(row, cavities)
    tells = by is not None and (by.low > 0.0 or by.high < 0.0)
    apart = abs(moved.value - by.value) / math.hypot(_sd(moved), _sd(by)) if by is not None and moved.known else 0.0
    if by is not None and tells and row.misfit <= LARGEST_MISFIT and DISAGREE < apart <= FAR_OFF:
        nowhere = cant_say("Hz", "the ratio of the sweeps and their means do not agree")
        return nowhere, nowhere, by
    if moved.known or row.misfit > LARGEST_MISFIT:
        return row.figure("before"), row.figure("after"), moved
    pair = _displaced(row.zeros("zeros_before"), row.zeros("zeros_after"))
    if pair is not None:
        return *pair, _between(*pair, 1)
    return row.figure("before"), row.figure("after"), by if by is not None and tells else moved


def _by_means(row: NudgeRow, cavities: int | None) -> Figure | None:
    """How far the turned one of so many went by the mean of all; None where a mean is not known."""
    means = row.figure("mean_before"), row.figure("mean_after")
    return _between(*means, cavities) if cavities and means[0].known and means[1].known else None


def _between(first: Figure, second: Figure, times: int) -> Figure:
    by, half = times * (second.value - first.value), times * NORMAL_95 * math.hypot(_sd(first), _sd(second))
    return inferred(by, by - half, by + half, "Hz", limited_by="random")


def _displaced(before: Sequence[Figure], after: Sequence[Figure]) -> tuple[Figure, Figure] | None:
    """The one zero that moved while all others stayed; None when it is not clear which."""
    if len(before) != len(after) or len(before) < 2:
        return None
    costs = []
    for i, j in itertools.product(range(len(before)), repeat=2):
        rest = zip((z for k, z in enumerate(before) if k != i), (z for k, z in enumerate(after) if k != j), strict=True)
        chi2 = sum((b.value - a.value) ** 2 / (_sd(a) ** 2 + _sd(b) ** 2) for a, b in rest)
        costs.append((chi2, i, j))
    best = min(costs)
    if best[0] > DOUBTED * len(before) or any(chi2 < best[0] + DOUBTED for chi2, i, _ in costs if i != best[1]):
        return None
    return before[best[1]], after[best[2]]


def _see_mean(state: _Track, average: NDArray[np.float64], mean: Figure) -> bool:
    return not mean.known or state.see(average, mean.value, _sd(mean))


def _give(state: _Track, zeros: Sequence[Figure]) -> None:
    """Give resolved zeros to cavities, those whose cavity is the same in every way that is likely at all."""
    count = len(zeros)
    ways: list[tuple[float, tuple[int, ...]]] = []
    for order in itertools.permutations(range(count)):
        chi2 = 0.0
        for k, zero in enumerate(order):
            variance = float(state.p[k, k]) + _sd(zeros[zero]) ** 2
            chi2 += (zeros[zero].value - float(state.x[k])) ** 2 / variance + math.log(variance)
        ways.append((chi2, order))
    best = min(chi2 for chi2, _ in ways)
    likely = [order for chi2, order in ways if chi2 < best + DOUBTED]
    for k in range(count):
        chosen = {order[k] for order in likely}
        if len(chosen) == 1:
            pick = np.zeros(count)
            pick[k] = 1.0
            mine = zeros[chosen.pop()]
            state.see(pick, mine.value, _sd(mine))


def _rates(rows: Sequence[NudgeRow], cavities: int | None, reject_hz: float) -> _Rates:
    """Hertz per turn of each cavity's screw, from the turns whose movement is clear: the median of the last three,
    for a rod jumps now and then."""
    found: dict[int, list[tuple[float, str]]] = {}
    for row in rows:
        told, moved = row.told, seen_move(row, cavities)[2]
        if row.unseen and told.cavity is not None and 0.0 < (told.turns or 0.0) < SMALL_TURN:
            found.pop(told.cavity, None)  # so small a turn was asked for by a rate that does not hold
        if told.cavity is None or not told.turns or not moved.known or row.misfit > LARGEST_MISFIT:
            continue
        clear_hz, most_hz = FEWEST_MOVED * (moved.high - moved.low) / 2.0, FASTEST * reject_hz * told.turns
        if not clear_hz <= abs(moved.value) <= most_hz:
            continue
        forward, sign = way(told.direction)
        found.setdefault(told.cavity, []).append((sign * moved.value / told.turns, forward))
    rates = {}
    for number, several in found.items():
        forward = several[-1][1]
        values = np.array([hz for hz, word in several if word == forward][-3:])
        hz = float(np.median(values))
        spread = float(np.std(values) / abs(hz)) if len(values) > 1 and hz else 0.0
        rates[number] = _Rate(hz, max(spread, HAND_SHARE / 2.0), forward)
    return rates


def _cavity(state: _Track, number: int, turned: bool, rates: _Rates, rows: Sequence[NudgeRow]) -> CavityState:
    sd, rate = state.sd(number - 1), rates.get(number)
    if sd < PLACED_HZ:
        value = float(state.x[number - 1])
        place = inferred(value, value - NORMAL_95 * sd, value + NORMAL_95 * sd, "Hz", limited_by="random")
    else:
        place = cant_say("Hz", "which notch is its own shows when it is turned a little")
    mine = [row for row in rows if row.told.cavity == number and row.told.turns]
    hunted = next((k for k, row in enumerate(reversed(mine)) if row.figure("after").known), len(mine))
    if rate is None:
        unseen = [row.told.turns or 0.0 for row in mine if not seen_move(row, None)[2].known and not row.left]
        return CavityState(
            number, place, sd, turned, unseen_turns=max(unseen, default=0.0), tries=len(mine),
            blind=sum(row.unseen for row in mine),
            last=mine[-1].told if mine else None, hunted=hunted,
        )  # fmt: skip
    seen = [row.told.turns or 0.0 for row in mine if seen_move(row, None)[2].known]
    return CavityState(
        number, place, sd, turned, rate.hz, rate.spread, rate.forward, most_turns=max(seen, default=0.0),
        stuck=_stuck(mine), idle=next((k for k, row in enumerate(reversed(mine)) if not row.unseen), len(mine)),
        last=mine[-1].told, hunted=hunted,
    )  # fmt: skip


def _unseen(rows: Sequence[NudgeRow], cavity: int | None) -> bool:
    """Whether the last turn of a screw was not seen."""
    return next((row.unseen for row in reversed(rows) if row.told.cavity == cavity), False)


def _stuck(mine: Sequence[NudgeRow]) -> int:
    """How many turns of one screw did nothing although it had followed before: `SLIPPING` in a row, or at least two the
    same way whose dip then moved from where it had stood when it was turned back."""
    last = next((k for k in range(len(mine) - 1, -1, -1) if not mine[k].unseen), -1)
    if len(mine) - 1 - last >= SLIPPING:
        return len(mine) - 1 - last
    if last < 1 or last < len(mine) - 1:
        return 0
    back, still = mine[last], mine[:last]
    count = 0
    while count < len(still) and still[-1 - count].unseen:
        count += 1
    if count < 2 or count == len(still):
        return 0
    stood, moves = still[-1 - count].figure("after"), back.figure("before")
    ways = {way(row.told.direction) for row in still[-count:]}
    same = stood.known and moves.known and abs(stood.value - moves.value) < FAR_OFF * math.hypot(_sd(stood), _sd(moves))
    return count if same and len(ways) == 1 and way(back.told.direction) not in ways else 0


def _sd(figure: Figure) -> float:
    return (figure.high - figure.low) / 2.0 / NORMAL_95
