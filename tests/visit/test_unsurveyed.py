"""A rejection whose leak nobody surveyed: |s| lies within |x| -+ L (triangle inequality), or is a bound."""

from __future__ import annotations

import cmath
import math

import pytest

from rf.values.figure import Figure, Kind, at_least, cant_say, reading
from visit.figures.unsurveyed import NOT_SURVEYED, may_be_leak, unsurveyed, worst_leak

LEAK = 1e-3


def read(db: float, half: float = 0.2) -> Figure:
    return reading(db, db - half, db + half, "dB", limited_by="random")


@pytest.mark.parametrize("true_db", [20.0, 40.0, 50.0])
def test_a_shallow_reading_holds_the_leak_at_any_phase(true_db: float) -> None:
    s, leak = 10.0 ** (-true_db / 20.0), 1e-3
    for step in range(24):
        seen = -20.0 * math.log10(abs(s + leak * cmath.exp(2j * math.pi * step / 24)))
        made = unsurveyed(read(seen), LEAK)
        assert made.kind is Kind.READING and made.low <= true_db <= made.high and made.why == NOT_SURVEYED
    assert unsurveyed(read(20.0), LEAK).limited_by == "random" and unsurveyed(read(50.0), LEAK).limited_by == "leakage"


@pytest.mark.parametrize("seen_db", [54.0, 60.0, 90.0])
def test_a_deep_one_is_a_bound_on_condition(seen_db: float) -> None:
    made = unsurveyed(read(seen_db), LEAK)
    assert made.kind is Kind.AT_LEAST and made.value == seen_db - 0.2 and may_be_leak(made)


def test_others_stay() -> None:
    for figure in (at_least(80.0, "dB", limited_by="random", why=NOT_SURVEYED), cant_say("dB", "no")):
        assert unsurveyed(figure, LEAK) is figure and not may_be_leak(figure)
    assert not may_be_leak(read(50.0))


def test_pads_in_the_normalisation_lift_the_leak() -> None:
    """Read re a thru through 6 and 10 dB: what leaks at -60 stands at -44. An analyzer that normalised itself does not
    tell through what; pads that were put in since, and are taken out, lift it alike."""
    assert worst_leak(1.0, 1.0) == pytest.approx(1e-3)
    assert worst_leak(10 ** (-16 / 20), 1.0) == pytest.approx(10 ** (-44 / 20))
    assert worst_leak(3.0, 1.0) == pytest.approx(1e-3)  # gain in a receiver lifts nothing re the thru
    assert worst_leak(None, 1.0) == pytest.approx(10 ** (-40 / 20))
    assert worst_leak(1.0, 10 ** (-20 / 20)) == pytest.approx(10 ** (-40 / 20))
    assert unsurveyed(read(33.0), worst_leak(None, 1.0)).kind is Kind.READING
    assert unsurveyed(read(35.0), worst_leak(None, 1.0)).kind is Kind.AT_LEAST
