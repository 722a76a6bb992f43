"""Lines: the speed of light, what cables make of it, lengths in wavelengths.

Owns: the velocity factors of the whole program. Refuses: to know which cable it is.
"""

from __future__ import annotations

SPEED_OF_LIGHT = 299_792_458.0

SOLID, FOAM, CORRUGATED = 0.66, 0.84, 0.88
"""Velocity factors of solid polyethylene, foam, and corrugated foam line (common practice)."""


def line_m(frequency_hz: float, waves: float, velocity_factor: float) -> float:
    """Length of `waves` wavelengths of line in metres."""
    return SPEED_OF_LIGHT * velocity_factor * waves / frequency_hz
