"""Numbers that the search for a fit rests on, each against its closed form: forecast, couplings, residual, error."""

from __future__ import annotations

import math
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from rf.notch import chain_choice
from rf.notch.chain_choice import blend_fits
from rf.notch.chain_fit import ChainFit, Observed, fit_chains, forecast
from rf.notch.chain_model import Chain, ChainShape
from rf.notch.chain_start import hidden_band, loops
from tests.benchtop import make_unit
from tests.rf.notch_trials import complex_normal, grid, response

REJECT = 455e6
F = np.linspace(445e6, 465e6, 401)
ONE = ChainShape(1, REJECT, 450e6)


def test_a_forecast_is_what_a_descent_comes_to() -> None:
    """Another prior only, a response nearly linear between: well within the eight that spare a descent."""
    unit = make_unit("U6", (60e3, 0.0, -20e3))
    f, power = grid(unit, "U6"), 10**-8.2
    data = response(unit, f) + math.sqrt(power) * complex_normal(np.random.default_rng(1), f.size)
    shape = ChainShape(3, unit.high_hz, unit.low_hz)
    observed = Observed(data, np.full(f.size, power), 1e-4, 1500.0, 0.1, 0.6)
    part = observed.only(np.abs(data) < chain_choice.SKIRT_LEVEL)
    chain = Chain(shape, f, f[0], f[-1]).at(f[np.abs(data) < chain_choice.SKIRT_LEVEL])
    begin = blend_fits(shape, f, observed).best.p

    def ended(departure: float, leak: float = part.leak) -> ChainFit:
        found = fit_chains(chain, replace(part, leak=leak), begin[None], (departure,))[0]
        assert found is not None
        return found

    usual = ended(1.0)
    for departure in (0.6, 2.0, 5.0):
        assert forecast(usual, part, departure, part.leak) == pytest.approx(ended(departure).log_evidence, abs=1.5)
    assert forecast(usual, part, 1.0, part.leak) == pytest.approx(usual.log_evidence, abs=1e-6)
    assert forecast(usual, part, 1.0, 1e-9) == pytest.approx(ended(1.0, 0.0).log_evidence, abs=2.5)


def test_each_start_has_another_coupling() -> None:
    """Best first, notches in the middle of the band under the floor."""
    unit = make_unit("U6", (60e3, 0.0, -20e3))
    f, power = grid(unit, "U6"), 10**-8.2
    chain = Chain(ChainShape(3, unit.high_hz, unit.low_hz), f, f[0], f[-1])
    noise = np.full(f.size, power)
    found = loops(chain, f, response(unit, f), noise, 1500.0, 6)
    assert len(set(found[:, chain.shape.log_x].round(6))) == len(found) == 6
    low, high = hidden_band(f, response(unit, f), noise, unit.high_hz)
    assert unit.high_hz * (1.0 + found[:, chain.shape.places]) == pytest.approx((low + high) / 2.0)
    apart = [float(np.abs(np.abs(chain.seen(p).total) - np.abs(response(unit, f))).mean()) for p in found]
    assert min(apart) in apart[:2]


def test_a_residual_is_measured_by_the_stated_errors() -> None:
    """2 |d - m|^2 / (P + g^2 |m|^2), summed: d - m = 0.02, P = 1e-6, g m = 1e-2."""
    one, empty = np.full(4, 1.0 + 0j), np.zeros((1, 1))
    told_so = Observed(np.full(4, 1.02 + 0j), np.full(4, 1e-6), 1e-2, 1500.0)
    far = ChainFit(Chain(ONE, F, F[0], F[-1]), empty[0], empty, one, one, 0.0, 4.0, 0.6, 0.0, 0.0, told_so)
    made = chain_choice._under(far, told_so)
    assert made.chi2 == pytest.approx(4 * 2 * 4e-4 / (1e-6 + 1e-4))
    assert made.residual == pytest.approx(np.full(4, 0.02 / math.sqrt(1.01e-4 / 2.0)))


def test_the_correlation_ends_where_noise_explains_it() -> None:
    """18 of 400 samples stand out, two pairs of them side by side: rho is 2/18 = 0.111 at lag 1, above 2 / sqrt 400 =
    0.1, and at most 1/18 at lag 2: 1 + 2 x 2/18."""
    residual = np.zeros(400, complex)
    residual[[0, 1, 10, 11, *range(20, 160, 10)]] = 1j
    assert chain_choice._correlation_length(residual) == pytest.approx(1 + 4 / 18)
    residual[10] = 0.0  # 1/17 is what noise may do
    assert chain_choice._correlation_length(residual) == 1.0


def test_the_whole_of_a_constant_residual_is_one_sample() -> None:
    """rho of lag k is 1 - k / K; a quarter of the lags is looked at: 1 + 2 sum over 1..99 of (1 - k / 400)."""
    assert chain_choice._correlation_length(np.full(400, 1.0 + 0j)) == pytest.approx(1 + 2 * (99 - 99 * 50 / 400))


@pytest.mark.parametrize("turn", [1.0, 1j])
def test_an_error_is_at_most_the_signal_and_at_least_what_was_stated(turn: complex) -> None:
    """sum 2 |d|^2 / (P + r^2 |m|^2) = dof: with |d| = 0.3 |m|, dof = 2 K and P = 0.05 |m|^2, r^2 = 0.09 - 0.05."""
    one: Any = SimpleNamespace(model=np.full(100, 0.5 + 0j), dof=200.0)

    def needed(off: complex, power: float, stated: float) -> float:
        observed: Any = SimpleNamespace(
            data=0.5 * (1 + off) * np.ones(100), noise_power=np.full(100, power * 0.25), relative_error=stated
        )
        return chain_choice._needed_error(one, observed)

    assert needed(0.3 * turn, 0.05, 0.0) == pytest.approx(0.2, rel=1e-6)
    assert needed(5.0 * turn, 0.05, 0.0) == pytest.approx(1.0, rel=1e-6)
    assert needed(0.0, 0.05, 0.01) == pytest.approx(0.01, rel=1e-6)
