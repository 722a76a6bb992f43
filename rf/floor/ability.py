"""What an analyzer can do, as far as a forecast needs it: floor against bandwidth, pace, points, leak, drift.

Owns: the floor and the time of a sweep at any setting, from what was measured or typed. Refuses: to say where the
numbers come from (`visit.day.instrument`), and a setting that the analyzer does not have.

The random floor of a receiver is its noise density times its bandwidth (Johnson 1928, Nyquist 1928: kTB), so between
and beyond the bandwidths that were measured it goes by 10 dB a decade.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise

USUAL_BANDWIDTHS = (10.0, 30.0, 100.0, 300.0, 1000.0, 3000.0, 10_000.0)
"""What is tried of an analyzer that takes any bandwidth between its limits."""
USUAL_POINTS = (101, 201, 401, 801, 1601)
"""The same of points."""


@dataclass(frozen=True, slots=True)
class Ability:
    """`floors` (bandwidth in hertz, E|n|^2 of one point in dB re thru), rising in bandwidth, at least one, known within
    `floor_half_db`. A sweep lasts `overhead_s` and for each point `settling_s` and `bandwidth_factor` / bandwidth.
    `bandwidths_hz` and `points` are what can be set. `leak` is the amplitude re thru that the leak does not exceed
    (None: never looked at), `leak_found` whether it stood out of the noise there, `leak_by_sheet` whether only a sheet
    says it, which tells the most that it may be; `level_dbm` the source's.
    """

    floors: tuple[tuple[float, float], ...]
    settling_s: float
    bandwidth_factor: float
    overhead_s: float
    bandwidths_hz: tuple[float, ...] = USUAL_BANDWIDTHS
    points: tuple[int, ...] = USUAL_POINTS
    floor_half_db: float = 1.0
    leak: float | None = None
    leak_found: bool = False
    drift_db_per_min: float = 0.0
    level_dbm: float | None = None
    leak_by_sheet: bool = False

    def floor_db(self, bandwidth_hz: float) -> float:
        """Floor of one point of one sweep: straight between those known over the log of the bandwidth."""
        known = self.floors
        at = math.log10(bandwidth_hz)
        if bandwidth_hz <= known[0][0]:
            return known[0][1] + 10.0 * (at - math.log10(known[0][0]))
        for (low_hz, low), (high_hz, high) in pairwise(known):
            if bandwidth_hz <= high_hz:
                share = (at - math.log10(low_hz)) / (math.log10(high_hz) - math.log10(low_hz))
                return low + share * (high - low)
        return known[-1][1] + 10.0 * (at - math.log10(known[-1][0]))

    def power(self, bandwidth_hz: float) -> float:
        """The same as a power re thru."""
        return float(10.0 ** (self.floor_db(bandwidth_hz) / 10.0))

    def dwell_s(self, bandwidth_hz: float) -> float:
        """Time on one point."""
        return self.settling_s + self.bandwidth_factor / bandwidth_hz

    def sweep_s(self, points: int, bandwidth_hz: float) -> float:
        """Time of one sweep; one of more points than can be set is taken in pieces."""
        pieces = math.ceil(points / max(self.points, default=points))
        return points * self.dwell_s(bandwidth_hz) + pieces * self.overhead_s

    def with_floor(self, bandwidth_hz: float, floor_db: float) -> Ability:
        """The same analyzer with the floor that it shows at a bandwidth now."""
        by_db = floor_db - self.floor_db(bandwidth_hz)
        return replace(self, floors=tuple((hz, level + by_db) for hz, level in self.floors))

    def with_pace(self, points: int, bandwidth_hz: float, sweep_s: float) -> Ability:
        """The same analyzer as slow or fast as a sweep really is: what is slower than foretold is slower everywhere."""
        pace = sweep_s / max(self.sweep_s(points, bandwidth_hz), 1e-9)
        return replace(
            self,
            settling_s=self.settling_s * pace,
            bandwidth_factor=self.bandwidth_factor * pace,
            overhead_s=self.overhead_s * pace,
        )

    def density_s(self) -> float:
        """Least noise power times dwell over the bandwidths that can be set: E|n|^2 after one second on one point with
        nothing lost to settling and overhead."""
        return min(self.power(hz) * self.bandwidth_factor / hz for hz in self.bandwidths_hz or [self.floors[0][0]])
