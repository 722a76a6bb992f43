"""How far the notches of one side may be from one another, and what that leaves open of everything else.

Owns: a blend over spreads beside the one over departures, for figures that hang on the shape of the bottom. Refuses: to
move the mean place, and to part what the data part already.

Notches nearer to one another than their half-width f / 2Q are seen by the square of their spread only (study F11), so
that the best fit has them at one place, or well apart, by chance. A level does not change to first order with the
spread where they are together, and a fit that has them apart knows nothing of them together: propagation by a gradient
(JCGM 100:2008, 5.1.2) fails there. So the likelihood is taken at spreads held one by one, everything else fitted anew,
and integrated over them (Laplace's method for all else: Tierney and Kadane 1986, J. Am. Stat. Assoc. 81, 82). With
three notches the same spread has them two to one or one to two; with more the skirts tell less, and their prior more.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from rf.notch.chain_choice import Blend
from rf.notch.chain_fit import ChainFit, fit_chains

SPREADS = {2: (0.0, 0.5, 1.0, 1.5, 2.1, 3.0), 3: (0.35, 0.8, 1.4, 2.3)}
"""Root of the sum of squared distances from the mean, in half-widths, that are tried with so many notches,"""

FARTHEST = 2.0
"""or in halves of what was fitted, where that is more."""

PATTERNS = {2: ((-1.0, 1.0),), 3: ((-1.0, -1.0, 2.0), (-2.0, 1.0, 1.0))}
"""How they stand about their mean."""

PARTED = 30.0
"""Standard deviations from which on a spread is told by the fit itself."""

BESIDE = 9.0
"""Where all spreads that are tried cost so much more than the best fit, that one lies between them and is sharp."""

STEPS = 5
"""Enough from a fit so near by, no farther than a search goes: with 24 no interval moved by 0.05 dB."""

LEAST = 0.01
"""Less than this share of the best one's weight tells nothing."""


def over_spreads(blend: Blend) -> Blend:
    """The same blend with its best fit replaced by fits at held spreads, weighed by their evidence; the blend itself
    where the number of notches has no pattern, and where the data tell the spread."""
    best, count = blend.best, blend.best.shape.cavities
    if count not in PATTERNS or best.departure == 0 or _parted(best):
        return blend
    half_width = math.exp(-float(best.p[best.shape.log_q])) / 2.0
    unit = max(half_width, _spread(best) / FARTHEST)
    spreads = unit * np.array(SPREADS[count])
    places = best.p[best.shape.places]
    order = np.argsort(np.argsort(places))
    starts, shares = [], []
    for spread, share in zip(spreads, _shares(spreads, count - 1), strict=True):
        patterns = PATTERNS[count] if spread > 0 else PATTERNS[count][:1]
        for pattern in patterns:
            p = best.p.copy()
            p[best.shape.places] = places.mean() + spread * (np.array(pattern) / np.linalg.norm(pattern))[order]
            starts.append(p)
            shares.append(share / len(patterns))
    departures = [best.departure] * len(starts)
    tried = fit_chains(
        best.chain, best.observed, np.array(starts), departures, steps=STEPS, searching=True, race={}, rigid=True
    )
    held = [(fit, math.log(share) + fit.log_evidence) for fit, share in zip(tried, shares, strict=True) if fit]
    if not held or min(fit.cost for fit, _ in held) > best.cost + BESIDE:
        return blend
    top = max(log for _, log in held)
    kept = [(fit, math.exp(log - top)) for fit, log in held if log > top + math.log(LEAST)]
    own = blend.weights[0] / sum(weight for _, weight in kept)
    fits = [(fit, own * weight) for fit, weight in kept] + list(zip(blend.fits[1:], blend.weights[1:], strict=True))
    fits.sort(key=lambda one: -one[1])
    return replace(blend, fits=tuple(fit for fit, _ in fits), weights=tuple(weight for _, weight in fits))


def _parted(fit: ChainFit) -> bool:
    """Whether the spread lies so many of its standard deviations from none that no other is worth trying."""
    places = fit.shape.places
    apart = fit.p[places] - fit.p[places].mean()
    square = float(apart @ apart)
    return square > 0 and square**2 > PARTED**2 * float(apart @ fit.covariance[places, places] @ apart)


def _spread(fit: ChainFit) -> float:
    places = fit.p[fit.shape.places]
    return float(np.sqrt(((places - places.mean()) ** 2).sum()))


def _shares(spreads: NDArray[np.float64], dimensions: int) -> NDArray[np.float64]:
    """What each spread stands for when a law in so many dimensions is integrated over its radius (trapezoids)."""
    edges = np.diff(spreads)
    widths = np.zeros_like(spreads)
    widths[:-1] += edges / 2.0
    widths[1:] += edges / 2.0
    return np.asarray(widths * spreads ** (dimensions - 1))
