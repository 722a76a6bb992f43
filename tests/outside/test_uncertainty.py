"""Uncertainty and decision rules against published examples: JCGM 100, 101, 102, 106, NIST TN 1900, NIST StRD.

f1: JCGM 100:2008 H.2. f2: H.3. f3: H.1. f4, f5: NIST TN 1900 E15, E11. f6: JCGM 101:2008 9.2. f7: 9.4. f9, f11: JCGM
106:2012. f12: the normal law. a13, f15: formulas of common practice.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from rf.values.figure import at_least, reading
from rf.values.uncertainty import (
    Budget,
    Contribution,
    Law,
    loss_budget,
    mismatch_db,
    return_loss_budget,
)
from rf.values.verdict import Verdict, conformance_probability, judge_at_least


def test_f3_combined_standard_uncertainty() -> None:
    """End gauge: u_c 32 nm from 25, 9.7, 2.9 and 16.6 nm."""
    lines = (("s", 25.0), ("d", 9.7), ("a", 2.9), ("t", 16.6))
    budget = Budget(tuple(Contribution(name, u, Law.NORMAL) for name, u in lines))
    assert budget.standard_db == pytest.approx(32, abs=0.5)
    assert budget.largest == "s"


@pytest.mark.parametrize(("guard", "risk"), [(0.0, 0.5), (0.5, 0.3085), (1.0, 0.1587), (1.645, 0.05), (2.0, 0.02275)])
def test_f12_guard_band_risk(guard: float, risk: float) -> None:
    """Phi(-w/u) (JCGM 106): the chance that the truth misses the goal when the value clears it by w; a pass with the
    low end at the goal has at most 2.5 % (w = 1.96 u)."""
    value, half_95 = 80.0 + guard * 1.2, 1.959963984540054 * 1.2
    figure = reading(value, value - half_95, value + half_95, "dB")
    assert 1.0 - conformance_probability(figure, 80.0) == pytest.approx(risk, abs=1e-4)
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


def test_u_shaped_law_by_drawing() -> None:
    line = Contribution("mismatch", 1.0, Law.U_SHAPED)
    drawn = line.draw(np.random.default_rng(1), 200_000)
    assert drawn.std() == pytest.approx(line.standard_db, rel=0.01)
    assert np.abs(drawn).max() <= 1.0


def test_scenario_33_port_2_mismatch() -> None:
    """Study, scenario 33: port 2 at 14 dB, device 17 dB: +-0.25 dB; with a 10 dB pad +-0.05."""
    assert mismatch_db(17.0, 14.0) == pytest.approx(0.25, abs=0.01)
    assert mismatch_db(17.0, 34.0) == pytest.approx(0.025, abs=0.01)
    plain, padded = loss_budget(0.0, 17.0, 14.0, 0.0), loss_budget(0.0, 17.0, 34.0, 0.0)
    assert plain.largest == "mismatch"
    assert padded.drawn_db() < 0.25 * plain.drawn_db()


def test_f10_mismatch_at_the_notch() -> None:
    """Study, F10: at the notch the device reflects all: 17 dB at port 2 gives +1.2/-1.3 dB."""
    assert mismatch_db(0.0, 17.0) == pytest.approx(1.32, abs=0.01)


def test_return_loss_budget_names_the_directivity() -> None:
    budget = return_loss_budget(0.1, 1e-4, 35.0)
    assert budget.largest == "directivity"
    assert budget.standard_db == pytest.approx(8.686 * 10 ** (-35 / 20) / 0.1 / math.sqrt(2), rel=0.05)


def test_f5_step_attenuator() -> None:
    """NIST TN 1900 E11: Ls 30.0402 (u 0.0091, 3 dof), dLs 0.003, L0a, L0b 0.002, Lm arcsine of half-width 0.02828:
    u 0.0224 dB (30.043 dB; 95 % 30.006 to 30.081)."""
    lines = (
        Contribution("Ls", 0.0091, Law.NORMAL),
        Contribution("dLs", 0.003, Law.NORMAL),
        Contribution("L0a", 0.002, Law.NORMAL),
        Contribution("L0b", 0.002, Law.NORMAL),
        Contribution("Lm", 0.02828, Law.U_SHAPED),
    )
    budget = Budget(lines)
    assert budget.standard_db == pytest.approx(0.0224, abs=5e-4)
    assert budget.largest == "Lm"
    # The arcsine line rules, so the drawn interval is narrower than 2 u = 0.045 and near the printed 0.037.
    assert budget.drawn_db() == pytest.approx(0.0375, abs=0.003)
