"""What every simulated dialect has in common: settings within limits, and replies as a list of things to do.

Owns: `Data` (a reply that carries measured values), `Wait`, `Drop`, the limits check. Refuses: to touch a port.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np

from protocol.simulated.instrument import BANDWIDTHS_HZ, Instrument, SimulatedSweep


class Data(bytes):
    """A reply with measured values in it; faults are done to these."""


@dataclass(frozen=True, slots=True)
class Wait:
    """Simulated seconds to let pass before what follows."""

    seconds: float


class Drop:
    """Forget what was still to be sent (the sweep was broken off)."""


Action = bytes | Wait | Drop


class Dialect(Protocol):
    """A server for one family of commands."""

    front: Front
    wrong_count: int
    """So many of the next traces lack a point."""
    refusals: int
    """So many of the next data queries are refused."""

    def feed(self, data: bytes) -> list[Action]:
        """Take bytes from the wire, give what is to be done."""

    def restart(self) -> None:
        """Forget what only the dialect holds; the instrument forgets its settings by itself."""


class Refusal(Exception):  # noqa: N818 - not an error of the program: the instrument says no
    """The instrument says no; `code` is the SCPI error number."""

    def __init__(self, code: int, words: str) -> None:
        super().__init__(words)
        self.code, self.words = code, words


class Front:
    """The instrument's front end shared by the dialects: settings with limits, and the last sweep."""

    def __init__(self, instrument: Instrument) -> None:
        self.instrument = instrument
        self.last: SimulatedSweep | None = None
        self.misheard = 0
        """So many settings to come are not understood, as when another program typed in between."""

    @property
    def identity(self) -> str:
        """Maker, model, serial number and firmware, as IEEE 488.2 has them for *IDN?."""
        return f"Invented Instruments,Bench Two-Port,{self.instrument.options.serial},1.0"

    def set_value(self, name: str, value: float) -> None:
        """Set start_hz, stop_hz, points, bandwidth_hz or level_dbm. Raises Refusal outside the limits, unless the
        instrument clips quietly."""
        if self.misheard:
            self.misheard -= 1
            raise Refusal(-113, "Undefined header")
        low, high = self.range_of(name)
        if not low <= value <= high:
            if not self.instrument.options.clamp_quietly:
                raise Refusal(-222, "Data out of range")
            value = min(max(value, low), high)
        if name == "points":
            self.instrument.points = int(value)
            return
        if name == "bandwidth_hz":
            value = min(BANDWIDTHS_HZ, key=lambda known: abs(np.log(known / value)))
        setattr(self.instrument, name, float(value))

    def value(self, name: str) -> float:
        """A setting as it stands."""
        return float(getattr(self.instrument, name))

    def range_of(self, name: str) -> tuple[float, float]:
        """Lowest and highest value of a setting."""
        o = self.instrument.options
        return {
            "start_hz": (o.start_hz, o.stop_hz),
            "stop_hz": (o.start_hz, o.stop_hz),
            "points": (float(o.min_points), float(o.max_points)),
            "bandwidth_hz": (BANDWIDTHS_HZ[0], BANDWIDTHS_HZ[-1]),
            "level_dbm": (-40.0, 0.0),
        }[name]

    def sweep(self) -> float:
        """Take a sweep; returns its simulated seconds. Raises Refusal when start lies above stop."""
        if self.instrument.start_hz >= self.instrument.stop_hz:
            raise Refusal(-221, "Settings conflict")
        self.last = self.instrument.sweep()
        return self.last.duration_s
