"""Owns the invented bench: what an ideal two-port analyzer would read at given frequencies, and its noise."""

from __future__ import annotations

import math
import zlib
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Complex = NDArray[np.complex128]
Real = NDArray[np.float64]
STATES = ("open", "joined", "shorted", "p1load", "device")


@dataclass(frozen=True)
class Rig:
    """One instrument with its own pair of leads, leakage and invented device under test."""

    name: str
    fmin: float
    fmax: float

    def _draw(self) -> Real:
        return np.random.default_rng(zlib.crc32(self.name.encode())).random(16)

    @property
    def floor_1k(self) -> float:
        """Noise (standard deviation of the complex value) at 1 kHz bandwidth without averaging."""
        return float(10 ** ((-81.0 + 2.0 * self._draw()[0]) / 20))

    def sigma(self, bandwidth: float, averages: int = 1) -> float:
        return self.floor_1k * math.sqrt(bandwidth / 1000.0 / max(1, averages))

    def response(self, state: str, freqs: Real) -> tuple[Complex, Complex]:
        """Noise-free S11 and S21 for one state of the bench."""
        u = self._draw()
        f = np.asarray(freqs, dtype=np.float64)
        w = -2j * np.pi * f
        t1, t2 = (4.7 + 0.8 * u[1]) * 1e-9, (4.7 + 0.8 * u[2]) * 1e-9
        loss = np.exp(-0.012 * np.sqrt(f / 100e6))
        lead1 = loss * np.exp(w * t1)
        lead2 = loss * np.exp(w * t2)
        leak = 10 ** ((-92 + 4 * u[3]) / 20) * np.exp(w * 1.3e-9 + 2j * np.pi * u[4])
        mismatch = (0.012 + 0.01 * u[5]) * np.exp(w * 0.21e-9)
        if state == "joined":
            s21 = lead1 * lead2
            s11 = mismatch + lead1**2 * lead2**2 * (0.02 + 0.02 * u[6]) + 0.01 * lead1**2
        elif state == "shorted":
            s11, s21 = mismatch - 0.985 * lead1**2, leak
        elif state == "p1load":
            s11, s21 = mismatch + lead1**2 * (0.006 + 0.01j * u[7]), leak
        elif state == "device":
            d11, d21 = self._device(f)
            s11, s21 = mismatch + lead1**2 * d11 * 0.98, lead1 * lead2 * d21 + leak
        else:
            s11, s21 = mismatch + 0.985 * lead1**2 * np.exp(w * 0.03e-9), leak
        return s11.astype(np.complex128), np.asarray(s21, dtype=np.complex128)

    def _device(self, f: Real) -> tuple[Complex, Complex]:
        u = self._draw()
        f0 = self.fmin * (self.fmax / self.fmin) ** (0.62 + 0.2 * u[8])
        fn = f0 * (1.25 + 0.1 * u[9])
        q, qn = 3.0 + 3 * u[10], 8 + 6 * u[11]
        safe = np.maximum(f, 1.0)
        x = q * (safe / f0 - f0 / safe)
        den = 1 - x**2 + 1j * math.sqrt(2) * x
        a11, a22, a21 = -(x**2) / den, x**2 / den, 1 / den
        n = qn * (safe / fn - fn / safe)
        b11, b21 = -1 / (1 + 1j * n), (0.004 + 1j * n) / (1 + 1j * n)
        back = 1 - a22 * b11 * 0.999
        return a11 + a21**2 * b11 / back, 0.93 * a21 * b21 / back


def read_bench(path: Path) -> str:
    """The word in the bench file; a missing file or an unknown word counts as open."""
    try:
        word = path.read_text(encoding="utf-8").strip().lower()
    except OSError:
        return "open"
    return word if word in STATES else "open"


class Receiver:
    """A rig plus noise: every acquisition draws new, seeded noise."""

    def __init__(self, rig: Rig, bench: Path) -> None:
        self.rig, self.bench, self.count = rig, bench, 0

    def acquire(self, freqs: Real, bandwidth: float, averages: int = 1) -> tuple[Complex, Complex]:
        self.count += 1
        rng = np.random.default_rng([zlib.crc32(self.rig.name.encode()), self.count])
        s11, s21 = self.rig.response(read_bench(self.bench), freqs)
        sig = self.rig.sigma(bandwidth, averages)
        return self._noisy(rng, s11, sig), self._noisy(rng, s21, sig)

    @staticmethod
    def _noisy(rng: np.random.Generator, s: Complex, sig: float) -> Complex:
        g = rng.normal(size=(4, len(s))) / math.sqrt(2)
        out = s * (1 + 2e-4 * (g[0] + 1j * g[1])) + sig * (g[2] + 1j * g[3])
        return np.asarray(out, dtype=np.complex128)
