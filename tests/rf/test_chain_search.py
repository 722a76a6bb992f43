"""Where a fit begins, with descents that are told instead of computed: rules of rf/notch/chain_search, and of what
rf/notch/chain_choice does with a start.

Expected values follow from the rule that each test names, never from a run of the code.
"""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from rf.notch import chain_choice, chain_search
from rf.notch.chain_fit import Observed
from rf.notch.chain_model import Chain, ChainShape
from tests.rf.chain_told import BAND, OBSERVED, ONE, REJECT, TWO, F, blend, fit, told


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


def test_cheapest_inside_the_band(monkeypatch: pytest.MonkeyPatch) -> None:
    """Cheapest first; one that ended outside only where all did; one that fell never."""
    inside, dear, out = fit(5.0), fit(9.0), fit(1.0, at_hz=460e6)
    ask: Any = (None, OBSERVED, np.zeros((4, ONE.size)), 1.0, 7, BAND, {2: 0.3}, 5)
    for answer, found in (([dear, out, None, inside], [inside, dear]), ([out, None, None, None], [out])):
        fit_chains, asked = told(answer)
        monkeypatch.setattr(chain_search, "fit_chains", fit_chains)
        assert chain_search.cheapest(*ask) == found
        assert asked[0][3:] == ([1.0] * 4, {"steps": 7, "searching": True, "race": {2: 0.3}, "fewest": 5})
    monkeypatch.setattr(chain_search, "fit_chains", told([None])[0])
    with pytest.raises(np.linalg.LinAlgError):
        chain_search.cheapest(*ask)


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
        self.ideal, self.chi2, self.races = list[tuple[Any, ...]](), 3.0, list[tuple[Any, ...]]()
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
        self.races.append(race)
        if race and race[1] == 2:
            self.ideal.append((observed, np.array(begins), departure, steps, band, *race))
            return [SimpleNamespace(p=np.full(self.shape.size, 77.0), chi2=self.chi2, dof=1.0)]
        self.calls.append((observed, np.array(begins), departure, steps, band))
        cost = self.costs[min(len(self.calls), len(self.costs)) - 1]
        size, last = self.shape.size, 10.0 * len(self.calls)
        return [SimpleNamespace(p=np.full(size, last + k), cost=cost, chi2=self.chi2, dof=1.0) for k in range(40)]

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
    """All couplings under errors of 20, 3 and 0.3 %, with twice the usual departures; most are left after a few steps,
    and the three best go on; a thorough one takes three lengths of each, and more steps."""
    search = Search(monkeypatch, [0.0])
    monkeypatch.setattr(chain_search, "loops", search.starts)
    found = search.run(replace(OBSERVED, least_departure=0.6))
    assert [call[0].relative_error for call in search.calls] == [0.2, 0.03, 3e-3]
    assert [call[0].data.size for call in search.calls] == [67, 67, 134]
    assert [call[2] for call in search.calls] == [2.0, 2.0, 2.0]
    assert [list(call[1][:, TWO.log_x]) for call in search.calls] == [
        [*range(14)], [0, 1, 2, 10, 11, 12], [20, 21, 22]
    ]  # fmt: skip
    assert np.all(search.calls[0][1][:, TWO.harness] == 1.0) and found[0] == 30.0
    thorough = Search(monkeypatch, [0.0])
    monkeypatch.setattr(chain_search, "loops", thorough.starts)
    thorough.run(replace(OBSERVED, least_departure=0.6), thorough=True)
    assert [len(call[1]) for call in thorough.calls] == [3 * 14, 6 + 6 + 1, 6, 1]
    assert search.races[0] == ({3: 0.5, 6: 0.25}, 3) and thorough.races[0] == ({6: 0.5, 12: 0.25}, 6)


@pytest.mark.parametrize(("chi2", "orders"), [(99.0, 1), (101.0, 0)])
def test_a_search_that_is_lost_tries_no_other_order(monkeypatch: pytest.MonkeyPatch, chi2: float, orders: int) -> None:
    """Beyond a hundred times the degrees of freedom the order of the cavities is not what is wrong."""
    search = Search(monkeypatch, [0.0])
    search.chi2 = chi2
    monkeypatch.setattr(chain_search, "loops", search.starts)
    search.run(replace(OBSERVED, least_departure=0.6), thorough=True)
    assert len(search.calls) == 3 + orders


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
        self.made: Any = chain_choice._from_start(
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
    found: Any = chain_choice._from_start(fit().chain, OBSERVED, begin)
    assert found[0] is begin


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
    found: Any = chain_choice._better(blend(here, p_value=0.5), fit().chain, usual, begin)
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
