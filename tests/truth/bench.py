"""Owns the bench: hook-up, loads, pads, leak, noise and every other error of a two-port measurement.

Two-port reduction and the mismatch loop are those of Pozar, Microwave Engineering, ch. 4 (signal flow graphs):
  reduced S_ij = S_ij + S_ik G S_kj / (1 - G S_kk)            third port k ended by G
  read S21 = S21 (1 - Gs Gl) / ((1 - Gs S11)(1 - Gl S22) - Gs Gl S12 S21)     after a through normalisation
"""

from __future__ import annotations

import dataclasses

import numpy as np
from numpy.typing import ArrayLike

from .elements import Cx, Fl
from .unit import PORTS, Unit


@dataclasses.dataclass
class Errors:
    """Everything that can be wrong.  The defaults are a perfect bench.  Levels in dB below full level."""

    # third port: return loss of what ends it (None: ideal), its cable delay (one way) and phase
    load_db: float | None = None
    load_delay: float = 3e-9
    load_phase: float = 0.0
    load_kind: str = "load"  # "load", "antenna" (resonant, load_db at its best), "open", "short"
    # analyzer ports
    match1_db: float | None = None
    match1_delay: float = 4e-9
    match1_phase: float = 0.0
    match2_db: float | None = None
    match2_delay: float = 4e-9
    match2_phase: float = 0.0
    directivity_db: float | None = None
    directivity_delay: float = 1e-9
    # pads at the ports, taken into the normalisation or not
    pad1_db: float = 0.0
    pad2_db: float = 0.0
    pad_match_db: float = 32.0
    pads_in_cal: bool = True
    # leak from port 1 to the receiver of port 2: main vector and a second path
    leak_db: float | None = None
    leak_delay: float = 6e-9
    leak_phase: float = 0.0
    leak_second: float = 0.0  # relative size of a second path
    leak_second_delay: float = 25e-9
    leak_change: float = 0.0  # relative change between survey and measurement
    # receiver
    floor_db: float | None = None  # rms of the complex noise of one sweep
    gain_jitter_db: float = 0.0  # between sweeps
    phase_drift_deg: float = 0.0  # random walk, rms a sweep
    ripple_db: float = 0.0  # tracking, peak
    ripple_period_hz: float = 40e6
    ripple_phase: float = 0.0
    compression_db: float = 0.0  # at full level
    quant_linear: float = 0.0  # step of real and imaginary part
    quant_db: float = 0.0  # step of level (used with quant_deg)
    quant_deg: float = 0.0
    # disturbances
    burst_rate: float = 0.0  # share of the points
    burst_db: float = -50.0
    carrier_hz: float | None = None
    carrier_db: float = -70.0
    carrier_width_hz: float = 3e3
    # events in the run: sweep number (from 0) at which a screw is turned
    screw_at: int | None = None
    screw_side: str = "L"
    screw_number: int = 1
    screw_turns: float = 0.1
    screw_share: float = 0.0  # share of that sweep's points still taken before the turn
    drift_k: float = 0.0  # final temperature change
    drift_sweeps: float = 30.0  # time constant


def _amp(db: float) -> float:
    return float(10 ** (db / 20))


def _gamma(db: float | None, delay: float, phase: float, f: Fl) -> Cx:
    if db is None:
        return np.zeros(f.size, dtype=complex)
    out: Cx = _amp(-abs(db)) * np.exp(1j * (phase - 4 * np.pi * f * delay))
    return out


class Bench:
    """A unit hooked up as "X>Y": port 1 of the analyzer on X, port 2 on Y, the third port ended."""

    def __init__(self, unit: Unit, hookup: str, rng: np.random.Generator, **errors: object) -> None:
        a, b = hookup.replace(" ", "").upper().split(">")
        if a == b or a not in PORTS or b not in PORTS:
            raise ValueError("hook-up is like A>L with ports A, L, H")
        self.hookup = f"{a}>{b}"
        self.unit = unit.copy()
        self.rng = rng
        known = {f.name for f in dataclasses.fields(Errors)}
        if set(errors) - known:
            raise ValueError(f"unknown errors: {sorted(set(errors) - known)}")
        self.errors: Errors = dataclasses.replace(Errors(), **errors)  # type: ignore[arg-type]
        self.sweeps = 0
        self._phase = 0.0
        p = [PORTS.index(a), PORTS.index(b)]
        self._order = [*p, 3 - sum(p)]
        self._cache: dict[tuple[int, bytes], Cx] = {}

    def turn(self, side: str, number: int, turns: float) -> None:
        """Turn a screw between two sweeps (the truths follow)."""
        self.unit.turn(side, number, turns)
        self._cache.clear()

    # ---- states and truths
    def unit_at(self, sweep: int | None = None) -> Unit:
        """The unit as it is at a sweep number (default: the next one to be taken)."""
        k = self.sweeps if sweep is None else sweep
        e, u = self.errors, self.unit.copy()
        if e.screw_at is not None and k >= e.screw_at:
            u.turn(e.screw_side, e.screw_number, e.screw_turns)
        if e.drift_k:
            u.dtemp += e.drift_k * (1 - float(np.exp(-k / e.drift_sweeps)))
        return u

    def third_gamma(self, f: Fl) -> Cx:
        """Reflection of what ends the third port."""
        e = self.errors
        if e.load_kind in {"open", "short"}:
            sign = 1.0 if e.load_kind == "open" else -1.0
            out: Cx = sign * 0.999 * np.exp(-4j * np.pi * f * e.load_delay)
            return out
        if e.load_db is not None and e.load_kind == "antenna":
            # series-tuned radiator, Q 12, behind its cable, best match between the channels
            f0 = 0.5 * (self.unit.low_hz + self.unit.high_hz)
            r = 50.0 * (1 + _amp(-e.load_db)) / (1 - _amp(-e.load_db))
            z = r + 1j * r * 12 * (f / f0 - f0 / f)
            return (z - 50) / (z + 50) * np.exp(1j * e.load_phase - 4j * np.pi * f * e.load_delay)
        return _gamma(e.load_db, e.load_delay, e.load_phase, f)

    def _two(self, f: Fl, sweep: int | None, ideal: bool) -> tuple[Cx, Cx, Cx, Cx]:
        e = self.errors
        k = self.sweeps if sweep is None else sweep
        moving = bool(e.drift_k) or e.screw_at is not None
        key = (k if e.drift_k else int(moving and k >= (e.screw_at or 0)), f.tobytes())
        s = self._cache.get(key)
        if s is None:
            s = self.unit_at(k).s(f)
            if len(self._cache) > 8:
                self._cache.clear()
            self._cache[key] = s
        i, j, m = self._order
        if ideal:
            return s[:, i, i], s[:, j, i], s[:, i, j], s[:, j, j]
        g = self.third_gamma(f)
        w = g / (1 - g * s[:, m, m])
        return (
            s[:, i, i] + s[:, i, m] * w * s[:, m, i],
            s[:, j, i] + s[:, j, m] * w * s[:, m, i],
            s[:, i, j] + s[:, i, m] * w * s[:, m, j],
            s[:, j, j] + s[:, j, m] * w * s[:, m, j],
        )

    def truth(self, freq_hz: ArrayLike, sweep: int | None = None) -> tuple[Cx, Cx]:
        """(s11, s21) of an ideal analyzer, the third port ended as it is."""
        return self._two(np.atleast_1d(np.asarray(freq_hz, dtype=float)), sweep, False)[:2]

    def truth_ideal_load(self, freq_hz: ArrayLike, sweep: int | None = None) -> tuple[Cx, Cx]:
        """(s11, s21) of an ideal analyzer with an ideal third load."""
        return self._two(np.atleast_1d(np.asarray(freq_hz, dtype=float)), sweep, True)[:2]

    def leak(self, freq_hz: ArrayLike, survey: bool = False) -> Cx:
        """The steady leak as it adds to s21 (normalised reading); the survey may see it slightly different."""
        f = np.atleast_1d(np.asarray(freq_hz, dtype=float))
        e = self.errors
        if e.leak_db is None:
            return np.zeros(f.size, dtype=complex)
        v = np.exp(1j * (e.leak_phase - 2 * np.pi * f * e.leak_delay))
        v = v + e.leak_second * np.exp(1j * (2.1 * e.leak_phase + 1 - 2 * np.pi * f * e.leak_second_delay))
        if not survey:
            v = v * (1 + e.leak_change * np.exp(1j * 3.7 * e.leak_phase))
        out: Cx = v * _amp(e.leak_db) / self._pads()
        return out

    def _pads(self) -> float:
        return _amp(-(self.errors.pad1_db + self.errors.pad2_db)) if self.errors.pads_in_cal else 1.0

    def _port(self, number: int, f: Fl) -> Cx:
        e = self.errors
        if number == 1:
            g, pad = _gamma(e.match1_db, e.match1_delay, e.match1_phase, f), e.pad1_db
        else:
            g, pad = _gamma(e.match2_db, e.match2_delay, e.match2_phase, f), e.pad2_db
        if pad > 0:
            g = g * _amp(-2 * pad) + _gamma(e.pad_match_db, 0.2e-9, 0.5 * number, f)
        return g

    # ---- one sweep
    def _receiver(self, raw: Cx, f: Fl, extra: Cx, share: float, common: complex, inband: float) -> Cx:
        """Receiver chain: compression, leak and noise, disturbances, normalisation, number format."""
        e, rng = self.errors, self.rng
        b: Cx = raw * common
        if e.compression_db:
            b = b * np.power(10.0, -e.compression_db * np.minimum(np.abs(b), 1.2) ** 2 / 20)
        b = b + extra * common
        n = f.size
        if e.floor_db is not None:
            b = b + _amp(e.floor_db) / np.sqrt(2) * (rng.standard_normal(n) + 1j * rng.standard_normal(n))
        if e.burst_rate > 0:
            hit = rng.random(n) < e.burst_rate
            b = b + hit * _amp(e.burst_db) * rng.exponential(1.0, n) * np.exp(2j * np.pi * rng.random(n))
        if e.carrier_hz is not None:
            shape = np.exp(-0.5 * ((f - e.carrier_hz) / e.carrier_width_hz) ** 2)
            b = b + share * _amp(e.carrier_db) * shape * np.exp(2j * np.pi * rng.random(n))
        b = b / inband
        if e.quant_linear > 0:
            step = e.quant_linear
            b = np.asarray(np.round(b.real / step) * step + 1j * (np.round(b.imag / step) * step), dtype=complex)
        if e.quant_db > 0:
            db = 20 * np.log10(np.maximum(np.abs(b), 1e-12))
            mag = 10 ** (np.round(db / e.quant_db) * e.quant_db / 20)
            ang = np.angle(b)
            if e.quant_deg > 0:
                q = np.radians(e.quant_deg)
                ang = np.round(ang / q) * q
            b = mag * np.exp(1j * ang)
        out: Cx = b
        return out

    def _common(self) -> complex:
        e = self.errors
        self._phase += np.radians(e.phase_drift_deg) * float(self.rng.standard_normal())
        g = _amp(e.gain_jitter_db * float(self.rng.standard_normal())) if e.gain_jitter_db else 1.0
        return complex(g * np.exp(1j * self._phase))

    def sweep(self, freq_hz: ArrayLike) -> tuple[Cx, Cx]:
        """One noisy sweep: (s11, s21) as the analyzer gives them after its normalisation."""
        f = np.atleast_1d(np.asarray(freq_hz, dtype=float))
        e = self.errors
        two = self._two(f, None, False)
        if e.screw_at == self.sweeps and e.screw_share > 0:
            old, part = self._two(f, self.sweeps - 1, False), np.arange(f.size) < e.screw_share * f.size
            two = (
                np.where(part, old[0], two[0]),
                np.where(part, old[1], two[1]),
                np.where(part, old[2], two[2]),
                np.where(part, old[3], two[3]),
            )
        s11, s21, s12, s22 = two
        gs, gl = self._port(1, f), self._port(2, f)
        den = (1 - gs * s11) * (1 - gl * s22) - gs * gl * s12 * s21
        r21 = s21 * (1 - gs * gl) / den
        gin = s11 + s12 * s21 * gl / (1 - gl * s22)
        r11 = gin / (1 - gs * gin) + _gamma(e.directivity_db, e.directivity_delay, 0.3, f)
        if e.ripple_db:
            arg = 2 * np.pi * f / e.ripple_period_hz + e.ripple_phase
            t = e.ripple_db / 8.686
            r21 = r21 * np.exp(t * np.cos(arg) + 1j * t * np.sin(arg))
            r11 = r11 * np.exp(t * np.cos(arg + 1) + 1j * t * np.sin(arg + 1))
        common = self._common()
        physical = _amp(-(e.pad1_db + e.pad2_db))
        physical11 = _amp(-2 * e.pad1_db)
        leak = self.leak(f) * self._pads()  # as it stands at the receiver
        out11 = self._receiver(
            r11 * physical11, f, np.zeros(f.size, dtype=complex), 0.1, common, physical11 if e.pads_in_cal else 1.0
        )
        out21 = self._receiver(r21 * physical, f, leak, 1.0, common, self._pads())
        self.sweeps += 1
        return out11, out21

    def survey(self, freq_hz: ArrayLike) -> tuple[Cx, Cx]:
        """One noisy sweep with the unit taken off and both ports ended: shows the leak; does not count as a sweep."""
        f = np.atleast_1d(np.asarray(freq_hz, dtype=float))
        e = self.errors
        common = self._common()
        out11 = self._receiver(
            _gamma(e.directivity_db, e.directivity_delay, 0.3, f), f, np.zeros(f.size, dtype=complex), 0.1, common, 1.0
        )
        leak = self.leak(f, survey=True) * self._pads()
        return out11, self._receiver(np.zeros(f.size, dtype=complex), f, leak, 1.0, common, self._pads())

    def average(self, freq_hz: ArrayLike, count: int) -> tuple[Cx, Cx]:
        """Plain complex mean of `count` sweeps."""
        runs = [self.sweep(freq_hz) for _ in range(count)]
        return np.mean([r[0] for r in runs], axis=0), np.mean([r[1] for r in runs], axis=0)
