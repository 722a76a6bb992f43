"""The simulated instrument behind the wire: errors, noise, leakage, drift, bursts, compression, and how long a sweep
takes.

Owns: turning what hangs between the leads into what the receivers report, with a seed so that the same orders give
the same numbers. Refuses: bytes (see the servers) and waiting (the caller decides whether simulated seconds take
real ones). The cavities' own settling is not simulated: at the dwell times used here it is far shorter than a point.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from protocol.simulated.duplexer import Duplexer
from protocol.simulated.hookup import HookUp

REFERENCE_BANDWIDTH_HZ = 1000.0
BANDWIDTHS_HZ = (10.0, 30.0, 100.0, 300.0, 1000.0, 3000.0, 10_000.0)


@dataclass(slots=True)
class InstrumentOptions:
    """Everything that may be set when the instrument is made; levels in dB re a straight thru."""

    seed: int = 1
    serial: str = "SIM-0001"
    floor_db: float = -70.0
    """Random floor of one point at 1 kHz bandwidth and the default level."""
    leakage_db: float | None = None
    leakage_drift_deg_per_min: float = 2.0
    corrected: bool = True
    """True: the instrument corrects by itself and small residuals are left. False: raw errors of a plain bridge."""
    burst_rate: float = 0.0
    burst_db: float = 40.0
    carrier_hz: float | None = None
    carrier_db: float = -30.0
    frequency_error_ppm: float = 0.0
    gain_jitter: float = 3e-4
    gain_db: float = 0.0
    """What the receivers have drifted by."""
    warm_up_db: float = 0.05
    warm_up_s: float = 900.0
    full_scale_db: float = 20.0
    """Level over a thru at the default source level at which the receiver gives 3 dB too little."""
    default_level_dbm: float = -10.0
    start_hz: float = 1e6
    stop_hz: float = 1.5e9
    min_points: int = 101
    max_points: int = 1001
    settling_s: float = 2e-4
    bandwidth_factor: float = 1.0
    overhead_s: float = 0.03
    clamp_quietly: bool = False
    """True: out-of-range settings are clipped without a word. False: they are refused."""


@dataclass(frozen=True, slots=True)
class SimulatedSweep:
    """One sweep as the receivers give it; arrays (K,), complex linear."""

    frequency_hz: NDArray[np.float64]
    s11: NDArray[np.complex128]
    s21: NDArray[np.complex128]
    duration_s: float


@dataclass(frozen=True, slots=True)
class _Errors:
    """Six-term one-path errors over frequency (Rehnmark 1974): e00, e11, e10e01, e22, e10e32; isolation is the
    leakage."""

    directivity: NDArray[np.complex128]
    source_match: NDArray[np.complex128]
    reflection_tracking: NDArray[np.complex128]
    load_match: NDArray[np.complex128]
    transmission_tracking: NDArray[np.complex128]


class Instrument:
    """A two-port one-path analyzer on the bench. Settings are plain attributes; servers check limits first."""

    def __init__(self, options: InstrumentOptions, unit: Duplexer, hookup: HookUp) -> None:
        self.options, self.unit, self.hookup = options, unit, hookup
        self.start_hz = self.stop_hz = self.bandwidth_hz = self.level_dbm = 0.0
        self.points = 0
        self.restart()
        self.clock_s = 0.0
        rng = np.random.default_rng(options.seed)
        self._phase = rng.uniform(0, 2 * np.pi, 6)
        self._noise = np.random.default_rng(options.seed + 1)
        self._events = np.random.default_rng(options.seed + 2)
        self.frozen = self.overloaded = False
        self._shown: dict[tuple[float, float, int], SimulatedSweep] = {}

    @property
    def sweep_time_s(self) -> float:
        """Simulated seconds of one sweep at the present settings."""
        o = self.options
        return self.points * (o.settling_s + o.bandwidth_factor / self.bandwidth_hz) + o.overhead_s

    def sweep(self) -> SimulatedSweep:
        """One sweep; the simulated clock goes on by its duration. A frozen instrument gives the last one of these
        settings again."""
        settings = (self.start_hz, self.stop_hz, self.points)
        if not (self.frozen and settings in self._shown):
            self._shown[settings] = self._measure()
        return self._shown[settings]

    def restart(self) -> None:
        """Switched off and on: whatever was set is gone."""
        self.start_hz, self.stop_hz = 100e6, 500e6
        self.points = min(max(201, self.options.min_points), self.options.max_points)
        self.bandwidth_hz, self.level_dbm = 1000.0, self.options.default_level_dbm

    def _measure(self) -> SimulatedSweep:
        shown = np.linspace(self.start_hz, self.stop_hz, self.points)
        true_hz = shown * (1.0 + self.options.frequency_error_ppm * 1e-6)
        device = self.hookup.two_port(self.unit, true_hz)
        reflected, through = self._with_errors(device, self._errors(true_hz))
        gain = self._gain()
        through = through * 10.0 ** (self.hookup.amp_db / 20.0)
        reflected, through = self._compress(reflected * gain), self._compress(through * gain)
        through = through + self._leakage()
        sigma = float(np.sqrt(self._noise_power() / 2.0))
        noise = self._noise.normal(size=(4, self.points)) * sigma
        reflected = reflected + noise[0] + 1j * noise[1]
        through = through + noise[2] + 1j * noise[3] + self._interferers(shown, sigma)
        if self.overloaded:
            through = through * 1e7
        duration = self.sweep_time_s
        self.clock_s += duration
        return SimulatedSweep(shown, reflected, through, duration)

    def _errors(self, f: NDArray[np.float64]) -> _Errors:
        """Small residuals on a corrected instrument, a plain bridge's errors and the cables' delay on a raw one."""
        levels = (-42.0, -38.0, -36.0) if self.options.corrected else (-28.0, -22.0, -20.0)
        delays = (0.3e-9, 0.5e-9, 0.4e-9)
        e00, e11, e22 = (
            10.0 ** (level / 20.0) * np.exp(1j * (phase - 2 * np.pi * f * delay))
            for level, delay, phase in zip(levels, delays, self._phase, strict=False)
        )
        if self.options.corrected:
            slope = np.exp(1j * 2e-3 * np.cos(self._phase[3] + f / 1e8))
            return _Errors(e00, e11, (1 + 2e-3) * slope, e22, (1 - 1e-3) * slope)
        cable = np.exp(-2j * np.pi * f * 5e-9)
        return _Errors(e00, e11, 0.92 * cable**2, e22, 0.88 * cable**2 * np.exp(1j * self._phase[4]))

    @staticmethod
    def _with_errors(s: NDArray[np.complex128], e: _Errors) -> tuple[NDArray[np.complex128], NDArray[np.complex128]]:
        """Forward six-term model: m11 and m21 of the study's check a1, without isolation."""
        s11, s12, s21, s22 = s[:, 0, 0], s[:, 0, 1], s[:, 1, 0], s[:, 1, 1]
        determinant = s11 * s22 - s12 * s21
        loop = 1.0 - e.source_match * s11 - e.load_match * s22 + e.source_match * e.load_match * determinant
        m11 = e.directivity + e.reflection_tracking * (s11 - e.load_match * determinant) / loop
        return m11, e.transmission_tracking * s21 / loop

    def _gain(self) -> complex:
        """Gain of this sweep: settles as the instrument warms up, and shakes a little from sweep to sweep."""
        o = self.options
        warm_db = -o.warm_up_db * np.exp(-self.clock_s / o.warm_up_s)
        shake = 1.0 + o.gain_jitter * complex(*self._events.normal(size=2))
        return complex(10.0 ** ((o.gain_db + warm_db) / 20.0) * np.exp(1j * warm_db / 20.0) * shake)

    def _compress(self, x: NDArray[np.complex128]) -> NDArray[np.complex128]:
        """Soft compression: amplitude a becomes a / sqrt(1 + (a / full scale)^2)."""
        over_db = self.level_dbm - self.options.default_level_dbm - self.options.full_scale_db
        return np.asarray(x / np.sqrt(1.0 + np.abs(x) ** 2 * 10.0 ** (over_db / 10.0)))

    def _leakage(self) -> complex:
        if self.options.leakage_db is None:
            return 0.0
        turn = np.radians(self.options.leakage_drift_deg_per_min) * np.sin(self.clock_s / 600.0) * 10.0
        return complex(10.0 ** (self.options.leakage_db / 20.0) * np.exp(1j * (self._phase[5] + turn)))

    def _noise_power(self) -> float:
        """E|n|^2 re thru: proportional to bandwidth, inverse to source power."""
        o = self.options
        level_db = self.level_dbm - o.default_level_dbm
        return float(10.0 ** ((o.floor_db - level_db) / 10.0) * self.bandwidth_hz / REFERENCE_BANDWIDTH_HZ)

    def _interferers(self, f: NDArray[np.float64], sigma: float) -> NDArray[np.complex128]:
        """Other people's transmitters: bursts over a whole sweep, and a carrier at a fixed frequency."""
        o = self.options
        extra = np.zeros(f.shape, complex)
        if self._events.random() < o.burst_rate:
            extra += self._events.normal(size=(2, f.size)).T @ np.array([1, 1j]) * sigma * 10.0 ** (o.burst_db / 20.0)
        if o.carrier_hz is not None:
            near = np.abs(f - o.carrier_hz) <= max(self.bandwidth_hz, (f[1] - f[0]) / 2.0)
            turns = np.exp(2j * np.pi * self._events.random(f.size))
            extra += near * turns * 10.0 ** (o.carrier_db / 20.0)
        return extra
