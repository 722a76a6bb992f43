"""Figures of a bottom whose notches the skirts do not tell apart: what a spread leaves open is in their intervals."""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from rf.notch import notch, spread
from rf.notch.chain_choice import Blend, blend_fits
from rf.notch.chain_fit import Observed, fit_chains
from rf.notch.chain_model import Chain, ChainShape
from tests.rf.notch_trials import complex_normal, response
from tests.rf.place_trials import HIGH_HZ, LOW_HZ, like

F = np.linspace(449e6, 461e6, 201)
POWER = 10**-5.0
OBSERVED = Observed(np.zeros(F.size, complex), np.full(F.size, 1e-8), 1e-4, 1500.0)


def seen(apart_hz: float, seed: int, power: float = POWER) -> np.ndarray:
    """Two like cavities that stand so far apart, their bottom (51 dB) hidden or just seen."""
    unit = like(2)
    unit.turn("L", 1, -apart_hz / 2.0)
    unit.turn("L", 2, apart_hz / 2.0)
    return response(unit, F) + math.sqrt(power) * complex_normal(np.random.default_rng(seed), F.size)


def blended(data: np.ndarray, power: float = POWER) -> Blend:
    told = Observed(data, np.full(F.size, power), 1e-4, 1500.0, 0.1, 0.6, 1e-6)
    return blend_fits(ChainShape(2, HIGH_HZ, LOW_HZ), F, told)


Q = 500.0
"""So that a half-width is 1e-3 of the channel."""


def fit(places: tuple[float, ...], cost: float = 0.0, evidence: float = 0.0, departure: float = 1.0) -> Any:
    """A fit that is told instead of computed: notches in half-widths, known to a tenth of one each."""
    shape = ChainShape(len(places), HIGH_HZ, LOW_HZ)
    p = np.zeros(shape.size)
    p[shape.places], p[shape.log_q] = 1e-3 * np.array(places), math.log(Q)
    chain = Chain(shape, F, F[0], F[-1])
    return SimpleNamespace(
        shape=shape, chain=chain, p=p, covariance=np.eye(shape.size) * 1e-8, departure=departure, cost=cost,
        log_evidence=evidence, observed=OBSERVED,
    )  # fmt: skip


def told(monkeypatch: pytest.MonkeyPatch, best: Any, found: list[Any], *others: Any) -> tuple[Blend, Blend, list[Any]]:
    """A blend of 0.6 `best` and 0.4 of others, the same over spreads at which this was `found`, and what was asked."""
    asked: list[Any] = []

    def descents(chain: Any, observed: Any, starts: Any, departures: Any, **how: Any) -> list[Any]:
        asked.append((chain, observed, starts, departures, how))
        return found

    monkeypatch.setattr(spread, "fit_chains", descents)
    weights = (0.6, *(0.4 / len(others) for _ in others)) if others else (1.0,)
    blend = Blend((best, *others), weights, 1e-4, 1.0, 0.5, 0.0, OBSERVED)
    return blend, spread.over_spreads(blend), asked


def test_two_notches_are_held_at_six_spreads(monkeypatch: pytest.MonkeyPatch) -> None:
    """In half-widths from their mean, in the order in which they stood; weighed by evidence and by how far each spread
    stands for, and together as the fit in whose place they are."""
    best, other = fit((0.2, -0.1)), fit((0.0, 0.0))
    found = [fit((0.0, 0.0), evidence=float(k == 2)) for k in range(6)]
    _, open_, asked = told(monkeypatch, best, found, other)
    (chain, observed, starts, departures, how) = asked[0]
    assert (chain, observed, departures) == (best.chain, OBSERVED, [1.0] * 6)
    assert how["rigid"] and how["searching"] and how["race"] == {}
    apart = np.array([0.0, 0.5, 1.0, 1.5, 2.1, 3.0]) / math.sqrt(2.0)
    assert starts[:, 0] == pytest.approx(1e-3 * (0.05 + apart)) and starts[:, 1] == pytest.approx(1e-3 * (0.05 - apart))
    assert (starts[:, 2:] == best.p[2:]).all()
    share = np.array([0.25, 0.5, 0.5 * math.e, 0.55, 0.75, 0.45])
    weights = dict(zip([id(one) for one in found], 0.6 * share / share.sum(), strict=True)) | {id(other): 0.4}
    assert [weights[id(one)] for one in open_.fits] == pytest.approx(list(open_.weights))
    assert len(open_.fits) == 7 and list(open_.weights) == sorted(open_.weights, reverse=True)


def test_three_notches_stand_two_to_one_or_one_to_two(monkeypatch: pytest.MonkeyPatch) -> None:
    """The radius of two dimensions counts; each way of standing half."""
    best = fit((0.1, 0.0, -0.1))
    found = [fit((0.0, 0.0, 0.0)) for _ in range(8)]
    _, open_, asked = told(monkeypatch, best, found)
    starts = asked[0][2]
    assert len(starts) == 8
    off = starts[:, :3] / 1e-3
    radii = np.array([0.35, 0.8, 1.4, 2.3])
    assert off.mean(axis=1) == pytest.approx(0.0, abs=1e-9)
    assert np.linalg.norm(off, axis=1) == pytest.approx(radii.repeat(2))
    assert off[0] == pytest.approx(np.array([2.0, -1.0, -1.0]) * 0.35 / math.sqrt(6.0))
    assert off[1] == pytest.approx(np.array([1.0, 1.0, -2.0]) * 0.35 / math.sqrt(6.0))
    share = radii * np.array([0.225, 0.525, 0.75, 0.45])
    assert sorted(open_.weights) == pytest.approx(sorted((share / share.sum() / 2.0).repeat(2)))


def test_spreads_reach_beyond_what_was_fitted(monkeypatch: pytest.MonkeyPatch) -> None:
    """A fit 4 half-widths from its mean: half of that is the unit."""
    best = fit((4.0 / math.sqrt(2.0), -4.0 / math.sqrt(2.0)))
    best.covariance = np.eye(best.shape.size) * 1e-6
    asked = told(monkeypatch, best, [fit((0.0, 0.0))] * 6)[2]
    assert (asked[0][2][-1, 0] - asked[0][2][-1, 1]) / 1e-3 == pytest.approx(2.0 * 3.0 * math.sqrt(2.0))


@pytest.mark.parametrize(
    ("best", "found", "asks"),
    [
        (fit((0.0,)), [], 0),
        (fit((0.0, 0.0, 0.0, 0.0)), [], 0),
        (fit((0.0, 0.0), departure=0.0), [], 0),
        (fit((0.2, -0.2)), [None] * 6, 1),
        (fit((0.2, -0.2)), [None, *[fit((0.0, 0.0), cost=9.1)] * 5], 1),
    ],
)
def test_where_nothing_else_is_told_the_blend_stays(
    monkeypatch: pytest.MonkeyPatch, best: Any, found: list[Any], asks: int
) -> None:
    """One notch, four, an ideal circuit; no descent that stands, and none within what a spread between them costs."""
    blend, open_, asked = told(monkeypatch, best, found)
    assert open_ is blend and len(asked) == asks


def test_what_has_hardly_any_weight_is_left_out(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the likeliest weighs 1: 0.012 stays, 0.008 and what does not stand go; one within the cost is enough."""
    found = [None, *(fit((0.0, 0.0), 8.9 if k == 0 else 99.0) for k in range(5))]
    for one, weight, length in zip(
        found[1:], (1.0, 0.012, 0.008, 0.5, 0.25), (0.5, 0.5, 0.55, 0.75, 0.45), strict=True
    ):
        one.log_evidence = math.log(weight / length)
    _, open_, _ = told(monkeypatch, fit((0.2, -0.2)), found)
    assert np.array(open_.weights) == pytest.approx(np.array([1.0, 0.5, 0.25, 0.012]) / 1.762)


@pytest.mark.parametrize(("half_widths", "parted"), [(2.0, False), (2.2, True)])
def test_a_spread_of_thirty_standard_deviations_is_told(half_widths: float, parted: bool) -> None:
    """Two notches, each known to a tenth of a half-width alone: their distance from the mean, as one number, to a tenth
    too, so that 3 half-widths are 30 of them."""
    one = fit((half_widths, -half_widths))
    assert spread._parted(one) is parted
    assert not spread._parted(fit((0.0, 0.0)))


def test_each_spread_stands_for_what_lies_nearer_to_it_than_to_the_next() -> None:
    """In one dimension the whole length, in two what a radius encloses, over 2 pi: R^2 / 2 for many radii."""
    radii = np.linspace(0.0, 3.0, 301)
    assert spread._shares(radii, 1).sum() == pytest.approx(3.0)
    assert spread._shares(radii, 2).sum() == pytest.approx(4.5, rel=1e-3)
    assert spread._shares(np.array([0.0, 1.0, 3.0]), 1) == pytest.approx([0.5, 1.5, 1.0])


def test_rigid_notches_move_together_only() -> None:
    """Distances stay as they began, and one doubt stands for all places."""
    best = blended(seen(0.0, 1)).best
    start = best.p.copy()
    start[:2] += (-2e-4, 3e-4)
    (held,) = fit_chains(best.chain, best.observed, start[None], [best.departure], rigid=True)
    assert held is not None
    assert held.p[1] - held.p[0] == pytest.approx(start[1] - start[0], abs=1e-12)
    assert held.p[0] != start[0]
    places = held.covariance[:2, :2]
    assert places == pytest.approx(np.full((2, 2), places[0, 0])) and places[0, 0] > 0


def test_a_spread_that_the_skirts_do_not_tell_is_in_the_interval(monkeypatch: pytest.MonkeyPatch) -> None:
    """Notches 380 kHz apart, where f / 2Q is 240 kHz: the fit has them together and by itself misses the level between
    them (47.0 dB); with the spreads it holds, and the value moves towards it."""
    unit = like(2)
    unit.turn("L", 1, -190e3)
    unit.turn("L", 2, 190e3)
    true_db = -20.0 * math.log10(abs(response(unit, np.array([HIGH_HZ]))[0]))
    blend = blended(seen(380e3, 2))
    open_ = spread.over_spreads(blend)
    assert open_ is not blend and sum(open_.weights) == pytest.approx(1.0)
    assert list(open_.weights) == sorted(open_.weights, reverse=True)
    alone, wide = (notch._level(each, HIGH_HZ) for each in (blend, open_))
    assert alone.low > true_db
    assert wide.low < true_db < wide.high and wide.value < alone.value


def test_a_spread_that_the_data_tell_is_left_alone() -> None:
    """800 kHz apart, and 30 dB less noise."""
    power = POWER / 1e3
    blend = blended(seen(800e3, 1, power), power)
    assert spread.over_spreads(blend) is blend
