"""Between linear S-parameters and decibels, with a word on every way zero and NaN can come in.

Owns: the conversions. Refuses: to let -inf reach a screen or a file; callers that draw use `level_db`, which marks what
has no level as NaN.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray


def amplitude(level_db: float) -> float:
    """Amplitude ratio of a level: 10^(dB/20)."""
    return float(10.0 ** (level_db / 20.0))


def power(level_db: float) -> float:
    """Power ratio of a level: 10^(dB/10)."""
    return float(10.0 ** (level_db / 10.0))


def power_db(power_ratio: float) -> float:
    """Level of a power ratio: 10 log10; -inf for 0, NaN for negative or NaN."""
    if power_ratio == 0:
        return -math.inf
    return 10.0 * math.log10(power_ratio) if power_ratio > 0 else math.nan


def amplitude_db(amplitude_ratio: float) -> float:
    """Level of an amplitude ratio: 20 log10; -inf for 0, NaN for negative or NaN."""
    return 2.0 * power_db(amplitude_ratio)


def level_db(values: ArrayLike) -> NDArray[np.float64]:
    """Levels 20 log10|x| of complex or real `values` (any shape) in dB; NaN where |x| is 0 or not finite."""
    magnitude = np.abs(np.asarray(values))
    usable = np.isfinite(magnitude) & (magnitude > 0)
    levels = np.full(magnitude.shape, np.nan)
    levels[usable] = 20.0 * np.log10(magnitude[usable])
    return levels


def level_near(frequency_hz: NDArray[np.float64], values: NDArray[np.complex128], hz: float) -> float:
    """Level in dB of that of the `values` (K,) which lies nearest to a frequency; NaN where it has none."""
    at = int(np.argmin(np.abs(frequency_hz - hz)))
    return float(level_db(values[at : at + 1])[0])
