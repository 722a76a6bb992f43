"""Closed forms of cavities: drift with temperature.

Owns: the formulas with their sources. Refuses: a promise; what a drift costs is `rf.notch.holding`'s.
"""

from __future__ import annotations

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
