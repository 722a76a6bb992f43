"""Place and depth of a notch whose bottom stands above the floor: read, not inferred.

Owns: the local fit around the lowest samples and the bias that a coarse step would leave. Refuses: a bottom that
noise or leakage could have made, and one at the edge of the sweep.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rf.floor.bound import rejection_figure
from rf.values.figure import NORMAL_95, Figure, Kind, cant_say, reading

ABOVE_FLOOR = 100.0
"""The lowest sample's power must be this many times the noise (20 dB) for its neighbourhood to be fitted."""

FIT_POINTS = 7
"""At least so many samples are fitted."""

FLAT = 1.5
"""Power over the lowest up to which samples belong to the flat of the bottom: 1.8 dB."""


@dataclass(frozen=True, slots=True)
class Lowest:
    """Deepest point of the response: `place` in Hz and `depth` in positive dB re thru, READING or CAN'T SAY."""

    place: Figure
    depth: Figure


def lowest_point(
    frequency_hz: NDArray[np.float64],
    mean: NDArray[np.complex128],
    averaged_power: NDArray[np.float64],
    low_hz: float,
    high_hz: float,
    *,
    leakage: float | None = None,
    systematic_db: float = 0.0,
) -> Lowest:
    """Fit a complex quadratic to the samples around the lowest one within `low_hz`..`high_hz`; arrays (K,).

    The complex response is smooth where its magnitude has a cusp, so the fit carries no bias from a parabola through
    decibels. |c0 + c1 x + c2 x^2|^2 is lowest where its derivative, a cubic, vanishes. Half-width of the place by
    propagating the noise; a step too coarse for the bottom (fit residual above the noise) is refused.
    """
    inside = np.flatnonzero((frequency_hz >= low_hz) & (frequency_hz <= high_hz))
    if inside.size < FIT_POINTS:
        return _nothing("too few samples around the notch")
    low = int(inside[np.argmin(np.abs(mean[inside]))])
    if abs(mean[low]) ** 2 < ABOVE_FLOOR * averaged_power[low]:
        return _nothing("the bottom lies in the floor")
    half = max(_bottom_half(np.abs(mean) ** 2, low, averaged_power[low]), FIT_POINTS // 2)
    if low - half < 0 or low + half >= frequency_hz.size:
        return _nothing("the deepest point lies at the edge of the sweep")
    near = slice(low - half, low + half + 1)
    scale = float(frequency_hz[near][-1] - frequency_hz[near][0]) / 2.0
    x = (frequency_hz[near] - frequency_hz[low]) / scale
    basis = np.vander(x, 3, increasing=True)
    inverse = np.linalg.pinv(basis)
    c = inverse @ mean[near]
    noise = float(averaged_power[near].mean())
    residual = mean[near] - basis @ c
    misfit = float((np.abs(residual) ** 2).sum()) / (x.size - 3)
    if misfit > 6.0 * noise and misfit > (0.02 * abs(c[0])) ** 2:
        return _nothing("the step is too coarse for this bottom: zoom in")
    noise = max(noise, misfit)
    at = _minimum(c)
    if at is None:
        return _nothing("no lowest point inside the samples")
    value = complex(np.vander([at], 3, increasing=True)[0] @ c)
    weights = np.vander([at], 3, increasing=True)[0] @ inverse
    spread = _place_spread(c, at, inverse, noise)
    place = float(frequency_hz[low]) + at * scale
    depth = rejection_figure(
        value, float((np.abs(weights) ** 2).sum()) * noise, leakage=leakage, systematic_db=systematic_db
    )
    if depth.kind is not Kind.READING:
        return _nothing("leakage could have made this bottom")
    half_hz = NORMAL_95 * spread * scale
    return Lowest(reading(place, place - half_hz, place + half_hz, "Hz", limited_by="random"), depth)


def _bottom_half(square: NDArray[np.float64], low: int, noise: float) -> int:
    """Samples on each side of the lowest one within the flat of the bottom: the more of them, the better its middle is
    known, and within `FLAT` of power the complex response is still a parabola."""
    limit = FLAT * square[low] + 3.0 * math.sqrt(noise * square[low])
    outside = np.flatnonzero(square > limit)
    left, right = outside[outside < low], outside[outside > low]
    reach = min(low - int(left[-1]) if left.size else low, int(right[0]) - low if right.size else square.size - 1 - low)
    return max(reach - 1, 0)


def _minimum(c: NDArray[np.complex128]) -> float | None:
    """Where |c0 + c1 x + c2 x^2| is lowest within -1..1; None when only at an end."""
    square = np.polynomial.polynomial.polymul(c, np.conj(c)).real
    roots = np.roots((square[1:] * np.arange(1, square.size))[::-1])
    real = roots[np.abs(roots.imag) < 1e-6].real
    inside = real[np.abs(real) < 1.0]
    if not inside.size:
        return None
    heights = np.polynomial.polynomial.polyval(inside, square)
    return float(np.asarray(inside)[int(np.argmin(heights))])


def _place_spread(c: NDArray[np.complex128], at: float, inverse: NDArray[np.float64], noise: float) -> float:
    """Standard deviation of the minimum's place: implicit function theorem on d|S|^2/dx = 0."""
    s = complex(c[0] + c[1] * at + c[2] * at**2)
    slope, bend = complex(c[1] + 2 * c[2] * at), complex(2 * c[2])
    curvature = 2.0 * (abs(slope) ** 2 + (np.conj(s) * bend).real)
    if curvature <= 0:
        return math.inf
    at_powers, at_slopes = np.array([1.0, at, at**2]), np.array([0.0, 1.0, 2.0 * at])
    # d(d|S|^2/dx) = 2 Re(conj(S) dS' + conj(S') dS), with dS and dS' linear in the samples' noise.
    gain = np.conj(s) * (at_slopes @ inverse) + np.conj(slope) * (at_powers @ inverse)
    return math.sqrt(2.0 * noise * float((np.abs(gain) ** 2).sum())) / float(curvature)


def _nothing(why: str) -> Lowest:
    return Lowest(cant_say("Hz", why), cant_say("dB", why))
