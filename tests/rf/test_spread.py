"""Figures of a bottom whose notches the skirts do not tell apart: what a spread leaves open is in their intervals."""

from __future__ import annotations

import math

import numpy as np
import pytest

from rf.notch import notch, spread
from rf.notch.chain_choice import Blend, blend_fits
from rf.notch.chain_fit import Observed, fit_chains
from rf.notch.chain_model import ChainShape
from tests.rf.notch_trials import complex_normal, response
from tests.rf.place_trials import HIGH_HZ, LOW_HZ, like

F = np.linspace(449e6, 461e6, 201)
POWER = 10**-5.0


def seen(apart_hz: float, seed: int, power: float = POWER) -> np.ndarray:
    """Two like cavities that stand so far apart, their bottom (51 dB) hidden or just seen."""
    unit = like(2)
    unit.turn("L", 1, -apart_hz / 2.0)
    unit.turn("L", 2, apart_hz / 2.0)
    return response(unit, F) + math.sqrt(power) * complex_normal(np.random.default_rng(seed), F.size)


def blended(data: np.ndarray, power: float = POWER) -> Blend:
    told = Observed(data, np.full(F.size, power), 1e-4, 1500.0, 0.1, 0.6, 1e-6)
    return blend_fits(ChainShape(2, HIGH_HZ, LOW_HZ), F, told)


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
    """Notches 300 kHz apart, where f / 2Q is 240 kHz: the fit has them together and by itself misses the level between
    them (48.1 dB); with the spreads it holds, and the value moves towards it."""
    unit = like(2)
    unit.turn("L", 1, -150e3)
    unit.turn("L", 2, 150e3)
    true_db = -20.0 * math.log10(abs(response(unit, np.array([HIGH_HZ]))[0]))
    blend = blended(seen(300e3, 2))
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
