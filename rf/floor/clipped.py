"""The clipped band: where the response lies under the floor, so that its samples are noise.

Owns: finding that band. Refuses: a lowest point inside it; there is no function here that returns one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rf.floor.floor import DETECTION_FALSE_ALARM
from rf.values.stretches import stretches

FEWEST = 3
"""A shorter run under the threshold is a dip or an accident, not a clipped band."""

LARGEST_GAP = 2
"""Noise alone lifts one sample in a hundred over the threshold; runs parted by so few samples are one band."""


@dataclass(frozen=True, slots=True)
class ClippedBand:
    """The band between the outermost samples under the floor. `open_low` / `open_high`: it reaches the edge of the
    sweep."""

    low_hz: float
    high_hz: float
    open_low: bool
    open_high: bool

    @property
    def width_hz(self) -> float:
        """Width in hertz; the true one is larger where the band is open."""
        return self.high_hz - self.low_hz


def find_clipped(
    frequency_hz: NDArray[np.float64],
    mean: NDArray[np.complex128],
    averaged_power: NDArray[np.float64],
    near_hz: float | None = None,
) -> ClippedBand | None:
    """The clipped band nearest `near_hz` (else the widest) of a mean sweep (K,) over noise (K,); None when there is
    none.

    A sample counts as under the floor when |x|^2 < -P ln(false alarm) [study F3; check b13].
    """
    under = np.abs(mean) ** 2 < -np.log(DETECTION_FALSE_ALARM) * averaged_power
    runs = [run for run in _joined(stretches(under)) if run[1] - run[0] >= FEWEST]
    if not runs:
        return None
    if near_hz is None:
        first, last = max(runs, key=lambda run: run[1] - run[0])
    else:
        first, last = min(runs, key=lambda run: _distance(frequency_hz, run, near_hz))
    return ClippedBand(float(frequency_hz[first]), float(frequency_hz[last - 1]), first == 0, last == frequency_hz.size)


def _joined(runs: list[tuple[int, int]]) -> list[tuple[int, int]]:
    joined: list[tuple[int, int]] = []
    for first, last in runs:
        if joined and first - joined[-1][1] <= LARGEST_GAP:
            joined[-1] = (joined[-1][0], last)
        else:
            joined.append((first, last))
    return joined


def _distance(frequency_hz: NDArray[np.float64], run: tuple[int, int], near_hz: float) -> float:
    low, high = float(frequency_hz[run[0]]), float(frequency_hz[run[1] - 1])
    return max(low - near_hz, near_hz - high, 0.0)
