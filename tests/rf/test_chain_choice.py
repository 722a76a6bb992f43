"""How the search for a fit goes on, with descents that are told instead of computed: rules of rf/notch/chain_choice.

Expected values follow from the rule that each test names (softmax of evidences, closed forms of a band), never from a
run of the code.
"""

from __future__ import annotations

import math
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
import scipy.stats

from rf.notch import chain_choice
from rf.notch.chain_choice import DEPARTURES, Blend
from rf.notch.chain_fit import Observed
from rf.notch.chain_model import Chain
from tests.rf.chain_told import BAND, OBSERVED, ONE, SEALED, TWO, F, blend, fit, told


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


def test_the_likeliest_are_tried_with_tight_leads(monkeypatch: pytest.MonkeyPatch) -> None:
    """The two of the largest evidence that allow departures, each from where it ended and with its own departure."""
    fits = [fit(departure=s, evidence=e) for s, e in ((0.0, 9.0), (0.6, 3.0), (1.0, 5.0), (2.0, 1.0))]
    dry = fit(evidence=7.0)
    fit_chains, asked = told([dry, None])
    monkeypatch.setattr(chain_choice, "fit_chains", fit_chains)
    monkeypatch.setattr(chain_choice, "forecast", lambda one, *_: {1.0: 1.1, 0.6: 1.2}[one.departure])
    assert chain_choice._tight(fits[0].chain, OBSERVED, fits) == [dry]
    assert asked[0][1].leak == chain_choice.TIGHT and asked[0][3] == [1.0, 0.6]
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
