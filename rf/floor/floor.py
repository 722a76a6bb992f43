"""The random floor: how much noise one sweep holds, how much is left in the average, and how well that is known.

Owns: the floor from scatter between sweeps, and the rougher floor from one sweep alone. Refuses: to count as floor what
only shakes with the signal (gain instability): that is kept apart as a relative error.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rf.floor.average import FEWEST_FOR_REJECTION, Average
from rf.floor.curved import independent
from rf.values.decibel import power_db
from rf.values.figure import CONFIDENCE, Figure, cant_say, reading

DETECTION_FALSE_ALARM = 0.01
"""Chance that a point with nothing but noise in it is taken for a signal."""

FEWEST_POINTS = 8
"""With fewer noise-dominated points the floor is not a figure worth printing."""

FEWEST_ALONE = 20
"""So many of a single sweep, whose neighbours are worth half each: a carrier in the bottom of a notch looks like noise
there (own trials: 8 dB too high from eight points)."""

SECOND_DIFFERENCE_GAIN = 6.0
"""|1|^2 + |-2|^2 + |1|^2: noise power gain of a second difference."""

SECOND_DIFFERENCE_DOF = 2.0 * 18.0 / 35.0
"""Degrees of freedom per second difference of complex white noise. Neighbouring differences overlap: their
correlations are -4/6 and 1/6, so n of them are worth n / (1 + 2 (16 + 1) / 36) = 18 n / 35 independent ones, two real
numbers each."""

FOURTH_DIFFERENCE_GAIN = 70.0
"""The same of a fourth difference (1, -4, 6, -4, 1), in which a response that bends is hardly left,"""

FOURTH_DIFFERENCE_DOF = 2.0 / (1.0 + 2.0 * (56.0**2 + 28.0**2 + 8.0**2 + 1.0) / 70.0**2)
"""and its degrees of freedom: neighbours correlate by -56, 28, -8 and 1 seventieths."""

CUT_AT = 4.0
"""Times the mean power, as the median tells it, beyond which a single difference counts as that much: 2 % of noise lies
beyond, and a carrier."""

DRIFTED = 3.0
"""Standard deviations by which the scatter lies above the second differences when something besides noise moved."""

FEWEST_CROSSED, CROSSED_LOWER, CROSSED_HIGHER = 16.0, 0.5, 2.0
"""Degrees of freedom from which differences over sweeps and points tell an end, and standard deviations by which they
must lie lower or higher to move it. What moves unseen only raises, so little is asked of what lies lower; noise alone
mostly leaves the ends of chi-square, which rest on more samples."""

ROBUST = 0.8
"""Share of the degrees of freedom that is left where single samples are thrown out (own draws: intervals held 92 % at 5
and 8 sweeps without it)."""

FAR_POINT, FAR_AT_LEAST = 1e-3, 3.0
"""Chance of a scatter above which a point is weighed down, and the least scatter, in units of the model's."""

GAIN_SIGMAS = 3.0
"""Significance below which the scatter is taken to be additive everywhere."""

WINDOW = 11
"""Points of the moving window in which one sweep's own roughness is looked at."""


@dataclass(frozen=True, slots=True)
class Floor:
    """Random floor over K points, as power ratios re thru.

    `additive_power` is E|n|^2 of one sweep, the same at every point; `relative_error` the gain instability g between
    sweeps, so that one sweep's noise is additive_power + g^2 |x|^2; `averaged_power` (K,) is what is left of both in
    the mean; `dof` the degrees of freedom behind `additive_power` (two per complex sample); `one_sweep` and
    `averaged` the levels in dB.
    """

    additive_power: float
    relative_error: float
    averaged_power: NDArray[np.float64]
    dof: float
    one_sweep: Figure
    averaged: Figure
    noise_points: int

    @property
    def detection_db(self) -> float:
        """Level above which a point of the average holds more than noise: -P ln(false alarm) [study, F3]."""
        return power_db(float(np.median(self.averaged_power)) * -np.log(DETECTION_FALSE_ALARM))


def floor_from_scatter(average: Average) -> Floor:
    """Split the scatter between sweeps into an additive floor and gain instability: P = P_n + g^2 |x|^2.

    Weighted least squares over the points (the variance of a scatter estimate is proportional to its square), both
    terms not negative, points far off the model weighted down. F2 of the study gives the scatter itself: its standard
    deviation is 4.34 / sqrt((N - 1) K) dB. Needs two sweeps or more; raises ValueError otherwise.

    A device, or a leak, that drifted during the average raises the scatter, and hardly the second differences of
    successive sweeps (`rf.floor.curved`), which are worth about half as much. The scatter stands while the two agree:
    the variance of their difference is the difference of their variances (Hausman 1978, Econometrica 46, 1251). The
    lower end is never above that of the second differences, for a drift that just is not seen only raises.
    """
    usable = np.isfinite(average.scatter_power) & (average.scatter_power > 0) & ~average.too_busy_points
    if average.sweeps < 2 or not usable.any():
        raise ValueError("scatter between sweeps needs two sweeps or more")
    square = np.abs(average.mean[usable]) ** 2
    kept = np.maximum(average.kept, 1)
    cut = ROBUST if average.sweeps >= FEWEST_FOR_REJECTION else 1.0
    found = _random(average.scatter_power[usable], square, np.asarray(cut * (average.kept[usable] - 1), float))
    steady, low = found, math.nan
    if average.curves and (average.curved_power[usable] > 0).all():
        worth = np.full(square.shape, cut * independent(average.curves))
        steady = _random(average.curved_power[usable], square, worth)
        low = steady.low()
    apart = math.log(found.additive / steady.additive)
    if apart > DRIFTED * math.sqrt(max(2.0 / steady.dof - 2.0 / found.dof, 1e-9)) and steady is not found:
        found = replace(steady, gain=max(steady.gain, found.gain))
    averaged = (found.additive + found.gain * np.abs(average.mean) ** 2) / kept
    floor = _floor(
        found.additive, float(np.sqrt(found.gain)), averaged, found.dof, found.noise_points, float(np.median(kept))
    )
    beneath, above = _crossed(average, found)
    return _widened(floor, float(np.fmin(low, beneath)) / found.additive, above / found.additive)


def _crossed(average: Average, found: _Random) -> tuple[float, float]:
    """Lower end by differences over sweeps and points at once where they say less than what was `found`, by more than
    noise does most often, and upper end where they say more by more than noise explains: what moved is in that, or was
    taken for gain that shakes. NaN otherwise."""
    dof = 2.0 * average.crossed
    if dof < FEWEST_CROSSED or not average.crossed_power > 0:
        return math.nan, math.nan
    low, high = (average.crossed_power * dof / _quantile(dof, upper=upper) for upper in (True, False))
    sigmas = math.log(found.additive / average.crossed_power) / math.sqrt(2.0 / dof)
    return low if sigmas > CROSSED_LOWER else math.nan, high if sigmas < -CROSSED_HIGHER else math.nan


@dataclass(frozen=True, slots=True)
class _Random:
    """Additive power, squared gain instability, degrees of freedom, points where noise rules."""

    additive: float
    gain: float
    dof: float
    noise_points: int

    def low(self) -> float:
        """Lower end of the power's 95 % interval."""
        return self.additive * self.dof / _quantile(self.dof, upper=True)


def _random(power: NDArray[np.float64], square: NDArray[np.float64], counts: NDArray[np.float64]) -> _Random:
    """From noise `power` and squared mean `square`, with complex degrees of freedom `counts` behind each, all (K,)."""
    additive, gain = _two_terms(power, square, float(np.median(counts)))
    share = additive / (additive + gain * square)
    dof = max(2.0 * float((counts * share**2).sum()), 1.0)
    return _Random(additive, gain, dof, int((share > 0.5).sum()))


def _widened(floor: Floor, low: float, high: float) -> Floor:
    """The same floor whose ends lie no nearer than at these shares of its power; NaN leaves an end where it is."""
    low_db, high_db = power_db(low), power_db(high)

    def widened(figure: Figure) -> Figure:
        if not figure.known:
            return figure
        ends = np.fmin(figure.low, figure.value + low_db), np.fmax(figure.high, figure.value + high_db)
        return replace(figure, low=float(ends[0]), high=float(ends[1]))

    return replace(floor, one_sweep=widened(floor.one_sweep), averaged=widened(floor.averaged))


def _two_terms(power: NDArray[np.float64], square: NDArray[np.float64], count: float) -> tuple[float, float]:
    """Additive power and squared gain instability from scatter `power` and squared mean `square`, both (K,).

    `count` complex degrees of freedom stand behind each scatter. A gain term that is not `GAIN_SIGMAS` above its own
    standard deviation is none: in pure noise it would only take from the floor.
    """
    far = max(_quantile(2.0 * count, upper=True, tail=FAR_POINT) / (2.0 * count), FAR_AT_LEAST)
    order = np.argsort(square)
    quarter = max(power.size // 4, 1)
    additive = float(np.median(power[order[:quarter]]))
    gain = max(float(np.median((power - additive)[order[-quarter:]] / square[order[-quarter:]])), 0.0)
    for _ in range(20):
        model = additive + gain * square
        weight = np.minimum(1.0, far * model / power) / model**2
        a, b, c = weight.sum(), (weight * square).sum(), (weight * square**2).sum()
        p, q = (weight * power).sum(), (weight * power * square).sum()
        determinant = a * c - b * b
        new = (p * c - q * b) / determinant if determinant > 1e-12 * a * c else p / a
        slope = (a * q - b * p) / determinant if determinant > 1e-12 * a * c else 0.0
        spread = np.sqrt(a / determinant / count) if determinant > 0 else np.inf
        if slope < GAIN_SIGMAS * spread:
            new, slope = p / a, 0.0
        new = max(new, 1e-3 * float(power.min()))
        if abs(new - additive) <= 1e-6 * additive and abs(slope - gain) <= 1e-6 * max(gain, 1e-30):
            return new, slope
        additive, gain = new, slope
    return additive, gain


def floor_from_one_sweep(trace: NDArray[np.complex128]) -> Floor:
    """The floor that one sweep alone betrays: roughness (second differences) where the response lies low.

    `trace` (K,), K >= 32. In the pass the roughness of a real response is no noise, so only points count whose level
    is not far above their own roughness. Choosing them that way can only raise the estimate. CAN'T SAY when fewer
    than `FEWEST_ALONE` are left; with fewer than `FEWEST_POINTS` `additive_power` is the smallest roughness seen, an
    upper limit.
    """
    if trace.size < 3 * WINDOW:
        raise ValueError(f"the floor of a single sweep needs {3 * WINDOW} points or more")
    second = np.abs(np.diff(trace, 2)) ** 2 / SECOND_DIFFERENCE_GAIN
    kernel = np.ones(WINDOW) / WINDOW
    rough = np.convolve(second, kernel, "same")
    level = np.convolve(np.abs(trace[1:-1]) ** 2, kernel, "same")
    inner = slice(WINDOW // 2, second.size - WINDOW // 2)
    low = np.zeros(second.size, bool)
    low[inner] = level[inner] < 4.0 * rough[inner]
    count = int(low.sum())
    if count >= FEWEST_POINTS:
        additive, dof = float(second[low].mean()), SECOND_DIFFERENCE_DOF * count
    else:
        additive, dof = float(rough[inner].min()), SECOND_DIFFERENCE_DOF * WINDOW
    floor = _floor(additive, 0.0, np.full(trace.shape, additive), dof, count, 1.0, FEWEST_ALONE)
    return _widened(floor, _bent(trace, low) / additive, math.nan) if additive > 0 else floor


def _bent(trace: NDArray[np.complex128], low: NDArray[np.bool_]) -> float:
    """Lower end by the fourth differences among the `low` (K - 2,) points, single high ones cut, where they say less
    than noise does most often: what the second ones have more is a response that bends, or a carrier. NaN where too few
    are left."""
    whole = low[:-2] & low[1:-1] & low[2:]
    if int(whole.sum()) < FEWEST_POINTS:
        return math.nan
    fourth = np.abs(np.diff(trace, 4))[whole] ** 2 / FOURTH_DIFFERENCE_GAIN
    cut = CUT_AT * float(np.median(fourth)) / math.log(2.0)
    dof = FOURTH_DIFFERENCE_DOF * fourth.size
    power = float(np.minimum(fourth, cut).mean()) / -math.expm1(-CUT_AT)
    return power * dof / _quantile(dof, upper=True)


def _floor(
    additive: float,
    relative: float,
    averaged: NDArray[np.float64],
    dof: float,
    noise_points: int,
    kept: float,
    fewest: int = FEWEST_POINTS,
) -> Floor:
    one, mean = (_level(power, dof, noise_points, fewest) for power in (additive, additive / kept))
    return Floor(additive, relative, averaged, dof, one, mean, noise_points)


def _level(power: float, dof: float, noise_points: int, fewest: int) -> Figure:
    """A floor as a level in dB with its chi-square interval [check b18]."""
    if noise_points < fewest:
        return cant_say("dB", "the response stands above the floor nearly everywhere in this span")
    low, high = power * dof / _quantile(dof, upper=True), power * dof / _quantile(dof, upper=False)
    return reading(power_db(power), power_db(low), power_db(high), "dB", limited_by="random")


def _quantile(dof: float, *, upper: bool, tail: float = (1.0 - CONFIDENCE) / 2.0) -> float:
    """Chi-square that is exceeded with the chance of `tail`, or of all but it."""
    from scipy.special import chdtri  # noqa: PLC0415 - heavy imports stay out of start-up

    return float(chdtri(dof, tail if upper else 1.0 - tail))
