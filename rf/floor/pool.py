"""Zoom and pool: the samples within the flat bottom of a notch carry one complex value between them.

Owns: fitting value and slope at a channel, and the noise that is left. Refuses: samples so far from the
channel that the bottom's own shape would enter.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

HALF_WIDTH_SHARE = 1.0 / 8.0
"""Half-width of the pool as a share of the +3 dB bottom width [study F6]: there the response is nearly
straight."""

FIT_BIAS_DB = 0.15
"""What value and slope may be off at the channel when the pool is `HALF_WIDTH_SHARE` wide: over the bottom of three
equal cavities, (x + j)^3, the curvature leaves h^2 = 0.017; stated, and added to the interval."""


@dataclass(frozen=True, slots=True)
class Pooled:
    """The complex value at the channel, `power` = E|n|^2 of it, and how it was made."""

    value: complex
    power: float
    points: int
    coefficients: int
    bias_db: float
    half_width_hz: float
    dof: float


def pool_half_width_hz(bottom_width_hz: float) -> float:
    """Half-width around the channel whose samples may be pooled."""
    return HALF_WIDTH_SHARE * bottom_width_hz


def pool_at(
    frequency_hz: NDArray[np.float64],
    mean: NDArray[np.complex128],
    averaged_power: ArrayLike,
    channel_hz: float,
    half_width_hz: float,
    dof: float = math.inf,
) -> Pooled | None:
    """Least squares over the samples within `half_width_hz` of the channel; arrays (K,). None when there is no sample.

    One sample: itself. Two or three: their mean value. Four or more: value and slope, so that the floor falls by
    10 log K where the channel is in the middle of them [study F6].
    """
    near = np.abs(frequency_hz - channel_hz) <= half_width_hz * (1.0 + 1e-9)
    count = int(near.sum())
    if count == 0:
        return None
    power = np.broadcast_to(np.asarray(averaged_power, float), frequency_hz.shape)[near]
    coefficients = 2 if count >= 4 else 1
    scale = max(half_width_hz, 1.0)
    basis = np.vander((frequency_hz[near] - channel_hz) / scale, coefficients, increasing=True)
    weights = np.linalg.pinv(basis)[0]
    bias = FIT_BIAS_DB if count > 1 else 0.0
    value = complex(weights @ mean[near])
    return Pooled(value, float(weights**2 @ power), count, coefficients, bias, half_width_hz, dof)
