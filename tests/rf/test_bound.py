"""Bounds: they cover, they are never 0, luck does not improve them, and a reading is only called so when it is one.

Sources: |x|^2 of a signal in complex Gaussian noise is noncentral chi-square (common practice); no gain by a lucky
draw: Cowan, Cranmer, Gross and Vitells 2011 (from memory). Coverage is counted over draws.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rf.floor.bound import rejection_figure, two_sided, upper_limit
from rf.values.decibel import amplitude_db
from rf.values.figure import Kind

RUNS = 2000


def readings(rng: np.random.Generator, truth: float, power: float, count: int = RUNS) -> np.ndarray:
    return truth + (rng.normal(size=count) + 1j * rng.normal(size=count)) * math.sqrt(power / 2)


@pytest.mark.parametrize("ratio_db", range(-20, 21, 5))
def test_the_limit_covers_the_truth(ratio_db: int) -> None:
    """95 % stated, 93 % demanded in 2,000 seeded runs at each ratio of truth to floor; never 0."""
    rng = np.random.default_rng(100 + ratio_db)
    truth, power = 10 ** (ratio_db / 20), 1.0
    limits = upper_limit(np.abs(readings(rng, truth, power)), power)
    assert (limits >= truth).mean() >= 0.93
    assert limits.min() > 0


@pytest.mark.parametrize("ratio_db", [-20, -5, 0, 10, 20])
@pytest.mark.parametrize("dof", [6.0, 40.0])
def test_the_limit_covers_with_an_estimated_floor(ratio_db: int, dof: float) -> None:
    rng = np.random.default_rng(200 + ratio_db)
    truth = 10 ** (ratio_db / 20)
    count = 400
    estimated = rng.chisquare(dof, count) / dof
    found = np.abs(readings(rng, truth, 1.0, count))
    limits = np.array([float(upper_limit(x, p, dof)) for x, p in zip(found, estimated, strict=True)])
    assert (limits >= truth).mean() >= 0.95 - 2 * math.sqrt(0.95 * 0.05 / count)


@pytest.mark.parametrize("ratio_db", range(-20, 21, 5))
def test_the_rejection_figure_covers(ratio_db: int) -> None:
    """The end that a goal is held against promises too much in at most 5 %; the whole interval misses in at most 7.5 %.
    Statistical slack of 2,000 runs: two binomial standard deviations."""
    rng = np.random.default_rng(300 + ratio_db)
    power = 1e-8
    truth = math.sqrt(power) * 10 ** (ratio_db / 20)
    figures = [rejection_figure(complex(value), power) for value in readings(rng, truth, power)]
    assert all(figure.known for figure in figures)
    true_db = -amplitude_db(truth)
    promised = sum(figure.low > true_db for figure in figures) / RUNS
    missed = promised + sum(figure.high < true_db for figure in figures) / RUNS
    assert promised <= 0.05 + 2 * math.sqrt(0.05 * 0.95 / RUNS)
    assert missed <= 0.075 + 2 * math.sqrt(0.075 * 0.925 / RUNS)


@pytest.mark.parametrize("leak_db", [-20, 0, 10])
def test_leakage_of_any_phase_is_covered(leak_db: int) -> None:
    rng = np.random.default_rng(400 + leak_db)
    power, truth = 1e-8, 3e-4
    leak = math.sqrt(power) * 10 ** (leak_db / 20)
    held = 0
    for value in readings(rng, truth, power, 400):
        seen = value + leak * np.exp(2j * np.pi * rng.random())
        figure = rejection_figure(complex(seen), power, leakage=leak)
        held += figure.low <= -amplitude_db(truth) <= figure.high
    assert held / 400 >= 0.93


def test_reading_or_bound() -> None:
    assert rejection_figure(1e-3, 1e-8).kind is Kind.READING
    assert rejection_figure(1.5e-4, 1e-8).kind is Kind.AT_LEAST
    assert rejection_figure(1e-3, 1e-8, leakage=9e-4).kind is Kind.AT_LEAST
    assert rejection_figure(complex(math.nan), 1e-8).kind is Kind.CANT_SAY
    assert rejection_figure(1e-3, 0.0).kind is Kind.CANT_SAY


def test_what_limits_is_named() -> None:
    assert rejection_figure(1e-4, 1e-8).limited_by == "random"
    assert rejection_figure(1e-4, 1e-8).why == "leakage not surveyed"
    assert rejection_figure(1e-3, 1e-8, leakage=9e-4).limited_by == "leakage"
    assert rejection_figure(1e-2, 1e-8, systematic_db=1.5).limited_by == "mismatch"


def test_systematic_decibels_widen_both_ends() -> None:
    plain, wide = rejection_figure(1e-2, 1e-8), rejection_figure(1e-2, 1e-8, systematic_db=1.5)
    assert wide.low == pytest.approx(plain.low - 1.5)
    assert wide.high == pytest.approx(plain.high + 1.5)


@given(st.floats(0.0, 30.0), st.floats(1e-12, 1.0))
def test_luck_never_improves_a_limit(ratio: float, power: float) -> None:
    """A reading below the median of noise gets the limit of that median: 2.0 sigma or more, and rising with |x|."""
    sigma = math.sqrt(power / 2)
    limit, more = (float(upper_limit(r * sigma, power)) for r in (ratio, ratio + 0.5))
    assert limit >= float(upper_limit(math.sqrt(2 * math.log(2)) * sigma, power)) * (1 - 1e-9) > 0
    assert more >= limit * (1 - 1e-9)
    assert limit >= ratio * sigma


@given(st.floats(1.2, 60.0), st.floats(4.0, 500.0))
def test_a_better_known_floor_never_loosens_a_limit(ratio: float, dof: float) -> None:
    assert float(upper_limit(ratio, 2.0, 4 * dof)) <= float(upper_limit(ratio, 2.0, dof)) * (1 + 2e-3)


@given(st.floats(0.0, 100.0))
def test_two_sided_limits_are_ordered(ratio: float) -> None:
    low, high = two_sided(ratio, 2.0)
    assert 0 <= low <= high
    assert high > 0
