"""A steady carrier on or beside a channel: points whose samples walk from sweep to sweep though their neighbours stand.

Owns: finding such points, the carrier's place and level. Refuses: slow changes of the device (drift, a turned screw):
they hardly part one sweep from the next, and a carrier's phase does, for no analyzer is locked to it. A carrier that
were locked could not be told from the device.

Law: of the differences between successive sweeps a share exp(-t) is larger than t times its mean where there is only
noise, so that counts are binomial; two neighbouring differences share a sweep, hence a third fewer independent ones.
Counting, not adding, keeps single bursts out, however strong: a carrier is there in every sweep. Windows of several
widths are tried, since a modulated carrier is as wide as its modulation.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rf.floor.average import WALK_LEVELS, Average
from rf.values.decibel import power_db
from rf.values.stretches import stretches

FALSE_ALARM = 0.002
"""Chance of finding a carrier in a run that has none, over all points and widths."""

WIDTHS = (1, 3, 9, 27)
"""Windows in points."""

NEIGHBOURS = 61
"""Points whose median tells what is usual around a point: gain that shakes moves all alike."""

FEWEST_DIFFERENCES = 4

INDEPENDENT = 1.5
"""Differences that make one independent one."""

CARRIED = 1.25
"""In a window of several points that holds too much, those with a quarter more than noise carry it."""

LEAST_SHARE = 0.45
"""A carrier of twice the noise is over the lowest level in half of the differences."""

LARGEST_SHARE = 0.25
"""Where more of the points walk it is no carrier: the analyzer or the device shakes as a whole."""

GROWN = 1
"""Points on either side of a carrier that are left out with it: its own edge lies below the threshold."""


@dataclass(frozen=True, slots=True)
class Carrier:
    """One carrier: its loudest point, its level there in dB re thru as read, and the band of points that it touches."""

    frequency_hz: float
    level_db: float
    low_hz: float
    high_hz: float

    @property
    def says(self) -> str:
        """The carrier in a few words."""
        return f"carrier at {self.frequency_hz / 1e6:.4f} MHz, about {self.level_db:.0f} dB"


def find_carriers(frequency_hz: NDArray[np.float64], average: Average) -> tuple[tuple[Carrier, ...], NDArray[np.bool_]]:
    """Carriers in an average over K points, loudest first, and the points (K,) that they touch."""
    hit = np.zeros(frequency_hz.shape, bool)
    if average.differences < FEWEST_DIFFERENCES:
        return (), hit
    share = average.walks / average.differences
    for level, counted, mine in zip(WALK_LEVELS, average.walks, share, strict=True):
        usual = max(math.exp(-level), float(mine.mean()))  # bursts lift all points alike
        for width in WIDTHS:
            chance = FALSE_ALARM / (frequency_hz.size * len(WIDTHS) * len(WALK_LEVELS))
            over = _over(counted, average.differences, usual, width, chance)
            hit |= over if width == 1 else (np.convolve(over, np.ones(width), "same") > 0.5) & (mine > CARRIED * usual)
    if hit.mean() > LARGEST_SHARE:
        return (), np.zeros(frequency_hz.shape, bool)
    carriers = []
    excess = average.between_power - float(np.quantile(average.between_power, 0.25))
    for first, last in stretches(hit):
        loudest = int(first + np.argmax(excess[first:last]))
        level_db = power_db(max(float(excess[loudest]), 1e-30))
        carriers.append(
            Carrier(float(frequency_hz[loudest]), level_db, float(frequency_hz[first]), float(frequency_hz[last - 1]))
        )
        hit[max(first - GROWN, 0) : last + GROWN] = True
    return tuple(sorted(carriers, key=lambda each: -each.level_db)), hit


def _over(counted: NDArray[np.int64], differences: int, usual: float, width: int, chance: float) -> NDArray[np.bool_]:
    """Windows of `width` points around each point (K,) that counted more than this chance leaves to noise."""
    from scipy.special import bdtrc  # noqa: PLC0415 - heavy imports stay out of start-up

    if width > counted.size:
        return np.zeros(counted.shape, bool)
    total = np.convolve(counted, np.ones(width), "same") / INDEPENDENT
    tries = max(round(width * differences / INDEPENDENT), 1)
    often = total > LEAST_SHARE * tries  # a step or two between sweeps moves many points, and seldom
    return np.asarray(often & (bdtrc(np.minimum(np.floor(total), tries) - 1.0, tries, min(usual, 0.99)) < chance))
