"""Why a response is not that of the fitted chain: the likeliest cause, and the one thing to try.

Owns: the signs by which a poor fit tells carrier, burst, leak, poor load, port match and pad apart. Refuses: to say
that the cause is proved; it is the first of the list whose sign the residual shows.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from rf.notch.chain_fit import FAR, ChainFit, Observed
from rf.values.decibel import amplitude_db

FEW = 0.03
"""A disturbance from outside lies on this share of the samples at most,"""

MOST = 0.8
"""and carries this share of the squared residual."""

WIDE = 3.0
"""A reflection or a leak that the fit asks for is named when it is so many times what is usual."""

LOW_DB = 3.0
"""A pass this far under 0 dB is read through a pad."""


def likely_cause(fit: ChainFit, observed: Observed) -> str:
    """The likeliest cause of a residual, with what to try. `fit` and `observed` over the same samples (K,)."""
    shape, p = fit.shape, fit.p
    outside = _from_outside(fit)
    if outside:
        return outside
    leak = math.hypot(*p[shape.leak][:2])
    if observed.leak > 0 and leak > WIDE * observed.leak:
        return f"a leak near {amplitude_db(leak):.0f} dB past the unit: survey it with both cables ended in loads"
    waves = p[shape.waves].reshape(-1, 2)
    third = math.hypot(*waves.sum(axis=0))  # what they come to at the reject channel
    if shape.other_side and third > WIDE * (FAR if observed.third_reflection is None else observed.third_reflection):
        return f"the third port's load reflects {-amplitude_db(third):.0f} dB: put a good load on it"
    for part, name in ((shape.load, "port 2"), (shape.source, "port 1")):
        if observed.port_reflection > 0 and math.hypot(*p[part]) > WIDE * observed.port_reflection:
            return f"match of {name}: put a 10 dB pad on it and normalise"
    level_db = amplitude_db(math.e) * float(p[shape.slow.start])
    if level_db < -LOW_DB:
        return f"all levels {-level_db:.0f} dB low, a pad that was not normalised in: calibrate through it"
    return "hook-up, number of cavities or channels may not be as in the site file: check them"


def _from_outside(fit: ChainFit) -> str:
    """A carrier or bursts: nearly all of the residual on a few samples."""
    square: NDArray[np.float64] = np.abs(fit.residual) ** 2
    few = max(int(FEW * square.size), 1)
    order = np.argsort(square)[::-1][:few]
    if float(square[order].sum()) < MOST * float(square.sum()):
        return ""
    frequency_hz = fit.chain.f * fit.shape.reject_hz
    loud = order[square[order] > 0.1 * square[order[0]]]
    if int(np.ptp(loud)) < 2 * few:
        return f"a carrier at {frequency_hz[order[0]] / 1e6:.4f} MHz: wait until it is off, or sweep beside it"
    return "bursts of other transmitters on single samples: average on, ten sweeps or more"
