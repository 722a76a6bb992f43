"""Slow change over repeated sweeps: Allan-type deviations, tests for a drift, phase drift and its removal.

Owns: the literature's estimators for frequency-like data (one number per sweep) and what follows for averaging.
Refuses: to call a change a drift that the scatter explains.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

PHASE_SIGMAS = 3.0
"""Phase scatter this many times what noise explains is drift and is removed."""

STRONG = 100.0
"""A sample helps to tell the phase of its sweep when its power is this many times the noise: 20 dB."""


def allan_deviation(values: NDArray[np.float64], factor: int, *, overlapping: bool = True) -> float:
    """Allan deviation of `values` (N,) at `factor` sweeps of averaging (Riley, NIST SP 1065, eqs. 8 and 11).

    Raises ValueError when there are fewer than two averages to compare.
    """
    averages = _averages(values, factor, 1 if overlapping else factor)
    lag = factor if overlapping else 1
    if averages.size <= lag:
        raise ValueError(f"{values.size} values are too few for averages of {factor}")
    return float(np.sqrt(0.5 * np.mean((averages[lag:] - averages[:-lag]) ** 2)))


def modified_allan_deviation(values: NDArray[np.float64], factor: int) -> float:
    """Modified Allan deviation (SP 1065, eq. 14): second differences of phase, averaged over `factor`."""
    phase = np.concatenate(([0.0], np.cumsum(values)))
    second = phase[2 * factor :] - 2 * phase[factor:-factor] + phase[: -2 * factor]
    if second.size < factor:
        raise ValueError(f"{values.size} values are too few for averages of {factor}")
    sums = np.convolve(second, np.ones(factor), "valid")
    return float(np.sqrt(np.mean(sums**2) / (2.0 * factor**4)))


def hadamard_deviation(values: NDArray[np.float64], factor: int, *, overlapping: bool = True) -> float:
    """Hadamard deviation (SP 1065, eqs. 17 and 18): blind to a steady linear drift."""
    averages = _averages(values, factor, 1 if overlapping else factor)
    lag = factor if overlapping else 1
    if averages.size <= 2 * lag:
        raise ValueError(f"{values.size} values are too few for averages of {factor}")
    third = averages[2 * lag :] - 2 * averages[lag:-lag] + averages[: -2 * lag]
    return float(np.sqrt(np.mean(third**2) / 6.0))


def _averages(values: NDArray[np.float64], factor: int, step: int) -> NDArray[np.float64]:
    if factor < 1 or values.size < factor:
        raise ValueError(f"{values.size} values are too few for averages of {factor}")
    sums = np.convolve(values, np.ones(factor), "valid")[::step]
    return np.asarray(sums / factor)


@dataclass(frozen=True, slots=True)
class Line:
    """A straight line y = intercept + slope x with standard deviations of both, their correlation, and that of the
    residual."""

    slope: float
    slope_sd: float
    intercept: float
    intercept_sd: float
    correlation: float
    residual_sd: float


def straight_line(x: NDArray[np.float64], y: NDArray[np.float64]) -> Line:
    """Ordinary least squares through (N,), N >= 3 (JCGM 100:2008, H.3). Raises ValueError for fewer."""
    if x.size < 3 or x.shape != y.shape:
        raise ValueError("a line needs three points or more")
    mean = float(x.mean())
    centred = x - mean
    spread = float(centred @ centred)
    slope = float(centred @ y) / spread
    intercept = float(y.mean()) - slope * mean
    residual = y - intercept - slope * x
    variance = float(residual @ residual) / (x.size - 2)
    square = float(x @ x)
    return Line(
        slope,
        math.sqrt(variance / spread),
        intercept,
        math.sqrt(variance * square / x.size / spread),
        -float(x.sum()) / math.sqrt(x.size * square),
        math.sqrt(variance),
    )


def linear_drift(values: NDArray[np.float64]) -> Line:
    """Straight line through values (N,) against their index from 0: slope per sweep."""
    return straight_line(np.arange(values.size, dtype=float), values)


def von_neumann_ratio(values: NDArray[np.float64]) -> float:
    """Mean square successive difference over the variance: 2 for independent values, less with a drift (von Neumann
    1941)."""
    differences = np.diff(values)
    centred = values - values.mean()
    return float((differences @ differences) / (values.size - 1) / ((centred @ centred) / (values.size - 1)))


@dataclass(frozen=True, slots=True)
class TrendTest:
    """Mann and Kendall's test: statistic S, its variance, standardised z, two-sided p, and Theil and Sen's slope."""

    s: int
    variance: float
    z: float
    p: float
    slope: float


def mann_kendall(values: NDArray[np.float64]) -> TrendTest:
    """Whether (N,) rises or falls steadily, without assuming a law of noise (Mann 1945, Kendall 1975; no ties)."""
    count = values.size
    if count < 4:
        raise ValueError("a trend needs four values or more")
    first, second = np.triu_indices(count, 1)
    difference = values[second] - values[first]
    s = int(np.sign(difference).sum())
    variance = count * (count - 1) * (2 * count + 5) / 18.0
    z = 0.0 if s == 0 else (s - math.copysign(1, s)) / math.sqrt(variance)
    slope = float(np.median(difference / (second - first)))
    return TrendTest(s, variance, z, math.erfc(abs(z) / math.sqrt(2.0)), slope)


def cusum_alarm(values: NDArray[np.float64], sigma: float, slack: float = 0.5, limit: float = 5.0) -> int | None:
    """Index at which the two-sided cumulative sum of values (N,) about 0 first passes `limit` sigma (Page 1954)."""
    high = low = 0.0
    for index, value in enumerate(values / sigma):
        high, low = max(0.0, high + value - slack), max(0.0, low - value - slack)
        if max(high, low) > limit:
            return index
    return None


@dataclass(frozen=True, slots=True)
class PhaseDrift:
    """Phase (N,) in radians of each sweep against the mean, its standard deviation from noise alone, whether it drifts,
    and what it costs a coherent average in dB: 4.34 p^2 for an rms of p [study F21]."""

    phase_rad: NDArray[np.float64]
    noise_rad: float
    significant: bool
    cost_db: float


def phase_drift(sweeps: NDArray[np.complex128], noise_power: float) -> PhaseDrift:
    """Phase of each of `sweeps` (N, K) from the strong samples, over noise E|n|^2 of one sweep."""
    mean = sweeps.mean(axis=0)
    strong = np.abs(mean) ** 2 > STRONG * noise_power
    if sweeps.shape[0] < 2 or not strong.any():
        return PhaseDrift(np.zeros(sweeps.shape[0]), math.inf, False, 0.0)
    reference = mean[strong]
    power = float((np.abs(reference) ** 2).sum())
    phase = np.angle(sweeps[:, strong] @ np.conj(reference))
    noise_rad = math.sqrt(noise_power / 2.0 / power)
    rms = float(phase.std())
    return PhaseDrift(phase, noise_rad, rms > PHASE_SIGMAS * noise_rad, 4.343 * rms**2)


def phase_against(sweep: NDArray[np.complex128], reference: NDArray[np.complex128], noise_power: float) -> float:
    """Phase in radians of one sweep (K,) against a reference (K,); 0 where noise could be all of it."""
    strong = np.abs(reference) ** 2 > STRONG * noise_power
    if not strong.any():
        return 0.0
    phase = float(np.angle(np.vdot(reference[strong], sweep[strong])))
    sigma = math.sqrt(noise_power / float((np.abs(reference[strong]) ** 2).sum()))
    return phase if abs(phase) > PHASE_SIGMAS * sigma else 0.0
