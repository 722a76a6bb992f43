"""Second differences of successive sweeps: what is left of noise when a device that drifts is taken out.

Owns: the power of x[k-1] - 2 x[k] + x[k+1] over three sweeps, and which triples show noise alone. Refuses: a floor;
`rf.floor.floor` makes it.

White noise keeps its power in a second difference (1 + 4 + 1 = 6 times), a straight drift has none, a bent one hardly
any (von Neumann 1941, Ann. Math. Stat. 12, 367, for first differences; as Allan 1966 and Hadamard variances do in
time keeping). The triples over a step, or over the quick part of a drift, show more than the others and are left out.
"""

from __future__ import annotations

import math
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from rf.floor.order import quantile

GAIN = 6.0
"""|1|^2 + |-2|^2 + |1|^2."""

ALIKE = 4.0
"""A triple lies within so many standard deviations of noise above what is usual, beside the farthest of its number;"""

CLOSE = 2.0
"""where one lies farther off only those count that are nearer than this."""

QUIET_SHARE = 0.5
"""Share of the points, those of the lowest level, by which a triple is judged: gain that shakes is no matter there."""


def curve(three: NDArray[np.complex128], kept: NDArray[np.bool_]) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Power (K,) of the second difference of `three` sweeps (3, K), and 1 (K,) where all three samples were `kept` (3,
    K); 0 and 0 where not."""
    second = three[0] - 2.0 * three[1] + three[2]
    whole = np.asarray(kept.all(axis=0), np.int64)
    return (second.real**2 + second.imag**2) / GAIN * whole, whole


def curves(
    data: NDArray[np.complex128], keep: NDArray[np.bool_], mean: NDArray[np.complex128]
) -> tuple[NDArray[np.float64], NDArray[np.int64], int]:
    """Summed power (K,) and how many samples are in it (K,) of the triples of successive sweeps (N, K) that are alike,
    and their number; of the samples those count that `keep` (N, K) keeps."""
    if len(data) < 3:
        return np.zeros(mean.shape), np.zeros(mean.shape, np.int64), 0
    found = [curve(data[k : k + 3], keep[k : k + 3]) for k in range(len(data) - 2)]
    power, whole = np.array([one for one, _ in found]), np.array([one for _, one in found])
    low = quiet(mean)
    good = alike(power[:, low].sum(axis=1) / np.maximum(whole[:, low].sum(axis=1), 1), int(low.sum()))
    return power[good].sum(axis=0), whole[good].sum(axis=0), int(good.sum())


def crossed(data: NDArray[np.complex128], keep: NDArray[np.bool_], mean: NDArray[np.complex128]) -> tuple[float, float]:
    """E|n|^2 of one of these sweeps (N, K) by differences over sweeps and over points at once, and the independent
    complex samples behind it; of the samples those count that `keep` (N, K) keeps, at the points of low level. NaN and
    0 for one sweep.

    What a device does between sweeps, however quickly, runs smoothly over frequency; noise does not, unless the
    analyzer smooths it, so that this may only ever say that a floor lies lower.
    """
    order = 2 if len(data) > 2 else 1
    whole = np.lib.stride_tricks.sliding_window_view(keep, (order + 1, 3)).all(axis=(2, 3)) if len(data) > 1 else None
    if whole is None or not (used := whole & quiet(mean)[1:-1]).any():
        return math.nan, 0.0
    over = np.diff(np.diff(data, order, axis=0), 2, axis=1)[used]
    gain = GAIN if order == 2 else 2.0
    power = float((over.real**2 + over.imag**2).mean()) / (gain * GAIN)
    sweeps = independent(len(data) - 2) if order == 2 else 1.0
    return power, sweeps * independent(round(used.sum() / len(used)))


def quiet(mean: NDArray[np.complex128]) -> NDArray[np.bool_]:
    """The points (K,) by which triples are judged."""
    level = np.abs(mean)
    return np.asarray(level <= quantile(level, QUIET_SHARE))


def alike(level: NDArray[np.float64], points: int) -> NDArray[np.bool_]:
    """Which triples (M,) of these mean levels over so many points show noise alone. What moves only raises a level, so
    that the lowest tells what is usual: it lies below by what the lowest of M draws does (Blom 1958)."""
    own, count = 1.0 / math.sqrt(max(points, 1)), level.size
    lowest = NormalDist().inv_cdf((count - 0.375) / (count + 0.25)) if count > 1 else 0.0
    usual = float(level.min()) / max(1.0 - lowest * own, 0.1)
    if float(level.max()) <= usual * (1.0 + (lowest + ALIKE) * own):
        return np.ones(level.shape, bool)
    return np.asarray(level <= max(usual * (1.0 + CLOSE * own), float(level.min())))


def independent(count: int) -> float:
    """How many independent complex samples the mean of `count` overlapping second differences is worth: their
    correlations are -4/6 and 1/6."""
    if count < 1:
        return 0.0
    return count / (1.0 + 2.0 * ((count - 1) / count * 16.0 / 36.0 + max(count - 2, 0) / count / 36.0))
