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


def kriged(
    x: NDArray[np.float64], samples: NDArray[np.complex128], power: float, limits: tuple[float, float]
) -> tuple[complex, float, float]:
    """Best linear unbiased value at x = 0 under unknown slope and curvature of these relative sizes (Gauss and Markov:
    1'V^-1 y / 1'V^-1 1), its noise, and the largest share by which they may pull it. They are relative to the value,
    which the first pass takes from the power above the noise, the second from the first and twice its noise."""
    ones = np.ones(x.size)
    size = math.sqrt(max(float(np.mean(np.abs(samples) ** 2)) - power, power / x.size))
    for _ in range(2):
        spread = [(limit * size) ** 2 * np.outer(x**k, x**k) for k, limit in enumerate(limits, 1)]
        heavy = np.linalg.solve(power * np.eye(x.size) + spread[0] + spread[1], ones)
        weights = heavy / heavy.sum()
        value, left = complex(weights @ samples), power * float((weights**2).sum())
        size = math.sqrt(abs(value) ** 2 + 2.0 * left)
    return value, left, limits[0] * abs(weights @ x) + limits[1] * abs(float(weights @ x**2))


@pytest.mark.parametrize("over_noise", [1e-3, 0.3, 3.0, 30.0])
@pytest.mark.parametrize("first", [-1.0, -0.2])
def test_the_value_is_the_best_linear_one(over_noise: float, first: float) -> None:
    rng = np.random.default_rng(11)
    x = np.linspace(first, 1.0, 9)
    samples = 1e-3 * (1 + 0.3j * x + 0.1 * x**2) + 1e-3 / over_noise * complex_normal(rng, 9)
    power = (1e-3 / over_noise) ** 2
    shape = BottomShape(0.4 / 2e4, 0.16 / 4e8)
    value, left, share = kriged(x, samples, power, (0.5, 0.2))  # 1.25 times what was fitted
    for turn in (1.0, -1.0):
        found = pool_at(455e6 + turn * 2e4 * x, samples, power, 455e6, 2e4, shape=shape)
        assert found is not None and found.points == 9
        assert found.value == pytest.approx(value, rel=1e-6)
        assert found.power == pytest.approx(left, rel=1e-6)
        assert found.bias_db == pytest.approx(0.06 - amplitude_db(1 - share), abs=1e-6)


@pytest.mark.parametrize("shape", [None, BottomShape(math.nan, 0.0), BottomShape(0.0, math.inf),
                                   BottomShape(9.0, 9.0)])  # fmt: skip
def test_what_no_fit_tells_may_be_as_steep_as_any_bottom(shape: BottomShape | None) -> None:
    """1.5 and 1.0 at the edge of the pool: the largest of the bottoms above."""
    rng = np.random.default_rng(12)
    x = np.linspace(-0.5, 1.0, 9)
    samples = 1e-3 + 1e-3 * complex_normal(rng, 9)
    found = pool_at(455e6 + 2e4 * x, samples, 1e-6, 455e6, 2e4, shape=shape)
    value, left, share = kriged(x, samples, 1e-6, (1.5, 1.0))
    assert found is not None and found.value == pytest.approx(value) and found.power == pytest.approx(left)
    assert found.bias_db == pytest.approx(0.06 - amplitude_db(1 - min(share, 0.9)), abs=1e-6)


@pytest.mark.parametrize("count", [3, 4, 5])
def test_states_that_are_subtracted_are_weighed_alike(count: int) -> None:
    """Four samples or more: the straight line of least squares (NumPy's polynomial fit) at the channel; fewer: their
    mean. Whatever they hold."""
    x = np.linspace(-0.2, 1.0, count)
    for level in (1e-6, 1.0):
        samples = np.asarray(level * (1 + 0.5j * x + 0.2 * x**2))
        found = pool_at(455e6 + 2e4 * x, samples, 1e-9, 455e6, 2e4, alike=True)
        expected = np.polyfit(x, samples, 1)[1] if count >= 4 else samples.mean()
        assert found is not None and found.value == pytest.approx(expected, rel=1e-6)


def test_samples_at_the_very_edge_belong_to_the_pool() -> None:
    f = 455e6 + 1e4 * np.array([-1.01, -1.0, 0.0, 1.0, 1.01])
    found = pool_at(f, np.full(5, 1e-3 + 0j), 1e-12, 455e6, 1e4)
    assert found is not None and found.points == 3


def test_a_plan_counts_with_a_third_of_the_curvature() -> None:
    """Mean of x^2 over -1..1 is 1/3; half-width an eighth of 80 kHz; 1.25 x 0.2 at the edge; no width, nothing."""
    assert planned_bias_db(Bottom()) == 0.0
    planned = planned_bias_db(Bottom(8e4, BottomShape(0.0, 0.2 / 1e8)))
    assert planned == pytest.approx(0.06 - amplitude_db(1 - 0.25 / 3))
    least = planned_bias_db(Bottom(8e4, BottomShape(0.0, 0.0)))
    assert least == pytest.approx(0.06 - amplitude_db(1 - 0.02 / 3))


def test_a_single_sample_at_the_edge_may_be_all_slope() -> None:
    """Slope and curvature of any bottom may be 2.5 times the value there; what is said ends at nine tenths, 20 dB."""
    found = pool_at(np.array([455.02e6]), np.array([1e-3 + 0j]), 1e-12, 455e6, 2e4)
    assert found is not None and found.bias_db == pytest.approx(20.06)
