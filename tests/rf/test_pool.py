"""The value of a pooled zoom: noise as counted, and never deeper than the truth by more than is stated.

Sources: zeros of a chain of cavities multiply (Pozar, Microwave Engineering, section 8.8; Matthaei, Young and Jones,
chapter 12), so that any bottom is a product of (f - z); floor of a least-squares mean, 10 log K (common practice).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from rf.floor.pool import Bottom, BottomShape, planned_bias_db, pool_at, pool_half_width_hz
from rf.values.decibel import amplitude_db
from tests.rf.notch_trials import complex_normal

HZ = 1e4


def bottom(rng: np.random.Generator) -> tuple[NDArray[np.complex128], float, float]:
    """Zeros in hertz of one to eight cavities, unequal Q, staggered or not; the deepest place and the width 3 dB above
    it."""
    count = int(rng.integers(1, 9))
    zeros = rng.uniform(-1, 1, count) * rng.choice([0.0, 0.3, 0.8, 1.5, 3.0]) + 1j * np.exp(rng.normal(0, 0.2, count))
    grid = np.linspace(-12, 12, 24001)
    level = np.log(np.abs(grid[:, None] - zeros)).sum(1)
    low = int(level.argmin())
    above = level > level[low] + math.log(10.0) * 3.0103 / 20.0
    left, right = np.flatnonzero(above[:low])[-1], low + np.flatnonzero(above[low:])[0]
    return zeros * HZ, float(grid[low]) * HZ, float(grid[right] - grid[left]) * HZ


def shape_of(zeros: NDArray[np.complex128], at_hz: float, share: float) -> BottomShape:
    """What a fit might say of it, `share` of the truth."""
    u = 1.0 / (zeros - at_hz)
    return BottomShape(share * abs(u.sum()), share * abs(u.sum() ** 2 - (u**2).sum()) / 2.0)


@pytest.mark.parametrize("over_noise_db", [0.0, 10.0, 20.0, 40.0, 100.0])
@pytest.mark.parametrize("share", [None, 0.8, 1.0, 1.5])
def test_never_deeper_than_the_truth_by_more_than_stated(over_noise_db: float, share: float | None) -> None:
    rng = np.random.default_rng(8)
    for _ in range(150):
        zeros, low_hz, width_hz = bottom(rng)
        channel_hz, half = low_hz + rng.uniform(-0.3, 0.3) * width_hz, pool_half_width_hz(width_hz)
        f = channel_hz + half * np.linspace(-1, 1, int(rng.integers(5, 102)))
        truth = np.prod((channel_hz - zeros) / HZ)
        clean = np.asarray(np.prod((f[:, None] - zeros) / HZ, axis=1), np.complex128)
        power = abs(truth) ** 2 * 10 ** (-over_noise_db / 10) * f.size
        shape = None if share is None else shape_of(zeros, channel_hz, share)
        found = pool_at(f, clean, power, channel_hz, half, shape=shape)
        assert found is not None
        too_deep_db = amplitude_db(float(abs(truth))) - amplitude_db(abs(found.value))
        assert too_deep_db <= found.bias_db
        # The price of not knowing the shape: at most that of a parabola, nine quarters of a mean (Savitzky-Golay).
        assert found.power <= 2.3 * power / f.size * (1 + 12 / f.size)


def test_value_clear_of_the_noise_is_hardly_biased() -> None:
    rng = np.random.default_rng(9)
    for _ in range(100):
        zeros, low_hz, width_hz = bottom(rng)
        half = pool_half_width_hz(width_hz)
        f = low_hz + half * np.linspace(-1, 1, 101)
        clean = np.asarray(np.prod((f[:, None] - zeros) / HZ, axis=1), np.complex128)
        found = pool_at(f, clean, 1e-12, low_hz, half)
        assert found is not None
        assert abs(amplitude_db(abs(found.value)) - amplitude_db(float(abs(np.prod((low_hz - zeros) / HZ))))) < 0.06
        assert found.bias_db < 0.1


def test_floor_falls_as_stated() -> None:
    """Study, F6: over noise alone K samples leave 1 / K of it."""
    rng = np.random.default_rng(5)
    f = np.linspace(-1e4, 1e4, 101)
    shape = BottomShape(0.3 / 1e4, 0.05 / 1e8)
    found = [pool_at(f, 1e-4 * complex_normal(rng, 101), 1e-8, 0.0, 1e4, shape=shape) for _ in range(500)]
    powers = [each.power for each in found if each is not None]
    assert len(powers) == 500
    assert np.median(powers) == pytest.approx(1e-8 / 101, rel=0.03)
    square = [abs(each.value) ** 2 for each in found if each is not None]
    assert np.mean(square) == pytest.approx(np.mean(powers), rel=0.15)


def test_three_equal_cavities_cost_what_a_plan_counts_with() -> None:
    zeros = np.full(3, 1j * HZ)
    bottom = Bottom(2 * math.sqrt(2 ** (1 / 3) - 1) * HZ, shape_of(zeros, 0.0, 1.0))
    half = pool_half_width_hz(bottom.width_hz)
    f = half * np.linspace(-1, 1, 101)
    clean = np.asarray(np.prod((f[:, None] - zeros) / HZ, axis=1), np.complex128)
    found = pool_at(f, clean, 100.0 * 101, 0.0, half, shape=bottom.shape)
    assert found is not None
    assert found.bias_db == pytest.approx(planned_bias_db(bottom), abs=0.02)
    assert 0.1 < found.bias_db < 0.4


def test_few_samples() -> None:
    f = 455e6 + np.linspace(-1e5, 1e5, 21)
    flat = np.full(21, 1e-3 + 0j)
    one = pool_at(f, flat, 1e-8, 455e6, 1.0)
    assert one is not None
    assert (one.points, one.bias_db) == (1, 0.0)
    assert pool_at(f, flat, 1e-8, 455.004e6, 1.0) is None
    three = pool_at(f, flat, 1e-8, 455e6, 12e3)
    assert three is not None
    assert three.points == 3


def test_one_sample_beside_the_channel_says_how_far_the_slope_may_have_pulled_it() -> None:
    f = np.array([455.01e6])
    found = pool_at(f, np.array([1e-3 + 0j]), 1e-12, 455e6, 20e3, shape=BottomShape(0.2 / 20e3, 0.0))
    assert found is not None
    # 1.25 times the fitted slope over half the pool is an eighth; and 0.02 of curvature over a quarter.
    assert found.bias_db == pytest.approx(-amplitude_db(1 - 0.125 - 0.02 / 4) + 0.06, abs=0.01)
