"""Coherent averages of repeated sweeps that bursts from other transmitters cannot spoil.

Owns: what is thrown out, and the count of it; the scatter between sweeps. Refuses: to average on when too much was hit,
and to hide a single thrown-out sample. The batch form is the reference; `RunningAverage` serves long runs.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rf.floor.curved import ALIKE, crossed, curve, curves, quiet
from rf.floor.order import median_around, quantile

FALSE_REJECT = 0.002
"""Share of clean samples thrown out by chance. |d|^2 of complex Gaussian noise is exponential, so the limit on |d|^2
/ P is -ln(FALSE_REJECT) = 6.2, i.e. 3.5 sigma per quadrature (study, idea 16)."""

LIMIT = float(-np.log(FALSE_REJECT))
TRUNCATION = 1.0 - LIMIT * np.exp(-LIMIT) / (1.0 - np.exp(-LIMIT))
"""Mean of an exponential variable cut at LIMIT times its mean: what cutting takes from the scatter of clean data."""

MEDIAN_SHORTFALL = 1.3
"""The median of |d|^2 about the median of N sweeps is too small by this over N, taken in the median over the points
(own simulation: 0.73 at 5 sweeps, 0.88 at 10, 0.93 at 16)."""

BUSY_SHARE = 0.25
"""Above this share of hit sweeps (or thrown samples of a point) the median start is no longer safe: no value is
given."""

NEIGHBOURS = 21
"""Points over which the scatter is pooled (by median) to judge a sample."""

GAIN_TAIL = 4.0
"""How much wider the limit is where gain instability rules: twice in amplitude."""

FEWEST_FOR_REJECTION = 5
"""With fewer sweeps nobody can say which one was hit."""

WHOLE_SWEEP_SHARE = 0.25
"""A sweep with more of its points thrown out is left out whole: what remains of it is burst below the limit."""

WALK_LEVELS = (1.5, 2.5, 4.0, 6.0)
"""Of |d|^2 / 2 between two sweeps, in units of the noise around the point."""

LEAST_WALK = 2e-3
"""Less than 0.02 dB of a point's own level is no walk: number formats and gain do as much."""

LARGEST_GAIN = 0.02
"""Gain that shakes by more than 0.17 dB from sweep to sweep is a fault of its own."""

USUAL_EVERY = 16
"""Sweeps between two estimates of what is usual."""

FIRST_SWEEPS = 32
"""Sweeps that a running average holds back to find its robust start."""


@dataclass(frozen=True, slots=True)
class Average:
    """The coherent average of N sweeps over K points.

    `mean` (K,) complex; `kept` and `thrown` (K,) counts of samples; `sweeps` N; `thrown_sweeps` how many sweeps were
    hit by a burst; `scatter_power` (K,) is E|n|^2 of one sweep about the mean, NaN where fewer than two samples were
    kept; `too_busy` says that over a quarter of the sweeps was hit, `too_busy_points` (K,) the same point by point.
    `walks` (L, K) counts how many of `differences` between successive sweeps were larger than `WALK_LEVELS` times the
    noise around the point, nothing thrown out but whole sweeps, and `between_power` (K,) is their mean |d|^2 / 2: what
    walks at a point from sweep to sweep shows there. `curved_power` (K,) is E|n|^2 of one sweep by `curves` second
    differences of successive sweeps, which a device that drifts does not raise; 0 without any. `crossed_power` is the
    same by differences over sweeps and points at once, and `crossed` what they are worth in independent complex
    samples; NaN and 0 where the sweeps themselves are no longer held.
    """

    mean: NDArray[np.complex128]
    kept: NDArray[np.int64]
    thrown: NDArray[np.int64]
    sweeps: int
    thrown_sweeps: int
    scatter_power: NDArray[np.float64]
    too_busy: bool
    too_busy_points: NDArray[np.bool_]
    between_power: NDArray[np.float64]
    walks: NDArray[np.int64]
    differences: int
    curved_power: NDArray[np.float64]
    curves: int
    crossed_power: float = math.nan
    crossed: float = 0.0


def average_sweeps(sweeps: NDArray[np.complex128]) -> Average:
    """Average `sweeps` (N, K), N >= 1, throwing out bursts.

    Start: median of real and imaginary part over the sweeps; scale from the median of |d|^2 (= P ln 2 for complex
    Gaussian noise). Then mean and scatter of what lies within the limit, three times; a sample lies nearer to a mean
    it is part of than to one it is not, by (n - 1) / n and (n + 1) / n of its power. Scatter is sum|x - mean|^2 / (n
    - 1) [study, F2], corrected for the cut. Raises ValueError for an empty or non-finite input.
    """
    data = np.atleast_2d(np.asarray(sweeps, np.complex128))
    if data.size == 0 or not np.isfinite(data.view(np.float64)).all():
        raise ValueError("an average needs at least one sweep of finite numbers")
    return _summary(data, *_keep(data))


def burst_free(sweeps: NDArray[np.complex128]) -> NDArray[np.bool_]:
    """Which of the `sweeps` (N, K) no burst hit, (N,): the same that an average leaves whole."""
    return ~_keep(np.atleast_2d(np.asarray(sweeps, np.complex128)))[1]


def _keep(data: NDArray[np.complex128]) -> tuple[NDArray[np.bool_], NDArray[np.bool_], NDArray[np.float64]]:
    """Which samples (N, K) to keep, which sweeps (N,) were hit by a burst, and the scatter (K,) around the points."""
    count, points = data.shape
    keep = np.ones(data.shape, bool)
    if count < FEWEST_FOR_REJECTION:
        return keep, np.zeros(count, bool), np.full(points, np.inf)
    centre = np.median(data.real, axis=0) + 1j * np.median(data.imag, axis=0)
    square = _square(data - centre)
    scale = np.median(square, axis=0) / np.log(2.0) / (1.0 - MEDIAN_SHORTFALL / count)
    for _ in range(3):
        keep = square <= _limit(scale)
        keep[keep.mean(axis=1) < 1.0 - WHOLE_SWEEP_SHARE] = False
        kept = keep.sum(axis=0)
        safe = np.maximum(kept, 1)
        centre = np.where(kept > 0, (data * keep).sum(axis=0) / safe, centre)
        square = _square(data - centre)
        square = square / np.where(keep, 1.0 - 1.0 / np.maximum(safe, 2), 1.0 + 1.0 / safe)
        # In the median over the points a scatter of few samples is too small (Wilson and Hilferty, 1931).
        shortfall = (1.0 - 1.0 / (9.0 * np.maximum(kept - 1, 1))) ** 3
        scale = np.where(kept > 1, (square * keep).sum(axis=0) / safe / TRUNCATION / shortfall, scale)
    return keep, _hit(_passing(~keep, keep.mean(axis=0)).sum(axis=-1), points), _limit(scale) / LIMIT


def _passing(thrown: NDArray[np.bool_], kept_share: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Thrown samples (..., K) but for those at few points that are hit time and again: a steady carrier is no burst."""
    steady = kept_share < 1.0 - BUSY_SHARE
    return thrown & ~steady if steady.mean() < BUSY_SHARE else thrown


def _limit(scale: NDArray[np.float64]) -> NDArray[np.float64]:
    """Largest |d|^2 (K,) that is kept, from the scatter (K,) of the points.

    A point's own scatter is rough with few sweeps, and inflated at a fixed carrier, so the median over its neighbours
    counts. Where the scatter is far above that of the quietest points it is the gain that shakes: one real number
    common to all points, with longer tails than independent noise, hence the wider limit.
    """
    width = min(NEIGHBOURS, scale.size - 1 + scale.size % 2)
    smooth = median_around(scale, width) if width > 1 else scale
    low = quantile(smooth, 0.1)
    return np.asarray(LIMIT * np.where(smooth > 2.0 * low, GAIN_TAIL, 1.0) * np.maximum(smooth, low))


def _hit(thrown: NDArray[np.int64], points: int) -> NDArray[np.bool_]:
    """Sweeps with far more points thrown out than chance allows (binomial mean plus six sigma, at least four)."""
    expected = FALSE_REJECT * points
    return thrown >= max(4.0, expected + 6.0 * float(np.sqrt(expected)))


def _walks(
    data: NDArray[np.complex128], usual: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.int64], int]:
    """Sum of |d|^2 / 2 (K,) over the differences of successive sweeps (N, K), how many (L, K) were over each level of
    the `usual` noise of the points (K,), and their number."""
    square = _square(np.diff(data, axis=0)) / 2.0
    if not np.isfinite(usual).all():  # too few sweeps to tell
        return square.sum(axis=0), np.zeros((len(WALK_LEVELS), data.shape[1]), np.int64), 0
    over = np.array([(square > level * usual).sum(axis=0) for level in WALK_LEVELS])
    return square.sum(axis=0), over, len(square)


def _usual(around: NDArray[np.float64], level: NDArray[np.float64]) -> NDArray[np.float64]:
    """What noise and gain alone leave at the points (K,): what is seen `around` those of the lowest `level` |x|^2, and
    a share of each point's level that is found where that is largest and is no larger than any gain's. A carrier that
    raises twenty points in a row raises what is around them, and is not in this."""
    if not np.isfinite(around).all():
        return around
    quiet = float(np.median(around[level <= np.quantile(level, 0.25)]))
    loud = level >= np.quantile(level, 0.75)
    gain = float(np.median((around[loud] - quiet) / np.maximum(level[loud], 1e-300)))
    return np.asarray(quiet + min(max(gain, LEAST_WALK**2), LARGEST_GAIN**2) * level)


def _summary(
    data: NDArray[np.complex128], keep: NDArray[np.bool_], hit: NDArray[np.bool_], around: NDArray[np.float64]
) -> Average:
    count = data.shape[0]
    kept = keep.sum(axis=0)
    mean = (data * keep).sum(axis=0) / np.maximum(kept, 1)
    spread = (_square(data - mean) * keep).sum(axis=0)
    whole = keep.any(axis=1)
    return _average(
        mean, kept, spread, count, int(hit.sum()), *_walks(data[whole], _usual(around, _square(mean))),
        *curves(data[whole], keep[whole], mean), *crossed(data[whole], keep[whole], mean),
    )  # fmt: skip


def _average(
    mean: NDArray[np.complex128],
    kept: NDArray[np.int64],
    spread: NDArray[np.float64],
    count: int,
    hit: int,
    between: NDArray[np.float64],
    walks: NDArray[np.int64],
    differences: int,
    curved: NDArray[np.float64],
    curve_kept: NDArray[np.int64],
    count_of_curves: int,
    crossed_power: float = math.nan,
    crossed_worth: float = 0.0,
) -> Average:
    scatter = np.full(mean.shape, np.nan)
    enough = kept > 1
    cut = TRUNCATION if count >= FEWEST_FOR_REJECTION else 1.0
    scatter[enough] = spread[enough] / (kept[enough] - 1) / cut
    thrown = count - kept
    spoilt = (thrown > np.maximum(BUSY_SHARE * count, 1.0)) | (kept == 0)
    return Average(
        mean=mean,
        kept=kept.astype(np.int64),
        thrown=thrown.astype(np.int64),
        sweeps=count,
        thrown_sweeps=hit,
        scatter_power=scatter,
        too_busy=bool(hit > max(BUSY_SHARE * count, 1.0) or spoilt.mean() > 0.5),
        too_busy_points=spoilt,
        between_power=between / max(differences, 1),
        walks=walks,
        differences=differences,
        curved_power=curved / np.maximum(curve_kept, 1) / cut,
        curves=count_of_curves,
        crossed_power=crossed_power,
        crossed=crossed_worth,
    )


def _square(values: NDArray[np.complex128]) -> NDArray[np.float64]:
    return values.real**2 + values.imag**2


class RunningAverage:
    """The same average, sweep by sweep, in bounded memory.

    The first `FIRST_SWEEPS` are held and averaged by the batch form; later ones are judged against the mean and
    scatter so far and folded in (Welford's update). On clean data the two forms throw
    out slightly different samples: the means differ by less than their own standard deviation, the floor by 0.1 dB.
    """

    def __init__(self) -> None:
        self._first: list[NDArray[np.complex128]] = []
        self._count = self._hits = 0
        self._mean = np.zeros(0, np.complex128)
        self._kept = np.zeros(0, np.int64)
        self._spread = np.zeros(0)
        self._between = np.zeros(0)
        self._walks = np.zeros((len(WALK_LEVELS), 0), np.int64)
        self._differences = 0
        self._usual = np.zeros(0)
        self._previous = np.zeros(0, np.complex128)
        self._before = np.zeros(0, np.complex128)
        self._previous_kept = np.zeros(0, np.int64)
        self._before_kept = np.zeros(0, np.int64)
        self._curved, self._curve_kept = np.zeros(0), np.zeros(0, np.int64)
        self._curves = 0

    @property
    def sweeps(self) -> int:
        """Sweeps taken in so far, thrown-out ones included."""
        return self._count

    def add(self, sweep: NDArray[np.complex128]) -> None:
        """Take in one sweep (K,). Raises ValueError when it is not finite or its length differs from the first."""
        if not np.isfinite(sweep.view(np.float64)).all():
            raise ValueError("a sweep with non-finite numbers cannot be averaged")
        if self._count and sweep.shape != (self._mean.size or self._first[0].size,):
            raise ValueError("all sweeps of one average must have the same points")
        self._count += 1
        if self._count <= FIRST_SWEEPS:
            self._first.append(np.array(sweep, np.complex128))
            if self._count == FIRST_SWEEPS:
                self._start()
            return
        self._fold(sweep)

    def sums(self) -> dict[str, NDArray[np.generic]] | None:
        """All that goes on from here, by name, numbers as arrays of no dimension; None while the first sweeps are held
        back."""
        if self._first or not self._count:
            return None
        return {name: np.asarray(value) for name, value in vars(self).items() if name != "_first"}

    def restore(self, sums: Mapping[str, NDArray[np.generic]], points: int) -> None:
        """Go on from there, to the last bit as if the sweeps had been taken in. Raises ValueError for sums of another
        rule or of other points, and for what is no sum."""
        mine = {name: value for name, value in vars(self).items() if name != "_first"}
        if set(sums) != set(mine):
            raise ValueError("sums of another rule of averaging")
        for name, value in mine.items():
            found, kind = sums[name], np.asarray(value)
            shape = (*kind.shape[:-1], points) if kind.ndim else ()
            whole = found.dtype == kind.dtype and found.shape == shape and bool(np.isfinite(found).all())
            if not whole or (kind.dtype.kind == "i" and bool((np.asarray(found, np.int64) < 0).any())):
                raise ValueError(f"no sum: {name}")
        for name, value in mine.items():
            setattr(self, name, sums[name] if isinstance(value, np.ndarray) else int(sums[name]))
        self._first = []

    def _start(self) -> None:
        data = np.array(self._first)
        keep, hit, around = _keep(data)
        self._kept = keep.sum(axis=0)
        self._mean = (data * keep).sum(axis=0) / np.maximum(self._kept, 1)
        self._spread = (_square(data - self._mean) * keep).sum(axis=0)
        self._hits = int(hit.sum())
        whole = data[keep.any(axis=1)]
        self._usual = _usual(around, _square(self._mean))
        self._between, self._walks, self._differences = _walks(whole, self._usual)
        self._previous = whole[-1] if len(whole) else data[-1]
        which = np.flatnonzero(keep.any(axis=1))
        self._curved, self._curve_kept, self._curves = curves(data[which], keep[which], self._mean)
        before, previous = which[-2:] if len(which) > 1 else (-2, -1)
        self._before = data[before]
        self._before_kept, self._previous_kept = keep[before].astype(np.int64), keep[previous].astype(np.int64)
        self._first = []

    def _fold(self, sweep: NDArray[np.complex128]) -> None:
        scale = self._spread / np.maximum(self._kept - 1, 1) / TRUNCATION
        delta = sweep - self._mean
        around = _limit(scale) / LIMIT
        keep = _square(delta) <= LIMIT * around * (1.0 + 1.0 / np.maximum(self._kept, 1))
        share = self._kept / (self._count - 1)
        thrown = np.array([int(_passing(~keep, share).sum())])
        self._hits += int(_hit(thrown, sweep.size)[0])
        if keep.mean() < 1.0 - WHOLE_SWEEP_SHARE:
            return
        if self._count % USUAL_EVERY == 1:
            self._usual = _usual(around, _square(self._mean))
        more, over, _ = _walks(np.array([self._previous, sweep]), self._usual)
        self._between, self._walks, self._differences = self._between + more, self._walks + over, self._differences + 1
        self._curve(sweep, keep)
        self._previous = sweep
        self._kept = self._kept + keep
        step = np.where(keep, delta / np.maximum(self._kept, 1), 0.0)
        self._mean = self._mean + step
        self._spread = self._spread + np.where(keep, (np.conj(delta) * (sweep - self._mean)).real, 0.0)

    def _curve(self, sweep: NDArray[np.complex128], keep: NDArray[np.bool_]) -> None:
        """Take in the second difference of the last three sweeps, unless something moved in them."""
        three = np.array([self._before, self._previous, sweep])
        power, whole = curve(three, np.array([self._before_kept > 0, self._previous_kept > 0, keep]))
        low = quiet(self._mean)
        usual = float(self._curved[low].sum()) / max(int(self._curve_kept[low].sum()), 1)
        found = float(power[low].sum()) / max(int(whole[low].sum()), 1)
        if not self._curves or found <= usual * (1.0 + 1.5 * ALIKE / np.sqrt(low.sum())):
            self._curved, self._curve_kept = self._curved + power, self._curve_kept + whole
            self._curves += 1
        self._before, self._before_kept, self._previous_kept = (
            self._previous,
            self._previous_kept,
            keep.astype(np.int64),
        )

    def average(self) -> Average:
        """The average so far. Raises ValueError before the first sweep."""
        if self._count == 0:
            raise ValueError("no sweep was taken in yet")
        if self._first:
            return average_sweeps(np.array(self._first))
        return _average(
            self._mean.copy(),
            self._kept,
            self._spread,
            self._count,
            self._hits,
            self._between,
            self._walks,
            self._differences,
            self._curved,
            self._curve_kept,
            self._curves,
        )
