"""Lines: the speed of light, what cables make of it, lengths in wavelengths.

Owns: the velocity factors of the whole program. Refuses: to know which cable it is.
"""

from __future__ import annotations

from dataclasses import dataclass

SPEED_OF_LIGHT = 299_792_458.0

SOLID, PTFE, SUPERFLEXIBLE, FOAM, FOIL_FOAM, CORRUGATED = 0.66, 0.695, 0.82, 0.84, 0.85, 0.88
"""Velocity factors of solid polyethylene (1 / sqrt 2.3), solid PTFE (1 / sqrt 2.05), superflexible corrugated foam,
foam, foam within a foil, and corrugated foam line (common practice)."""


@dataclass(frozen=True, slots=True)
class Velocity:
    """Velocity factor of a cable: the likeliest and the limits between which it lies."""

    value: float
    low: float
    high: float


UNKNOWN_CABLE = Velocity(FOAM, SOLID, CORRUGATED)
"""Feeders in use run from solid polyethylene to corrugated foam line; foam lies between."""

TOLD_HALF = 0.01
"""Half-width of a velocity factor that is read from a sheet."""


def told_velocity(factor: float) -> Velocity:
    """A velocity factor as somebody typed it, with what a sheet's number leaves open."""
    return Velocity(factor, factor - TOLD_HALF, min(factor + TOLD_HALF, 1.0))


def line_m(frequency_hz: float, waves: float, velocity_factor: float) -> float:
    """Length of `waves` wavelengths of line in metres."""
    return SPEED_OF_LIGHT * velocity_factor * waves / frequency_hz
