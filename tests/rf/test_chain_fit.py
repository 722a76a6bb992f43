"""The descent of a chain fit: what is expected beforehand, slopes of the cost, and where it ends.

Sources: derivatives by differences; a normal law's conditional for what the priors add; the chain itself as truth.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from rf.notch import chain_fit
from rf.notch.chain_fit import ChainFit, Observed, _mixing, _Problem, _solved, fit_chains, place_sd_hz, priors
from rf.notch.chain_model import Chain, ChainShape
from tests.outside.test_chain_model import anywhere

REJECT = 455e6
F = np.linspace(448e6, 461e6, 61)
TWO = ChainShape(2, REJECT, 450e6)
CHAIN = Chain(TWO, F, F[0], F[-1])
NOTHING = Observed(np.zeros(F.size, complex), np.full(F.size, 1e-8), 1e-4, 1500.0, 0.1, 0.6, 1e-3)


def measured(p: np.ndarray, seed: int = 1, shape: ChainShape = TWO) -> Observed:
    rng = np.random.default_rng(seed)
    clean = Chain(shape, F, F[0], F[-1]).seen(p).total
    noise = rng.normal(size=(2, F.size)) * math.sqrt(0.5e-8)
    return replace(NOTHING, data=clean + noise[0] + 1j * noise[1])


def usual() -> np.ndarray:
    """A circuit that is nearly ideal, its notches 40 kHz to either side."""
    p, _, _ = priors(TWO, NOTHING, 1.0)
    p = p.copy()
    p[TWO.places] = -4e4 / REJECT, 4e4 / REJECT
    p[TWO.log_q], p[TWO.far.start], p[TWO.slow.start] = math.log(1100.0), 0.05, -0.05
    p[TWO.ripple.start + 2], p[TWO.own[0].start], p[TWO.leak.start] = 0.003, 0.05, 2e-4
    return p


@pytest.mark.parametrize("scale", [0.6, 1.0, 2.0])
def test_what_is_expected_of_a_bench(scale: float) -> None:
    """Standard deviations that the module states, the usual departures times their scale."""
    mean, weight, free = priors(TWO, NOTHING, scale)
    sd = 1.0 / weight
    assert free.all() and sd[TWO.places] == pytest.approx(max(scale, 1.0) * 0.5 / 3000.0)
    assert (mean[TWO.log_q], sd[TWO.log_q]) == pytest.approx((math.log(1500.0), 0.7))
    assert (mean[TWO.log_x], sd[TWO.log_x]) == pytest.approx((3.0, 1.5))
    assert (mean[TWO.harness], mean[TWO.trim]) == (1.0, 1.0)
    assert sd[TWO.slow] == pytest.approx([3.0, 30.0, 0.03 * scale, 30.0, 0.01 * scale, 0.03 * scale])
    assert [sd[part] for part in TWO.own] == [pytest.approx(scale * each) for each in (0.1, 0.15, 0.05, 0.03)]
    assert sd[TWO.other_own] == pytest.approx([0.1 * scale, 0.03 * scale])
    assert sd[TWO.ripple] == pytest.approx(0.02 * scale / math.sqrt(10.0))
    assert sd[TWO.far_turn] == pytest.approx([0.07, 0.07, 0.05, 0.05, 0.035, 0.035, 0.025, 0.025])
    assert sd[TWO.far] == pytest.approx(0.1) and sd[TWO.leak] == pytest.approx(1e-3)
    assert sd[TWO.load] == pytest.approx(0.1 / math.sqrt(2.0)) == sd[TWO.source]
    assert sd[TWO.loss] * math.pi / 2.0 * 8.686 == pytest.approx(0.2)
    assert np.flatnonzero(mean).tolist() == sorted((TWO.log_q, TWO.log_x, TWO.harness, TWO.trim))


def test_what_is_told_takes_the_place_of_what_is_usual() -> None:
    shape = ChainShape(1, REJECT, None, other_side=False)
    bare = replace(NOTHING, port_reflection=0.0, third_reflection=0.3, leak=0.0)
    _, weight, free = priors(TWO, bare, 1.0)
    assert 1.0 / weight[TWO.far] == pytest.approx(0.3 / math.sqrt(2.0))
    assert 1.0 / weight[TWO.far_turn][:2] == pytest.approx(0.7 * 0.3 / math.sqrt(2.0)) and free[TWO.far_turn].all()
    assert not free[TWO.load].any() and not free[TWO.source].any() and not free[TWO.leak].any() and free[TWO.far].all()
    assert 1.0 / priors(TWO, replace(bare, third_reflection=0.0), 1.0)[1][TWO.far] == pytest.approx(1e-3 / math.sqrt(2))
    _, weight, free = priors(shape, NOTHING, 1.0)
    held = {shape.trim, shape.other, *range(shape.far.start, shape.far_turn.stop)}
    held |= {*range(shape.other_own.start, shape.other_own.stop)}
    assert set(np.flatnonzero(~free).tolist()) == held and weight[0] == 0.0
    assert 1.0 / priors(TWO, replace(NOTHING, together=2.0), 1.0)[1][0] == pytest.approx(2.0 / 3000.0)


def test_an_ideal_circuit_moves_less_and_a_search_for_it_more() -> None:
    slow = [TWO.slow.start + k for k in (2, 4, 5)]
    _, _, free = priors(TWO, NOTHING, 0.0)
    still = [*range(TWO.own[0].start, TWO.own[3].stop), *range(TWO.ripple.start, TWO.ripple.stop), *slow]
    still += [*range(TWO.other_own.start, TWO.other_own.stop), *range(TWO.far.start, TWO.far_turn.stop)]
    still += [*range(TWO.leak.start, TWO.leak.stop)]
    assert sorted(np.flatnonzero(~free).tolist()) == sorted(still)
    real = replace(NOTHING, least_departure=0.0)
    _, weight, free = priors(TWO, real, 0.0, searching=True)
    assert free[slow].all() and 1.0 / weight[slow] == pytest.approx([0.3, 0.1, 0.3])
    assert 1.0 / priors(TWO, NOTHING, 1.0, searching=True)[1][slow] == pytest.approx([0.03, 0.01, 0.03])


@pytest.mark.parametrize("rigid", [False, True])
def test_slopes_of_the_cost(rigid: bool) -> None:
    """The direction of descent is minus half the slope of the cost under the weights of where it stands; the matrix is
    the data's own and half the curvature of the priors' cost."""
    observed = measured(usual())
    mean, weight, free = priors(TWO, observed, 1.0)
    mixing = _mixing(free, TWO.places if rigid else None)
    assert mixing.shape[1] == TWO.size - (1 if rigid else 0)
    problem, weights = _Problem(CHAIN, observed, mean, mixing), weight[None]
    p = usual()[None] + 0.1 * (anywhere(TWO, 3) - usual()) * (weight > 0)
    here = problem.state(problem.seen(p), weights)
    held = problem.held(weights**2)
    normal, gradient, j = problem.normal(here, held)
    assert normal[0] == pytest.approx(j[0] @ j[0].T + held[0])

    def cost(q: np.ndarray) -> float:
        return float(problem.cost_at(problem.seen(q), here)[0])

    assert cost(p) == pytest.approx(here.cost[0], rel=1e-12)
    for k in range(mixing.shape[1]):
        step = (1e-8 if k < (1 if rigid else 2) else 1e-6) * mixing[:, k]
        slope = (cost(p + step) - cost(p - step)) / (2.0 * np.abs(step).max())
        assert gradient[0, k] == pytest.approx(-slope / 2.0, rel=2e-3, abs=2e-3 * abs(gradient).max() * 1e-3), k
    move = 1e-3 * np.random.default_rng(7).normal(size=mixing.shape[1])
    before = ((problem.apart(mean[None]) * weight) ** 2).sum()
    after = ((problem.apart(mean[None] + (mixing @ move)[None]) * weight) ** 2).sum()
    assert after - before == pytest.approx(float(move @ held[0] @ move), rel=1e-6)


def test_the_second_order_of_a_step() -> None:
    """Half the second derivative of the model along a step, as the data see it."""
    observed = measured(usual())
    mean, weight, free = priors(TWO, observed, 1.0)
    problem = _Problem(CHAIN, observed, mean, _mixing(free))
    here = problem.state(problem.seen(usual()[None]), weight[None])
    j = problem.normal(here, problem.held(weight[None] ** 2))[2]
    step = 0.02 * np.random.default_rng(5).normal(size=(1, TWO.size)) / weight.max()
    step[0, TWO.log_x] = 0.01
    ahead, behind = (CHAIN.seen(usual() + sign * 0.3 * step[0]).total for sign in (1.0, -1.0))
    second = (ahead - 2.0 * CHAIN.seen(usual()).total + behind) / 0.3**2 / 2.0 / here.sigma[0]
    expected = -(j[0] @ chain_fit._real(second))
    got = problem.bend(here, j, step)[0]
    assert got == pytest.approx(expected, rel=0.05, abs=0.02 * np.abs(expected).max())


def test_a_descent_ends_at_the_circuit_that_made_the_data() -> None:
    """Chi-square as many as real samples less what they tell, places within their own doubt; from two starts alike."""
    observed = measured(usual())
    away = usual()
    away[TWO.places] += 3e-5
    away[TWO.log_x] += 0.1
    first, second = fit_chains(CHAIN, observed, np.array([usual(), away]), [1.0, 1.0])
    assert first is not None and second is not None
    assert first.cost == pytest.approx(second.cost, abs=0.1)
    assert 0.6 < first.chi2 / first.dof < 1.5 and 2.0 * F.size - TWO.size < first.dof < 2.0 * F.size
    mean = np.zeros(TWO.size)
    mean[TWO.places] = 0.5
    sd = math.sqrt(float(mean @ first.covariance @ mean))
    assert abs(float(mean @ first.p)) < 4.0 * sd
    both = place_sd_hz(CHAIN, observed, np.array([first.p, away]), 1.0)
    assert REJECT * sd == pytest.approx(both[0], rel=1e-6) and both[1] != both[0]
    _, weight, _ = priors(TWO, observed, 1.0)
    off = first.p - priors(TWO, observed, 1.0)[0]
    off[TWO.places] -= off[TWO.places].mean()
    assert first.cost - first.chi2 == pytest.approx(float(((off * weight) ** 2).sum()), rel=1e-9)
    power = observed.noise_power + (1e-4 * np.abs(first.model)) ** 2
    assert first.chi2 == pytest.approx(float((2.0 * np.abs(observed.data - first.model) ** 2 / power).sum()), rel=1e-9)
    assert (first.departure, first.observed) == (1.0, observed)


@pytest.mark.parametrize("count", [1, 2])
def test_evidence_is_the_volume_that_the_data_leave(count: int) -> None:
    """Laplace: best likelihood and prior, times the root of 2 pi over the curvature in each direction (Tierney and
    Kadane 1986). Of the places one number is flat over the span, their mean: that of N is known sqrt(N) times as well
    as their sum of squares tells. Two pi and the priors' own cancel but for that number."""
    shape = ChainShape(count, REJECT, 450e6)
    chain = Chain(shape, F, F[0], F[-1])
    start = anywhere(shape, 4) * 0.0 + priors(shape, NOTHING, 1.0)[0]
    observed = measured(start, shape=shape)
    (fit,) = fit_chains(chain, observed, start[None], [1.0])
    assert fit is not None
    _, weight, _ = priors(shape, observed, 1.0)
    span = (F[-1] - F[0]) / REJECT
    power = observed.noise_power + (1e-4 * np.abs(fit.model)) ** 2
    known = float(np.log(weight[count:]).sum()) + (count - 1) * (math.log(weight[0]) if count > 1 else 0.0)
    expected = known - fit.cost / 2.0 - float(np.log(power / 2.0).sum())
    expected += float(np.linalg.slogdet(fit.covariance)[1]) / 2.0
    expected += math.log(math.sqrt(2.0 * math.pi) / span / math.sqrt(count))
    assert fit.log_evidence == pytest.approx(expected, abs=1e-3)


def test_ideal_and_other_circuits_go_side_by_side_and_a_lost_start_is_none() -> None:
    lost = np.full(TWO.size, math.nan)
    found = fit_chains(CHAIN, measured(usual()), np.array([usual(), lost, usual()]), [1.0, 1.0, 0.0])
    assert found[1] is None and found[0] is not None and found[2] is not None
    assert (found[0].departure, found[2].departure) == (1.0, 0.0)
    assert not found[2].p[TWO.ripple].any() and not found[2].covariance[TWO.ripple.start].any()
    assert found[0].cost < found[2].cost


def test_the_dearer_ones_of_a_search_lie_where_they_are() -> None:
    """After one step the cheapest of three goes on alone."""
    away = [usual() for _ in range(3)]
    for k, start in enumerate(away):
        start[TWO.places] += (0.0, 4e-4, 8e-4)[k]
    observed = measured(usual())
    alone = fit_chains(CHAIN, observed, np.array(away), [1.0] * 3, searching=True, race={1: 0.2}, fewest=1)
    free = fit_chains(CHAIN, observed, np.array(away), [1.0] * 3, searching=True, race={}, fewest=1)
    both = fit_chains(CHAIN, observed, np.array(away), [1.0] * 3, searching=True, race={1: 0.2}, fewest=2)

    def costs(fits: list[ChainFit | None]) -> list[float]:
        return [math.inf if fit is None else fit.cost for fit in fits]

    assert costs(alone)[0] == pytest.approx(costs(free)[0], abs=0.5)
    assert costs(both)[1] < costs(alone)[1] and costs(both)[2] == pytest.approx(costs(alone)[2])


def test_one_singular_matrix_spoils_no_other() -> None:
    a = np.array([np.eye(2), np.zeros((2, 2)), 2.0 * np.eye(2)])
    found = _solved(a, np.ones((3, 2)))
    assert found[[0, 2]].tolist() == [[1.0, 1.0], [0.5, 0.5]] and np.isnan(found[1]).all()
