"""Distance to a fault of the feeder from a swept S11: the inverse transform of the reflection.

Owns: window, transform, the strongest echo. Refuses: to see behind a narrow antenna what its own band hides.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

SPEED_OF_LIGHT = 299_792_458.0
PADDING = 8


@dataclass(frozen=True, slots=True)
class Echo:
    """The strongest echo: distance in metres, its size as return loss, `resolution_m` below which two fall together,
    `range_m` beyond which distances alias (study, F17)."""

    distance_m: float
    return_loss_db: float
    resolution_m: float
    range_m: float


def strongest_echo(
    frequency_hz: NDArray[np.float64], s11: NDArray[np.complex128], velocity_factor: float, beyond_m: float = 0.5
) -> Echo:
    """Strongest reflection beyond `beyond_m` from S11 (K,) over evenly spaced frequencies. Raises ValueError for
    fewer than 16 points.

    Resolution c v / (2 span), range c v / (2 step); Hann window, so that the near end does not hide the far one.
    """
    if frequency_hz.size < 16:
        raise ValueError("a distance needs 16 points or more")
    count, step = frequency_hz.size, float(frequency_hz[1] - frequency_hz[0])
    window = np.hanning(count)
    padded = PADDING * count
    echo = np.abs(np.fft.ifft(s11 * window, padded)) * padded / window.sum()
    speed = SPEED_OF_LIGHT * velocity_factor / 2.0
    distance = np.arange(padded) / (padded * step) * speed
    half = slice(0, padded // 2)
    far = np.where(distance[half] >= beyond_m, echo[half], 0.0)
    at = int(np.argmax(far))
    level = float(far[at])
    return Echo(
        float(distance[at]), -20.0 * np.log10(max(level, 1e-12)), speed / (step * (count - 1)), speed / step / 2.0
    )
