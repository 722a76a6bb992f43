"""The feeder and antenna on the simulated bench: a lossy line with a plug, perhaps a fault, and what ends it.

Owns: the reflection at the near end, from line theory, part by part from the far end. Refuses: to share code with the
distances and losses that are found in it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

LIGHT_M_S = 299_792_458.0
NEPER_DB = 8.685889638065035

ENDS = ("antenna", "feeder-open", "feeder-short")


@dataclass(slots=True)
class Feeder:
    """`metres` of cable of a `velocity`, losing `loss_100` and `loss_400` dB per 100 m at 100 and 400 MHz; an antenna
    of `antenna_db` return loss, the same everywhere or, with `resonance_hz`, that of a resonator of loaded `q`."""

    metres: float = 60e-9 * LIGHT_M_S
    velocity: float = 1.0
    loss_100: float = 0.0
    loss_400: float = 0.0
    antenna_db: float = 14.0
    resonance_hz: float | None = None
    q: float = 8.0
    plug: float = 0.0
    """Reflection of the near plug."""
    fault_m: float | None = None
    fault_db: float = 20.0

    def seen(self, frequency_hz: NDArray[np.float64], end: str) -> NDArray[np.complex128]:
        """Reflection (K,) at the near end, the far end being one of `ENDS`."""
        whole = {"feeder-open": 1.0 + 0j, "feeder-short": -1.0 + 0j}.get(end)
        behind = self._antenna(frequency_hz) if whole is None else np.full(frequency_hz.shape, whole)
        if self.fault_m is None or self.fault_m >= self.metres:
            behind = behind * self._there_and_back(frequency_hz, self.metres)
        else:
            behind = behind * self._there_and_back(frequency_hz, self.metres - self.fault_m)
            behind = _joint(10.0 ** (-self.fault_db / 20.0), behind)
            behind = behind * self._there_and_back(frequency_hz, self.fault_m)
        return _joint(self.plug, behind)

    def _antenna(self, frequency_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
        size = 10.0 ** (-self.antenna_db / 20.0)
        if self.resonance_hz is None:
            return np.full(frequency_hz.shape, size, complex)
        turn = frequency_hz / self.resonance_hz - self.resonance_hz / frequency_hz
        z = (1.0 + size) / (1.0 - size) + 2j * self.q * turn
        return np.asarray((z - 1.0) / (z + 1.0))

    def _there_and_back(self, frequency_hz: NDArray[np.float64], metres: float) -> NDArray[np.complex128]:
        root = np.sqrt(frequency_hz / 100e6)
        dielectric = self.loss_400 / 2.0 - self.loss_100
        loss_db = ((self.loss_100 - dielectric) * root + dielectric * root**2) * metres / 100.0
        turn = 2.0 * np.pi * frequency_hz * metres / (self.velocity * LIGHT_M_S)
        return np.asarray(np.exp(-2.0 * (loss_db / NEPER_DB + 1j * turn)))


def _joint(reflection: float, behind: NDArray[np.complex128]) -> NDArray[np.complex128]:
    """A lossless joint (S11 = r, S22 = -r, S21 S12 = 1 - r^2) before what is behind it."""
    return np.asarray(reflection + (1.0 - reflection**2) * behind / (1.0 + reflection * behind))
