"""Two states of the path, with and without something in it: which runs belong together, and the leak that they part.

Owns: the pairs, the value at a channel, the leak's limit from a jumper. Refuses: sentences; `visit.figures.together`
has them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Protocol

import numpy as np

from rf.floor.bound import upper_limit
from rf.floor.leakage import TwoStates, two_states
from rf.floor.pool import Bottom, Pooled, pool_at
from visit.figures.averaging import Averaged, floor_of
from visit.record.visit_file import RunRow
from visit.site.hookup import HookUp
from visit.site.site import Site

ZOOMED_SHARE = 0.02
"""A run narrower than this share of the channel spacing was zoomed into the bottom: all its samples carry one value
(the zoom preset takes a quarter of the bottom, which is about one per cent of the spacing of usual units)."""

JUMPER_RATIOS = {"half": -1.0 + 0j, "quarter": -1j}
"""What a jumper does to the signal and not to the leak [study F8]."""


class Averages(Protocol):
    """The runs of a visit and their averages."""

    @property
    def runs(self) -> Sequence[RunRow]:
        """In the order in which they were begun."""

    @property
    def site(self) -> Site:
        """The site."""

    def averaged(self, run: RunRow) -> Averaged | None:
        """A run averaged and corrected."""


Pair = tuple[RunRow, Averaged, RunRow, Averaged]


def quiet(averages: Averages, run: RunRow) -> Averaged | None:
    """The average of a run; None when it kept no sweep or bursts spoilt it."""
    found = averages.averaged(run)
    return None if found is None or found.s21.too_busy else found


def latest(averages: Averages, hookup: HookUp, like: RunRow | None = None) -> tuple[RunRow, Averaged] | None:
    """The newest usable run of that hook-up, path and all; on the grid of `like` where one is given."""
    for run in reversed(averages.runs):
        if run.hookup == hookup and (like is None or _same_grid(run, like)):
            found = quiet(averages, run)
            if found is not None:
                return run, found
    return None


def _same_grid(run: RunRow, like: RunRow) -> bool:
    one, other = run.settings, like.settings
    return (one.start_hz, one.stop_hz, one.points) == (other.start_hz, other.stop_hz, other.points)


def pairs(averages: Averages, wanted: str) -> list[Pair]:
    """Pairs (bare leads, with `wanted` in the path) on one grid, newest first, one per hook-up and path."""
    found, seen = list[Pair](), set()
    for run in reversed(averages.runs):
        path = run.hookup.path
        key = (run.hookup.text, run.settings.start_hz, run.settings.points)
        if run.hookup.alone or getattr(path, wanted) in (0.0, "none") or key in seen:
            continue
        seen.add(key)
        second = quiet(averages, run)
        first = latest(averages, HookUp(run.hookup.driven, run.hookup.read, run.hookup.third), run)
        if first is not None and second is not None:
            found.append((*first, run, second))
    return found


def value_at(site: Site, averaged: Averaged, channel_hz: float, bottom: Bottom | None = None) -> Pooled | None:
    """The value at a channel: all samples of a zoom, weighed alike in every run, else the nearest sample. `bottom` is
    what a fit says of the notch."""
    f = averaged.frequency_hz
    if not f[0] <= channel_hz <= f[-1]:
        return None
    zoomed = f[-1] - f[0] <= ZOOMED_SHARE * (site.high_hz - site.low_hz)
    half = float(f[-1] - f[0]) / 2 if zoomed else float(np.abs(f - channel_hz).min()) * 1.001 + 1.0
    shape = bottom.shape if bottom is not None else None
    power = floor_of(averaged.s21).averaged_power
    return pool_at(f, averaged.s21.mean, power, channel_hz, half, shape=shape, alike=True)


def reject_channels(site: Site, hookup: HookUp) -> Sequence[float]:
    """The channels that a hook-up must hold back."""
    side = hookup.side
    return (site.low_hz, site.high_hz) if side is None else (site.reject_hz(side),)


def parted(pair: Pair, first: Pooled, second: Pooled) -> TwoStates:
    """Signal and leak of a pair with a jumper, from the values at a channel."""
    ratio = JUMPER_RATIOS[pair[2].hookup.path.jumper]
    return two_states(first.value, second.value, ratio, first.power, second.power)


def jumper_leaks(averages: Averages, hookup: HookUp, as_of_s: float = math.inf) -> list[tuple[float, float]]:
    """Limits (Hz, amplitude at 95 %) of the leak beside a bare hook-up, from its runs with and without a jumper."""
    found = []
    for pair in pairs(averages, "jumper"):
        if pair[0].hookup != hookup or max(pair[0].started_s, pair[2].started_s) > as_of_s:
            continue
        for channel in reject_channels(averages.site, hookup):
            first, second = value_at(averages.site, pair[1], channel), value_at(averages.site, pair[3], channel)
            if first is not None and second is not None:
                apart = parted(pair, first, second)
                found.append((channel, float(upper_limit(abs(apart.leakage), apart.power))))
    return found
