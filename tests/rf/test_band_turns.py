"""Hertz per turn of a screw from turns that were measured, and which coupling keeps a match below its goal."""

from __future__ import annotations

import numpy as np
import pytest

from rf.resonators.circuit import ripple_elements
from rf.resonators.coupling_advice import best_coupling, match_db
from rf.resonators.turns import BandTurn, Measured, hz_per_turn, measured, turns_for
from rf.values.figure import Kind


def test_a_turn_is_measured_by_where_things_stood_before_the_next_one() -> None:
    turned = [
        BandTurn("2", 0.1, {"1": (0.0, 1e3), "2": (300e3, 2e3)}),
        BandTurn("1", 0.2, {"1": (1e3, 1e3), "2": (250e3, 2e3)}),
        BandTurn("2", -0.5, {"1": (90e3, 1e3), "2": (251e3, 2e3)}),
    ]
    first, second = measured(turned, {"2": (501e3, 2e3)}, "2")
    assert (first.moved_hz, second.moved_hz) == (-50e3, 250e3)
    assert len(measured(turned, None, "2")) == 1  # not swept since
    slope = hz_per_turn([first, second])
    assert slope.kind is Kind.INFERRED and slope.low < -500e3 < slope.high and slope.high < 0.0
    asked = turns_for(-100e3, slope, 0.5)
    assert asked.value == pytest.approx(0.2, rel=0.02) and asked.low < 0.2 < asked.high
    assert turns_for(-1e9, slope, 0.5).value == 4.0  # eight times the largest that was measured


def test_what_was_not_seen_to_move_tells_no_direction() -> None:
    assert not hz_per_turn([]).known
    lost = hz_per_turn([Measured(0.1, 1e3, 2e3)])
    assert not lost.known and "larger one" in lost.why and not turns_for(1e3, lost, 0.1).known


def test_the_coupling_that_was_moved_is_the_one_that_is_named() -> None:
    """A Chebyshev row of 26 dB of match with one coupling a third off."""
    good = ripple_elements(4, 0.01, 450e6, 1.8e6, 4000.0)
    assert best_coupling(good, 450e6) is None
    for i in range(3):
        k = good.k.copy()
        k[i] *= 1.35
        off = type(good)(good.f_hz + 5e3, k, good.q_in, good.q_out, good.unloaded_q)
        assert match_db(type(good)(good.f_hz, k, good.q_in, good.q_out, good.unloaded_q), 450e6) < 14.0
        move = best_coupling(off, 450e6)
        assert move is not None and move.match_db > 24.0
        changed = np.array(k)
        if "-" in move.what:
            changed[int(move.what[0]) - 1] *= move.factor
            # at the channel alone 1-2 and 3-4 act alike, as their product with 2-3 does
            assert changed[0] * changed[2] / changed[1] == pytest.approx(good.k[0] * good.k[2] / good.k[1], rel=0.15)
