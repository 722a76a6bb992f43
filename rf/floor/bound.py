"""What a reading near the floor proves: 95 % limits on the true level behind it, and the rejection figure made of them.

Owns: the noncentral chi-square and noncentral F inversions, the choice READING / AT LEAST / CAN'T SAY. Refuses: a
limit of 0, and a limit made better by a lucky draw of the noise.

Model: x = s + n, n complex Gaussian with E|n|^2 = P. Then 2|x|^2 / P is noncentral chi-square with 2 degrees of
freedom and noncentrality 2|s|^2 / P; with P estimated from `dof` real degrees of freedom |x|^2 / P is noncentral F(2,
dof).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rf.values.decibel import amplitude_db
from rf.values.figure import CONFIDENCE, Figure, at_least, cant_say, reading

MEDIAN_NOISE = 2.0 * math.log(2.0)
"""Median of 2|x|^2/P with no signal. A smaller reading is luck: it gets the limit of this one (power-constrained
limit: Cowan, Cranmer, Gross and Vitells 2011, arXiv:1105.3166, from memory)."""

STANDS_OUT = 0.005
"""Chance by which noise makes a reading stand out. Most channels of a good unit lie under floor and leakage, so that of
those that stand out luck made the larger share the larger this is (false coverage of what was selected by the data:
Benjamini and Yekutieli 2005, J. Am. Stat. Assoc. 100, 71): with half of 5 %, six of seventy-seven did."""

STRONG = 40.0
"""Above this |x| / sigma the Gaussian form of the limits is exact to 1e-3 of sigma and the library's search range
ends."""


def upper_limit(
    magnitude: ArrayLike, floor_power: ArrayLike, dof: float = math.inf, confidence: float = CONFIDENCE
) -> NDArray[np.float64]:
    """One-sided upper limit on |s| from a reading |x| = `magnitude` (any shape) over noise of power `floor_power`.

    Plain inversion P(|X| < |x| given s) = 1 - confidence (study F4; check b14), but never below the limit for the
    median reading of pure noise, so never 0. `dof` is the number of real degrees of freedom behind `floor_power`.
    """
    ratio = _ratio(magnitude, floor_power)
    return _invert(np.maximum(ratio, MEDIAN_NOISE), 1.0 - confidence, dof) * _sigma(floor_power)


def two_sided(
    magnitude: ArrayLike, floor_power: ArrayLike, dof: float = math.inf, confidence: float = CONFIDENCE
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Equal-tailed interval on |s| (check b16): lower end 0 where the reading could be noise alone."""
    tail = (1.0 - confidence) / 2.0
    ratio, sigma = _ratio(magnitude, floor_power), _sigma(floor_power)
    low = _invert(ratio, 1.0 - tail, dof)
    return low * sigma, np.maximum(_invert(np.maximum(ratio, MEDIAN_NOISE), tail, dof), low) * sigma


def stands_at(magnitude: ArrayLike, floor_power: ArrayLike, dof: float = math.inf) -> NDArray[np.float64]:
    """Lower end on |s| that must lie above the floor for a reading; 0 where noise alone may be as large."""
    return _invert(_ratio(magnitude, floor_power), 1.0 - STANDS_OUT, dof) * _sigma(floor_power)


def _sigma(floor_power: ArrayLike) -> NDArray[np.float64]:
    """Standard deviation per quadrature."""
    return np.sqrt(np.asarray(floor_power, float) / 2.0)


def _ratio(magnitude: ArrayLike, floor_power: ArrayLike) -> NDArray[np.float64]:
    return np.asarray(2.0 * np.asarray(magnitude, float) ** 2 / np.asarray(floor_power, float))


def _invert(ratio: NDArray[np.float64], chance: float, dof: float) -> NDArray[np.float64]:
    """|s| / sigma for which a reading as small as `ratio` = 2|x|^2/P or smaller has this `chance`; 0 where there is
    none."""
    from scipy.special import chndtrinc, ndtri, stdtrit  # noqa: PLC0415

    shape = np.shape(ratio)
    ratio = np.atleast_1d(np.asarray(ratio, float))
    out = np.zeros(ratio.shape)
    root = np.sqrt(ratio)
    strong = root > STRONG
    quantile = float(ndtri(1.0 - chance)) if math.isinf(dof) else float(stdtrit(dof, 1.0 - chance))
    # |x| of a strong signal is Gaussian about |s| + sigma^2 / 2|s|; an estimated sigma makes it Student's t.
    out[strong] = np.maximum(root[strong] + quantile - 0.5 / root[strong], 0.0)
    weak = ~strong
    if math.isinf(dof):
        none = -np.expm1(-ratio / 2.0) <= chance
        solve = weak & ~none
        out[solve] = np.sqrt(chndtrinc(ratio[solve], 2.0, chance))
    else:
        none = 1.0 - (1.0 + ratio / dof) ** (-dof / 2.0) <= chance
        out[weak & ~none] = [math.sqrt(_noncentrality_f(float(r) / 2.0, dof, chance)) for r in ratio[weak & ~none]]
    return out.reshape(shape)


def _noncentrality_f(statistic: float, dof: float, chance: float) -> float:
    """Noncentrality for which F(2, dof) lies below `statistic` with this `chance`.

    By halving, because `scipy.optimize` would take 23 MB of a long run's memory for this one root.
    """
    from scipy.special import ncfdtr  # noqa: PLC0415

    low, high = 0.0, 4.0 * statistic + 50.0
    while ncfdtr(2.0, dof, high, statistic) > chance:
        high *= 2.0
    while high - low > 1e-10 * high + 1e-9:
        middle = (low + high) / 2.0
        low, high = (middle, high) if ncfdtr(2.0, dof, middle, statistic) > chance else (low, middle)
    return (low + high) / 2.0


def rejection_figure(
    value: complex,
    averaged_power: float,
    dof: float = math.inf,
    *,
    leakage: float | None = None,
    systematic_db: float = 0.0,
) -> Figure:
    """Rejection in positive dB re thru from one averaged complex `value` over noise of power `averaged_power`.

    `leakage` is the largest steady amplitude that may stand beside the signal (linear, re thru), None when nobody
    surveyed it; |s| then lies in |x| - leakage .. |x| + leakage widened by the noise (study F7). `systematic_db`
    widens both ends (mismatch, correction). READING when the interval's weak end still stands above floor and
    leakage; else AT LEAST from the one-sided limit. The end that a goal is held against is wrong in at most 5 %; both
    ends together in at most 7.5 %, because the data choose the kind (Feldman and Cousins 1998, section II, from
    memory).
    """
    magnitude = abs(value)
    if not (math.isfinite(magnitude) and math.isfinite(averaged_power) and averaged_power > 0):
        return cant_say("dB", "no usable sample at the channel")
    steady = leakage or 0.0
    floor = math.sqrt(averaged_power)
    low, high = (float(end) for end in two_sided(magnitude, averaged_power, dof))
    low, high = low - steady, high + steady
    if float(stands_at(magnitude, averaged_power, dof)) - steady > max(floor, steady):
        best = math.sqrt(max(magnitude**2 - averaged_power, low**2))
        best = min(max(best, low), high)
        limit = max(("random", high - steady - best), ("leakage", steady), key=lambda part: part[1])[0]
        limit = "mismatch" if systematic_db > -amplitude_db(low / high) / 2.0 else limit
        return reading(
            -amplitude_db(best),
            -amplitude_db(high) - systematic_db,
            -amplitude_db(low) + systematic_db,
            "dB",
            limited_by=limit,
        )
    limit_amplitude = float(upper_limit(magnitude, averaged_power, dof))
    limit = "leakage" if steady > limit_amplitude - steady else "random"
    why = "leakage not surveyed" if leakage is None else ""
    return at_least(-amplitude_db(limit_amplitude + steady) - systematic_db, "dB", limited_by=limit, why=why)
