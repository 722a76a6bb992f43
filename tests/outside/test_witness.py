"""A second witness by published arithmetic: noise taken off a level, mismatch, and when two results contradict.

Noise: a level d dB over the noise reads 10 lg(1 / (1 - 10^(-d/10))) too much: 3.02 dB at 3, 1.26 at 6, 0.46 at 10, 0.04
at 20 (the correction table of spectrum analyzer handbooks; verified by the powers' sum). Mismatch: 20 lg(1 +- |G1 G2|)
(Pozar, "Microwave Engineering", section 2.6): 0.1 against 1 is +0.83 / -0.92 dB. E_n = (x - X) / sqrt(U^2 + U_X^2), at
most 1 where two results agree (ISO 13528, ISO/IEC 17043).
"""

from __future__ import annotations

import math

import pytest

from rf.floor.witness import BySheet, Levels, compared, witnessed
from rf.values.figure import Figure, reading


@pytest.mark.parametrize(("over_db", "too_much_db"), [(3.1, 2.92), (6.0, 1.26), (10.0, 0.46), (20.0, 0.04)])
def test_noise_is_taken_off_as_power(over_db: float, too_much_db: float) -> None:
    seen = witnessed(Levels(0.0, 0.0, -90.0, -90.0 - over_db, -180.0, match_db=80.0))
    assert seen.value == pytest.approx(90.0 + too_much_db, abs=0.01)
    total = 10.0 ** ((-seen.value) / 10.0) + 10.0 ** ((-90.0 - over_db) / 10.0)
    assert 10.0 * math.log10(total) == pytest.approx(-90.0, abs=1e-6)


def test_mismatch_at_a_port_that_returns_all() -> None:
    """Both leads, 20 dB each: root of the sum of squares of 0.83 dB twice, beside a scale of 0.05 dB."""
    wide = witnessed(Levels(device_dbm=-80.0, scale_db=0.05, sheet=BySheet(0.0, 0.01, 0.0, 0.01, floor_dbm=-160.0)))
    assert wide.value - wide.low == pytest.approx(math.hypot(0.8279, 0.8279, 0.05, 0.01, 0.01), abs=1e-3)


def within(value: float, half: float) -> Figure:
    return reading(value, value - half, value + half, "dB")


@pytest.mark.parametrize(("apart", "half", "other", "agrees"), [
    (2.4, 1.5, 2.0, True), (2.6, 1.5, 2.0, False), (4.9, 3.0, 4.0, True), (5.1, 3.0, 4.0, False),
])  # fmt: skip
def test_the_e_n_of_two_results(apart: float, half: float, other: float, agrees: bool) -> None:
    """3-4-5 and 1.5-2-2.5: |E_n| is under 1 just below, over it just above."""
    for sign in (1.0, -1.0):
        assert compared(within(90.0, half), within(90.0 + sign * apart, other)).agrees is agrees
