"""Sweeps to start from, made from the site: wide over both channels, zoomed on the reject channel, wider for a feeder.

Owns: span and points of the presets. Refuses: anything outside the analyzer's limits (it clips to them and says nothing
that the read-back would not show).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from protocol.sweep import Limits, SweepSettings
from rf.floor.pool import MOST_CAVITIES, narrowest_bottom
from rf.values.match import SPEED_OF_LIGHT, UNKNOWN_CABLE
from visit.site.hookup import HookUp, Side
from visit.site.site import Site

WIDE_SPAN_FACTOR = 4.0
"""Wide span as a multiple of the channel spacing: both channels and as much skirt outside them again."""

POINTS = 401
BANDWIDTH_HZ = 1000.0
ZOOM_POINTS = 101

FAR_SHARES = (0.015, 0.03, 0.06)
"""Half-widths of the sweeps for a unit that is far off, as shares of the channel."""
FAR_SPACINGS = 2.2
"""They reach at least so many channel spacings to each side."""

FEEDER_SPAN_HZ = 100e6
"""1.3 m apart in corrugated foam line: two plugs of a feeder are told apart."""
LONGEST_FEEDER_M = 100.0


def own_bandwidth(limits: Limits | None) -> float:
    """The bandwidth nearest to the usual one that the analyzer has, in hertz; the narrower of two as near."""
    if limits is None:
        return BANDWIDTH_HZ
    if limits.bandwidths_hz:
        return min(sorted(limits.bandwidths_hz), key=lambda hz: abs(math.log(hz / BANDWIDTH_HZ)))
    return min(max(BANDWIDTH_HZ, limits.min_bandwidth_hz), limits.max_bandwidth_hz)


def wide(site: Site, limits: Limits | None = None, bandwidth_hz: float | None = None) -> SweepSettings:
    """Both channels lie on grid points, at 3/8 and 5/8 of the span, where the analyzer's numbers of points allow it.
    `bandwidth_hz` None: the analyzer's own that is nearest to the usual one."""
    bandwidth_hz = own_bandwidth(limits) if bandwidth_hz is None else bandwidth_hz
    spacing = site.high_hz - site.low_hz
    centre = (site.low_hz + site.high_hz) / 2
    points = POINTS if limits is None else max(min(POINTS, limits.max_points), limits.min_points)
    points -= (points - 1) % 8
    if limits is not None and limits.points and points not in limits.points:
        even = [number for number in limits.points if (number - 1) % 8 == 0]
        points = min(even or limits.points, key=lambda number: abs(number - POINTS))
    return SweepSettings.around(centre, spacing * WIDE_SPAN_FACTOR, points, bandwidth_hz)


def far_sweeps(
    site: Site, side: Side, limits: Limits | None = None, bandwidth_hz: float | None = None
) -> list[SweepSettings]:
    """Sweeps around the reject channel of a side for notches that stand anywhere, from narrow to wide, as far as the
    analyzer reaches."""
    usual, reject_hz = wide(site, limits, bandwidth_hz), site.reject_hz(side)
    found: list[SweepSettings] = []
    for share in FAR_SHARES:
        half = max(share * reject_hz, FAR_SPACINGS * (site.high_hz - site.low_hz))
        start, stop = reject_hz - half, reject_hz + half
        if limits is not None:
            start, stop = max(start, limits.start_hz), min(stop, limits.stop_hz)
        made = SweepSettings(start, stop, usual.points, usual.bandwidth_hz)
        if not found or made.stop_hz - made.start_hz > 1.05 * (found[-1].stop_hz - found[-1].start_hz):
            found.append(made)
    return found


def is_far(site: Site, frequency_hz: NDArray[np.float64]) -> bool:
    """Whether a sweep (K,) is one of those: wider than the usual one over both channels."""
    spacing = site.high_hz - site.low_hz
    return float(frequency_hz[-1] - frequency_hz[0]) > 1.05 * WIDE_SPAN_FACTOR * spacing


def zoom(reject_hz: float, bottom_width_hz: float, bandwidth_hz: float = BANDWIDTH_HZ) -> SweepSettings:
    """A quarter of the bottom width around the channel: within it the response is one complex value and its slope.

    Study, F6: a half-width of 1/8 of the +3 dB bottom keeps the bias of the pooled value small.
    """
    return SweepSettings.around(reject_hz, bottom_width_hz / 4, ZOOM_POINTS, bandwidth_hz)


def zooms_across(site: Site, bandwidth_hz: float = BANDWIDTH_HZ) -> list[SweepSettings]:
    """Side to side: a zoom for each channel, as narrow as a bottom can be, for no fit tells its width there."""
    cavities = site.cavities or MOST_CAVITIES
    return [zoom(hz, narrowest_bottom(hz, cavities).width_hz, bandwidth_hz) for hz in (site.low_hz, site.high_hz)]


def first_sweep(
    site: Site, hookup: HookUp, limits: Limits | None = None, bandwidth_hz: float | None = None
) -> SweepSettings:
    """The sweep that a hook-up begins with: over both channels; of a feeder so wide that places are told apart."""
    return (feeder_sweep if hookup.feeder else wide)(site, limits, bandwidth_hz=bandwidth_hz)


def feeder_sweep(
    site: Site, limits: Limits | None = None, length_m: float | None = None, bandwidth_hz: float | None = None
) -> SweepSettings:
    """Wide enough to part the joints of a feeder, around both channels; narrower where the analyzer's points would not
    reach to the end of a feeder of `length_m` (None: not typed) with half as much to spare, or its range ends."""
    reach = 1.5 * (LONGEST_FEEDER_M if length_m is None else length_m)
    preset = wide(site, limits, bandwidth_hz)
    furthest_hz = SPEED_OF_LIGHT * UNKNOWN_CABLE.low / 2.0 / reach * (preset.points - 1)
    span = min(FEEDER_SPAN_HZ, furthest_hz)
    centre = (site.low_hz + site.high_hz) / 2.0
    start, stop = centre - span / 2.0, centre + span / 2.0
    if limits is not None:
        start, stop = max(start, limits.start_hz), min(stop, limits.stop_hz)
    return SweepSettings(min(start, preset.start_hz), max(stop, preset.stop_hz), preset.points, preset.bandwidth_hz)
