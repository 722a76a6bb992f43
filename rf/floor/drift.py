"""Slow change over repeated sweeps: the phase by which a sweep has drifted against the others.

Owns: the phase from the strong samples. Refuses: to call a change a drift that the scatter explains.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

PHASE_SIGMAS = 3.0
"""Phase scatter this many times what noise explains is drift and is removed."""

STRONG = 100.0
"""A sample helps to tell the phase of its sweep when its power is this many times the noise: 20 dB."""


def phase_against(sweep: NDArray[np.complex128], reference: NDArray[np.complex128], noise_power: float) -> float:
    """Phase in radians of one sweep (K,) against a reference (K,); 0 where noise could be all of it."""
    strong = np.abs(reference) ** 2 > STRONG * noise_power
    if not strong.any():
        return 0.0
    phase = float(np.angle(np.vdot(reference[strong], sweep[strong])))
    sigma = math.sqrt(noise_power / float((np.abs(reference[strong]) ** 2).sum()))
    return phase if abs(phase) > PHASE_SIGMAS * sigma else 0.0
