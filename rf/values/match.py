"""Small arithmetic of matching: standing wave ratio, return loss, mismatch loss, lengths of line.

Owns: the closed forms. Refuses: everything else.
"""

from __future__ import annotations

import math

SPEED_OF_LIGHT = 299_792_458.0

SOLID, FOAM, CORRUGATED = 0.66, 0.84, 0.88
"""Velocity factors of solid polyethylene, foam, and corrugated foam line (common practice)."""


def reflection_of_vswr(vswr: float) -> float:
    """|G| = (VSWR - 1) / (VSWR + 1)."""
    return (vswr - 1.0) / (vswr + 1.0)


def return_loss_db(reflection: float) -> float:
    """-20 log |G|."""
    return -20.0 * math.log10(reflection)


def mismatch_loss_db(reflection: float) -> float:
    """Power that a reflection keeps from the load: -10 log (1 - |G|^2)."""
    return -10.0 * math.log10(1.0 - reflection**2)


def line_m(frequency_hz: float, waves: float, velocity_factor: float) -> float:
    """Length of `waves` wavelengths of line in metres."""
    return SPEED_OF_LIGHT * velocity_factor * waves / frequency_hz
