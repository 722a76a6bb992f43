"""What a calibration kit's parts are: reflection of short, open and load, transmission of the thru, over frequency.

Owns: the three ways to define a part (ideal, polynomial with an offset line, measured table). Refuses: files; tables
come as arrays.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Z0_OHM = 50.0
Complex = NDArray[np.complex128]


@dataclass(frozen=True, slots=True)
class Offset:
    """A piece of line before the part: one-way delay, loss in ohm per second at 1 GHz, impedance.

    Loss rises with the root of frequency (skin effect); common practice of kit definitions.
    """

    delay_s: float = 0.0
    loss_ohm_per_s: float = 0.0
    impedance_ohm: float = Z0_OHM

    def gamma_length(self, frequency_hz: NDArray[np.float64]) -> Complex:
        """Propagation constant times length, (K,): alpha l + j (omega tau + alpha l)."""
        alpha = self.loss_ohm_per_s * self.delay_s / (2.0 * self.impedance_ohm) * np.sqrt(frequency_hz / 1e9)
        return np.asarray(alpha + 1j * (2.0 * np.pi * frequency_hz * self.delay_s + alpha))


@dataclass(frozen=True, slots=True)
class Part:
    """One one-port standard.

    `kind` is "short", "open" or "load". `polynomial` holds up to four coefficients over frequency in hertz: an open's
    fringing capacitance in farad, a short's or load's series inductance in henry. `table` (frequency, reflection) is a
    measured part and overrides the rest.
    """

    kind: str
    offset: Offset = Offset()
    polynomial: tuple[float, ...] = ()
    resistance_ohm: float = Z0_OHM
    return_loss_db: float = 35.0
    """How well a load is known; its residual reflection bounds what the calibration can tell of a match."""
    table: tuple[NDArray[np.float64], Complex] | None = None

    def reflection(self, frequency_hz: NDArray[np.float64]) -> Complex:
        """Reflection coefficient (K,) in 50 ohm. Raises ValueError where a table does not reach."""
        if self.table is not None:
            return _looked_up(frequency_hz, *self.table)
        omega = 2.0 * np.pi * frequency_hz
        value = sum((c * frequency_hz**power for power, c in enumerate(self.polynomial)), np.zeros(frequency_hz.shape))
        line_ohm = self.offset.impedance_ohm
        if self.kind == "open":
            y = 1j * omega * value * line_ohm
            end = (1.0 - y) / (1.0 + y)
        else:
            z = 1j * omega * value + (self.resistance_ohm if self.kind == "load" else 0.0)
            end = (z - line_ohm) / (z + line_ohm)
        seen = end * np.exp(-2.0 * self.offset.gamma_length(frequency_hz))
        if line_ohm == Z0_OHM:
            return np.asarray(seen, np.complex128)
        impedance = line_ohm * (1.0 + seen) / np.where(seen == 1.0, 1e-12, 1.0 - seen)
        return np.asarray((impedance - Z0_OHM) / (impedance + Z0_OHM), np.complex128)


@dataclass(frozen=True, slots=True)
class Thru:
    """The thru: a matched line, or a measured transmission `table` (frequency, S21)."""

    offset: Offset = Offset()
    table: tuple[NDArray[np.float64], Complex] | None = None

    def transmission(self, frequency_hz: NDArray[np.float64]) -> Complex:
        """S21 (K,). Raises ValueError where a table does not reach."""
        if self.table is not None:
            return _looked_up(frequency_hz, *self.table)
        return np.asarray(np.exp(-self.offset.gamma_length(frequency_hz)), np.complex128)


@dataclass(frozen=True, slots=True)
class Kit:
    """Short, open, load and thru, with the name that stands on the box."""

    name: str
    short: Part
    open: Part
    load: Part
    thru: Thru

    def part(self, kind: str) -> Part:
        """The one-port standard of that kind."""
        return {"short": self.short, "open": self.open, "load": self.load}[kind]


def _looked_up(frequency_hz: NDArray[np.float64], known_hz: NDArray[np.float64], value: Complex) -> Complex:
    slack = 1e-9 * float(known_hz[-1])
    if frequency_hz[0] < known_hz[0] - slack or frequency_hz[-1] > known_hz[-1] + slack:
        raise ValueError(
            f"the part was measured from {known_hz[0] / 1e6:g} to {known_hz[-1] / 1e6:g} MHz only; the sweep goes from"
            f" {frequency_hz[0] / 1e6:g} to {frequency_hz[-1] / 1e6:g} MHz"
        )
    real = np.interp(frequency_hz, known_hz, value.real)
    return np.asarray(real + 1j * np.interp(frequency_hz, known_hz, value.imag))
