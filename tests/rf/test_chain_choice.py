"""How the search for a fit goes on, with descents that are told instead of computed: rules of rf/notch/chain_choice.

Expected values follow from the rule that each test names (softmax of evidences, closed forms of a band), never from a
run of the code.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
import scipy.stats

from rf.notch import chain_choice, chain_search
from rf.notch.chain_choice import DEPARTURES, Blend
from rf.notch.chain_fit import Observed
from rf.notch.chain_model import Chain, ChainShape

REJECT = 455e6
F = np.linspace(445e6, 465e6, 401)
ONE, TWO = ChainShape(1, REJECT, 450e6), ChainShape(2, REJECT, 450e6)


def hidden(count: int = 21) -> Observed:
    """Samples 40 dB over the noise but for `count` in the middle: the hidden band reaches one sample farther on either
    side, 50 kHz each."""
    data = np.full(401, 0.1 + 0j)
    data[200 - count // 2 : 201 + count // 2] = 1e-6
    data[:20] = data[-20:] = 0.9
    return Observed(data, np.full(401, 1e-6), 1e-4, 1500.0)


OBSERVED = hidden()
SEALED = replace(OBSERVED, leak=0.0)
"""Nothing may leak: no fit is tried again without a leak."""
BAND = (REJECT - 11 * 5e4, REJECT + 11 * 5e4)


def fit(
    cost: float = 0.0, *, at_hz: float = REJECT, departure: float = 0.6, evidence: float = 0.0, shape: ChainShape = ONE,
    chi2: float = 700.0, dof: float = 700.0,
) -> Any:  # fmt: skip
    p = np.zeros(shape.size)
    p[shape.places] = at_hz / REJECT - 1.0
    return SimpleNamespace(
        p=p, cost=cost, departure=departure, log_evidence=evidence, shape=shape, chain=Chain(shape, F, F[0], F[-1]),
        chi2=chi2, dof=dof, residual=np.array([1.0 + 0j] * 401), model=OBSERVED.data,
    )  # fmt: skip


def blend(best: Any, *, p_value: float = 0.5, evidence: float = 0.0) -> Blend:
    return Blend((best,), (1.0,), 1e-4, 1.0, p_value, evidence, OBSERVED)


@pytest.mark.parametrize(
    ("at_hz", "is_outside"),
    [
        (REJECT, False), (BAND[0] - 0.99 * 5.5e5, False), (BAND[0] - 1.01 * 5.5e5, True),
        (BAND[1] + 0.99 * 5.5e5, False), (BAND[1] + 1.01 * 5.5e5, True),
    ],
)  # fmt: skip
def test_outside_is_half_a_width_beyond_the_band(at_hz: float, is_outside: bool) -> None:
    assert chain_search.outside(fit(at_hz=at_hz), BAND) is is_outside
    two = fit(shape=TWO)
    two.p[:2] = np.array([at_hz - 3e6, at_hz + 3e6]) / REJECT - 1.0  # the mean counts
    assert chain_search.outside(two, BAND) is is_outside


@pytest.mark.parametrize(
    ("best", "p_value", "needed", "suspect"),
    [
        (fit(departure=0.0), 0.5, 0.5, False),
        (fit(departure=0.1), 0.5, 0.0, True),
        (fit(departure=0.0, at_hz=BAND[0] - 0.9 * 5.5e5), 0.5, 0.0, False),
        (fit(departure=0.0, at_hz=BAND[0] - 1.1 * 5.5e5), 0.5, 0.0, True),
        (fit(departure=0.0), 9e-4, 0.021, True),
        (fit(departure=0.0), 9e-4, 0.019, False),
        (fit(departure=0.0), 1.1e-3, 0.5, False),
    ],
)
def test_what_makes_a_fit_suspect(
    monkeypatch: pytest.MonkeyPatch, best: Any, p_value: float, needed: float, suspect: bool
) -> None:
    """Any departure of ideal data, a place outside, or both a chance below a thousandth and an error over 0.2 dB."""
    monkeypatch.setattr(chain_choice, "_needed_error", lambda *_: needed)
    assert chain_choice._suspect(blend(best, p_value=p_value), OBSERVED) is suspect
    if best.departure > 0:  # as measured data may ask for
        assert not chain_choice._suspect(blend(best, p_value=p_value), replace(OBSERVED, least_departure=0.6))


def told(*answers: list[Any]) -> tuple[Callable[..., list[Any]], list[tuple[Any, ...]]]:
    """Descents that answer as told, in turn; the last answer again and again."""
    asked: list[tuple[Any, ...]] = []

    def fit_chains(chain: Any, observed: Any, begins: Any, departures: Any, **options: Any) -> list[Any]:
        asked.append((chain, observed, np.array(begins), list(departures), options))
        return answers[min(len(asked), len(answers)) - 1]

    return fit_chains, asked


def test_cheapest_inside_the_band(monkeypatch: pytest.MonkeyPatch) -> None:
    """Cheapest first; one that ended outside only where all did; one that fell never."""
    inside, dear, out = fit(5.0), fit(9.0), fit(1.0, at_hz=460e6)
    ask: Any = (None, OBSERVED, np.zeros((4, ONE.size)), 1.0, 7, BAND)
    for answer, found in (([dear, out, None, inside], [inside, dear]), ([out, None, None, None], [out])):
        fit_chains, asked = told(answer)
        monkeypatch.setattr(chain_search, "fit_chains", fit_chains)
        assert chain_search.cheapest(*ask, {2: 0.3}, 5) == found
        assert asked[0][3:] == ([1.0] * 4, {"steps": 7, "searching": True, "race": {2: 0.3}, "fewest": 5})
    monkeypatch.setattr(chain_search, "fit_chains", told([None])[0])
    with pytest.raises(np.linalg.LinAlgError):
        chain_search.cheapest(*ask)


def test_weights_are_the_evidences_softmax(monkeypatch: pytest.MonkeyPatch) -> None:
    """exp(e) / sum; best first; below a thousandth nothing is carried on, and the rest sums to one."""
    evidences = [-1002.0, -1000.0, -1001.0, -1007.5, -1500.0, -1500.0, -1006.0]
    fits = [fit(10.0, departure=s, evidence=e) for s, e in zip(DEPARTURES, evidences, strict=True)]
    fits[1].chi2, fits[1].dof = 760.0, 700.0
    fit_chains, asked = told(fits[:3], fits[3:])
    monkeypatch.setattr(chain_choice, "fit_chains", fit_chains)
    begin = np.arange(ONE.size, dtype=float)
    found = chain_choice._climb(fits[0].chain, SEALED, begin)
    kept = np.exp([0.0, -1.0, -2.0, -6.0])  # e^-7.5 is below a thousandth of the sum, e^-6 above
    assert [f.departure for f in found.fits] == [0.1, 0.3, 0.0, DEPARTURES[-1]]
    assert found.weights == pytest.approx(kept / kept.sum())
    assert found.p_value == pytest.approx(scipy.stats.chi2(700.0).sf(760.0))
    assert found.evidence == pytest.approx(math.log(np.exp(np.array(evidences) + 1000).mean()) - 1000)
    assert (found.relative_error, found.inflation, found.observed) == (1e-4, 1.0, SEALED)
    assert asked[0][3] == list(DEPARTURES[:3]) and np.array_equal(asked[0][2], np.tile(begin, (3, 1)))
    # The third weighs enough for the larger ones to be tried, from where it ended; none ends dearer: no third round.
    assert len(asked) == 2 and asked[1][3] == list(DEPARTURES[3:])
    assert np.array_equal(asked[1][2], np.tile(fits[2].p, (4, 1)))


def test_larger_departures_without_weight_are_not_tried(monkeypatch: pytest.MonkeyPatch) -> None:
    """Five below the best, e^-5 or 0.7 %, ends it; 4.9 does not."""
    for drop, rounds in ((5.1, 1), (4.9, 2)):
        fits = [fit(10.0, departure=s, evidence=-1000.0 - drop * (k == 2)) for k, s in enumerate(DEPARTURES)]
        fit_chains, asked = told(fits[:3], fits[3:])
        monkeypatch.setattr(chain_choice, "fit_chains", fit_chains)
        chain_choice._climb(fits[0].chain, SEALED, fits[0].p)
        assert len(asked) == rounds


def likely(monkeypatch: pytest.MonkeyPatch, *unlikely: float) -> list[tuple[float, float]]:
    """Forecasts that spare the descents of the `unlikely` departures; from which to which was asked."""
    asked: list[tuple[float, float]] = []

    def forecast(made: Any, observed: Observed, departure: float, leak: float) -> float:
        asked.append((made.departure, departure))
        return -8.1 if departure in unlikely else -7.9

    monkeypatch.setattr(chain_choice, "forecast", forecast)
    return asked


def walked(
    monkeypatch: pytest.MonkeyPatch, evidence: dict[float, float], near: float | None = None, *, later: bool = False
) -> list[Any]:
    """Departures and begins that are asked for where each fit has the evidence that its departure is told to have."""
    asked: list[Any] = []

    def fit_chains(chain: Any, observed: Any, begins: Any, departures: Any, **options: Any) -> list[Any]:
        asked.append((list(departures), [float(p[-1]) for p in begins]))
        made = [fit(departure=s, evidence=evidence[s]) for s in departures]
        for each in made:
            each.p[-1] = each.departure
        return made

    monkeypatch.setattr(chain_choice, "fit_chains", fit_chains)
    found = chain_choice._climb(fit().chain, replace(SEALED, least_departure=0.6), fit().p, near, later=later)
    assert found.best.log_evidence == max(evidence[s] for each, _ in asked for s in each)
    return asked


def test_departures_are_tried_from_the_middle_outwards(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each begins where its neighbour ended; none below the least; five below the best ends it on that side."""
    likely(monkeypatch)
    flat = dict.fromkeys(DEPARTURES, 0.0)
    assert walked(monkeypatch, flat) == [([2.0], [0.0]), ([1.0, 5.0], [2.0, 2.0]), ([0.6], [1.0])]
    assert walked(monkeypatch, flat | {1.0: -5.1}) == [([2.0], [0.0]), ([1.0, 5.0], [2.0, 2.0])]
    assert walked(monkeypatch, flat | {1.0: -4.9})[2:] == [([0.6], [1.0])]


def test_a_later_fit_begins_with_the_departure_of_the_earlier_one(monkeypatch: pytest.MonkeyPatch) -> None:
    likely(monkeypatch)
    flat = dict.fromkeys(DEPARTURES, 0.0)
    assert [tried for tried, _ in walked(monkeypatch, flat, 1.0)] == [[1.0], [0.6, 2.0], [5.0]]
    assert [tried for tried, _ in walked(monkeypatch, flat | {1.0: -6.0}, 0.6)] == [[0.6], [1.0]]
    rising = flat | {2.0: 0.05, 5.0: 0.08}
    assert [tried for tried, _ in walked(monkeypatch, flat | {1.0: 0.05}, 1.0, later=True)] == [[1.0], [0.6, 2.0]]
    assert [tried for tried, _ in walked(monkeypatch, rising, 1.0, later=True)] == [[1.0], [0.6, 2.0], [5.0]]
    assert walked(monkeypatch, flat, 7.0)[0][0] == [2.0]  # not one of them
    assert list(chain_choice.ending(fit(departure=2.0), 0.01))[-2:] == [2.0, 0.01]


def test_a_descent_without_a_prospect_is_spared(monkeypatch: pytest.MonkeyPatch) -> None:
    """Eight below the best, e^-8 or 0.03 %, in the forecast; nothing is forecast of the ideal circuit."""
    asked = likely(monkeypatch, 5.0)
    flat = dict.fromkeys(DEPARTURES, 0.0)
    assert [tried for tried, _ in walked(monkeypatch, flat)] == [[2.0], [1.0], [0.6]]
    assert asked == [(2.0, 1.0), (2.0, 5.0), (1.0, 0.6)]
    ideal = fit(departure=0.0)
    assert chain_choice._promising(ideal, SEALED, 0.1, 99.0) and chain_choice._promising(fit(), SEALED, 0.0, 99.0)


def test_a_larger_departure_goes_on_from_a_smaller_one(monkeypatch: pytest.MonkeyPatch) -> None:
    """More freedom can't end dearer: by more than one, it begins again where the smaller one ended; what is no cheaper
    then is not taken."""
    first = [fit(100.0, departure=0.0), fit(100.9, departure=0.1), fit(102.0, departure=0.3)]
    better = fit(98.9, departure=0.3, evidence=5.0)
    fit_chains, asked = told(first, [fit(1.0, evidence=-99.0)] * 4, [better])
    monkeypatch.setattr(chain_choice, "fit_chains", fit_chains)
    found = chain_choice._climb(first[0].chain, SEALED, first[0].p)
    assert found.best is better
    assert len(asked) == 3 and tuple(asked[2][3]) == (0.3,) and np.array_equal(asked[2][2], [first[1].p])
    for useless in (fit(102.5, evidence=9.0), None):
        fit_chains, asked = told(first, [None] * 4, [useless])
        monkeypatch.setattr(chain_choice, "fit_chains", fit_chains)
        found = chain_choice._climb(first[0].chain, SEALED, first[0].p)
        assert len(asked) == 3 and all(kept is not useless for kept in found.fits)
    monkeypatch.setattr(chain_choice, "fit_chains", told([None] * 3, [None] * 4)[0])
    with pytest.raises(np.linalg.LinAlgError):
        chain_choice._climb(first[0].chain, SEALED, first[0].p)


def test_the_likeliest_are_tried_without_a_leak(monkeypatch: pytest.MonkeyPatch) -> None:
    """The two of the largest evidence that allow departures, each from where it ended and with its own departure."""
    fits = [fit(departure=s, evidence=e) for s, e in ((0.0, 9.0), (0.6, 3.0), (1.0, 5.0), (2.0, 1.0))]
    dry = fit(evidence=7.0)
    fit_chains, asked = told([dry, None])
    monkeypatch.setattr(chain_choice, "fit_chains", fit_chains)
    monkeypatch.setattr(chain_choice, "forecast", lambda one, *_: {1.0: 1.1, 0.6: 1.2}[one.departure])
    assert chain_choice._tight(fits[0].chain, OBSERVED, fits) == [dry]
    assert asked[0][1].leak == 0.0 and asked[0][3] == [1.0, 0.6]
    monkeypatch.setattr(chain_choice, "forecast", lambda one, *_: {1.0: 1.1, 0.6: 0.9}[one.departure])
    chain_choice._tight(fits[0].chain, OBSERVED, fits)
    assert asked[1][3] == [1.0]  # the other is forecast over eight below the best
    assert (
        chain_choice._tight(fits[0].chain, SEALED, fits) == [] == chain_choice._tight(fits[0].chain, OBSERVED, fits[:1])
    )


def test_a_fit_is_strained_by_what_its_priors_cost() -> None:
    """More than two and a half a parameter."""
    size = ONE.size
    assert not chain_choice.strained(fit(700.0 + 2.5 * size, chi2=700.0))
    assert chain_choice.strained(fit(700.1 + 2.5 * size, chi2=700.0))


def test_a_leak_is_noise_while_a_start_is_searched() -> None:
    """Both quadratures of what may leak; nothing of it where the circuit is taken to be ideal."""
    usual = replace(OBSERVED, least_departure=0.6, leak=1e-3)
    loud = chain_search.leak_as_noise(usual)
    np.testing.assert_allclose(loud.noise_power - OBSERVED.noise_power, 2e-6)
    assert loud.leak == 0.0 and chain_search.leak_as_noise(OBSERVED) is OBSERVED


class Search:
    """`_start` with its parts told: the plain starts are numbered in the coupling, orders in the first place."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, costs: list[float], shape: ChainShape = TWO) -> None:
        self.shape, self.calls = shape, list[tuple[Any, ...]]()
        self.costs, self.asked = costs, list[tuple[Any, ...]]()
        self.ideal, self.chi2 = list[tuple[Any, ...]](), 3.0
        monkeypatch.setattr(chain_search, "starts", self.starts)
        monkeypatch.setattr(
            chain_search, "loops", lambda chain, *_: np.full((14, self.shape.size), float(chain.f.size))
        )
        monkeypatch.setattr(chain_search, "cheapest", self.cheapest)
        monkeypatch.setattr(chain_search, "reordered", lambda shape, p: np.array([p + 100.0]))

    def starts(self, chain: Any, hz: Any, data: Any, noise: Any, q: float, keep: int) -> np.ndarray:
        self.asked.append((hz, data, noise, q))
        plain = np.zeros((keep, self.shape.size))
        plain[:, self.shape.log_x] = np.arange(keep)
        return plain

    def cheapest(
        self, chain: Any, observed: Any, begins: Any, departure: float, steps: int, band: Any, *race: Any
    ) -> list[Any]:
        if race:
            self.ideal.append((observed, np.array(begins), departure, steps, band, *race))
            return [SimpleNamespace(p=np.full(self.shape.size, 77.0), chi2=self.chi2, dof=1.0)]
        self.calls.append((observed, np.array(begins), departure, steps, band))
        cost = self.costs[min(len(self.calls), len(self.costs)) - 1]
        return [SimpleNamespace(p=np.full(self.shape.size, 10.0 * len(self.calls) + k), cost=cost) for k in range(40)]

    def run(self, observed: Observed = OBSERVED, **options: Any) -> np.ndarray:
        whole = Chain(self.shape, F, F[0], F[-1])
        return chain_search.found_start(whole, observed, **options)


def test_an_ideal_circuit_is_looked_for_first(monkeypatch: pytest.MonkeyPatch) -> None:
    """Fourteen couplings under an error of 0.3 % without departures; what comes below three times the degrees of
    freedom is the start. Neither a measured response nor a second search begins so."""
    search = Search(monkeypatch, [0.0])
    search.chi2 = 2.99
    assert np.all(search.run() == 77.0) and search.calls == []
    ((observed, begins, departure, steps, band, race, fewest),) = search.ideal
    assert np.array_equal(observed.data, OBSERVED.data[::6]) and observed.relative_error == 3e-3
    assert begins.shape == (14, TWO.size) and np.all(begins == 67.0) and (departure, steps) == (0.0, 15)
    assert band == pytest.approx(BAND) and (race, fewest) == ({3: 0.5, 6: 0.25}, 2)
    search.run(thorough=True)
    search.run(replace(OBSERVED, least_departure=0.6))
    assert len(search.ideal) == 1


@pytest.mark.parametrize(("thorough", "keep", "front", "steps"), [(False, 4, 3, 15), (True, 12, 6, 30)])
def test_a_search_is_coarse_then_fine(
    monkeypatch: pytest.MonkeyPatch, thorough: bool, keep: int, front: int, steps: int
) -> None:
    """Three harness lengths of each start under an error of 20 %; the best of them, the best plain ones and other
    orders of the very best under one of 0.3 %, with the usual departures. One sample in six, 64 or a little more, then
    one in three, 128 or a little more."""
    search = Search(monkeypatch, [0.0])
    found = search.run(thorough=thorough)
    hz, data, noise, q = search.asked[0]
    assert hz == pytest.approx(F[::6]) and np.array_equal(data, OBSERVED.data[::6])
    assert noise.size == 67 and q == 1500.0
    coarse, fine = search.calls[0], search.calls[1]
    assert np.array_equal(coarse[0].data, OBSERVED.data[::6]) and np.array_equal(fine[0].data, OBSERVED.data[::3])
    assert (coarse[0].relative_error, coarse[2], coarse[3]) == (0.2, 0.0, steps)
    assert (fine[0].relative_error, fine[2], fine[3]) == (3e-3, 1.0, steps)
    assert coarse[4] == pytest.approx(BAND) and fine[4] == pytest.approx(BAND)
    assert len(coarse[1]) == 3 * keep
    assert list(coarse[1][:4, TWO.log_x]) == [0, 0, 0, 1]
    assert list(coarse[1][:4, TWO.harness]) == [0.92, 1.0, 1.08, 0.92]
    expected = [*range(front), *(10.0 + k for k in range(front)), 110.0]
    assert list(fine[1][:, TWO.log_x]) == expected
    if not thorough:
        assert len(search.calls) == 2 and found[0] == 20.0
    else:
        assert len(search.calls) == 3 and found[0] == 20.0  # another order was no better
        assert search.calls[2][0].relative_error == 3e-3 and search.calls[2][1][0, 0] == 120.0


@pytest.mark.parametrize(
    ("points", "coarse", "fine"), [(100, 100, 100), (128, 64, 128), (255, 85, 255), (256, 64, 128), (401, 67, 134)]
)
def test_a_search_has_64_and_128_samples_or_all_there_are(
    monkeypatch: pytest.MonkeyPatch, points: int, coarse: int, fine: int
) -> None:
    search = Search(monkeypatch, [0.0])
    f = np.linspace(445e6, 465e6, points)
    observed = OBSERVED.only(np.linspace(0, 400, points).round().astype(int))
    chain_search.found_start(Chain(TWO, f, f[0], f[-1]), observed)
    assert search.asked[0][0].size == search.asked[0][1].size == coarse
    assert [call[0].data.size for call in search.calls] == [coarse, fine]


def test_a_thorough_search_follows_what_is_cheaper_by_one(monkeypatch: pytest.MonkeyPatch) -> None:
    assert Search(monkeypatch, [50.0, 40.0, 38.9, 37.8, 36.7, 35.6]).run(thorough=True)[0] == 50.0  # four rounds
    assert Search(monkeypatch, [50.0, 40.0, 38.9, 38.0, 20.0]).run(thorough=True)[0] == 30.0


def test_a_single_cavity_has_no_other_order(monkeypatch: pytest.MonkeyPatch) -> None:
    search = Search(monkeypatch, [50.0, 40.0, 20.0], ONE)
    assert search.run(thorough=True)[0] == 20.0
    assert len(search.calls) == 2 and len(search.calls[1][1]) == 12


def test_larger_errors_and_departures_than_the_searchs_own_are_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    import dataclasses

    search = Search(monkeypatch, [0.0])
    search.run(dataclasses.replace(OBSERVED, relative_error=0.5, least_departure=2.0))
    assert [call[0].relative_error for call in search.calls] == [0.5, 0.5, 0.5]


def test_the_search_of_a_measured_response_narrows_in_three_stages(monkeypatch: pytest.MonkeyPatch) -> None:
    """Six couplings under errors of 20, 3 and 0.3 %, with twice the usual departures; the three best go on; a thorough
    one asks for eighteen couplings, more than there are, and takes three lengths of each."""
    search = Search(monkeypatch, [0.0])
    monkeypatch.setattr(chain_search, "loops", search.starts)
    found = search.run(replace(OBSERVED, least_departure=0.6))
    assert [call[0].relative_error for call in search.calls] == [0.2, 0.03, 3e-3]
    assert [call[0].data.size for call in search.calls] == [67, 67, 134]
    assert [call[2] for call in search.calls] == [2.0, 2.0, 2.0]
    assert [list(call[1][:, TWO.log_x]) for call in search.calls] == [
        [0, 1, 2, 3, 4, 5], [0, 1, 2, 10, 11, 12], [20, 21, 22]
    ]  # fmt: skip
    assert np.all(search.calls[0][1][:, TWO.harness] == 1.0) and found[0] == 30.0
    thorough = Search(monkeypatch, [0.0])
    monkeypatch.setattr(chain_search, "loops", thorough.starts)
    thorough.run(replace(OBSERVED, least_departure=0.6), thorough=True)
    assert [len(call[1]) for call in thorough.calls] == [3 * 18, 6 + 6 + 1, 6, 1]


class Course:
    """`blend_fits` with its parts told; what it does is written down."""

    def __init__(
        self, monkeypatch: pytest.MonkeyPatch, blends: list[Blend], suspects: list[bool], needed: float = 0.01
    ) -> None:
        self.did: list[str] = []
        self.observed: list[Observed] = []
        self.blends, self.suspects = iter(blends), iter(suspects)
        monkeypatch.setattr(chain_choice, "_climb", self.climb)
        monkeypatch.setattr(chain_choice, "found_start", self.start)
        monkeypatch.setattr(chain_choice, "_suspect", lambda *_: next(self.suspects))
        monkeypatch.setattr(chain_choice, "_needed_error", lambda *_: needed)
        monkeypatch.setattr(chain_choice, "_correlation_length", lambda residual: 7.0)

    def climb(
        self, chain: Chain, observed: Observed, p: Any, near: float | None = None, *, later: bool = False
    ) -> Blend:
        assert p.size == ONE.size and near in (None, 0.0, 0.6, 2.0)
        assert chain.f.size == observed.data.size
        assert (chain.low_hz, chain.high_hz) == (F[0], F[-1])  # of the whole sweep, whatever is left out
        self.did.append(f"climb {p[0]:g}")
        self.observed.append(observed)
        return next(self.blends)

    def start(self, whole: Any, observed: Observed, *, thorough: bool = False) -> np.ndarray:
        assert observed.data.size == whole.f.size == 401
        self.did.append("thorough" if thorough else "search")
        return np.full(ONE.size, 2.0 if thorough else 1.0)


GOOD, BAD = blend(fit(), p_value=0.5), blend(fit(), p_value=1e-4)


def test_an_earlier_fit_saves_the_search(monkeypatch: pytest.MonkeyPatch) -> None:
    course = Course(monkeypatch, [GOOD], [False])
    assert chain_choice.blend_fits(ONE, F, OBSERVED, np.zeros(ONE.size + 2)) is GOOD
    assert course.did == ["climb 0"]


@pytest.mark.parametrize(("first", "suspect"), [(BAD, [True]), (GOOD, [True])])
def test_an_earlier_fit_that_leads_nowhere_is_left(
    monkeypatch: pytest.MonkeyPatch, first: Blend, suspect: list[bool]
) -> None:
    course = Course(monkeypatch, [first, GOOD], [*suspect, False])
    assert chain_choice.blend_fits(ONE, F, OBSERVED, np.zeros(ONE.size + 2)) is GOOD
    assert course.did == ["climb 0", "search", "climb 1"]


def test_an_earlier_fit_of_another_shape_is_not_used(monkeypatch: pytest.MonkeyPatch) -> None:
    course = Course(monkeypatch, [GOOD], [False])
    chain_choice.blend_fits(ONE, F, OBSERVED, np.zeros(TWO.size + 2))
    assert course.did == ["search", "climb 1"]


def test_what_a_search_found_is_not_searched_for_again(monkeypatch: pytest.MonkeyPatch) -> None:
    """Thoroughly at once where it is suspect; as it stands where it is not to be patient."""
    begin, worse, better = np.zeros(ONE.size + 2), blend(fit(), evidence=0.0), blend(fit(), evidence=1.0)
    course = Course(monkeypatch, [worse, better], [True])
    assert chain_choice.blend_fits(ONE, F, OBSERVED, begin, searched=True) is better
    assert course.did == ["climb 0", "thorough", "climb 2"]
    course = Course(monkeypatch, [worse], [True])
    assert chain_choice.blend_fits(ONE, F, OBSERVED, begin, searched=True, patient=False) is worse
    assert course.did == ["climb 0"]


@pytest.mark.parametrize(("evidence", "which"), [(1.0, 1), (-1.0, 0)])
def test_a_suspect_fit_is_searched_again_and_the_evidence_decides(
    monkeypatch: pytest.MonkeyPatch, evidence: float, which: int
) -> None:
    both = [blend(fit(), evidence=0.0), blend(fit(), evidence=evidence)]
    course = Course(monkeypatch, both, [True])
    assert chain_choice.blend_fits(ONE, F, OBSERVED) is both[which]
    assert course.did == ["search", "climb 1", "thorough", "climb 2"]


def test_a_later_fit_knows_the_error_that_the_earlier_one_needed(monkeypatch: pytest.MonkeyPatch) -> None:
    """One descent under that error instead of one with each departure under the stated one, and then those under what
    is needed now; where the stated error does, all under that."""
    begin = np.concatenate((np.full(ONE.size, 3.0), [0.6, 0.02]))
    again = fit(departure=0.6)
    again.p[:] = 5.0
    fit_chains, asked = told([again])
    monkeypatch.setattr(chain_choice, "fit_chains", fit_chains)
    for chi2, error in ((700.0, 1e-4), (900.0, 0.01)):  # of 700 degrees of freedom: as expected, a millionth
        course = Course(monkeypatch, [GOOD], [False])
        monkeypatch.setattr(
            chain_choice, "_under", lambda one, _, chi2=chi2: SimpleNamespace(**vars(one) | {"chi2": chi2})
        )
        found = chain_choice.blend_fits(ONE, F, OBSERVED, begin)
        assert course.did == ["climb 5"] and course.observed[0].relative_error == found.relative_error == error
        assert asked[-1][1].relative_error == 0.02 and asked[-1][3] == [0.6] and np.all(asked[-1][2] == 3.0)
    monkeypatch.setattr(chain_choice, "fit_chains", told([None])[0])
    course = Course(monkeypatch, [GOOD], [False])
    chain_choice.blend_fits(ONE, F, OBSERVED, begin)
    assert course.did == ["search", "climb 1"]


class Way:
    """`_from_start` with its descents told: each answers in turn with a chi-square over one degree of freedom; what a
    fit with chi-square c needs is an error of c / 1000."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, *chi2: float | None) -> None:
        self.asked: list[tuple[float, float, dict[str, Any]]] = []
        self.climbed: list[tuple[float, float | None]] = []
        answers = iter(enumerate(chi2, 1))

        def fit_chains(chain: Any, observed: Any, begins: Any, departures: Any, **options: Any) -> list[Any]:
            number, worth = next(answers)
            self.asked.append((float(begins[0, 0]), observed.relative_error, options))
            assert departures == (2.0,)
            made = fit(chi2=worth or 0.0, dof=1.0, departure=2.0)
            made.p[:] = number
            return [None if worth is None else made]

        def climb(chain: Any, observed: Any, p: Any, near: float | None = None) -> str:
            self.climbed.append((p[0], near))
            return "climbed"

        monkeypatch.setattr(chain_choice, "fit_chains", fit_chains)
        monkeypatch.setattr(chain_choice, "_climb", climb)
        monkeypatch.setattr(chain_choice, "_needed_error", lambda one, _: one.chi2 / 1000.0)
        monkeypatch.setattr(chain_choice, "_under", lambda one, _: one)
        monkeypatch.setattr(chain_choice, "_p_value", lambda _: 0.0)
        self.made = chain_choice._from_start(
            fit().chain, replace(OBSERVED, least_departure=0.6), np.full(ONE.size, 9.0)
        )


def test_a_hopeful_first_descent_is_gone_on_from(monkeypatch: pytest.MonkeyPatch) -> None:
    """Below three times the degrees of freedom after twelve steps; one that fell leaves the start."""
    way = Way(monkeypatch, 2.9)
    assert way.asked == [(9.0, 1e-4, {"steps": 12})] and way.climbed == [(1.0, 2.0)]
    assert Way(monkeypatch, None).climbed == [(9.0, 2.0)]


def test_an_ideal_circuit_is_climbed_from_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(chain_choice, "_climb", lambda *told: told[2:])
    begin = np.zeros(ONE.size)
    assert chain_choice._from_start(fit().chain, OBSERVED, begin)[0] is begin


def test_a_hopeless_first_descent_goes_on_under_the_error_that_it_needs(monkeypatch: pytest.MonkeyPatch) -> None:
    """Down from 40 parts in a thousand to 20 and 15, where it stays; then under the stated error again, which does."""
    way = Way(monkeypatch, 40.0, 20.0, 15.0, 2.9)
    assert [(at, error) for at, error, _ in way.asked] == [(9.0, 1e-4), (1.0, 0.04), (2.0, 0.02), (3.0, 1e-4)]
    assert way.climbed == [(4.0, 2.0)]


def test_what_stays_far_off_is_one_fit(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the stated error does not do, the fit that needs the least is all there is."""
    way = Way(monkeypatch, 15.0, 12.0, 13.0)
    assert way.climbed == [] and way.made.best.p[0] == 2.0 and way.made.weights == (1.0,)
    assert way.made.relative_error == 1e-4
    way = Way(monkeypatch, 15.0, 12.0, 8.0, 7.0)  # the one under the stated error needs less: on from there
    assert way.asked[-1][:2] == (3.0, 0.008) and way.made.best.p[0] == 4.0
    assert Way(monkeypatch, 15.0, None, None).made.best.p[0] == 1.0


def test_what_needs_over_half_a_decibel_is_tried_with_all_departures(monkeypatch: pytest.MonkeyPatch) -> None:
    """From under so large an error nothing is gone on from; where even the stated one does not help, all are tried."""
    way = Way(monkeypatch, 300.0, 290.0, 100.0, 51.0, 51.0)
    assert way.asked[2][:2] == (1.0, 1e-4) and way.climbed == [(1.0, 2.0)]
    assert Way(monkeypatch, 300.0, 290.0, 100.0, 49.0, 49.0).climbed == []


def test_a_lessening_ends(monkeypatch: pytest.MonkeyPatch) -> None:
    """After four descents, however much the last one gained."""
    way = Way(monkeypatch, 400.0, 200.0, 100.0, 40.0, 10.0, 2.0)
    assert [error for _, error, _ in way.asked] == [1e-4, 0.4, 0.2, 0.1, 0.04, 1e-4] and way.climbed == [(6.0, 2.0)]


@pytest.mark.parametrize(("worth", "followed"), [(7.9, True), (9.1, False)])
def test_a_second_search_is_followed_where_one_descent_comes_lower(
    monkeypatch: pytest.MonkeyPatch, worth: float, followed: bool
) -> None:
    """Lower by one than the first does with the same departure, under the error that this one needed."""
    here, there = fit(9.0, departure=1.0), fit(worth, departure=1.0)
    there.p[:] = 5.0
    fit_chains, asked = told([here], [there])
    monkeypatch.setattr(chain_choice, "fit_chains", fit_chains)
    monkeypatch.setattr(chain_choice, "_climb", lambda chain, observed, p, near: (p[0], near))
    usual, begin = replace(OBSERVED, least_departure=0.6), np.full(ONE.size, 3.0)
    found = chain_choice._better(blend(here, p_value=0.5), fit().chain, usual, begin)
    assert found == ((5.0, 1.0) if followed else None)
    assert [(float(each[2][0, 0]), each[1].relative_error, each[3]) for each in asked] == [
        (here.p[0], 1e-4, [1.0]), (3.0, 1e-4, [1.0])
    ]  # fmt: skip
    monkeypatch.setattr(chain_choice, "_needed_error", lambda *_: 0.03)
    monkeypatch.setattr(chain_choice, "_lessened", lambda one, _: (one, 0.01 if followed else 0.025))
    monkeypatch.setattr(chain_choice, "_under", lambda one, _: one)
    fit_chains, asked = told([here], [fit(1.0, departure=1.0)])
    monkeypatch.setattr(chain_choice, "fit_chains", fit_chains)
    found = chain_choice._better(blend(here, p_value=9e-4), fit().chain, usual, begin)
    assert [each[1].relative_error for each in asked] == [0.03, 0.03]
    assert found == (0.0, 1.0) if followed else found.best.cost == 1.0
    monkeypatch.setattr(chain_choice, "fit_chains", told([None])[0])
    assert chain_choice._better(blend(here), fit().chain, usual, begin) is None


def test_a_residual_widens_all(monkeypatch: pytest.MonkeyPatch) -> None:
    """Fitted once more from where it ended, under the error that was needed."""
    course = Course(monkeypatch, [BAD, GOOD], [False])
    found = chain_choice.blend_fits(ONE, F, OBSERVED)
    assert course.did == ["search", "climb 1", "climb 0"]
    assert (found.relative_error, found.inflation) == (0.01, 7.0)
    assert [observed.relative_error for observed in course.observed] == [1e-4, 0.01]


@pytest.mark.parametrize(("least", "samples"), [(0.0, 401), (0.6, 361)])
def test_an_instruments_samples_over_minus_six_decibels_are_left_out(
    monkeypatch: pytest.MonkeyPatch, least: float, samples: int
) -> None:
    import dataclasses

    course = Course(monkeypatch, [GOOD], [False])
    chain_choice.blend_fits(ONE, F, dataclasses.replace(OBSERVED, least_departure=least))
    assert course.observed[0].data.size == samples
