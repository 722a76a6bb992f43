"""What a survey tells, on sweeps whose moments are set by hand; limits by SciPy's noncentral chi-square."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import scipy.optimize
import scipy.stats

from rf.floor.leakage import FloorSplit, _ingress, leak_limit_at, split_floor
from tests.rf.test_average import noise

SWEEPS, POINTS = 20, 401


def sweeps_with(*powers: float) -> np.ndarray:
    """Sweeps (20, 401) of power 1 at every point, of constant size; at point 7 all is at rest but for sweeps of these
    powers. Every point lies about a steady 5."""
    turned = np.exp(1j * np.pi / 2 * np.arange(SWEEPS))[:, None] * np.ones(POINTS)
    turned[:, 7] = 0.0
    turned[: len(powers), 7] = np.sqrt(powers)
    return np.asarray(turned + 5.0)


@pytest.mark.parametrize(
    ("share", "mean", "marked"),
    [
        ((2.6, 1.0, 1.0), 1.6, True),  # 20 (2.6^2 + 2) / 4.6^2 = 8.28
        ((2.2, 1.0, 1.0), 1.6, False),  # 7.76
        ((1.0, 1.0), 1.6, True),  # 10
        ((1.0, 1.0), 1.4, False),  # not loud enough to matter
        ((1.0,) * 20, 1.6, False),  # loud, and as even as can be
        ((1.0, 1.0, 1.0), 3.0, True),  # 2 N mean / P = 120 is more than chi-square of 40 gives once in 401 000
    ],
)
def test_heavy_tails_and_loud_points_are_ingress(share: tuple[float, ...], mean: float, marked: bool) -> None:
    """E|n|^4 / (E|n|^2)^2 is 2 for complex Gaussian noise with sd sqrt(20 / N) = 1 here; 4 sd and half as much again
    is 8. Loud: chi-square of 2 N degrees of freedom (scipy.stats)."""
    powers = np.array(share) * mean * SWEEPS / sum(share)
    if len(share) == SWEEPS:
        data = sweeps_with()
        data[:, 7] = 5.0 + np.sqrt(powers) * np.exp(1j * np.pi / 2 * np.arange(SWEEPS))
    else:
        data = sweeps_with(*powers)
    limit = scipy.stats.chi2(2 * SWEEPS).isf(1e-3 / POINTS) / (2 * SWEEPS)
    assert 2.0 < limit < 3.0
    found = _ingress(data, 1.0)
    assert bool(found[7]) is marked and found.sum() == marked


def told(steady: np.ndarray, power: float, ingress: np.ndarray) -> tuple[np.ndarray, FloorSplit]:
    """A split of 41 points, 50 kHz apart, with a floor that is known exactly."""
    split = split_floor(noise(np.random.default_rng(1), 6, 41))
    floor = replace(split.floor, dof=math.inf)
    f = 450e6 + 50e3 * np.arange(41)
    return f, replace(split, steady=steady, averaged_power=np.full(41, power), ingress=ingress, floor=floor)


@pytest.mark.parametrize("seen", [1e-4, 3e-4])
def test_the_leak_at_a_channel_is_pooled_over_its_neighbours(seen: float) -> None:
    """21 samples about the channel of a leak with a slope: its value there over P / 21, 95 % by the noncentral
    chi-square; points with interferers are left out, fewer than ten say nothing."""
    power = 1e-8
    slope = 1e-11 * (50e3 * np.arange(41) - 1e6)
    steady = np.asarray(seen + 1j * slope)
    f, split = told(steady, power, np.zeros(41, bool))

    def limit(count: int) -> float:
        sigma = math.sqrt(power / count / 2)
        ratio = (seen / sigma) ** 2
        return sigma * math.sqrt(
            scipy.optimize.brentq(lambda nc: scipy.stats.ncx2(2, nc).cdf(ratio) - 0.05, 1e-6, 4 * ratio + 50)
        )

    assert leak_limit_at(f, split, 451e6) == pytest.approx(limit(21), rel=1e-3)
    assert leak_limit_at(f, split, 449.9e6) is None and leak_limit_at(f, split, 452.1e6) is None
    hit = np.zeros(41, bool)
    hit[[11, 29, 12, 28, 13, 27]] = True  # even about the channel, so 15 samples weigh alike
    f, split = told(np.where(hit, 0.5, steady), power, hit)
    assert leak_limit_at(f, split, 451e6) == pytest.approx(limit(15), rel=1e-3)
    for count, known in ((11, True), (12, False)):
        hit = np.zeros(41, bool)
        hit[10 : 10 + count] = True
        f, split = told(steady, power, hit)
        assert (leak_limit_at(f, split, 451e6) is not None) is known


def test_a_survey_needs_five_sweeps() -> None:
    rng = np.random.default_rng(2)
    with pytest.raises(ValueError, match="five sweeps"):
        split_floor(noise(rng, 4, 41))
    assert split_floor(noise(rng, 5, 41)).random_db.shape == (41,)
