"""Single dips of a response that is far from tuned: where each lies, and which of them a turned screw has moved.

Owns: dips as zeros of the transmission near the real axis, their errors, and the one that moved between two sweeps.
Refuses: a circuit (nothing is fitted but the dip itself, so that it stands where no circuit fits), a ripple of the
pass that is no notch, and to say which cavity a dip belongs to.

A shunt branch shorts the line where its cavity resonates: the transmission has a zero at f_i (1 + j / 2Q) whatever
stands before and behind it (Pozar, Microwave Engineering, 4.3; study F11). Near it S = c (f - z) (1 + ...): a complex
polynomial through the samples beside the dip has its root there.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rf.values.decibel import level_db
from rf.values.figure import NORMAL_95, Figure, cant_say, inferred

PROMINENT_DB = 3.0
"""A dip above the floor is lower than what surrounds it by so much on both sides, or turns the phase:"""

SURE = 5.0
"""Standard deviations by which the phase turns faster at a zero than beside it."""

LEAST_TURNING = 0.02
"""Radians from sample to sample by which it does so at least: a sweep too wide or a zero too broad shows none."""

ORDER = 3
"""Of the polynomial."""

WIDEST_Q = 300.0
"""A zero whose own half-width is larger than f / 2Q with this Q is a ripple of the pass."""

UNLIKE = 2.0
"""The cavities of a side are alike: what is so many times as wide as most zeros, and no minimum, is a turn of the phase
where the pass of one cavity meets another's (own trials: 2.3 to 3.8 times)."""

ABOVE_FLOOR = 4.0
"""Amplitude over the noise of the average from which a sample tells anything."""

BESIDE = 4
"""Samples on each side of the lowest one that tell where a dip lies, at least."""

LEAST_SHARE = 0.25
"""Of the distance of samples: no zero is placed better."""

APART = 4.5
"""Standard deviations by which a dip has to stand elsewhere to have moved."""

EDGE = 0.1
"""Of the span: a dip nearer to an end may have left."""

CLEARLY = 2.0
"""So many times as many standard deviations a dip has moved when it alone can be the one that was turned."""

SPLIT_DB = 2.0
"""A dip that another one has left or joined is so much shallower or deeper."""


@dataclass(frozen=True, slots=True)
class Dip:
    """A zero at `hz` with a standard deviation of `sd_hz`; the sample there lies at `level_db` re thru. `hidden`:
    under the floor, where there may be several."""

    hz: float
    sd_hz: float
    level_db: float
    hidden: bool = False

    @property
    def figure(self) -> Figure:
        """The same as a figure."""
        half = NORMAL_95 * self.sd_hz
        return inferred(self.hz, self.hz - half, self.hz + half, "Hz", limited_by="model")


@dataclass(frozen=True, slots=True)
class DipMove:
    """What a turn did to one dip: `before` and `after` absolute in hertz, `moved` their difference; CAN'T SAY, with
    `why`, where it is not seen. `unseen`: no dip moved at all; `left`: one went out of the sweep."""

    before: Figure
    after: Figure
    moved: Figure
    why: str = ""
    unseen: bool = False
    left: bool = False


def find_dips(
    frequency_hz: NDArray[np.float64], s21: NDArray[np.complex128], noise_power: NDArray[np.float64]
) -> tuple[Dip, ...]:
    """The dips of an averaged sweep `s21` (K,) re thru over noise `noise_power` (K,), from low to high."""
    usable = np.isfinite(s21) & np.isfinite(noise_power) & (s21 != 0)
    f, s, power = frequency_hz[usable], s21[usable], noise_power[usable]
    if f.size < 4 * BESIDE:
        return ()
    smooth, slope, share = _smoothed(s)
    noise = np.sqrt(power * share)
    quiet = np.abs(smooth) < ABOVE_FLOOR * noise
    # The phase turns fastest at a zero, also where it is but a shoulder on the skirt of others.
    turning = np.where(quiet, 0.0, np.imag(slope / np.where(quiet, 1.0, smooth)))
    error = np.where(quiet, np.inf, noise / np.maximum(np.abs(smooth), 1e-30))
    shown = np.asarray(level_db(np.maximum(np.abs(smooth), ABOVE_FLOOR * noise)), float)
    lowest = _lowest(shown, quiet)
    at = sorted({*_peaks(turning, SURE * error), *lowest})
    found = [(k in lowest, placed) for k in at if (placed := _placed(f, s, power, k)) is not None]
    widths = sorted(half_width for _, (_, half_width) in found)
    most = UNLIKE * widths[(len(widths) - 1) // 2] if widths else 0.0
    dips = [dip for low, (dip, half_width) in found if low or half_width <= most]
    return tuple(sorted([*_distinct(dips), *_under(f, quiet, noise)], key=_place))


def _place(dip: Dip) -> float:
    return dip.hz


def _smoothed(s: NDArray[np.complex128]) -> tuple[NDArray[np.complex128], NDArray[np.complex128], float]:
    """Value and slope by sample on a parabola through `BESIDE` samples on each side (Savitzky and Golay 1964), and what
    is left of the noise power: beside a zero the response is nearly a straight line."""
    x = np.arange(-BESIDE, BESIDE + 1)
    terms = np.linalg.pinv(np.vander(x, 3, increasing=True))
    padded = np.concatenate((np.repeat(s[:1], BESIDE), s, np.repeat(s[-1:], BESIDE)))
    value, slope = (np.convolve(padded, weights[::-1], "valid") for weights in terms[:2])
    return value, slope, float((terms[0] ** 2).sum())


def _peaks(turning: NDArray[np.float64], least: NDArray[np.float64]) -> list[int]:
    """Samples at which the phase turns faster than on both sides by more than `least`, and than poles let it."""
    found = []
    for at in range(BESIDE, turning.size - BESIDE):
        around = turning[max(at - 3 * BESIDE, 0) : at + 3 * BESIDE + 1]
        base = float(np.median(around))
        highest = turning[at] == turning[at - 2 : at + 3].max()
        if highest and turning[at] - base > max(float(least[at]), LEAST_TURNING):
            found.append(at)
    return found


def _lowest(shown: NDArray[np.float64], quiet: NDArray[np.bool_]) -> list[int]:
    """Samples that are lower than what surrounds them, by enough on both sides and above the floor."""
    found = []
    for at in range(1, shown.size - 1):
        if not quiet[at] and shown[at - 1] > shown[at] <= shown[at + 1]:
            rises = (_rise(shown[:at][::-1], shown[at]), _rise(shown[at + 1 :], shown[at]))
            if min(rises) >= PROMINENT_DB:
                found.append(at)
    return found


def _rise(side: NDArray[np.float64], lowest: float) -> float:
    """How far a side rises before it falls lower than the minimum."""
    lower = np.flatnonzero(side < lowest)
    before = side[: lower[0]] if lower.size else side
    return float(before.max() - lowest) if before.size else 0.0


def _distinct(dips: Sequence[Dip]) -> list[Dip]:
    """The same zero found from two samples counts once."""
    kept: list[Dip] = []
    for dip in sorted(dips, key=_place):
        if kept and dip.hz - kept[-1].hz < APART * max(dip.sd_hz, kept[-1].sd_hz):
            if dip.sd_hz < kept[-1].sd_hz:
                kept[-1] = dip
        else:
            kept.append(dip)
    return kept


def _under(f: NDArray[np.float64], quiet: NDArray[np.bool_], noise: NDArray[np.float64]) -> list[Dip]:
    """Stretches under the floor: what stands there is not told apart."""
    ends = np.flatnonzero(np.diff(np.r_[0, quiet.astype(int), 0]))
    step = float(f[1] - f[0])
    return [
        Dip(float(f[low] + f[high - 1]) / 2.0, (float(f[high - 1] - f[low]) + step) / 4.0,
            float(level_db(ABOVE_FLOOR * noise[low])), hidden=True)
        for low, high in zip(ends[::2], ends[1::2], strict=True)
        if high - low >= 2
    ]  # fmt: skip


def _placed(
    f: NDArray[np.float64], s: NDArray[np.complex128], power: NDArray[np.float64], at: int
) -> tuple[Dip, float] | None:
    """The zero near one sample and its own half-width in hertz; None for a ripple."""
    step = float(f[1] - f[0])
    near = slice(max(at - BESIDE - 1, 0), at + BESIDE + 2)
    x = (f[near] - f[at]) / step
    weight = 1.0 / np.sqrt(power[near] + (0.003 * np.abs(s[near])) ** 2)
    terms = np.vander(x, ORDER + 1, increasing=True)
    coefficients, *_ = np.linalg.lstsq(terms * weight[:, None], s[near] * weight, rcond=None)
    roots = np.roots(coefficients[::-1])
    roots = roots[(np.abs(roots.real) <= BESIDE) & (roots.imag > -LEAST_SHARE)]
    if not roots.size:
        return None
    root = roots[int(np.argmin(np.abs(roots)))]
    half_width, hz = abs(float(root.imag)) * step, float(f[at] + root.real * step)
    if half_width > hz / 2.0 / WIDEST_Q:
        return None
    slope = abs(np.polyval(np.polyder(coefficients[::-1]), root)) / step
    sd = math.sqrt(float(power[at])) / max(float(slope), 1e-30)
    return Dip(hz, math.hypot(sd, LEAST_SHARE * step), float(level_db(s[at]))), half_width


@dataclass(frozen=True, slots=True)
class Expected:
    """What is known beforehand of a turn: where its dip stands, absolute in hertz, and by how much the turn moves it,
    each with a standard deviation; None: not known."""

    place: tuple[float, float] | None = None
    by: tuple[float, float] | None = None


def moved_dip(
    before: Sequence[Dip], after: Sequence[Dip], span_hz: tuple[float, float], expected: Expected | None = None
) -> DipMove:
    """Which dip stands elsewhere now; the others have stayed. A dip that leaves another one, or joins it, is told by
    the depth of what stayed, one that leaves the sweep from `span_hz` by standing near its end. `expected` decides
    where several may have moved."""
    known, stays = expected or Expected(), _same(before, after)
    gone = [one for k, one in enumerate(before) if k not in stays and not one.hidden]
    new = [one for k, one in enumerate(after) if k not in stays.values() and not one.hidden]
    under = any(dip.hidden for dip in (*before, *after))
    deeper = sorted((after[b].level_db - before[a].level_db, a, b) for a, b in stays.items())
    joined = [after[b] for by_db, _, b in deeper if by_db < -SPLIT_DB]
    origin, stayed = known.place[0] if known.place else None, False
    if known.place:
        place, sd = known.place
        mine = [dip for dip in before if abs(dip.hz - place) < APART * math.hypot(dip.sd_hz, sd) and not dip.hidden]
        source = min(mine, key=lambda dip: abs(dip.hz - place), default=None)
        stayed = source is not None and source not in gone
        gone = [source] if source is not None else []
        origin = source.hz if source is not None else place
    elif len(gone) == 1:
        origin = gone[0].hz
    if known.by and origin is not None:
        aim, room = origin + known.by[0], APART * known.by[1]
        new = sorted((dip for dip in new if abs(dip.hz - aim) < room), key=lambda dip: abs(dip.hz - aim))[:1]
        joined = sorted((dip for dip in joined if abs(dip.hz - aim) < room), key=lambda dip: abs(dip.hz - aim))[:1]
    elif known.by:
        pairs = [(abs(b.hz - a.hz - known.by[0]), a, b) for a in gone for b in new]
        best = min(pairs, key=lambda one: one[0], default=None)
        if best is not None and best[0] < APART * known.by[1]:
            return _move(best[1], best[2])
        gone, new = [], []
    elif len(gone) > 1 and new:
        clear = _clearest(gone, new)
        if clear is not None:
            return clear
    if not new and (stayed or not gone):
        why = "what moved may lie under the floor" if under else "no dip in the sweep moved"
        return _nothing(why, unseen=stayed or (known == Expected() and not under))
    if len(gone) == 1 and len(new) == 1:
        return _move(gone[0], new[0])
    if not gone and len(new) == 1:
        if known.place is None and deeper and deeper[-1][0] > SPLIT_DB:
            return _move(before[deeper[-1][1]], new[0])
        nowhere = cant_say("Hz", "it was not seen before the turn")
        return DipMove(nowhere, new[0].figure, nowhere, why=nowhere.why)
    if len(gone) == 1 and not new:
        if len(joined) == 1:
            return _move(gone[0], joined[0])
        end = min(gone[0].hz - span_hz[0], span_hz[1] - gone[0].hz)
        far = abs(known.by[0]) + 2.0 * known.by[1] if known.by else EDGE * (span_hz[1] - span_hz[0])
        why = "it left the sweep" if end < far and not under else "it is not seen after the turn"
        nowhere = cant_say("Hz", why)
        return DipMove(gone[0].figure, nowhere, nowhere, why=why, left=True)
    return _nothing("what moved is not told from what stayed")


def _clearest(gone: Sequence[Dip], new: Sequence[Dip]) -> DipMove | None:
    """Of several that seem to have moved, each to where the nearest one stands now, the one that did so far more surely
    than the others: dips near the floor wander. None where none does."""
    pairs = []
    for first in gone:
        second = min(new, key=lambda dip: abs(dip.hz - first.hz))
        pairs.append((abs(second.hz - first.hz) / math.hypot(first.sd_hz, second.sd_hz), first, second))
    pairs.sort(key=lambda one: -one[0])
    return _move(pairs[0][1], pairs[0][2]) if pairs[0][0] > CLEARLY * pairs[1][0] else None


def _same(before: Sequence[Dip], after: Sequence[Dip]) -> dict[int, int]:
    """Dips of both sweeps that stand in one place."""
    pairs = sorted(
        (abs(a.hz - b.hz), i, j)
        for i, a in enumerate(before)
        for j, b in enumerate(after)
        if abs(a.hz - b.hz) < APART * math.hypot(a.sd_hz, b.sd_hz)
    )
    found: dict[int, int] = {}
    for _, i, j in pairs:
        if i not in found and j not in found.values():
            found[i] = j
    return found


def _move(first: Dip, second: Dip) -> DipMove:
    by, half = second.hz - first.hz, NORMAL_95 * math.hypot(first.sd_hz, second.sd_hz)
    return DipMove(first.figure, second.figure, inferred(by, by - half, by + half, "Hz", limited_by="model"))


def _nothing(why: str, *, unseen: bool = False) -> DipMove:
    nothing = cant_say("Hz", why, limited_by="model")
    return DipMove(nothing, nothing, nothing, why, unseen)
