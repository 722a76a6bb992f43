"""Drift and stability against the literature's published values and a reference library (AllanTools).

b20, b21: NIST SP 1065 (Riley 2008), tables 30 to 32; data of b20: NBS Monograph 140, annex 8.E. b22: a straight line.
b23: pymannkendall 1.4.3. b24: Montgomery, Statistical Quality Control, average run lengths. b25: NIST StRD Norris.
"""

from __future__ import annotations

from importlib import resources

import allantools
import numpy as np
import pytest

from rf.floor.drift import (
    allan_deviation,
    cusum_alarm,
    hadamard_deviation,
    linear_drift,
    mann_kendall,
    modified_allan_deviation,
    phase_against,
    phase_drift,
    straight_line,
    von_neumann_ratio,
)
from tests.rf.test_average import noise, signal

NBS = np.array([892, 809, 823, 798, 671, 644, 883, 903, 677], float)


def long_set() -> np.ndarray:
    """n(i+1) = 16807 n(i) mod 2147483647 from 1234567890 (SP 1065, 12.4)."""
    values, n = [], 1234567890
    for _ in range(1000):
        values.append(n / 2147483647)
        n = 16807 * n % 2147483647
    return np.array(values)


@pytest.mark.parametrize(
    ("factor", "adev", "oadev", "mdev", "hdev", "ohdev"),
    [(1, 91.22945, 91.22945, 91.22945, 70.80608, 70.80607), (2, 115.8082, 85.95287, 74.78849, 116.7980, 85.61487)],
)
def test_b20_nine_values(factor: int, adev: float, oadev: float, mdev: float, hdev: float, ohdev: float) -> None:
    assert allan_deviation(NBS, factor, overlapping=False) == pytest.approx(adev, rel=1e-4)
    assert allan_deviation(NBS, factor) == pytest.approx(oadev, rel=1e-4)
    assert modified_allan_deviation(NBS, factor) == pytest.approx(mdev, rel=1e-4)
    assert hadamard_deviation(NBS, factor, overlapping=False) == pytest.approx(hdev, rel=1e-4)
    assert hadamard_deviation(NBS, factor) == pytest.approx(ohdev, rel=1e-4)


@pytest.mark.parametrize(
    ("factor", "adev", "oadev", "mdev", "hdev"),
    [
        (1, 0.2922319, 0.2922319, 0.2922319, 0.2943883),
        (10, 0.09965736, 0.09159953, 0.06172376, 0.1052754),
        (100, 0.03897804, 0.03241343, 0.02170921, 0.03910860),
    ],
)
def test_b21_thousand_values(factor: int, adev: float, oadev: float, mdev: float, hdev: float) -> None:
    values = long_set()
    assert allan_deviation(values, factor, overlapping=False) == pytest.approx(adev, rel=1e-4)
    assert allan_deviation(values, factor) == pytest.approx(oadev, rel=1e-4)
    assert modified_allan_deviation(values, factor) == pytest.approx(mdev, rel=1e-4)
    assert hadamard_deviation(values, factor, overlapping=False) == pytest.approx(hdev, rel=1e-4)


def test_against_the_reference_library() -> None:
    values = np.random.default_rng(1).normal(size=300).cumsum()
    for factor in (1, 3, 17):
        for ours, theirs in (
            (allan_deviation, allantools.oadev),
            (modified_allan_deviation, allantools.mdev),
            (hadamard_deviation, allantools.ohdev),
        ):
            reference = theirs(values, rate=1.0, data_type="freq", taus=[factor])[1][0]
            assert ours(values, factor) == pytest.approx(reference, rel=1e-9)


def test_b22_linear_drift() -> None:
    line = linear_drift(NBS)
    assert line.slope == pytest.approx(-10.2, rel=1e-6)
    assert line.intercept - line.slope == pytest.approx(839.8889, rel=1e-6)  # the table counts from 1
    line = linear_drift(long_set())
    assert line.slope == pytest.approx(6.490910e-06, rel=1e-6)
    assert line.intercept - line.slope == pytest.approx(0.4865258, rel=1e-6)


def test_b23_no_drift_is_claimed_where_there_is_none() -> None:
    assert von_neumann_ratio(NBS) == pytest.approx(1.632506, abs=1e-5)
    test = mann_kendall(NBS)
    assert (test.s, test.variance) == (-6, 92)
    assert test.z == pytest.approx(-0.521286, abs=1e-5)
    assert test.p == pytest.approx(0.602168, abs=1e-5)
    assert test.slope == pytest.approx(-21.5286, abs=1e-4)
    assert von_neumann_ratio(long_set()) == pytest.approx(2.052555, abs=1e-5)
    assert mann_kendall(long_set()).p == pytest.approx(0.768349, abs=1e-5)


@pytest.mark.parametrize(
    ("limit", "shift", "run_length"), [(4.0, 1.0, 8.38), (5.0, 1.0, 10.4), (4.0, 2.0, 3.34), (4.0, 0.0, 168)]
)
def test_b24_cusum_run_lengths(limit: float, shift: float, run_length: float) -> None:
    rng = np.random.default_rng(24)
    lengths = []
    for _ in range(400):
        alarm = cusum_alarm(rng.normal(size=4000) + shift, 1.0, 0.5, limit)
        assert alarm is not None
        lengths.append(alarm + 1)
    assert np.mean(lengths) == pytest.approx(run_length, rel=4 * np.std(lengths) / np.mean(lengths) / 20)


def test_b25_norris() -> None:
    """NIST StRD certified values (the file ships with SciPy)."""
    text = (resources.files("scipy") / "stats/tests/data/nist_linregress/Norris.dat").read_text()
    rows = [line.split() for line in text.splitlines()[60:] if len(line.split()) == 2]
    y, x = np.array(rows, float).T
    line = straight_line(x, y)
    assert x.size == 36
    assert line.slope == pytest.approx(1.00211681802045, rel=1e-10)
    assert line.slope_sd == pytest.approx(4.29796848199937e-4, rel=1e-8)
    assert line.intercept == pytest.approx(-0.262323073774029, rel=1e-9)
    assert line.intercept_sd == pytest.approx(0.232818234301152, rel=1e-8)


def test_f2_thermometer_calibration() -> None:
    """JCGM 100:2008, H.3, table H.6: y1 -0.1712 (0.0029), y2 0.00218 (0.00067), r -0.930, s 0.0035."""
    t = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511])
    b = np.array([-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160])
    line = straight_line(t - 20.0, b)
    assert line.intercept == pytest.approx(-0.1712, abs=5e-5)
    assert line.intercept_sd == pytest.approx(0.0029, abs=5e-5)
    assert line.slope == pytest.approx(0.00218, abs=5e-6)
    assert line.slope_sd == pytest.approx(0.00067, abs=5e-6)
    assert line.correlation == pytest.approx(-0.930, abs=5e-4)
    assert line.residual_sd == pytest.approx(0.0035, abs=5e-5)
    assert line.intercept + 10 * line.slope == pytest.approx(-0.1494, abs=1e-4)


def test_too_short() -> None:
    for call in (allan_deviation, modified_allan_deviation, hadamard_deviation):
        with pytest.raises(ValueError, match="too few"):
            call(NBS, 9)
    with pytest.raises(ValueError):
        linear_drift(NBS[:2])
    with pytest.raises(ValueError):
        mann_kendall(NBS[:3])


def test_phase_drift_is_found_and_costed() -> None:
    """Study, F21: phase scatter p rad costs 4.34 p^2 dB; 20 degrees: 0.5 dB."""
    rng = np.random.default_rng(2)
    turn = np.radians(20.0) * rng.normal(size=400)
    sweeps = signal() * np.exp(1j * turn)[:, None] + noise(rng, 400, 401)
    found = phase_drift(sweeps, 1e-7)
    assert found.significant
    assert found.cost_db == pytest.approx(0.53, abs=0.08)
    np.testing.assert_allclose(found.phase_rad - found.phase_rad.mean(), turn - turn.mean(), atol=0.01)
    steady = phase_drift(signal() + noise(rng, 50, 401), 1e-7)
    assert not steady.significant
    assert phase_against(signal() * np.exp(0.1j), signal(), 1e-7) == pytest.approx(0.1, abs=1e-6)
    assert phase_against(noise(rng, 401), noise(rng, 401), 1e-7) == 0.0
