"""Bandwidth, points and sweeps by which an averaged floor is reached soonest, and the time below which no setting can.

Owns: the choice among the settings that an analyzer has, and the limit. Refuses: to say which floor is needed
(`rf.floor.forecast`), and a setting in which cavities do not settle.

The samples of a zoom carry one value, so a run of N sweeps of K points at bandwidth B leaves P(B) / (N K) of noise and
takes N (o + K (s + a / B)): o overhead of a sweep, s settling of a point, a / B the time the filter needs. With the
noise density n = P(B) / B the time to a power W is

    T = N o + N K s + a n / W >= o + s + a n / W,

for the filter's part N K a / B = a n / W is the same at every setting; a narrow filter only makes settling and overhead
a smaller part of it. That right side is the limit: one sweep of one point. A run cannot be that: scatter needs sweeps,
a proof that may be looked at more than once spends more (`rf.floor.sequential`), and a screen wants a sweep in a
breath.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from rf.floor.ability import Ability

FEWEST = 10
"""Sweeps of a run, so that their scatter tells the floor."""
LONGEST_SWEEP_S = 4.0
"""A sweep of a proof lasts no longer: bursts are thrown out by the sweep, and somebody watches (common practice is two
seconds; four let a narrow filter have its points)."""
FEWEST_POINTS = 101
"""Of a zoom: with fewer the shape of the bottom is not seen well, and some analyzers refuse them."""
WORTH = 0.9
"""A setting other than the usual one is taken when it needs no more than this share of its time."""


@dataclass(frozen=True, slots=True)
class Setting:
    """One way to reach a floor: `sweeps` of `points` at `bandwidth_hz` in `seconds`."""

    points: int
    bandwidth_hz: float
    sweeps: int
    seconds: float


def taken(
    ability: Ability, needed_db: float, points: int, bandwidth_hz: float, count: Callable[[float], int]
) -> Setting:
    """What a setting takes until the average of its pooled samples lies at `needed_db`; `count` makes whole sweeps of
    the number that noise alone asks for."""
    plain = 10.0 ** ((ability.floor_db(bandwidth_hz) - 10.0 * math.log10(points) - needed_db) / 10.0)
    sweeps = max(count(plain), FEWEST)
    return Setting(points, bandwidth_hz, sweeps, sweeps * ability.sweep_s(points, bandwidth_hz))


def soonest(
    ability: Ability,
    needed_db: float,
    usual: Setting,
    *,
    dwell_s: float = 0.0,
    count: Callable[[float], int] = math.ceil,
    points: Sequence[int] | None = None,
) -> Setting:
    """The setting that reaches the floor first; the `usual` one where none is worth a change. `dwell_s` is what the
    cavities need to settle on a point; `points` those that may be set (None: the analyzer's)."""
    best = usual
    for bandwidth in ability.bandwidths_hz:
        if ability.dwell_s(bandwidth) < dwell_s:
            continue
        for number in ability.points if points is None else points:
            if number < FEWEST_POINTS or ability.sweep_s(number, bandwidth) > LONGEST_SWEEP_S:
                continue
            found = taken(ability, needed_db, number, bandwidth, count)
            if found.seconds < best.seconds:
                best = found
    return best if best.seconds <= WORTH * usual.seconds else usual


def limit_s(ability: Ability, needed_db: float) -> float:
    """The time below which no setting reaches that floor: see above."""
    return float(ability.overhead_s + ability.settling_s + ability.density_s() / 10.0 ** (needed_db / 10.0))
