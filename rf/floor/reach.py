"""How far down an averaged floor with a leak reaches: the deepest rejection that will be a reading, the best proof.

Owns: both as chances, from the same functions that make readings and proofs of sweeps. Refuses: plans and settings.

A value x = s + l + n of noise power P is a READING where the weak end of its interval stands above floor and leak
(`rf.floor.bound`); with |x| noncentral chi-square the signal follows for which that happens with a given chance. What
is shown of a unit that lets nothing through is the upper limit of the noise that happens to be left.
"""

from __future__ import annotations

import math

from rf.floor.bound import stands_at
from rf.floor.pool import Pooled
from rf.floor.proof import Limits, rejection_of
from rf.values.decibel import amplitude_db

STRONG = 1000.0
"""Of 2 |s|^2 / P: above it the library's range ends, and |x| is Gaussian about |s| to a thousandth."""


def value_at(signal: float, power: float, chance: float) -> float:
    """The magnitude that a value over noise E|n|^2 = `power` exceeds with this chance, behind it the amplitude
    `signal`."""
    from scipy.special import chndtrix, ndtri  # noqa: PLC0415 - heavy imports stay out of start-up

    strength = 2.0 * signal**2 / power
    if strength > STRONG:
        return max(signal - float(ndtri(chance)) * math.sqrt(power / 2.0), 0.0)
    return math.sqrt(float(chndtrix(1.0 - chance, 2.0, strength)) * power / 2.0)


def deepest_reading_db(power: float, leak: float, chance: float) -> float:
    """Largest rejection in positive dB whose value is a READING with this `chance`, with a `leak` of that amplitude
    allowed for and none there."""
    from scipy.special import chndtrinc, ndtri  # noqa: PLC0415

    floor = math.sqrt(power)
    least = max(floor, leak) + leak
    low, high = least, 2.0 * least + 10.0 * floor
    for _ in range(50):
        middle = (low + high) / 2.0
        low, high = (middle, high) if float(stands_at(middle, power)) <= least else (low, middle)
    ratio = 2.0 * high**2 / power
    if ratio > STRONG:
        return -amplitude_db(max(high + float(ndtri(chance)) * floor / math.sqrt(2.0), 1e-15))
    signal = math.sqrt(max(float(chndtrinc(ratio, 2.0, 1.0 - chance)), 0.0) * power / 2.0)
    return -amplitude_db(max(signal, 1e-15))


def shown_db(signal: float, power: float, limits: Limits, confidence: float, chance: float, bias_db: float) -> float:
    """Rejection in positive dB that is proven, or more, with this `chance`, of a unit that lets `signal` through."""
    value = value_at(signal, power, 1.0 - chance)
    pooled = Pooled(complex(value), power, 1, bias_db, 0.0, math.inf)
    return rejection_of(pooled, limits, confidence).proof_db
