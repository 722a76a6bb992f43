"""Spans with more points than an analyzer takes: split into tiles, joined into one sweep.

Owns: the split and the join. Tiles share no point: the step across a seam is the step within a tile. Refuses: I/O.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from protocol.errors import AnalyzerError, RequestError
from protocol.sweep import Applied, Limits, SweepSettings

MAX_TILES = 1000
"""More tiles than this are a mistake in the request."""


@dataclass(frozen=True, slots=True)
class Measured:
    """The data of one tile or of a whole span. Arrays have shape (K,); times as in Sweep."""

    frequency_hz: NDArray[np.float64]
    s11: NDArray[np.complex128]
    s21: NDArray[np.complex128]
    started_s: float
    duration_s: float


def split(settings: SweepSettings, limits: Limits) -> tuple[SweepSettings, ...]:
    """Tiles of nearly equal size, at most `limits.max_points` points each; one tile when all fits.

    Raises RequestError when the request lies outside `limits`.
    """
    _check(settings, limits)
    count = -(-settings.points // limits.max_points)
    if count == 1:
        return (settings,)
    if count > MAX_TILES:
        raise RequestError(f"{settings.points} points need {count} sweeps of {limits.max_points}; ask for fewer points")
    size, larger = divmod(settings.points, count)
    if size < max(limits.min_points, 2):
        raise RequestError(
            f"{settings.points} points cannot be split into sweeps of {limits.min_points} points or more"
        )
    tiles = []
    first = 0
    for index in range(count):
        points = size + (1 if index < larger else 0)
        start = settings.start_hz + first * settings.step_hz
        stop = settings.start_hz + (first + points - 1) * settings.step_hz
        tiles.append(replace(settings, start_hz=start, stop_hz=stop, points=points))
        first += points
    tiles[-1] = replace(tiles[-1], stop_hz=settings.stop_hz)
    return tuple(tiles)


def _check(settings: SweepSettings, limits: Limits) -> None:
    if settings.start_hz < limits.start_hz or settings.stop_hz > limits.stop_hz:
        raise RequestError(
            f"span {settings.start_hz / 1e6:.6f} to {settings.stop_hz / 1e6:.6f} MHz leaves the analyzer's range "
            f"{limits.start_hz / 1e6:g} to {limits.stop_hz / 1e6:g} MHz"
        )
    if settings.points < limits.min_points:
        raise RequestError(f"{settings.points} points are too few; this analyzer takes {limits.min_points} or more")
    if limits.bandwidths_hz:
        if settings.bandwidth_hz not in limits.bandwidths_hz:
            known = ", ".join(f"{value:g}" for value in limits.bandwidths_hz)
            raise RequestError(f"bandwidth {settings.bandwidth_hz:g} Hz is not one of this analyzer's: {known} Hz")
    elif not limits.min_bandwidth_hz <= settings.bandwidth_hz <= limits.max_bandwidth_hz:
        raise RequestError(
            f"bandwidth {settings.bandwidth_hz:g} Hz leaves the analyzer's range "
            f"{limits.min_bandwidth_hz:g} to {limits.max_bandwidth_hz:g} Hz"
        )
    level = settings.level_dbm
    if level is None:
        return
    if limits.min_level_dbm is None or limits.max_level_dbm is None:
        raise RequestError("this analyzer's level cannot be set; leave the level out")
    if not limits.min_level_dbm <= level <= limits.max_level_dbm:
        raise RequestError(
            f"level {level:g} dBm leaves the analyzer's range {limits.min_level_dbm:g} to {limits.max_level_dbm:g} dBm"
        )


def join(parts: Sequence[Measured]) -> Measured:
    """One span from its tiles in rising order. Raises AnalyzerError when their frequencies overlap or fall."""
    if len(parts) == 1:
        return parts[0]
    frequency = np.concatenate([part.frequency_hz for part in parts])
    if not np.all(np.diff(frequency) > 0):
        raise AnalyzerError("the pieces of the span overlap: the analyzer did not take the settings; sweep thrown away")
    last = parts[-1]
    return Measured(
        frequency,
        np.concatenate([part.s11 for part in parts]),
        np.concatenate([part.s21 for part in parts]),
        parts[0].started_s,
        last.started_s + last.duration_s - parts[0].started_s,
    )


def joined(asked: SweepSettings, tiles: Sequence[Applied]) -> Applied:
    """What was taken of a whole span, from what was taken of its tiles; equal remarks are made once."""
    actual = SweepSettings(
        tiles[0].actual.start_hz,
        tiles[-1].actual.stop_hz,
        sum(tile.actual.points for tile in tiles),
        tiles[0].actual.bandwidth_hz,
        tiles[0].actual.level_dbm,
    )
    changes = tuple(dict.fromkeys(change for tile in tiles for change in tile.changes))
    verified = frozenset.intersection(*(tile.verified for tile in tiles))
    return Applied(asked, actual, changes, verified)
