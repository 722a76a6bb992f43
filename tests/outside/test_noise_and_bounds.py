"""Noise and bounds against values from outside the project. The source stands beside each check."""

from __future__ import annotations

import math

import numpy as np
import pytest

from rf.floor.average import average_sweeps
from rf.floor.bound import two_sided
from rf.floor.floor import floor_from_scatter
from rf.repeater.passband import loss_at
from rf.values.decibel import power_db
from tests.rf.test_average import noise

SIGMA_POWER = 2.0
"""E|n|^2 for sigma = 1 per quadrature."""


@pytest.mark.parametrize(
    ("count", "down_db"), [(2, 3.0103), (4, 6.0206), (10, 10.0), (16, 12.0412), (64, 18.0618), (256, 24.0824)]
)
def test_b3_coherent_averaging(count: int, down_db: float) -> None:
    """Exact: 10 log N. The statistical error of a measured ratio over M points is 4.343 sqrt(2 / M) dB (0.43 at
    201)."""
    rng = np.random.default_rng(count)
    points = 201
    average = average_sweeps(noise(rng, count, points))
    floor = floor_from_scatter(average)
    assert floor.one_sweep.value - floor.averaged.value == pytest.approx(down_db, abs=0.02)
    measured = power_db(float(np.mean(np.abs(average.mean) ** 2))) - (-70.0)
    assert measured == pytest.approx(-down_db, abs=3 * 4.343 * math.sqrt(1 / points))


@pytest.mark.parametrize(
    ("reading", "low", "high"),
    [(2, 0, 3.7765), (3, 0.6953, 4.8282), (5, 2.9091, 6.8746), (10, 7.9841, 11.9141)],
)
def test_b16_two_sided(reading: float, low: float, high: float) -> None:
    """scipy.stats.ncx2, equal tails; published method: Kent and Hainsworth 1995."""
    ours = two_sided(reading, SIGMA_POWER)
    assert float(ours[0]) == pytest.approx(low, abs=1e-4)
    assert float(ours[1]) == pytest.approx(high, abs=1e-4)


@pytest.mark.parametrize(
    ("count", "below", "above"), [(10, 2.326, 3.192), (50, 1.125, 1.295), (100, 0.811, 0.896), (201, 0.580, 0.622)]
)
def test_b18_interval_of_a_floor(count: int, below: float, above: float) -> None:
    """Chi-square with 2n degrees of freedom: 95 % interval of a floor from n complex samples."""
    rng = np.random.default_rng(18)
    points = count
    figure = floor_from_scatter(average_sweeps(noise(rng, 2, points))).one_sweep
    assert figure.value - figure.low == pytest.approx(below, abs=0.12 * below)
    assert figure.high - figure.value == pytest.approx(above, abs=0.12 * above)


@pytest.mark.parametrize(("snr_db", "sd_db"), [(20, 0.6142), (30, 0.1942), (40, 0.06142)])
def test_b19_trace_noise(snr_db: float, sd_db: float) -> None:
    """8.686 10^(-SNR/20) / sqrt 2 (small-noise formula): the loss figure's noise part, and drawn samples, must show
    it."""
    rng = np.random.default_rng(19)
    drawn = 20 * np.log10(np.abs(1 + noise(rng, 50_000, power=10 ** (-snr_db / 10))))
    assert drawn.std() == pytest.approx(sd_db, rel=0.02)
    f = np.linspace(0.0, 8.0, 9)
    flat = loss_at(f, np.ones(9, complex), np.full(9, 10 ** (-snr_db / 10)), 4.0, 200.0).figure
    # Nine samples under a quadratic leave 2.16 / 9 of the noise power at the middle; tracking adds a sine of
    # 0.3 dB at a phase that nobody knows.
    basis = np.linalg.pinv(np.vander(np.linspace(-1, 1, 9), 3, increasing=True))[0]
    drawn_db = rng.normal(size=200_000) * sd_db * math.sqrt(float(basis @ basis)) + 0.3 * np.cos(
        rng.uniform(0.0, 2.0 * math.pi, 200_000)
    )
    expected = float(np.quantile(np.abs(drawn_db), 0.95))
    assert flat.high - flat.value == pytest.approx(expected, rel=0.03)
