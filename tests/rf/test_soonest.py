"""The setting that reaches a floor soonest, and the time below which none does."""

from __future__ import annotations

import itertools
import math

import pytest

from rf.floor.ability import Ability
from rf.floor.soonest import Setting, limit_s, soonest, taken

BANDWIDTHS, POINTS = (10.0, 30.0, 100.0, 300.0, 1000.0, 3000.0), (101, 201, 401, 1001)


def ability(**changes: float) -> Ability:
    told = {"settling_s": 2e-4, "bandwidth_factor": 1.0, "overhead_s": 0.03} | changes
    return Ability(
        ((1000.0, -70.0),), told["settling_s"], told["bandwidth_factor"], told["overhead_s"], BANDWIDTHS, POINTS
    )


@pytest.mark.parametrize("needed_db", [-98.0, -104.0, -110.0, -116.0])
@pytest.mark.parametrize("overhead_s", [0.005, 0.03, 0.3])
def test_no_setting_is_faster_and_the_limit_lies_below_all(needed_db: float, overhead_s: float) -> None:
    able = ability(overhead_s=overhead_s)
    usual = taken(able, needed_db, 101, 1000.0, math.ceil)
    best, limit = soonest(able, needed_db, usual), limit_s(able, needed_db)
    for points, bandwidth in itertools.product(POINTS, BANDWIDTHS):
        other = taken(able, needed_db, points, bandwidth, math.ceil)
        assert other.seconds > limit
        if able.sweep_s(points, bandwidth) <= 4.0:
            assert best.seconds <= other.seconds / 0.9
    assert limit < best.seconds <= usual.seconds
    # What the setting leaves: P(B) / (N K), by hand from -70 dB at 1 kHz.
    power = 1e-7 * best.bandwidth_hz / 1000.0 / (best.sweeps * best.points)
    assert 10.0 * math.log10(power) <= needed_db + 1e-9


def test_limit_by_hand() -> None:
    """-70 dB at 1 kHz and a millisecond a point is 1e-10 after one second; -110 dB are reached after ten, and one
    sweep of one point lasts 0.0302 s beside that."""
    assert 10.0 * math.log10(ability().density_s()) == pytest.approx(-100.0)
    assert limit_s(ability(), -110.0) == pytest.approx(10.0 + 0.0302)


def test_cavities_that_ring_forbid_a_wide_filter() -> None:
    able = ability(overhead_s=1.0)
    usual = Setting(101, 1000.0, 10, 1e9)
    assert soonest(able, -90.0, usual).bandwidth_hz >= 1000.0
    assert soonest(able, -90.0, usual, dwell_s=0.005).bandwidth_hz <= 100.0


def test_a_gain_that_is_hardly_one_changes_nothing() -> None:
    usual = taken(ability(settling_s=0.0, overhead_s=0.0), -104.0, 101, 1000.0, math.ceil)
    assert soonest(ability(settling_s=0.0, overhead_s=0.0), -104.0, usual) == usual


def test_floor_between_bandwidths_that_were_measured() -> None:
    able = Ability(((100.0, -80.0), (1000.0, -74.0)), 0.0, 1.0, 0.0)
    levels = [able.floor_db(hz) for hz in (10.0, 100.0, 10**2.5, 1000.0, 10_000.0)]
    assert levels == pytest.approx([-90.0, -80.0, -77.0, -74.0, -64.0])
    moved = able.with_floor(1000.0, -70.0).with_pace(101, 1000.0, 2 * able.sweep_s(101, 1000.0))
    assert moved.floor_db(100.0) == pytest.approx(-76.0) and moved.dwell_s(100.0) == pytest.approx(0.02)
