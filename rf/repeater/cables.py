"""Coaxial cables by open classes: impedance, velocity, loss per 100 m, as handbooks give them.

Owns: the table and its arithmetic. Refuses: makers and brands, and to be a measurement: what follows is INFERRED.

Sources: designations, dielectrics and dimensions of RG types as in MIL-C-17 and IEC 60096; velocity is 1 / sqrt(er),
er 2.3 for solid polyethylene, 2.05 for PTFE; losses are nominal ones as amateur-radio and broadcast handbooks print
them, from memory, rounded, with `LOSS_SHARE` for what samples, age and warmth change. Lines without an RG number stand
by their size.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from rf.values.figure import Figure, inferred
from rf.values.match import CORRUGATED, FOIL_FOAM, PTFE, SOLID, SUPERFLEXIBLE, Velocity

LOSS_SHARE = 0.15
"""Half-width of a nominal loss, as a share of it (common practice: batches, age, 20 K of warmth)."""

SOLID_PE, SOLID_PTFE = Velocity(SOLID, 0.65, 0.67), Velocity(PTFE, 0.685, 0.705)
FOIL = Velocity(FOIL_FOAM, 0.83, 0.87)
HARD = Velocity(CORRUGATED, 0.87, 0.89)
SUPER = Velocity(SUPERFLEXIBLE, 0.80, 0.84)


@dataclass(frozen=True, slots=True)
class Cable:
    """A class of cable: losses in dB per 100 m at 100 and 400 MHz, one way."""

    name: str
    says: str
    impedance_ohm: float
    velocity: Velocity
    loss_100: float
    loss_400: float

    def nominal_db(self, frequency_hz: float, metres: float) -> float:
        """Loss one way: k1 sqrt(f) of the conductors and k2 f of the dielectric, through both tabled points."""
        mhz = frequency_hz / 100e6
        dielectric = (self.loss_400 - 2.0 * self.loss_100) / 2.0
        conductors = self.loss_100 - dielectric
        return (conductors * math.sqrt(mhz) + dielectric * mhz) * metres / 100.0

    def loss(self, frequency_hz: float, metres: float) -> Figure:
        """Loss one way in dB: INFERRED, from the table."""
        nominal = self.nominal_db(frequency_hz, metres)
        return inferred(
            nominal, nominal * (1.0 - LOSS_SHARE), nominal * (1.0 + LOSS_SHARE), "dB", limited_by="cable table"
        )


CABLES = (
    Cable("RG-174", "thin, solid polyethylene", 50.0, SOLID_PE, 29.0, 62.0),
    Cable("RG-58", "5 mm, solid polyethylene", 50.0, SOLID_PE, 16.0, 37.0),
    Cable("RG-223", "5 mm, solid polyethylene, two braids", 50.0, SOLID_PE, 15.0, 33.0),
    Cable("RG-142", "5 mm, solid PTFE, two braids", 50.0, SOLID_PTFE, 13.0, 27.0),
    Cable("RG-400", "5 mm, solid PTFE, two braids, stranded", 50.0, SOLID_PTFE, 14.0, 30.0),
    Cable("RG-213", "10 mm, solid polyethylene", 50.0, SOLID_PE, 7.0, 15.5),
    Cable("RG-214", "10 mm, solid polyethylene, two braids", 50.0, SOLID_PE, 7.0, 15.5),
    Cable("RG-218", "22 mm, solid polyethylene", 50.0, SOLID_PE, 3.1, 7.2),
    Cable("RG-59", "6 mm, solid polyethylene", 75.0, SOLID_PE, 11.0, 23.0),
    Cable("RG-11", "10 mm, solid polyethylene", 75.0, SOLID_PE, 7.3, 15.7),
    Cable("foam-6mm", "6 mm foam, foil and braid", 50.0, FOIL, 8.0, 16.3),
    Cable("foam-10mm", "10 mm foam, foil and braid", 50.0, FOIL, 4.1, 8.4),
    Cable("foam-15mm", "15 mm foam, foil and braid", 50.0, FOIL, 2.55, 5.3),
    Cable("superflex-1/2", "1/2 inch superflexible corrugated foam", 50.0, SUPER, 3.3, 6.9),
    Cable("hard-1/2", "1/2 inch corrugated foam", 50.0, HARD, 2.15, 4.45),
    Cable("hard-7/8", "7/8 inch corrugated foam", 50.0, HARD, 1.18, 2.48),
    Cable("hard-1-1/4", "1 1/4 inch corrugated foam", 50.0, HARD, 0.86, 1.85),
    Cable("hard-1-5/8", "1 5/8 inch corrugated foam", 50.0, HARD, 0.70, 1.50),
)

SOURCE = (
    "classes of MIL-C-17 and IEC 60096, and by size; losses nominal, from memory of handbooks,"
    f" {100 * LOSS_SHARE:.0f} % either way"
)


def find_cable(name: str) -> Cable | None:
    """A cable by its name, however it is spelt ("rg213", "RG-58C/U"); None for an unknown one."""
    wanted = _plain(name)
    return next((cable for cable in CABLES if _plain(cable.name) in (wanted, wanted.rstrip("ABCU"))), None)


def _plain(words: str) -> str:
    return "".join(letter for letter in words.upper() if letter.isalnum())
