"""An antenna behind its feeder: match over the band, standing wave ratio, loss of the feeder by an open or short end.

Owns: these figures from S11 sweeps at the near end. Refuses: places along the cable (see `fault_distance`), and to take
the feeder's loss out of a match where nobody knows it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rf.repeater.fault_distance import strongest_echo
from rf.repeater.passband import Residuals, return_loss_at
from rf.values.combine import mapped
from rf.values.decibel import amplitude, amplitude_db, level_db
from rf.values.figure import NORMAL_95, Figure, at_least, cant_say, inferred, reading
from rf.values.uncertainty import DB_PER_SHARE

Complex = NDArray[np.complex128]

BAND_POINTS = 21
"""Places at which the match is looked at from the lower to the higher channel."""

MOST_LOSS_DB = 20.0
"""One way: what comes back from the end of a feeder with more is no longer told from the directivity."""


def vswr(return_loss: Figure) -> Figure:
    """Standing wave ratio (1 + r) / (1 - r), r = 10^(-RL/20), of a return loss (Pozar, eq. 2.41). A return loss AT
    LEAST makes a ratio AT MOST; a total reflection has none."""

    def ratio(decibels: float) -> float:
        size = amplitude(-decibels)
        return (1.0 + size) / (1.0 - size) if size < 1.0 else math.inf

    if return_loss.known and return_loss.low <= 0.0:
        return cant_say("", "all may come back: no standing wave ratio", limited_by=return_loss.limited_by)
    return mapped(return_loss, ratio, "", falling=True)


def unwound(frequency_hz: NDArray[np.float64], s11: Complex, delay_s: float) -> Complex:
    """S11 (K,) with the turning of a delay there and back taken out: on the coarse grid of a wide sweep a long feeder
    turns so fast that no smooth curve goes through neighbouring samples. The magnitude is untouched. NaN: as it is."""
    if not math.isfinite(delay_s):
        return s11
    return np.asarray(s11 * np.exp(2j * np.pi * (frequency_hz - frequency_hz[0]) * delay_s))


def among_echoes(seen: Figure, others: Sequence[float]) -> Figure:
    """A return loss at the end of a cable, of which other echoes of amplitudes `others` (N,) are seen too, in phases
    that nobody knows: |G| -+ their sum. AT LEAST where they could be all of it."""
    if not seen.known or not others:
        return seen
    size, rest = amplitude(-seen.value), sum(others)
    strong, weak = amplitude(-seen.low) + rest, (amplitude(-seen.high) if math.isfinite(seen.high) else 0.0) - rest
    bound = max(-amplitude_db(strong), 0.0)
    why = "other echoes of the feeder may be all of it"
    if weak <= 0.0:
        return at_least(bound, "dB", limited_by="other echoes", why=why)
    value = max(-amplitude_db(size), bound)
    return reading(value, bound, -amplitude_db(weak), "dB", limited_by="other echoes")


def reflection_at(frequency_hz: NDArray[np.float64], s11: Complex, at_hz: float) -> complex:
    """S11 (K,) between its samples, the turning of the strongest echo taken out meanwhile: a chord across the circle
    that a long feeder makes from sample to sample would be too small."""
    delay_s = strongest_echo(frequency_hz, s11).delay_s
    still = unwound(frequency_hz, s11, delay_s)
    value = complex(np.interp(at_hz, frequency_hz, still.real), np.interp(at_hz, frequency_hz, still.imag))
    if not math.isfinite(delay_s):
        return value
    return value * complex(np.exp(-2j * np.pi * (at_hz - frequency_hz[0]) * delay_s))


@dataclass(frozen=True, slots=True)
class BandMatch:
    """Match over a band: frequencies (M,) in Hz, the return loss at each, and the worst of them with where it is."""

    frequency_hz: tuple[float, ...]
    return_loss: tuple[Figure, ...]
    worst: Figure
    worst_hz: float


def band_match(
    frequency_hz: NDArray[np.float64],
    s11: Complex,
    averaged_power: NDArray[np.float64],
    low_hz: float,
    high_hz: float,
    residuals: Residuals | None = None,
) -> BandMatch:
    """Return loss from `low_hz` to `high_hz`, of a mean S11 (K,), unwound, over noise (K,)."""
    at = np.linspace(low_hz, high_hz, BAND_POINTS)
    found = tuple(return_loss_at(frequency_hz, s11, averaged_power, float(hz), residuals).figure for hz in at)
    known = [(figure.low, index) for index, figure in enumerate(found) if figure.known]
    if len(known) < len(found):
        nothing = cant_say("dB", "the sweep does not cover the band from channel to channel")
        return BandMatch(tuple(map(float, at)), found, nothing, math.nan)
    _, worst = min(known)
    return BandMatch(tuple(map(float, at)), found, found[worst], float(at[worst]))


def end_loss(
    frequency_hz: NDArray[np.float64],
    ends: list[Complex],
    averaged_power: NDArray[np.float64],
    channel_hz: float,
    residuals: Residuals | None = None,
) -> Figure:
    """Loss of a feeder one way in dB at a channel, its far end open or shorted (or both, one after the other): half of
    what is lacking in the return (common practice). `ends` holds one or two mean S11 (K,).

    The levels are fitted by k1 sqrt(f) + k2 f + k0, so that the ripple of near joints averages out. One end alone
    reads through the directivity D: |e| +- D; of an open and a short the mean in dB is left with its square only, for
    (e + d)(-e + d) = d^2 - e^2. Tracking counts half.
    """
    stated = residuals or Residuals()
    count = frequency_hz.size
    if not ends or count < 16 or not frequency_hz[0] <= channel_hz <= frequency_hz[-1]:
        return cant_say("dB", "no sweep with the far end open or shorted covers the channel")
    levels = -np.mean([level_db(s11) for s11 in ends], axis=0)
    if not np.isfinite(levels).all():
        return cant_say("dB", "a sample came back empty: sweep again")
    x = (frequency_hz - channel_hz) / max(float(np.ptp(frequency_hz)), 1.0)
    basis = np.vander(x, 3, increasing=True)
    weights = np.linalg.pinv(basis)[0]
    lacking = float(weights @ levels)
    back = amplitude(-lacking)
    rest = levels - basis @ (np.linalg.pinv(basis) @ levels)
    directivity = amplitude(-stated.directivity_db) / back
    noise = math.sqrt(float(np.median(averaged_power)) / len(ends)) / back / math.sqrt(2.0)
    if lacking / 2.0 > MOST_LOSS_DB or directivity >= 0.5:
        return cant_say("dB", "so little comes back that the directivity hides it", limited_by="directivity")
    hidden = DB_PER_SHARE * (directivity if len(ends) == 1 else directivity**2)
    ripple = float(np.sqrt(np.mean(rest**2)))
    random = NORMAL_95 * DB_PER_SHARE * noise * float(np.linalg.norm(weights))
    parts = {
        "correction": stated.tracking_db + stated.drift_db,
        "directivity": hidden,
        "joints": ripple,
        "random": random,
    }
    half = math.sqrt(sum(part**2 for part in parts.values())) / 2.0
    value = max(lacking / 2.0, 0.0)
    return reading(
        value, max(value - half, 0.0), value + half, "dB", limited_by=max(parts, key=lambda name: parts[name])
    )


def loss_of_length(loss: Figure, share: float) -> Figure:
    """Loss up to a place that is `share` of the whole feeder: INFERRED, as if it were the same cable throughout."""
    if not loss.known:
        return loss
    return inferred(share * loss.value, share * loss.low, share * loss.high, "dB", limited_by="cable loss")
