"""What hangs between the simulated analyzer's two leads: which ports, what closes the third, and what was forgotten.

Owns: reducing a three-port to the two-port the analyzer sees, pads and jumpers in the path, leads off or joined.
Refuses: instrument errors (see `instrument`).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from protocol.simulated.cavity import SingleCavity
from protocol.simulated.duplexer import PORTS, Z0_OHM, Duplexer
from protocol.simulated.feeder import ENDS, Feeder

SHORT_DELAY_S, OPEN_FARAD = 5e-12, 50e-15

SMALL_LEAK = 1e-9
"""Transmission of a path that is open: nothing a receiver could find, but not a zero."""

PART_WORDS = ("part", "part-back")
CAVITY, CAVITY_ONE = CAVITY_WORDS = ("cavity", "cavity-one")

TwoPort = NDArray[np.complex128]
"""S-parameters, shape (K, 2, 2)."""


@dataclass(slots=True)
class HookUp:
    """How the leads hang. `third` maps a port letter to the reflection that closes it when no lead is on it."""

    driven: str = "A"
    read: str = "L"
    joined: bool = False
    on_loads: bool = False
    standard: str = ""
    """A part of the calibration kit (or the antenna's feeder) on lead 1, lead 2 hanging on a load."""
    feeder: Feeder = field(default_factory=Feeder)
    cavity: SingleCavity = field(default_factory=SingleCavity)
    """A cavity taken out of its chain."""
    amp_db: float = 0.0
    """Gain of an amplifier before port 2; it lies in front of what leaks inside the instrument."""
    closing: dict[str, complex] = field(default_factory=dict)
    pads_db: dict[int, float] = field(default_factory=dict)
    jumper_quarters: float = 0.0
    jumper_hz: float = 1.0
    part: Callable[[NDArray[np.float64]], NDArray[np.complex128]] | None = None
    """A recorded two-port that may hang between the leads in the duplexer's place."""
    gap_farad: float | None = None
    lead_off: int | None = None
    recorded: Callable[[NDArray[np.float64]], NDArray[np.complex128]] | None = None
    """A recorded two- or three-port in place of the duplexer: frequency (K,) to S (K, n, n)."""

    def connect(self, driven: str, read: str) -> None:
        """Hang port 1 on `driven`, port 2 on `read`. Raises ValueError."""
        if driven not in PORTS or read not in PORTS or driven == read:
            raise ValueError(f"can't connect {driven} and {read}: use two of A, L, H")
        self.driven, self.read, self.lead_off = driven, read, None
        self.hang("")

    def hang(self, what: str) -> None:
        """Hang something other than the duplexer on the leads: thru, loads, short, open, load, the feeder with one of
        its ends; "" the duplexer."""
        self.joined, self.on_loads = what == "thru", what == "loads"
        self.standard = "" if what in ("", "thru", "loads") else what

    def two_port(self, unit: Duplexer, frequency_hz: NDArray[np.float64]) -> TwoPort:
        """What port 1 and port 2 of the analyzer see, (K, 2, 2)."""
        count = frequency_hz.size
        if self.on_loads:
            matched = np.zeros((count, 2, 2), complex)
            matched[:, 0, 0] = matched[:, 1, 1] = 10 ** (-40 / 20)
            matched[:, 0, 1] = matched[:, 1, 0] = SMALL_LEAK
            return matched
        if self.standard == CAVITY:
            return self._path(self.cavity.s(frequency_hz), frequency_hz)
        if self.standard in PART_WORDS and self.part is not None:
            seen = self.part(frequency_hz)
            return self._path(seen if self.standard == PART_WORDS[0] else seen[:, ::-1, ::-1], frequency_hz)
        if self.standard:
            return self._standard(frequency_hz)
        if self.joined:
            return self._path(_lossless_through(count), frequency_hz)
        if self.lead_off is not None:
            return self._off(unit, frequency_hz)
        return self._path(self._device(unit, frequency_hz), frequency_hz)

    def _device(self, unit: Duplexer, frequency_hz: NDArray[np.float64]) -> TwoPort:
        three = unit.s(frequency_hz) if self.recorded is None else self.recorded(frequency_hz)
        if three.shape[1] == 2:
            return three
        a, b = PORTS.index(self.driven), PORTS.index(self.read)
        c = 3 - a - b
        return close_port(three, a, b, c, self._closing(PORTS[c], frequency_hz))

    def _standard(self, frequency_hz: NDArray[np.float64]) -> TwoPort:
        """A one-port on lead 1. The open has 50 fF of fringing, the short 5 ps of line: what a real kit departs by."""
        omega = 2.0 * np.pi * frequency_hz
        seen = np.full((frequency_hz.size, 2, 2), SMALL_LEAK, complex)
        seen[:, 1, 1] = 10 ** (-40 / 20)
        if self.standard == CAVITY_ONE:
            seen[:, 0, 0] = self.cavity.one_port(frequency_hz)
            return seen
        if self.standard in ENDS:
            seen[:, 0, 0] = self.feeder.seen(frequency_hz, self.standard)
            return seen
        seen[:, 0, 0] = {
            "short": -np.exp(-2j * omega * SHORT_DELAY_S),
            "open": (1 - 1j * omega * OPEN_FARAD * Z0_OHM) / (1 + 1j * omega * OPEN_FARAD * Z0_OHM),
            "load": np.full(omega.shape, 10 ** (-40 / 20), complex),
        }[self.standard]
        return seen

    def _closing(self, port: str, frequency_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
        reflection = self.closing.get(port, 0.0)
        if abs(reflection) == 1.0:
            return np.full(frequency_hz.shape, reflection, complex)
        # A real load's reflection turns as it goes up in frequency: 20 cm of line inside and before it.
        return np.asarray(reflection * np.exp(-4j * np.pi * frequency_hz * 0.2 / 3e8))

    def _off(self, unit: Duplexer, frequency_hz: NDArray[np.float64]) -> TwoPort:
        """One lead hangs in the air; the port it came from is open too."""
        seen = np.full((frequency_hz.size, 2, 2), SMALL_LEAK, complex)
        seen[:, 0, 0] = seen[:, 1, 1] = 0.99
        if self.lead_off == 2 and (self.recorded is None):
            a, b = PORTS.index(self.driven), PORTS.index(self.read)
            c = 3 - a - b
            both = close_port(unit.s(frequency_hz), a, b, c, self._closing(PORTS[c], frequency_hz))
            seen[:, 0, 0] = both[:, 0, 0] + both[:, 0, 1] * both[:, 1, 0] / (1.0 - both[:, 1, 1])
        return seen

    def _path(self, device: TwoPort, frequency_hz: NDArray[np.float64]) -> TwoPort:
        """Add what lies in the leads: pads, a jumper before port 2, a gap in the centre pin of port 2."""
        if 1 in self.pads_db:
            device = cascade(_pad(frequency_hz.size, self.pads_db[1]), device)
        if self.jumper_quarters:
            device = cascade(device, _jumper(frequency_hz, self.jumper_quarters, self.jumper_hz))
        if self.gap_farad is not None:
            device = cascade(device, _gap(frequency_hz, self.gap_farad))
        if 2 in self.pads_db:
            device = cascade(device, _pad(frequency_hz.size, self.pads_db[2]))
        return device


def close_port(three: NDArray[np.complex128], a: int, b: int, c: int, reflection: NDArray[np.complex128]) -> TwoPort:
    """Two-port between ports a and b of a three-port (K, 3, 3) whose port c is closed by `reflection` (K,)."""
    loop = reflection / (1.0 - reflection * three[:, c, c])
    out = np.empty((three.shape[0], 2, 2), complex)
    for row, i in enumerate((a, b)):
        for column, j in enumerate((a, b)):
            out[:, row, column] = three[:, i, j] + three[:, i, c] * loop * three[:, c, j]
    return out


def cascade(first: TwoPort, second: TwoPort) -> TwoPort:
    """Two two-ports one behind the other (signal flow graph of two S-matrices)."""
    loop = 1.0 / (1.0 - first[:, 1, 1] * second[:, 0, 0])
    out = np.empty_like(first)
    out[:, 0, 0] = first[:, 0, 0] + first[:, 0, 1] * first[:, 1, 0] * second[:, 0, 0] * loop
    out[:, 1, 0] = first[:, 1, 0] * second[:, 1, 0] * loop
    out[:, 0, 1] = first[:, 0, 1] * second[:, 0, 1] * loop
    out[:, 1, 1] = second[:, 1, 1] + second[:, 1, 0] * second[:, 0, 1] * first[:, 1, 1] * loop
    return out


def _lossless_through(count: int) -> TwoPort:
    through = np.zeros((count, 2, 2), complex)
    through[:, 0, 1] = through[:, 1, 0] = 1.0
    return through


def _pad(count: int, loss_db: float) -> TwoPort:
    return np.asarray(_lossless_through(count) * 10.0 ** (-loss_db / 20.0))


def _jumper(frequency_hz: NDArray[np.float64], quarters: float, at_hz: float) -> TwoPort:
    turn = np.exp(-1j * math.pi / 2.0 * quarters * frequency_hz / at_hz)
    return np.asarray(_lossless_through(frequency_hz.size) * turn[:, None, None])


def _gap(frequency_hz: NDArray[np.float64], capacitance_farad: float) -> TwoPort:
    """A series capacitance: S11 = z / (z + 2), S21 = 2 / (z + 2), z = Z / Z0."""
    z = 1.0 / (2j * np.pi * frequency_hz * capacitance_farad) / Z0_OHM
    gap = np.empty((frequency_hz.size, 2, 2), complex)
    gap[:, 0, 0] = gap[:, 1, 1] = z / (z + 2.0)
    gap[:, 0, 1] = gap[:, 1, 0] = 2.0 / (z + 2.0)
    return gap
