"""The duplexer on the simulated bench: a three-port circuit of cavity branches on harness lines.

Owns: the circuit (chain matrices of lossy lines and shunt cavity branches, joined at the tee), the units that ship
as TOML, and turning their screws. Refuses: to share code with `rf/`'s fitted model, so that a fit is never tested on
its own formula.

Ports are numbered A, L, H = 0, 1, 2. A cavity branch is a series resonator (the notch) beside a fixed reactance that
cancels it at the pass channel. On a band-reject unit the rod moves the notch only; on a pass-reject unit it moves
pass and notch together and the trimmer moves the notch alone. On a band-pass unit a side is a row of coupled resonators
(see `cavity`); a rod moves its resonator; there are no trimmers.
"""

from __future__ import annotations

import importlib.resources
import math
import tomllib
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from protocol.simulated.cavity import Chain, coupled, shunt, times

Z0_OHM = 50.0
PORTS = "ALH"
REFERENCE_C = 20.0
"""Temperature at which a unit's notches stand where its file says."""

FOLLOWS = 2.0
"""The reactance of a band-reject cavity follows its rod so that the pass stays, up to this factor either way: a notch
that is turned onto the pass channel or beyond it leaves the pass wrong."""


@dataclass(slots=True)
class Cavity:
    """One cavity: how far its rod and its trimmer stand from nominal, and what it loses."""

    unloaded_q: float
    resistance_ohm: float
    rod_hz: float = 0.0
    trimmer_hz: float = 0.0
    worn: float = 1.0
    """Share of its Q that is left."""


@dataclass(slots=True)
class Duplexer:
    """A unit with `low_hz` and `high_hz`, the cavities of both sides and its harness."""

    low_hz: float
    high_hz: float
    kind: str
    sides: dict[str, list[Cavity]]
    harness_quarters: float = 1.0
    line_loss_db: float = 0.0
    ppm_per_k: float = 2.0
    temperature_c: float = field(default=REFERENCE_C)
    couplings: list[float] = field(default_factory=list)
    """Of a band-pass side: between neighbours, as share of the frequency."""
    external_q: float = math.inf
    """Of a band-pass side: at both of its loops."""

    def channels(self, side: str) -> tuple[float, float]:
        """Pass and reject frequency of a side in hertz."""
        return (self.low_hz, self.high_hz) if side == "L" else (self.high_hz, self.low_hz)

    def turn(self, side: str, number: int, by_hz: float, *, trimmer: bool = False) -> None:
        """Turn a screw of cavity `number` (from 1) so that its notch moves by `by_hz`. Raises ValueError."""
        cavity = self._cavity(side, number)
        if trimmer and self.kind == "band-pass":
            raise ValueError("a band-pass unit has no trimmers")
        if trimmer:
            cavity.trimmer_hz += by_hz
        else:
            cavity.rod_hz += by_hz

    def wear(self, side: str, number: int, share: float) -> None:
        """Leave a cavity `share` of the Q that it was made with: it loses more, and its notch is shallower. Raises
        ValueError."""
        if not 0.0 < share <= 1.0:
            raise ValueError("a cavity keeps more than 0 and at most 1 of its Q")
        cavity = self._cavity(side, number)
        cavity.unloaded_q *= share / cavity.worn
        cavity.resistance_ohm *= cavity.worn / share
        cavity.worn = share

    def _cavity(self, side: str, number: int) -> Cavity:
        if side not in self.sides or not 1 <= number <= len(self.sides[side]):
            raise ValueError(f"no cavity {side} {number}")
        return self.sides[side][number - 1]

    def notch_hz(self, side: str) -> list[float]:
        """Where each notch of a side stands now, in hertz; of a band-pass side each resonator."""
        passing, reject = self.channels(side)
        stretch = 1.0 - self.ppm_per_k * 1e-6 * (self.temperature_c - REFERENCE_C)
        if self.kind == "band-pass":
            return [(passing + c.rod_hz) * stretch for c in self.sides[side]]
        return [(reject + c.rod_hz + c.trimmer_hz) * stretch for c in self.sides[side]]

    def s(self, frequency_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
        """S-parameters, shape (K, 3, 3), port order A, L, H, in 50 ohm."""
        f = np.asarray(frequency_hz, float)
        y = np.zeros((*f.shape, 3, 3), complex)
        for port, side in ((1, "L"), (2, "H")):
            a, b, _, d = self._branch(f, side)
            y[..., 0, 0] += d / b
            y[..., 0, port] -= 1.0 / b
            y[..., port, 0] -= 1.0 / b
            y[..., port, port] += a / b
        one = np.broadcast_to(np.eye(3), y.shape)
        return np.asarray(np.linalg.solve(one + Z0_OHM * y, one - Z0_OHM * y))

    def _branch(self, f: NDArray[np.float64], side: str) -> Chain:
        """Chain matrix from the tee to the side port."""
        passing, reject = self.channels(side)
        quarter = self.harness_quarters
        stretch = 1.0 - self.ppm_per_k * 1e-6 * (self.temperature_c - REFERENCE_C)
        chain = _line(f, reject, quarter, self.line_loss_db)
        if self.kind == "band-pass":
            qualities = [cavity.unloaded_q for cavity in self.sides[side]]
            row = coupled(f, self.notch_hz(side), qualities, self.couplings, self.external_q, self.external_q)
            return times(times(chain, row), _line(f, reject, 0.5, self.line_loss_db))
        for index, (cavity, notch) in enumerate(zip(self.sides[side], self.notch_hz(side), strict=True)):
            moved = passing + (cavity.rod_hz if self.kind == "pass-reject" else 0.0)
            beside = _beside(notch, moved * stretch, cavity)
            if self.kind == "band-reject":
                made = _beside(reject * stretch, passing * stretch, cavity)
                beside = made * min(max(beside / made, 1.0 / FOLLOWS), FOLLOWS)
            chain = times(chain, shunt(_cavity(f, notch, moved * stretch, cavity, beside)))
            if index < len(self.sides[side]) - 1:
                chain = times(chain, _line(f, reject, quarter, self.line_loss_db))
        return times(chain, _line(f, reject, 0.5, self.line_loss_db))


def _line(f: NDArray[np.float64], quarter_hz: float, quarters: float, loss_db: float) -> Chain:
    """A line that is `quarters` quarter waves long at `quarter_hz` and loses `loss_db` per quarter wave (Pozar,
    table 4.1)."""
    gamma = quarters * (loss_db * math.log(10.0) / 20.0 + 1j * math.pi / 2.0 * f / quarter_hz)
    cosh, sinh = np.cosh(gamma), np.sinh(gamma)
    return cosh, Z0_OHM * sinh, sinh / Z0_OHM, cosh


def _series(f: Any, notch_hz: float, cavity: Cavity) -> Any:
    """Impedance of the resonator r (1 + jQ(f/fn - fn/f)), in ohm."""
    return cavity.resistance_ohm * (1.0 + 1j * cavity.unloaded_q * (f / notch_hz - notch_hz / f))


def _beside(notch_hz: float, pass_hz: float, cavity: Cavity) -> float:
    """Susceptance in siemens that cancels the resonator at the pass channel."""
    return float(-np.imag(1.0 / _series(pass_hz, notch_hz, cavity)))


def _cavity(
    f: NDArray[np.float64], notch_hz: float, pass_hz: float, cavity: Cavity, susceptance: float
) -> NDArray[np.complex128]:
    """Admittance of the resonator beside a reactance of that susceptance at the pass channel."""
    slope = f / pass_hz if susceptance > 0 else pass_hz / f
    return np.asarray(1.0 / _series(f, notch_hz, cavity) + 1j * susceptance * slope)


def load_unit(name: str) -> Duplexer:
    """A unit that ships with the program (U6, V6, V4, ...). Raises ValueError for an unknown name."""
    folder = importlib.resources.files("fixtures") / "duplexers"
    path = folder / f"{name}.toml"
    if not name.replace("-", "").isalnum() or not path.is_file():
        known = sorted(str(entry.name)[:-5] for entry in folder.iterdir() if str(entry.name).endswith(".toml"))
        raise ValueError(f"no unit {name!r}; there are {', '.join(known)}")
    return make_unit(tomllib.loads(path.read_text(encoding="utf-8")))


def make_unit(table: dict[str, Any]) -> Duplexer:
    """A unit from the keys of its file."""
    band_pass = table["kind"] == "band-pass"  # its cavities lie in the path, none is a branch with a depth of its own
    resistance = 0.0 if band_pass else Z0_OHM / 2.0 / (10.0 ** (table["cavity_depth_db"] / 20.0) - 1.0)
    count, q = table["cavities"], table["unloaded_q"]

    def side(name: str) -> list[Cavity]:
        errors = table.get(f"{name}_errors_hz", [0.0] * count)
        spread = table.get("q_spread", [1.0] * count)
        return [Cavity(q * share, resistance / share, error) for error, share in zip(errors, spread, strict=True)]

    return Duplexer(
        low_hz=table["low_hz"],
        high_hz=table["high_hz"],
        kind=table["kind"],
        sides={"L": side("low"), "H": side("high")},
        harness_quarters=table.get("harness_quarters", 1.0),
        line_loss_db=table.get("line_loss_db", 0.0),
        ppm_per_k=table.get("ppm_per_k", 2.0),
        couplings=table.get("couplings", []),
        external_q=table.get("external_q", math.inf),
    )
