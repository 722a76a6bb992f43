"""Zoom and pool: the samples within the flat bottom of a notch carry one complex value between them.

Owns: the value at a channel from the samples around it, the noise that is left, and how far the bottom's own shape may
have pulled it. Refuses: samples so far from the channel that more than slope and curvature would enter.

Over the pool the response is v (1 + a x + b x^2), x = offset / half-width: a product of zeros, whose cubic term is odd
and whose fourth order leaves less than 0.06 dB for two to eight cavities, staggered or not (tests/rf/test_pool.py).
Slope and curvature relative to the value are known to lie within limits, from the fitted shape or from the width
alone. The value is the linear estimate that weighs noise against the bias which those limits allow: ridge regression
with the limits as the prior's standard deviations (Hoerl and Kennard 1970; as a minimax estimate over such limits,
Donoho 1994, Annals of Statistics 22, 238). Where noise rules, the samples are averaged; where the value stands clear
of it, slope and curvature are fitted and the bias vanishes.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rf.values.decibel import amplitude_db

HALF_WIDTH_SHARE = 1.0 / 8.0
"""Half-width of the pool as a share of the +3 dB bottom width [study F6]: there the response is nearly
straight."""

FOURTH_ORDER_DB = 0.06
"""What the terms beyond the curvature may leave; the largest of 4,500 bottoms of one to eight cavities."""

SLOPE_LIMIT, CURVATURE_LIMIT = 1.5, 1.0
"""Largest relative slope and curvature at the edge of such a pool, whatever the cavities: the largest of the same
bottoms were 1.49 and 0.96."""

HIGHEST_Q = 6000.0
"""Unloaded Q of the largest notch cavities of duplexers (common practice; 150 MHz, eight inches)."""

MOST_CAVITIES = 8

SHAPE_MARGIN = 1.25
"""A fitted shape, with two standard deviations, guides the hand and may be off: limits are this many times that,"""

SHAPE_LEAST = 0.02
"""and never below this at the edge of the pool."""


@dataclass(frozen=True, slots=True)
class BottomShape:
    """Relative slope |S' / S| per hertz and curvature |S'' / 2S| per hertz squared at a channel, as fitted."""

    slope_per_hz: float
    curvature_per_hz2: float


@dataclass(frozen=True, slots=True)
class Bottom:
    """What a fit says of a notch's bottom: `width_hz` 3 dB above it (NaN: not known) and its shape at the channel."""

    width_hz: float = math.nan
    shape: BottomShape | None = None

    @property
    def known(self) -> bool:
        """Whether there is a width."""
        return math.isfinite(self.width_hz)


@dataclass(frozen=True, slots=True)
class Pooled:
    """The complex value at the channel, `power` = E|n|^2 of it, and how it was made: `points` samples, `bias_db` what
    the bottom's shape may have made it too deep by."""

    value: complex
    power: float
    points: int
    bias_db: float
    half_width_hz: float
    dof: float


def narrowest_bottom(channel_hz: float, cavities: int) -> Bottom:
    """The narrowest bottom that `cavities` notches of such a Q can have at a channel, where nothing was fitted: each
    zero lies at least f / 2Q off the real axis, so that |S| of n in one place is sqrt 2 up at f / 2Q sqrt(2^(1/n) - 1)
    from it, and of staggered ones not nearer. What is so pooled only uses a part of a wider bottom."""
    half = channel_hz / (2.0 * HIGHEST_Q)
    return Bottom(2.0 * half * math.sqrt(2.0 ** (1.0 / max(cavities, 1)) - 1.0))


def pool_half_width_hz(bottom_width_hz: float) -> float:
    """Half-width around the channel whose samples may be pooled."""
    return HALF_WIDTH_SHARE * bottom_width_hz


def planned_bias_db(bottom: Bottom) -> float:
    """What the bottom's shape takes from a proof whose value stands little above the noise: the samples of the whole
    pool, the channel in its middle, are then averaged, and the mean of x^2 is a third."""
    if not bottom.known:
        return 0.0
    curvature = float(_limits(bottom.shape, pool_half_width_hz(bottom.width_hz))[1])
    return FOURTH_ORDER_DB - amplitude_db(1.0 - curvature / 3.0)


def pool_at(
    frequency_hz: NDArray[np.float64],
    mean: NDArray[np.complex128],
    averaged_power: ArrayLike,
    channel_hz: float,
    half_width_hz: float,
    dof: float = math.inf,
    shape: BottomShape | None = None,
    *,
    alike: bool = False,
) -> Pooled | None:
    """The value at the channel from the samples within `half_width_hz` of it; arrays (K,). None when there is none.

    `alike` weighs all runs over these frequencies alike, whatever they hold (value and slope, where there are four
    samples): for states of the path that are subtracted from one another. `shape` is what a fit says of the bottom;
    without one the limits are those of any bottom whose width is eight times
    `half_width_hz`. With noise alone the floor falls by 10 log K where the channel is in the middle [study F6].
    """
    near = np.abs(frequency_hz - channel_hz) <= half_width_hz * (1.0 + 1e-9)
    count = int(near.sum())
    if count == 0:
        return None
    power = np.broadcast_to(np.asarray(averaged_power, float), frequency_hz.shape)[near]
    scale = max(half_width_hz, 1.0)
    basis = np.vander((frequency_hz[near] - channel_hz) / scale, 3, increasing=True)
    limits = _limits(shape, half_width_hz)
    samples = mean[near]
    size = _size(samples, power)
    if alike:
        held = np.array([math.inf if count >= 4 else 0.0, 0.0])
        weights = _weights(basis, np.full(count, float(power.mean())), held)
        return _pooled(weights, samples, power, basis, limits, half_width_hz, dof)
    for _ in range(2):  # the limits are relative to the value, so the second pass knows them better
        weights = _weights(basis, power, limits * size)
        value = complex(weights @ samples)
        left = float(weights**2 @ power)
        size = math.sqrt(abs(value) ** 2 + 2.0 * left)
    return _pooled(weights, samples, power, basis, limits, half_width_hz, dof)


def _pooled(
    weights: NDArray[np.float64],
    samples: NDArray[np.complex128],
    power: NDArray[np.float64],
    basis: NDArray[np.float64],
    limits: NDArray[np.float64],
    half_width_hz: float,
    dof: float,
) -> Pooled:
    """What the weights (K,) make of the samples (K,), and how far the limits (2,) of slope and curvature may pull
    it."""
    off = float(limits @ np.abs(weights @ basis[:, 1:]))
    bias_db = FOURTH_ORDER_DB - amplitude_db(1.0 - min(off, 0.9)) if samples.size > 1 or off > 1e-9 else 0.0
    value = complex(weights @ samples)
    return Pooled(value, float(weights**2 @ power), samples.size, bias_db, half_width_hz, dof)


def _limits(shape: BottomShape | None, half_width_hz: float) -> NDArray[np.float64]:
    """Largest relative slope and curvature (2,) at the edge of the pool."""
    anything = np.array([SLOPE_LIMIT, CURVATURE_LIMIT])
    if shape is None or not (math.isfinite(shape.slope_per_hz) and math.isfinite(shape.curvature_per_hz2)):
        return anything
    fitted = np.array([shape.slope_per_hz * half_width_hz, shape.curvature_per_hz2 * half_width_hz**2])
    return np.asarray(np.minimum(np.maximum(SHAPE_MARGIN * fitted, SHAPE_LEAST), anything))


def _size(samples: NDArray[np.complex128], power: NDArray[np.float64]) -> float:
    """A first amplitude for the limits to be relative to: rms of the samples, at least their mean's noise."""
    noise = float(power.mean())
    return math.sqrt(max(float(np.mean(np.abs(samples) ** 2)) - noise, noise / samples.size))


def _weights(
    basis: NDArray[np.float64], power: NDArray[np.float64], spread: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Weights (K,) of the value: generalised least squares of `basis` (K, 3) over noise `power` (K,), slope and
    curvature held at zero within `spread` (2,)."""
    # Relative to the mean noise, so that the numbers stay near one at any floor.
    unit = float(power.mean())
    inner = basis.T / (power / unit)
    hold = np.diag([0.0, *(unit / np.maximum(spread, 1e-150) ** 2)])
    return np.asarray(np.linalg.solve(inner @ basis + hold, inner)[0])
