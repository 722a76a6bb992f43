"""Tracking that is not the same over a sweep: what it does to a fit, and how large it is.

Owns: its shapes, what they make of residuals, and the most that it may be by the sweep itself. Refuses: more than was
stated: a ripple beyond that is for whoever judges the fit.

Cables between bad matches leave a ripple of a few periods on each trace, in size and phase. It is a normal error with a
covariance U U^T beside the noise. Its size is a variance component, told by restricted likelihood (Patterson and
Thompson, Biometrika 58 (1971) 545), which allows for what the parameters took of it. A fit that leaned on the parts of
a sweep without ripple would lean on shapes nobody knows, so it stays plain least squares, with a wider interval.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]

CYCLES = (0.5, 1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 6.0)
"""Periods over the sweep by which its size is told."""
SLOW = (0.5, 1.0, 2.0)
"""Those that move figures: faster ones are not mistaken for resonators."""
SHARES = np.geomspace(0.03, 1.0, 25)
"""Sizes that are weighed against each other, in shares of what was stated; no sweep shows that there is none."""
MOST = 0.95
"""The size is taken so large that it is no larger with this probability."""


@dataclass(frozen=True, slots=True)
class Told:
    """`share` of the stated size that a ripple has at most; `left`: sum of squares (of standard deviations of the
    noise) that remains with a ripple of that size taken out."""

    share: float
    left: float


def few(t: Real, traces: Sequence[tuple[Complex, Real]], track: float, cycles: Sequence[float] = SLOW) -> Real:
    """Residuals (R, M) that a ripple makes, one standard deviation for each of its shapes, of traces (K,) with their
    weights (K,) over `t` (K,) from -1 to 1; rows are each trace's real parts, then its imaginary ones. `track`:
    standard deviation of the whole, natural logarithm."""
    each = track / math.sqrt(len(cycles))
    columns, size = [], t.size
    for number, (trace, weights) in enumerate(traces):
        for turn in (1.0, 1j):
            for wave in (shape(math.pi * many * t) for many in cycles for shape in (np.cos, np.sin)):
                column = np.zeros(2 * size * len(traces))
                off = each * turn * wave * trace * weights
                begin = 2 * size * number
                column[begin : begin + size], column[begin + size : begin + 2 * size] = off.real, off.imag
                columns.append(column)
    return np.stack(columns, axis=1)


@dataclass(frozen=True, slots=True)
class Ripple:
    """`base` (R, M) orthonormal, `sizes` (M,) of the shapes at the stated size, in the noise's standard deviations."""

    base: Real
    sizes: Real

    @classmethod
    def of(cls, t: Real, traces: Sequence[tuple[Complex, Real]], track: float) -> Ripple:
        """See `few`."""
        base, sizes, _ = np.linalg.svd(few(t, traces, track, CYCLES), full_matrices=False)
        return cls(np.asarray(base), np.asarray(sizes))

    def told(self, residuals: Real, slopes: Real, priors: Real) -> Told:
        """The most that residuals (R,) of a fit tell, by their restricted likelihood over `SHARES`; `slopes` (R, P)
        their derivatives, `priors` (Q, P) those of the priors."""
        along_r, along_d = self.base.T @ residuals, self.base.T @ slopes
        square, cross, normal = residuals @ residuals, slopes.T @ residuals, slopes.T @ slopes + priors.T @ priors
        likelihood, left = np.zeros(SHARES.size), np.zeros(SHARES.size)
        for number, share in enumerate(SHARES):
            grown = (share * self.sizes) ** 2
            less = grown / (1.0 + grown)
            rd = cross - along_d.T @ (less * along_r)
            dd = normal - along_d.T @ (less[:, None] * along_d)
            sign, volume = np.linalg.slogdet(dd)
            explained = float(rd @ np.linalg.lstsq(dd, rd, rcond=None)[0])
            left[number] = square - float(along_r @ (less * along_r)) - explained
            spread = float(np.log1p(grown).sum()) + (volume if sign > 0 else 0.0)
            likelihood[number] = -0.5 * (left[number] + spread)
        weights = np.exp(likelihood - likelihood.max())
        share = float(np.interp(MOST, np.cumsum(weights) / weights.sum(), SHARES))
        return Told(share, float(np.interp(share, SHARES, left)))
