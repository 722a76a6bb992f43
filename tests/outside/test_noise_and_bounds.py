"""Noise and bounds against values from outside the project. The source stands beside each check."""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.stats

from rf.floor.average import average_sweeps
from rf.floor.bound import plain_upper_limit, ratio_upper_limit, two_sided, upper_limit
from rf.floor.floor import floor_from_scatter
from rf.repeater.passband import loss_at
from rf.values.decibel import amplitude_db, power_db
from tests.rf.test_average import noise

SIGMA_POWER = 2.0
"""E|n|^2 for sigma = 1 per quadrature."""


def test_b1_b2_thermal_noise() -> None:
    """k = 1.380649e-23 J/K is exact (SI brochure, 9th edition); kT at 290 K -173.9752 dBm/Hz. b2: + 10 log B + NF."""
    density = power_db(1.380649e-23 * 290.0 * 1e3)
    assert density == pytest.approx(-173.9752, abs=1e-4)
    assert power_db(1.380649e-23 * 300.0 * 1e3) == pytest.approx(-173.8280, abs=1e-4)
    for bandwidth, figure, expected in ((12.5e3, 6, -127.0061), (16e3, 6, -125.9340), (1e3, 10, -133.9752)):
        assert density + power_db(bandwidth) + figure == pytest.approx(expected, abs=1e-4)


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


def test_b4_incoherent_averages_do_not_fall() -> None:
    """Theory: mean |x| sqrt(pi)/2, exp(-gamma), ln 2 of the power: -1.0491, -2.5068, -1.5917 dB re rms; one dB sample
    scatters by 5.57 dB. Ours is the mean of complex values, which does fall."""
    assert amplitude_db(math.sqrt(math.pi) / 2) == pytest.approx(-1.0491, abs=1e-4)
    assert power_db(math.exp(-0.5772156649015329)) == pytest.approx(-2.5068, abs=1e-4)
    assert power_db(math.log(2)) == pytest.approx(-1.5917, abs=1e-4)
    rng = np.random.default_rng(4)
    sweeps = noise(rng, 256, 401)
    level = 20 * np.log10(np.abs(sweeps)) + 70.0
    assert level.mean() == pytest.approx(-2.5068, abs=0.1)
    assert level.std() == pytest.approx(5.57, abs=0.1)
    coherent = 20 * np.log10(np.abs(average_sweeps(sweeps).mean)) + 70.0
    assert coherent.mean() == pytest.approx(-2.5068 - 24.0824, abs=1.0)


@pytest.mark.parametrize(
    ("ratio", "mean", "sd"),
    [
        (0, 1.253314, 0.655136),
        (1, 1.548572, 0.775837),
        (2, 2.272383, 0.914480),
        (3, 3.172577, 0.966826),
        (5, 5.101070, 0.989489),
        (10, 10.050127, 0.997471),
    ],
)
def test_b7_rice(ratio: float, mean: float, sd: float) -> None:
    """scipy.stats.rice; the limits 1.253 and 0.655 sigma: Gudbjartsson and Patz 1995. The magnitudes that our noise
    model draws must be Rice's."""
    assert scipy.stats.rice(ratio).mean() == pytest.approx(mean, abs=1e-6)
    rng = np.random.default_rng(7)
    drawn = np.abs(ratio + noise(rng, 200_000, power=SIGMA_POWER))
    assert drawn.mean() == pytest.approx(mean, abs=0.008)
    assert drawn.std() == pytest.approx(sd, abs=0.008)


@pytest.mark.parametrize(("ratio", "bias_db"), [(1, 3.7986), (2, 1.1090), (3, 0.4858), (5, 0.1738), (10, 0.0434)])
def test_b8_bias_of_the_mean_magnitude(ratio: float, bias_db: float) -> None:
    """scipy.stats.rice: why |x| is never averaged here."""
    assert amplitude_db(float(scipy.stats.rice(ratio).mean()) / ratio) == pytest.approx(bias_db, abs=1e-4)


@pytest.mark.parametrize(
    ("dof", "powers"),
    [
        (2, [0.226, 0.415, 0.584, 0.718, 0.815, 0.883, 0.928, 0.957, 0.974, 0.985]),
        (4, [0.171, 0.32, 0.47, 0.605, 0.716, 0.802, 0.866, 0.912, 0.943, 0.964]),
    ],
)
def test_b11_b12_noncentral_chi_square(dof: int, powers: list[float]) -> None:
    """Patnaik, Biometrika 36 (1949), table 6: power of the 5 % chi-square test at noncentrality 2, 4, ... 20. The limit
    inverts the same law: at its limit, a smaller reading must have chance 5 %."""
    for noncentrality, expected in zip(range(2, 21, 2), powers, strict=True):
        critical = scipy.stats.chi2(dof).isf(0.05)
        assert scipy.stats.ncx2(dof, noncentrality).sf(critical) == pytest.approx(expected, abs=1.1e-3)
    if dof == 2:
        for reading in (1.5, 2.5, 4.0):
            limit = float(upper_limit(reading, SIGMA_POWER))
            assert scipy.stats.ncx2(2, limit**2).cdf(reading**2) == pytest.approx(0.05, abs=1e-6)


@pytest.mark.parametrize(("false_alarm", "level_db"), [(0.05, 4.765), (0.01, 6.632), (1e-3, 8.393), (1e-6, 11.404)])
def test_b13_detection_threshold(false_alarm: float, level_db: float) -> None:
    """sqrt(-ln Pfa) above the rms floor (exact for complex Gaussian noise)."""
    assert power_db(-math.log(false_alarm)) == pytest.approx(level_db, abs=1e-3)
    rng = np.random.default_rng(13)
    if false_alarm >= 1e-3:
        share = (np.abs(noise(rng, 300_000, power=1.0)) > 10 ** (level_db / 20)).mean()
        assert share == pytest.approx(false_alarm, rel=0.15)


@pytest.mark.parametrize(("reading", "limit"), [(1, 2.28752), (2, 3.45164), (3, 4.50801), (5, 6.55733), (10, 11.59840)])
def test_b14_upper_limit(reading: float, limit: float) -> None:
    """scipy.stats.ncx2 (Marcum Q), sigma = 1. Below the noise's median (1.177) ours is the limit of that median."""
    assert float(plain_upper_limit(reading, SIGMA_POWER)) == pytest.approx(limit, abs=1e-4)
    ours = float(upper_limit(reading, SIGMA_POWER))
    assert ours == pytest.approx(limit, abs=1e-4) if reading > 1.177 else ours > limit


def test_b15_never_zero() -> None:
    """scipy: plain inversion gives 0 at r = 0.1 (an empty set); the ratio form 2.4508, at r = 1 2.7457, r = 2
    3.5234."""
    assert float(plain_upper_limit(0.1, SIGMA_POWER)) == 0.0
    for reading, limit in ((0.1, 2.4508), (1.0, 2.7457), (2.0, 3.5234)):
        assert ratio_upper_limit(reading, SIGMA_POWER) == pytest.approx(limit, abs=1e-4)
    for reading in (0.0, 1e-9, 0.1, 0.3):
        assert float(upper_limit(reading, SIGMA_POWER)) > 2.0


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
    # Nine samples under a quadratic leave 2.16 / 9 of the noise power at the middle; tracking adds 0.1 dB.
    basis = np.linalg.pinv(np.vander(np.linspace(-1, 1, 9), 3, increasing=True))[0]
    drawn_db = rng.normal(size=200_000) * sd_db * math.sqrt(float(basis @ basis)) + rng.uniform(-0.1, 0.1, 200_000)
    expected = float(np.quantile(np.abs(drawn_db), 0.95))
    assert flat.high - flat.value == pytest.approx(expected, rel=0.03)
