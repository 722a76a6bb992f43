"""The random floor: how much noise one sweep holds, how much is left in the average, and how well that is known.

Owns: the floor from scatter between sweeps, and the rougher floor from one sweep alone. Refuses: to count as floor what
only shakes with the signal (gain instability): that is kept apart as a relative error.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rf.floor.average import Average
from rf.values.decibel import power_db
from rf.values.figure import CONFIDENCE, Figure, cant_say, reading

DETECTION_FALSE_ALARM = 0.01
"""Chance that a point with nothing but noise in it is taken for a signal."""

FEWEST_POINTS = 8
"""With fewer noise-dominated points the floor is not a figure worth printing."""

SECOND_DIFFERENCE_GAIN = 6.0
"""|1|^2 + |-2|^2 + |1|^2: noise power gain of a second difference."""

SECOND_DIFFERENCE_DOF = 2.0 * 18.0 / 35.0
"""Degrees of freedom per second difference of complex white noise. Neighbouring differences overlap: their
correlations are -4/6 and 1/6, so n of them are worth n / (1 + 2 (16 + 1) / 36) = 18 n / 35 independent ones, two real
numbers each."""

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
    """
    usable = np.isfinite(average.scatter_power) & (average.scatter_power > 0) & ~average.too_busy_points
    if average.sweeps < 2 or not usable.any():
        raise ValueError("scatter between sweeps needs two sweeps or more")
    power = average.scatter_power[usable]
    square = np.abs(average.mean[usable]) ** 2
    additive, gain = _two_terms(power, square, float(np.median(average.kept[usable])) - 1.0)
    share = additive / (additive + gain * square)
    noise_points = int((share > 0.5).sum())
    kept = np.maximum(average.kept, 1)
    dof = max(2.0 * float(((average.kept[usable] - 1) * share**2).sum()), 1.0)
    averaged = (additive + gain * np.abs(average.mean) ** 2) / kept
    return _floor(additive, float(np.sqrt(gain)), averaged, dof, noise_points, float(np.median(kept)))


def _two_terms(power: NDArray[np.float64], square: NDArray[np.float64], count: float) -> tuple[float, float]:
    """Additive power and squared gain instability from scatter `power` and squared mean `square`, both (K,).

    `count` complex degrees of freedom stand behind each scatter. A gain term that is not `GAIN_SIGMAS` above its own
    standard deviation is none: in pure noise it would only take from the floor.
    """
    order = np.argsort(square)
    quarter = max(power.size // 4, 1)
    additive = float(np.median(power[order[:quarter]]))
    gain = max(float(np.median((power - additive)[order[-quarter:]] / square[order[-quarter:]])), 0.0)
    for _ in range(20):
        model = additive + gain * square
        weight = np.minimum(1.0, 3.0 * model / power) / model**2
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
    than `FEWEST_POINTS` are left: then `additive_power` is the smallest roughness seen, an upper limit.
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
    return _floor(additive, 0.0, np.full(trace.shape, additive), dof, count, 1.0)


def _floor(
    additive: float, relative: float, averaged: NDArray[np.float64], dof: float, noise_points: int, kept: float
) -> Floor:
    one = _level(additive, dof, noise_points)
    return Floor(additive, relative, averaged, dof, one, _level(additive / kept, dof, noise_points), noise_points)


def _level(power: float, dof: float, noise_points: int) -> Figure:
    """A floor as a level in dB with its chi-square interval [check b18]."""
    if noise_points < FEWEST_POINTS:
        return cant_say("dB", "the response stands above the floor nearly everywhere in this span")
    from scipy.special import chdtri  # noqa: PLC0415 - heavy imports stay out of start-up

    tail = (1.0 - CONFIDENCE) / 2.0
    low = power * dof / float(chdtri(dof, tail))
    high = power * dof / float(chdtri(dof, 1.0 - tail))
    return reading(power_db(power), power_db(low), power_db(high), "dB", limited_by="random")
