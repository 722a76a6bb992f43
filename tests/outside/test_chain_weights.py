"""How fits of a chain are weighed, widened and doubted, against SciPy's laws and closed forms named at each check."""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
import scipy.special
import scipy.stats

from rf.notch import chain_choice
from rf.notch.chain_choice import DEPARTURES, Blend
from rf.notch.notch import find_notch
from tests.rf.test_average import noise


@pytest.mark.parametrize(("chi2", "dof"), [(100.0, 100), (160.0, 100), (30.0, 60)])
def test_chance_of_a_fit_this_bad(chi2: float, dof: int) -> None:
    """Upper tail of chi-square (scipy.stats)."""
    fit: Any = SimpleNamespace(chi2=chi2, dof=dof)
    assert chain_choice._p_value(fit) == pytest.approx(scipy.stats.chi2(dof).sf(chi2), rel=1e-9)


def test_evidence_of_all_departures_is_their_mean() -> None:
    """Equal weight beforehand: log of the mean (scipy.special.logsumexp); departures not reached count as nothing."""
    evidence = np.array([-1000.0, -998.0, -1001.5])
    expected = scipy.special.logsumexp(evidence) - math.log(len(DEPARTURES))
    assert chain_choice._together(evidence) == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize("inflation", [1.0, 4.0])
def test_a_blend_has_the_mean_and_the_variance_of_a_mixture(inflation: float) -> None:
    """Law of total variance: sum w v + sum w (m - mean)^2; the correlation of the residual widens the first term."""
    fits: Any = tuple(SimpleNamespace(covariance=np.diag([v, 9.0]), at=m) for m, v in ((1.0, 0.04), (2.0, 0.09)))
    observed: Any = None
    blend = Blend(fits, (0.75, 0.25), 0.0, inflation, 0.5, 0.0, observed)
    mean, sd = blend.estimate(lambda fit: (fit.at, np.array([1.0, 0.0])))  # type: ignore[attr-defined]
    assert mean == pytest.approx(1.25)
    within = inflation * (0.75 * 0.04 + 0.25 * 0.09)
    assert sd**2 == pytest.approx(within + 0.75 * 0.25**2 + 0.25 * 0.75**2)


@pytest.mark.parametrize("error", [1e-3, 0.05])
def test_the_error_that_a_misfit_needs(error: float) -> None:
    """Without noise sum 2 |d|^2 / (r^2 |m|^2) = dof gives r = sqrt(2 sum |d/m|^2 / dof); noise takes its part off."""
    rng = np.random.default_rng(40)
    model = np.asarray(np.linspace(0.1, 1.0, 200) + 0j)
    share = error * noise(rng, 200, power=1.0)
    fit: Any = SimpleNamespace(model=model, dof=390)
    observed: Any = SimpleNamespace(data=model * (1 + share), noise_power=np.full(200, 1e-30), relative_error=1e-9)
    expected = math.sqrt(2 * float((np.abs(share) ** 2).sum()) / 390)
    assert chain_choice._needed_error(fit, observed) == pytest.approx(expected, rel=1e-4)
    loud: Any = SimpleNamespace(data=observed.data, noise_power=np.full(200, error**2 / 4), relative_error=1e-9)
    assert chain_choice._needed_error(fit, loud) < 0.95 * expected


def test_correlation_length_of_a_smooth_residual() -> None:
    """A first-order process of rho has 1 + 2 sum rho^k = (1 + rho) / (1 - rho): 3 for 0.5; white noise has 1. Lags that
    noise explains (2 / sqrt K) are left out, which takes off at most 2 x 0.03 / 0.5."""
    rng = np.random.default_rng(41)
    white = noise(rng, 4000, power=1.0)
    assert 0.9 <= chain_choice._correlation_length(np.asarray(white, np.complex128)) <= 1.2
    smooth = np.zeros(4000, np.complex128)
    for k in range(1, 4000):
        smooth[k] = 0.5 * smooth[k - 1] + white[k]
    assert chain_choice._correlation_length(smooth) == pytest.approx(3.0, abs=0.25)


def test_half_width_of_a_place_against_the_cramer_rao_bound() -> None:
    """One notch (check c8): the bound is 8.649 Hz where the rest of a symmetric notch is known; a 95 %
    half-width is 1.96 of it, and 6 % more is stated for the bends of the fit."""
    rng = np.random.default_rng(8)
    f0, q, d, sc = 146.34e6, 1500.0, 0.9, 1e-3
    f = np.linspace(f0 - 20 * f0 / q, f0 + 20 * f0 / q, 1001)
    clean = 1 - d / (1 + 1j * q * (f / f0 - f0 / f))
    half = []
    for _ in range(4):
        found = find_notch(
            f, np.asarray(clean + sc * noise(rng, f.size, power=1.0)), sc**2, relative_error=1e-6, cavities=1,
            reject_hz=f0 + 2e3, pass_hz=None, other_side=False, unloaded_q=q / (1 - d),
        )  # fmt: skip
        half.append((found.centre.high - found.centre.low) / 2)
    assert np.mean(half) / 1.959964 == pytest.approx(1.06 * 8.649, rel=0.03)
