"""The single notches of a side: intervals that hold, groups where the data do not part them."""

from __future__ import annotations

import numpy as np
import pytest

from rf.notch.apart import Each, _grouped, _Likelihood
from rf.notch.chain_choice import blend_fits
from rf.notch.chain_fit import Observed, fit_chain
from rf.notch.chain_model import ChainShape
from rf.values.figure import Kind
from tests.benchtop import make_unit
from tests.rf.test_notch import fit, sweep
from visit.day.cavities import zero_words


@pytest.mark.parametrize(
    ("ends", "nearest", "groups"),
    [
        ([(0.0, 1.0, 2.0), (3.0, 4.0, 5.0)], 0.0, ((0,), (1,))),
        ([(0.0, 1.0, 3.1), (3.0, 4.0, 5.0)], 0.0, ((0, 1),)),
        ([(0.0, 1.0, 2.0), (3.0, 4.0, 5.0)], 3.1, ((0, 1),)),
        ([(0.0, 1.0, 9.0), (3.0, 4.0, 5.0), (8.0, 8.5, 8.9)], 0.0, ((0, 1, 2),)),  # the first reaches over the second
        ([(0.0, 1.0, 2.0), (5.0, 6.0, 7.0), (6.5, 8.0, 9.0)], 0.0, ((0,), (1, 2))),
    ],
)
def test_what_overlaps_is_one_group(
    ends: list[tuple[float, float, float]], nearest: float, groups: tuple[tuple[int, ...], ...]
) -> None:
    each = _grouped(np.array(ends), nearest)
    assert each.groups == groups and each.resolved is all(len(group) == 1 for group in groups)
    for group in groups:
        low, high = min(ends[k][0] for k in group), max(ends[k][2] for k in group)
        for k in group:
            figure = each.figures[k]
            assert figure.kind is Kind.INFERRED and (figure.low, figure.value, figure.high) == (low, ends[k][1], high)


def test_zeros_in_words() -> None:
    ends = np.array([(80e3, 90e3, 99e3), (150e3, 160e3, 180e3), (170e3, 175e3, 190e3)])
    assert zero_words(_grouped(ends, 0.0), 100e3) == "INFERRED -10 (-20..-1), 2 and 3 together in +50..+90 kHz"
    assert zero_words(_grouped(ends, 1e6), 100e3) == "INFERRED all 3 together in -20..+90 kHz"
    assert zero_words(_grouped(ends / 10.0, 0.0), 10e3).startswith("INFERRED -1.0 (-2.0..-0.1), ")
    assert zero_words(Each(), 100e3) == ""


def test_the_tangent_tells_what_a_descent_with_two_zeros_at_one_place_costs() -> None:
    """All else follows freely there, along a tangent here: up to a third dearer, which `WIDER` makes good."""
    unit = make_unit("U6", (-40e3, 0.0, 40e3))
    f, data, power = sweep(unit, -72.0, np.random.default_rng(3))
    observed = Observed(data, np.full(f.size, power), 1e-3, 950.0)
    blend = blend_fits(ChainShape(3, unit.high_hz, unit.low_hz), f, observed)
    best, likelihood = blend.best, _Likelihood(blend)
    here = best.p[best.shape.places] - best.p[best.shape.places].mean()
    for pair in ((0, 1), (1, 2)):
        tied = fit_chain(best.chain, blend.observed, best.p, best.departure, tied=pair)
        there = tied.p[best.shape.places] - tied.p[best.shape.places].mean()
        (before, after), _ = likelihood.of(np.array([here, there]))
        dearer = after + likelihood.strain(there) - before - likelihood.strain(here)
        assert 1.0 < dearer < 40.0 and dearer == pytest.approx(tied.cost - best.cost, rel=0.4), pair


def test_each_zero_lies_in_its_interval() -> None:
    """Zeros up to a half-width f / 2Q = 240 kHz off, floors that hide them and floors that do not."""
    rng, held, total, alone = np.random.default_rng(4), 0, 0, 0
    for trial in range(10):
        offsets = rng.normal(size=3) * (60e3, 240e3, 600e3)[trial % 3]
        unit = make_unit("U6", tuple(offsets))
        f, data, power = sweep(unit, -70.0 - 10.0 * (trial % 2), rng)
        found = fit(unit, f, data, power)
        assert found.trusted and len(found.each.figures) == 3
        for figure, hz in zip(found.each.figures, sorted(unit.notch_hz("L")), strict=True):
            held, total = held + (figure.low <= hz <= figure.high), total + 1
        alone += sum(len(group) == 1 for group in found.each.groups)
    assert held >= total - 3 and alone >= 3
