"""One-path two-port calibration: from raw standards to six error terms, and from raw sweeps to S-parameters.

Owns: solving the terms (through scikit-rf), applying them in one orientation or in both, taking them to another grid.
Refuses: files, times, and a grid outside the one that was calibrated.

Model (Rehnmark, IEEE Trans. MTT 22(4), 1974, forward half): m11 = e00 + e10e01 (S11 - e22 det S) / D,
m21 = e30 + e10e32 S21 / D, D = (1 - e11 S11)(1 - e22 S22) - e11 e22 S21 S12.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from rf.calibration.standards import Kit
from rf.values.decibel import amplitude_db

Complex = NDArray[np.complex128]

LARGEST_INTERPOLATION_DB = 0.05
"""A calibration whose own points can't be told from their neighbours to this is too coarse for any other grid."""

SPLINE_GAIN = 16.0
"""A cubic's error falls with the fourth power of the step: leaving out every second point shows 16 times the error."""

FEWEST_POINTS = 8


@dataclass(frozen=True, slots=True)
class Raw:
    """Averaged raw standards, each (K,): S11 of short, open and load, S11 and S21 of the thru, S21 of both leads on
    loads (`isolation`, None: left out)."""

    short: Complex
    open: Complex
    load: Complex
    thru_s11: Complex
    thru_s21: Complex
    isolation: Complex | None = None


@dataclass(frozen=True, slots=True)
class ErrorTerms:
    """The six terms over `frequency_hz` (K,), complex: e00, e11, e10e01, e22, e10e32, e30."""

    frequency_hz: NDArray[np.float64]
    directivity: Complex
    source_match: Complex
    reflection_tracking: Complex
    load_match: Complex
    transmission_tracking: Complex
    isolation: Complex

    @property
    def port2_return_loss_db(self) -> float:
        """Worst raw match of port 2 over the span, as return loss."""
        return -amplitude_db(float(np.abs(self.load_match).max()))


def reflection_terms(
    frequency_hz: NDArray[np.float64], measured: Sequence[Complex], ideals: Sequence[Complex]
) -> tuple[Complex, Complex, Complex]:
    """e00, e11 and e10e01 (K,) from three one-port standards or more, by least squares over all of them (scikit-rf)."""
    from skrf import Frequency, Network  # noqa: PLC0415 - loads only where a calibration is made
    from skrf.calibration import OnePort  # noqa: PLC0415

    axis = Frequency.from_f(np.asarray(frequency_hz, float), unit="hz")

    def networks(values: Sequence[Complex]) -> list[Network]:
        return [Network(frequency=axis, s=np.asarray(value).reshape(-1, 1, 1)) for value in values]

    calibration = OnePort(measured=networks(measured), ideals=networks(ideals), sloppy_input=False)
    calibration.run()
    found = {name: np.asarray(value, np.complex128) for name, value in calibration.coefs.items()}
    return found["directivity"], found["source match"], found["reflection tracking"]


def solve(frequency_hz: NDArray[np.float64], raw: Raw, kit: Kit) -> ErrorTerms:
    """Error terms from raw standards and the kit's definitions; arrays (K,). Raises ValueError where standards agree so
    well that nothing can be solved.

    The thru T (matched) gives the rest: its corrected reflection is T^2 e22, and m21 - e30 = e10e32 T / (1 - e11 e22
    T^2).
    """
    f = np.asarray(frequency_hz, float)
    _spread(raw)
    ideals = [kit.part(kind).reflection(f) for kind in ("short", "open", "load")]
    e00, e11, e10e01 = reflection_terms(f, (raw.short, raw.open, raw.load), ideals)
    through = kit.thru.transmission(f)
    a = (raw.thru_s11 - e00) / e10e01
    e22 = a / (1.0 + e11 * a) / through**2
    isolation = np.zeros(f.size, complex) if raw.isolation is None else raw.isolation
    tracking = (raw.thru_s21 - isolation) * (1.0 - e11 * e22 * through**2) / through
    return ErrorTerms(f, e00, e11, e10e01, e22, tracking, isolation)


def _spread(raw: Raw) -> None:
    """Three standards must be three: two alike leave the terms undetermined."""
    for first, second, names in (
        (raw.short, raw.open, "short and open"),
        (raw.open, raw.load, "open and load"),
        (raw.short, raw.load, "short and load"),
    ):
        size = float(np.median(np.abs(first - second)))
        if size < 0.05 * float(np.median(np.abs(raw.short)) + np.median(np.abs(raw.open))):
            raise ValueError(f"{names} read the same: one of them was measured twice; measure both again")


def correct(terms: ErrorTerms, m11: Complex, m21: Complex) -> tuple[Complex, Complex]:
    """S11 and S21 (K,) from one orientation: a = (m11 - e00) / e10e01, S11 = a / (1 + e11 a),
    S21 = (m21 - e30) / e10e32 / (1 + e11 a).

    What port 2's own match adds (e22 S22) stays in; it is the mismatch part of every budget.
    """
    a = (m11 - terms.directivity) / terms.reflection_tracking
    loop = 1.0 + terms.source_match * a
    return a / loop, (m21 - terms.isolation) / terms.transmission_tracking / loop


def without_port2(terms: ErrorTerms, s11: Complex, s21: Complex) -> Complex:
    """S11 (K,) of a reciprocal device without what port 2 sent back through it.

    One orientation reads S11 + S21 S12 e22 / (1 - e22 S22) and S21 / (1 - e22 S22); with S12 = S21 the product of the
    second with itself and e22 is the addition but for a factor 1 - e22 S22, which a matched device leaves near 1. A
    duplexer is reciprocal; an amplifier in the path is not.
    """
    return np.asarray(s11 - terms.load_match * s21**2)


def correct_both(
    terms: ErrorTerms, forward: tuple[Complex, Complex], reverse: tuple[Complex, Complex]
) -> NDArray[np.complex128]:
    """Full two-port (K, 2, 2) from raw (m11, m21) of the device and of the same device turned round (12-term algebra
    with the same six terms both ways)."""
    a11 = (forward[0] - terms.directivity) / terms.reflection_tracking
    a21 = (forward[1] - terms.isolation) / terms.transmission_tracking
    a22 = (reverse[0] - terms.directivity) / terms.reflection_tracking
    a12 = (reverse[1] - terms.isolation) / terms.transmission_tracking
    e11, e22 = terms.source_match, terms.load_match
    d = (1.0 + a11 * e11) * (1.0 + a22 * e11) - a21 * a12 * e22**2
    s = np.empty((*a11.shape, 2, 2), complex)
    s[:, 0, 0] = (a11 * (1.0 + a22 * e11) - e22 * a21 * a12) / d
    s[:, 1, 1] = (a22 * (1.0 + a11 * e11) - e22 * a21 * a12) / d
    s[:, 1, 0] = a21 * (1.0 + a22 * (e11 - e22)) / d
    s[:, 0, 1] = a12 * (1.0 + a11 * (e11 - e22)) / d
    return s


def on_grid(terms: ErrorTerms, frequency_hz: NDArray[np.float64]) -> ErrorTerms:
    """The terms at other frequencies (K,) within the calibrated span. Raises ValueError outside it, or when the
    calibration's points stand too far apart to be interpolated."""
    f, known = np.asarray(frequency_hz, float), terms.frequency_hz
    if f.shape == known.shape and np.allclose(f, known, rtol=0.0, atol=0.5):
        return terms
    slack = 0.01 * float(known[1] - known[0])
    if f[0] < known[0] - slack or f[-1] > known[-1] + slack:
        raise ValueError(
            f"calibrated from {known[0] / 1e6:.4f} to {known[-1] / 1e6:.4f} MHz, the sweep leaves that: calibrate wider"
        )
    error_db = interpolation_error_db(terms)
    if error_db > LARGEST_INTERPOLATION_DB:
        raise ValueError(
            f"calibration points stand too far apart to interpolate ({error_db:.2f} dB): calibrate with more points,"
            " or on the sweep's own"
        )
    values = {name: _spline(known, getattr(terms, name), f) for name in _TERMS}
    return ErrorTerms(f, **values)


_TERMS = tuple(field.name for field in fields(ErrorTerms) if field.name != "frequency_hz")


def interpolation_error_db(terms: ErrorTerms) -> float:
    """How far a spline through every second point misses the others, taken down to the step that is there: the
    tracking terms' worst error in dB. Infinite with too few points to tell."""
    f = terms.frequency_hz
    if f.size < 2 * FEWEST_POINTS:
        return math.inf
    worst = 0.0
    for values in (terms.reflection_tracking, terms.transmission_tracking):
        guess = _spline(f[::2], values[::2], f[1:-1:2])
        missed = np.abs(guess - values[1:-1:2]) / np.abs(values[1:-1:2])
        inner = missed[1:-1]  # the ends of a spline are worse than anything between
        worst = max(worst, float(inner.max()) / SPLINE_GAIN)
    return amplitude_db(1.0 + worst)


def _spline(known_hz: NDArray[np.float64], values: Complex, f: NDArray[np.float64]) -> Complex:
    from scipy.interpolate import CubicSpline  # noqa: PLC0415 - heavy imports stay out of start-up

    scale = float(known_hz[-1] - known_hz[0])
    return np.asarray(CubicSpline((known_hz - known_hz[0]) / scale, values)((f - known_hz[0]) / scale), np.complex128)
