"""Uncertainty and decision rules against published examples: JCGM 100, 101, 102, 106, NIST TN 1900, NIST StRD.

f1: JCGM 100:2008 H.2. f2: H.3. f3: H.1. f4, f5: NIST TN 1900 E15, E11. f6: JCGM 101:2008 9.2. f7: 9.4. f9, f11: JCGM
106:2012. f12: the normal law. a13, f15: formulas of common practice.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.stats

from rf.floor.bound import two_sided
from rf.floor.leakage import leakage_error_db
from rf.values.figure import at_least, reading
from rf.values.uncertainty import (
    Contribution,
    Law,
    as_figure,
    combine,
    loss_budget,
    mismatch_db,
    monte_carlo,
    propagate,
    return_loss_budget,
    shortest_interval,
)
from rf.values.verdict import Verdict, conformance_probability, judge_at_least


@pytest.mark.parametrize(("below_db", "worse", "better"), [(20, 0.828, 0.915), (10, 2.387, 3.302), (40, 0.086, 0.087)])
def test_a13_leakage_error(below_db: float, worse: float, better: float) -> None:
    up, down = leakage_error_db(1.0, 10 ** (-below_db / 20))
    assert up == pytest.approx(worse, abs=1e-3)
    assert -down == pytest.approx(better, abs=1e-3)
    assert leakage_error_db(1e-5, 1e-4)[1] == -math.inf


def test_f1_resistance_and_reactance() -> None:
    v = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
    i = np.array([19.663, 19.639, 19.640, 19.685, 19.678]) * 1e-3
    phase = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])
    data = np.array([v, i, phase])
    covariance = np.cov(data) / 5

    def impedance(x: np.ndarray) -> np.ndarray:
        return np.array([x[0] / x[1] * math.cos(x[2]), x[0] / x[1] * math.sin(x[2]), x[0] / x[1]])

    value, u = propagate(impedance, data.mean(axis=1), covariance)
    np.testing.assert_allclose(value, [127.732, 219.847, 254.260], atol=6e-4)
    np.testing.assert_allclose(np.sqrt(np.diag(u)), [0.071, 0.2956, 0.236], atol=6e-4)
    correlation = u / np.sqrt(np.outer(np.diag(u), np.diag(u)))
    assert correlation[0, 1] == pytest.approx(-0.588, abs=1e-3)
    assert correlation[0, 2] == pytest.approx(-0.485, abs=1e-3)
    assert correlation[1, 2] == pytest.approx(0.9925, abs=1e-3)


def test_f3_effective_degrees_of_freedom() -> None:
    """End gauge: u_c 32 nm from 25 (18 dof), 9.7 (25.6 dof), 2.9 (50 dof), 16.6 (2 dof); nu_eff 16; U99 93 nm."""
    lines = [("s", 25.0, 18.0), ("d", 9.7, 25.6), ("a", 2.9, 50.0), ("t", 16.6, 2.0)]
    budget = combine([Contribution(name, u, Law.NORMAL, dof) for name, u, dof in lines], 0.99)
    assert budget.standard_db == pytest.approx(32, abs=0.5)
    assert budget.dof == pytest.approx(17.5, abs=1.5)
    assert budget.expanded_db == pytest.approx(93, abs=2)
    assert budget.largest == "s"


def test_f4_reflection_coefficient_of_a_load() -> None:
    mag, phase = [0.24776, 0.49935, 0.24971, 0.49952], [4.88683, 4.78595, 4.85989, 4.79054]
    sd = [0.00337, 0.00340, 0.00170, 0.00340, 0.01392, 0.00835, 0.00842, 0.00835]

    def gamma(x: np.ndarray) -> np.ndarray:
        s22, s12, s23, s13 = x[:4] * np.exp(1j * x[4:])
        value = s22 - s12 * s23 / s13
        return np.array([value.real, value.imag])

    value, u = propagate(gamma, np.array(mag + phase), np.diag(np.square(sd)))
    np.testing.assert_allclose(value, [0.00745, 0.00308], atol=5e-5)
    np.testing.assert_allclose(np.sqrt(np.diag(u)), [0.004989, 0.004486], atol=5e-5)


def test_f6_four_rectangular_lines() -> None:
    lines = [Contribution(str(k), math.sqrt(3), Law.RECTANGULAR) for k in range(4)]
    assert combine(lines).standard_db == pytest.approx(2.0, abs=1e-9)
    assert combine(lines).expanded_db == pytest.approx(3.92, abs=0.01)
    sd, low, high = monte_carlo(lines)
    assert sd == pytest.approx(2.0, abs=0.01)
    assert high == pytest.approx(3.88, abs=0.05)
    assert low == pytest.approx(-3.88, abs=0.05)


@pytest.mark.parametrize(
    ("x1", "mean", "u", "low", "high"),
    [(0.0, 50, 50.0, 0, 149.8), (0.010, 150, 111.80, 0, 366.0), (0.050, 2550, 502.49, 1593.6, 3548.6)],
)
def test_f7_comparison_loss_by_drawing(x1: float, mean: float, u: float, low: float, high: float) -> None:
    """First order gives u = 0 at x1 = 0; the drawn distribution does not (JCGM 101, 9.4)."""
    rng = np.random.default_rng(7)
    drawn = (rng.normal(x1, 0.005, 400_000) ** 2 + rng.normal(0, 0.005, 400_000) ** 2) * 1e6
    assert drawn.mean() == pytest.approx(mean, rel=0.01)
    assert drawn.std() == pytest.approx(u, rel=0.01)
    ends = shortest_interval(drawn)
    assert ends[0] == pytest.approx(low, abs=0.02 * high)
    assert ends[1] == pytest.approx(high, rel=0.02)
    _, first_order = propagate(
        lambda x: np.array([x[0] ** 2 + x[1] ** 2]), np.array([x1, 0.0]), np.diag([0.005**2] * 2)
    )
    assert math.sqrt(first_order[0, 0]) * 1e6 == pytest.approx(2 * x1 * 0.005 * 1e6, abs=0.1)


@pytest.mark.parametrize(("guard", "risk"), [(0.0, 0.5), (0.5, 0.3085), (1.0, 0.1587), (1.645, 0.05), (2.0, 0.02275)])
def test_f12_guard_band_risk(guard: float, risk: float) -> None:
    """Phi(-w/u): a pass with the low end at the goal has at most this risk (w = 1.96 u here: 2.5 %)."""
    assert scipy.stats.norm.sf(guard) == pytest.approx(risk, abs=1e-4)
    half = guard * 1.2
    verdict = judge_at_least(reading(80 + half, 80.0, 80 + 2 * half, "dB"), 80.0)
    assert verdict is Verdict.PASS


def test_f11_f12_conformance_probability() -> None:
    """82 dB, u 1.2, limit 80: 0.95221; Zener example, -5.47 V, u 0.05, limit -5.40: Phi(1.40) = 0.91924 (JCGM 106)."""
    half = 1.959963984540054 * 1.2
    assert conformance_probability(reading(82, 82 - half, 82 + half, "dB"), 80.0) == pytest.approx(0.95221, abs=1e-5)
    half = 1.959963984540054 * 0.05
    zener = reading(5.47, 5.47 - half, 5.47 + half, "V")
    assert conformance_probability(zener, 5.40) == pytest.approx(0.91924, abs=1e-5)
    assert math.isnan(conformance_probability(at_least(90.0, "dB"), 80.0))


def test_first_order_and_drawing_agree_on_a_loss_budget() -> None:
    """GUM and Monte Carlo must agree where the law is near normal: half-width of 95 % within 0.02 dB."""
    budget = loss_budget(0.03, 17.0, 20.0, 0.1, 0.05)
    sd, low, high = monte_carlo(budget.contributions)
    assert sd == pytest.approx(budget.standard_db, rel=0.01)
    assert (high - low) / 2 == pytest.approx(budget.expanded_db, abs=0.02)
    assert as_figure(1.4, budget).low == pytest.approx(1.4 - budget.expanded_db, abs=0.02)


def test_u_shaped_law_by_drawing() -> None:
    line = Contribution("mismatch", 1.0, Law.U_SHAPED)
    drawn = line.draw(np.random.default_rng(1), 200_000)
    assert drawn.std() == pytest.approx(line.standard_db, rel=0.01)
    assert np.abs(drawn).max() <= 1.0


def test_scenario_33_port_2_mismatch() -> None:
    """Study, scenario 33: port 2 at 14 dB, device 17 dB: +-0.25 dB; with a 10 dB pad +-0.05."""
    assert mismatch_db(17.0, 14.0) == pytest.approx(0.25, abs=0.01)
    assert mismatch_db(17.0, 34.0) == pytest.approx(0.025, abs=0.01)
    plain, padded = loss_budget(0.0, 17.0, 14.0, 0.0), loss_budget(0.0, 17.0, 14.0, 0.0, pad_db=10.0)
    assert plain.largest == "mismatch"
    assert padded.expanded_db < 0.25 * plain.expanded_db


def test_f10_mismatch_at_the_notch() -> None:
    """Study, F10: at the notch the device reflects all: 17 dB at port 2 gives +1.2/-1.3 dB."""
    assert mismatch_db(0.0, 17.0) == pytest.approx(1.32, abs=0.01)


def test_return_loss_budget_names_the_directivity() -> None:
    budget = return_loss_budget(0.1, 1e-4, 35.0)
    assert budget.largest == "directivity"
    assert budget.expanded_db == pytest.approx(1.96 * 8.686 * 10 ** (-35 / 20) / 0.1 / math.sqrt(2), rel=0.05)


def test_f5_step_attenuator() -> None:
    """NIST TN 1900 E11: Ls 30.0402 (u 0.0091, 3 dof), dLs 0.003, L0a, L0b 0.002, Lm arcsine of half-width 0.02828:
    u 0.0224 dB (30.043 dB; 95 % 30.006 to 30.081)."""
    lines = [
        Contribution("Ls", 0.0091, Law.NORMAL, 3.0),
        Contribution("dLs", 0.003, Law.NORMAL),
        Contribution("L0a", 0.002, Law.NORMAL),
        Contribution("L0b", 0.002, Law.NORMAL),
        Contribution("Lm", 0.02828, Law.U_SHAPED),
    ]
    budget = combine(lines)
    assert budget.standard_db == pytest.approx(0.0224, abs=5e-4)
    assert budget.largest == "Lm"
    # The arcsine line rules, so the drawn interval is narrower than 2 u = 0.045 and near the printed 0.037.
    assert budget.drawn_db() == pytest.approx(0.0375, abs=0.003)


@pytest.mark.parametrize(("x1", "u"), [(0.0, 67.4), (0.010, 120.3), (0.050, 504.5)])
def test_f8_correlated_comparison_loss(x1: float, u: float) -> None:
    """f7 with r = 0.9 (Monte Carlo of 4e6 draws): the drawn standard deviation, in units of 1e-6."""
    rng = np.random.default_rng(8)
    first = rng.normal(size=400_000)
    second = 0.9 * first + math.sqrt(1 - 0.81) * rng.normal(size=400_000)
    drawn = ((x1 + 0.005 * first) ** 2 + (0.005 * second) ** 2) * 1e6
    assert drawn.std() == pytest.approx(u, rel=0.02)
    covariance = 0.005**2 * np.array([[1.0, 0.9], [0.9, 1.0]])
    _, first_order = propagate(lambda x: np.array([x[0] ** 2 + x[1] ** 2]), np.array([x1, 0.0]), covariance)
    assert math.sqrt(first_order[0, 0]) * 1e6 <= u * 1.001  # first order never sees the whole of it


@pytest.mark.parametrize(
    ("true", "magnitude", "sd"), [(0.001, 0.012564, 0.006568), (0.010, 0.015486, 0.007758), (0.100, 0.100501, 0.009975)]
)
def test_b9_b10_magnitude_of_a_small_s_parameter(true: float, magnitude: float, sd: float) -> None:
    """|S| from parts with u = 0.01 each (JCGM 102, 9.3; exact: Rice). First order says u = 0.010 whatever |S| is; the
    drawn values show the bias, and the two-sided limits of `rf.floor.bound` hold the truth."""
    rng = np.random.default_rng(9)
    drawn = np.abs(true + 0.01 * (rng.normal(size=200_000) + 1j * rng.normal(size=200_000)))
    assert drawn.mean() == pytest.approx(magnitude, rel=5e-3)
    assert drawn.std() == pytest.approx(sd, rel=5e-3)
    _, first_order = propagate(lambda x: np.array([math.hypot(x[0], x[1])]), np.array([true, 0.0]), np.eye(2) * 0.01**2)
    assert math.sqrt(first_order[0, 0]) == pytest.approx(0.01, rel=1e-2)
    low, high = two_sided(drawn[:2000], 2 * 0.01**2)
    assert ((low <= true) & (true <= high)).mean() >= 0.93
