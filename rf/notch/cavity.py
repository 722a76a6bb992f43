"""Closed forms of cavities: drift with temperature, and how far a unit may warm before it leaves its goal.

Owns: the formulas with their sources. Refuses: a promise; a holding range is a note that rests on the metal's
coefficient.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

EXPANSION_PER_K: dict[str, float] = {
    "aluminium": 23.1e-6,
    "brass": 19.0e-6,
    "copper": 16.5e-6,
    "nickel-iron": 1.2e-6,
}
"""Linear expansion at 20 C (engineering tables; sources lie 3 % apart). A rod compensated with nickel-iron is taken as
1.2e-6."""


def drift_hz_per_k(frequency_hz: float, expansion_per_k: float) -> float:
    """A cavity that grows falls in frequency: df = -f a dT (study, F14)."""
    return -frequency_hz * expansion_per_k


@dataclass(frozen=True, slots=True)
class HoldingRange:
    """`shift_hz` that the notch may move before the rejection falls to the goal, and the kelvin that make it."""

    shift_hz: float
    kelvin: float
    metal: str


def bottom_unit_hz(bottom_width_hz: float) -> float:
    """Shift at which three equal cavities have risen by 30 log sqrt 2 dB: the bottom goes as (1 + x^2)^(n/2), and at
    +3 dB x = sqrt(2^(1/n) - 1) is half the width; n = 3 as in usual units."""
    return bottom_width_hz / 2.0 / math.sqrt(2.0 ** (1.0 / 3.0) - 1.0)


def holding_range(
    rejection_db: float, goal_db: float, notch_offset_hz: float, bottom_width_hz: float, frequency_hz: float, metal: str
) -> HoldingRange | None:
    """How far common drift may go: three equal cavities rise by 20 log|1 + j x|^3 with x the shift in half bottom
    widths (the bottom is +3 dB wide); None when the goal is missed already or nothing is known of the width.

    Raises KeyError for a metal that is not in `EXPANSION_PER_K`.
    """
    spare = rejection_db - goal_db
    if not (spare > 0.0 and bottom_width_hz > 0.0 and math.isfinite(notch_offset_hz)):
        return None
    reach = bottom_unit_hz(bottom_width_hz) * math.sqrt(10.0 ** (spare / 30.0) - 1.0)
    shift = max(reach - abs(notch_offset_hz), 0.0)
    return HoldingRange(shift, shift / abs(drift_hz_per_k(frequency_hz, EXPANSION_PER_K[metal])), metal)
