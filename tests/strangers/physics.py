"""Owns what an invented analyzer sees: leads, leakage, the invented device, and the noise of one sweep."""

from __future__ import annotations

import zlib

import numpy as np
import numpy.typing as npt

Complex = npt.NDArray[np.complex128]
Real = npt.NDArray[np.float64]
BENCHES = ("open", "joined", "shorted", "p1load", "device")


class World:
    """The fixed, noise-free surroundings of one console: everything follows from its key."""

    def __init__(self, key: str, fmin: float, fmax: float) -> None:
        rng = np.random.default_rng(zlib.crc32(key.encode()) + 77)
        self.fmin, self.fmax = fmin, fmax
        self.tau = float(rng.uniform(4.2e-9, 5.8e-9))
        self.loss_db = float(rng.uniform(0.05, 0.5))
        self.leak = complex(10 ** (rng.uniform(-92, -68) / 20) * np.exp(1j * rng.uniform(-np.pi, np.pi)))
        self.directivity = complex(10 ** (rng.uniform(-42, -28) / 20) * np.exp(1j * rng.uniform(-np.pi, np.pi)))
        self.match = complex(10 ** (rng.uniform(-36, -24) / 20) * np.exp(1j * rng.uniform(-np.pi, np.pi)))
        self.floor_db = float(rng.uniform(-90, -62))
        self.bw_ref = 1000.0
        low, high = max(fmin, fmax / 60), fmax
        self.centre = float(low + (high - low) * rng.uniform(0.25, 0.7))
        self.q_band = float(rng.uniform(4, 14))
        side = 1.0 if rng.random() < 0.5 else -1.0
        self.notch = self.centre * (1 + side * float(rng.uniform(0.08, 0.2)))
        self.q_notch = float(rng.uniform(25, 60))
        self.noise = np.random.default_rng(zlib.crc32(key.encode()) + 991)

    def response(self, bench: str, freqs: Real) -> tuple[Complex, Complex]:
        """S11 and S21 without noise for one state of the bench."""
        f = np.asarray(freqs, dtype=np.float64)
        one = np.exp(-2j * np.pi * f * self.tau) * 10 ** (-self.loss_db * np.sqrt(np.abs(f) / self.fmax) / 20)
        there_back = one * one
        leak = np.full(f.shape, self.leak, dtype=np.complex128)
        if bench == "joined":
            return self.directivity + self.match * there_back * one * one, leak + there_back
        if bench == "shorted":
            return self.directivity - 0.985 * there_back, leak
        if bench == "p1load":
            return self.directivity + self.match * there_back, leak
        if bench == "device":
            s11, s21 = self._device(f)
            return self.directivity + s11 * there_back, leak + s21 * there_back
        return self.directivity + 0.985 * there_back, leak

    def _device(self, f: Real) -> tuple[Complex, Complex]:
        """A series resonator (band pass) followed by a shunt trap (notch), both in the units of the line."""
        safe = np.maximum(f, 1.0)
        z = 0.06 + 2j * self.q_band * (safe / self.centre - self.centre / safe)
        y = 1 / (0.02 + 1j * self.q_notch * (safe / self.notch - self.notch / safe))
        total = (1 + z * y) + z + y + 1
        return ((1 + z * y) + z - y - 1) / total, 2 / total

    def sigma(self, bandwidth: float, averages: int) -> float:
        """Standard deviation of each of real and imaginary part."""
        return float(10 ** (self.floor_db / 20) * np.sqrt(bandwidth / self.bw_ref / max(averages, 1)))

    def sweep(self, bench: str, freqs: Real, bandwidth: float, averages: int) -> tuple[Complex, Complex]:
        """One noisy sweep; the next one differs a little."""
        s11, s21 = self.response(bench, freqs)
        sigma = self.sigma(bandwidth, averages)
        n = len(s11)

        def dirt(trace: Complex) -> Complex:
            both = self.noise.standard_normal((4, n))
            rough = 3e-4 * trace * (both[2] + 1j * both[3])
            return np.asarray(trace + sigma * (both[0] + 1j * both[1]) + rough, dtype=np.complex128)

        return dirt(s11), dirt(s21)
