"""The single notches of a side: intervals that hold, groups where the data do not part them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from rf.notch.apart import WIDER, Each, _Likelihood, _told
from rf.notch.chain_choice import blend_fits
from rf.notch.chain_fit import Observed, fit_chains
from rf.notch.chain_model import ChainShape
from rf.values.figure import Kind, inferred
from tests.benchtop import make_unit
from tests.rf.test_notch import fit, sweep
from visit.day.cavities import zero_words

WEIGHT = np.full(4000, 1.0 / 4000)


def drawn(*laws: tuple[float, float]) -> np.ndarray:
    """Draws of places: normal laws of so many hertz, sorted as places are."""
    rng = np.random.default_rng(1)
    return np.sort([mean + sd * rng.normal(size=WEIGHT.size) for mean, sd in laws], axis=0).T


@pytest.mark.parametrize(
    ("laws", "parted", "groups"),
    [
        (((0.0, 1.0), (6.0, 1.0)), (True,), ((0,), (1,))),
        (((0.0, 1.0), (3.0, 1.0)), (True,), ((0, 1),)),
        (((0.0, 1.0), (6.0, 1.0)), (False,), ((0, 1),)),
        (((0.0, 0.1), (6.0, 1.0), (7.0, 1.0)), (True, True), ((0,), (1, 2))),
    ],
)
def test_what_overlaps_or_shows_no_hump_is_one_group(
    laws: tuple[tuple[float, float], ...], parted: tuple[bool, ...], groups: tuple[tuple[int, ...], ...]
) -> None:
    """Each of a group lies in its interval at 95 %: two like laws far apart leave 5 % of either outside."""
    each = _told(drawn(*laws), WEIGHT, parted)
    assert each.groups == groups and each.resolved is all(len(group) == 1 for group in groups)
    for group in groups:
        low, high = each.figures[group[0]].low, each.figures[group[0]].high
        assert all(each.figures[k].kind is Kind.INFERRED for k in group)
        assert {(each.figures[k].low, each.figures[k].high) for k in group} == {(low, high)}
        if len(group) == 1:
            mean, sd = laws[group[0]]
            assert (low, high) == pytest.approx((mean - WIDER * 1.96 * sd, mean + WIDER * 1.96 * sd), abs=0.2 * sd)


def test_zeros_in_words() -> None:
    told = [inferred(value, low, high, "Hz") for low, value, high in ((80e3, 90e3, 99e3), (150e3, 160e3, 190e3))]
    parted, together = Each((*told, told[1]), ((0,), (1, 2))), Each((told[1],) * 3, ((0, 1, 2),))
    assert zero_words(parted, 100e3) == "INFERRED -10 (-20..-1), 2 of them together in +50..+90 kHz"
    assert zero_words(together, 100e3) == "all 3 together in INFERRED +50..+90 kHz"
    fine = Each((inferred(9e3, 8e3, 9.9e3, "Hz"),), ((0,),))
    assert zero_words(fine, 10e3) == "INFERRED -1.0 (-2.0..-0.1) kHz"
    assert zero_words(Each(), 100e3) == ""


def test_the_tangent_tells_what_a_descent_with_the_zeros_at_one_place_costs() -> None:
    """All else follows freely there, along a tangent here: up to a third dearer, which `WIDER` makes good."""
    unit = make_unit("U6", (-40e3, 0.0, 40e3))
    f, data, power = sweep(unit, -72.0, np.random.default_rng(3))
    observed = Observed(data, np.full(f.size, power), 1e-3, 950.0)
    blend = blend_fits(ChainShape(3, unit.high_hz, unit.low_hz), f, observed)
    best, likelihood = blend.best, _Likelihood(blend)
    (tied,) = fit_chains(best.chain, replace(blend.observed, together=1e-4), best.p[None], (best.departure,))
    assert tied is not None
    assert np.ptp(tied.p[best.shape.places]) < 1e-7
    here = best.p[best.shape.places] - best.p[best.shape.places].mean()
    (before, after), _ = likelihood.of(np.array([here, np.zeros(3)]))
    dearer, descended = after - before - likelihood.strain(here), tied.cost - best.cost
    assert 1.0 < dearer < 60.0 and dearer == pytest.approx(descended, rel=0.4)


def test_each_zero_lies_in_its_interval() -> None:
    """Zeros up to a half-width f / 2Q = 240 kHz off, floors that hide them and floors that do not."""
    rng, held, total = np.random.default_rng(4), 0, 0
    for trial in range(10):
        offsets = rng.normal(size=3) * (60e3, 120e3, 240e3)[trial % 3]
        unit = make_unit("U6", tuple(offsets))
        f, data, power = sweep(unit, -70.0 - 10.0 * (trial % 2), rng)
        found = fit(unit, f, data, power)
        assert found.trusted and len(found.each.figures) == 3
        for figure, hz in zip(found.each.figures, sorted(unit.notch_hz("L")), strict=True):
            held, total = held + (figure.low <= hz <= figure.high), total + 1
        half = (found.each.figures[-1].high - found.each.figures[0].low) / 2.0
        assert half < 4.0 * max(float(np.ptp(offsets)), 60e3)  # it says something
    assert held >= total - 3
