"""A transmitter keyed onto the path: a reject reading that jumps and is not the analyzer's own signal.

Owns: telling it from a turned screw (whose signal keeps its phase from sweep to sweep) and from a burst (which ends).
Refuses: to see a carrier that was there from the first sweep; that is ingress, and the averaging throws it out.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

JUMP_DB = 20.0
SWEEPS = 4
"""More than three sweeps in a row (study, scenario 15)."""
FEWEST_BEFORE = 3
LARGEST_COHERENCE = 0.85
"""|mean| over root mean square of a sample over the sweeps in question: 1 for the analyzer's own signal, which has a
fixed phase; near 0.5 for an interferer's, whose phase is a new draw each sweep."""
SMALL_DB = -30.0
"""Only samples that were below this count as reject readings."""


class CarrierWatch:
    """Watches the S21 of one run, sweep by sweep."""

    def __init__(self) -> None:
        self._mean_power: NDArray[np.float64] | None = None
        self._before = 0
        self._last: list[NDArray[np.complex128]] = []

    def add(self, frequency_hz: NDArray[np.float64], s21: NDArray[np.complex128]) -> float | None:
        """Take in one sweep (K,); the frequency of an interferer's carrier once it is sure, else None."""
        if self._mean_power is None or self._mean_power.shape != s21.shape:
            self._mean_power, self._before, self._last = np.abs(s21) ** 2, 1, []
            return None
        self._last.append(s21)
        if len(self._last) > SWEEPS:
            oldest = self._last.pop(0)
            self._before += 1
            self._mean_power += (np.abs(oldest) ** 2 - self._mean_power) / self._before
        if len(self._last) < SWEEPS or self._before < FEWEST_BEFORE:
            return None
        block = np.array(self._last)
        power = np.abs(block) ** 2
        jumped = (power > self._mean_power * 10.0 ** (JUMP_DB / 10.0)).all(axis=0)
        jumped &= self._mean_power < 10.0 ** (SMALL_DB / 10.0)
        if not jumped.any():
            return None
        coherence = np.abs(block.mean(axis=0)) / np.sqrt(power.mean(axis=0))
        strange = jumped & (coherence < LARGEST_COHERENCE)
        if not strange.any():
            return None
        loudest = int(np.argmax(np.where(strange, power.mean(axis=0), 0.0)))
        return float(frequency_hz[loudest])
