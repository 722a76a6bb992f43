"""Chains of two-ports against chain parameters, a reference library and Friis' formula.

Chain (ABCD) parameters and their conversion to S: Pozar, Microwave Engineering, tables 4.1 and 4.2. Mismatch of two
14 dB reflections: 20 log(1 +- 0.0398), +0.34 / -0.35 dB (common tables). Friis 1944: F = F1 + (F2 - 1) / G1 + ...; a
matched pad before a receiver adds its loss to the noise figure, dB for dB.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import skrf
from numpy.typing import NDArray

from rf.repeater.chain import Link, cascade, chained, noise_figure_of
from rf.values.figure import Figure, Kind, at_least, cant_say, reading

Complex = NDArray[np.complex128]


def exact(value: float) -> Figure:
    return reading(value, value, value, "dB")


def link(forward: float, backward: float, match_in: float, match_out: float) -> Link:
    return Link(exact(forward), exact(backward), exact(match_in), exact(match_out))


def decibels(value: complex) -> float:
    return -20.0 * math.log10(abs(value))


def link_of(s: Complex) -> Link:
    return link(decibels(s[1, 0]), decibels(s[0, 1]), decibels(s[0, 0]), decibels(s[1, 1]))


def holds(figure: Figure, truth: float) -> bool:
    return figure.low - 1e-9 <= truth <= figure.high + 1e-9


def random_part(rng: np.random.Generator) -> Complex:
    """Any phases; an amplifier now and then, an isolator, a deep filter."""
    turn = np.exp(2j * np.pi * rng.random(4))
    forward, backward = rng.choice([0.5, 3.0, -12.0, 45.0]), rng.choice([0.5, 25.0, 40.0])
    match_in, match_out = rng.uniform(8, 30, 2)
    sizes = 10.0 ** (-np.array([match_in, backward, forward, match_out]) / 20.0)
    return np.asarray((sizes * turn).reshape(2, 2), np.complex128)


def test_two_reflections_of_14_db() -> None:
    whole = chained([link(1.0, 1.0, 40.0, 14.0), link(2.0, 2.0, 14.0, 40.0)])
    assert whole.forward.value == 3.0 and whole.forward.kind is Kind.READING
    assert whole.forward.low == pytest.approx(3.0 - 0.352, abs=0.002)
    assert whole.forward.high == pytest.approx(3.0 + 0.339, abs=0.002)


def test_the_interval_holds_every_phase() -> None:
    """300 chains of two to four random two-ports, a reflecting end behind a third of them: scikit-rf's networks."""
    rng = np.random.default_rng(2)
    axis = skrf.Frequency.from_f([450e6], unit="hz")
    for trial in range(300):
        parts = [random_part(rng) for _ in range(rng.integers(2, 5))]
        network = skrf.Network(frequency=axis, s=parts[0][None])
        for part in parts[1:]:
            network = network ** skrf.Network(frequency=axis, s=part[None])
        s = network.s[0]
        if trial % 3 == 0:
            gamma = 10 ** (-rng.uniform(0.0, 20.0) / 20) * np.exp(2j * np.pi * rng.random())
            whole = chained([link_of(part) for part in parts], exact(decibels(gamma)))
            if whole.forward.known:
                assert holds(whole.forward, decibels(s[1, 0] / (1.0 - s[1, 1] * gamma)))
            continue
        whole = chained([link_of(part) for part in parts])
        if whole.forward.known:
            assert holds(whole.forward, decibels(s[1, 0])) and holds(whole.backward, decibels(s[0, 1]))
            assert whole.match_in.low - 1e-9 <= decibels(s[0, 0])


def chain_parameters(s: Complex) -> Complex:
    """S to ABCD in 50 ohm (Pozar, table 4.2)."""
    a, b, c, d = s[0, 0], s[0, 1], s[1, 0], s[1, 1]
    return np.array(
        [
            [(1 + a) * (1 - d) + b * c, 50.0 * ((1 + a) * (1 + d) - b * c)],
            [((1 - a) * (1 - d) - b * c) / 50.0, (1 - a) * (1 + d) + b * c],
        ]
    ) / (2 * c)


def test_the_exact_cascade_is_that_of_chain_parameters() -> None:
    rng = np.random.default_rng(4)
    for _ in range(20):
        parts = [random_part(rng) for _ in range(3)]
        (a, b), (c, d) = np.linalg.multi_dot([chain_parameters(part) for part in parts])
        below = a + b / 50.0 + c * 50.0 + d
        whole = cascade([part[None] for part in parts])[0]
        assert whole[1, 0] == pytest.approx(2.0 / below)
        assert whole[0, 0] == pytest.approx((a + b / 50.0 - c * 50.0 - d) / below)
        assert whole[1, 1] == pytest.approx((-a + b / 50.0 - c * 50.0 + d) / below)


def test_an_isolator_keeps_what_comes_back_from_the_transmitter() -> None:
    """Two isolators of 25 dB: 50 dB backwards, within the mismatch of their 20 dB ports."""
    isolator = link(0.5, 25.0, 20.0, 20.0)
    whole = chained([isolator, isolator])
    assert holds(whole.backward, 50.0) and whole.backward.high - whole.backward.low < 0.2
    assert whole.forward.value == 1.0
    assert isolator.turned == link(25.0, 0.5, 20.0, 20.0)


def test_bounds_stay_bounds_and_two_reflecting_parts_say_nothing() -> None:
    deep = Link(at_least(60.0, "dB"), at_least(60.0, "dB"), exact(0.5), exact(0.5))
    whole = chained([link(1.0, 1.0, 20.0, 20.0), deep])
    assert whole.forward.kind is Kind.AT_LEAST and 59.0 < whole.forward.value < 61.0
    facing = chained([Link(exact(1.0), exact(1.0), exact(20.0), exact(0.5)), deep])
    assert facing.forward.kind is Kind.AT_LEAST and facing.forward.value < 61.0 - 18.0  # 20 log(1 - 0.891)
    blind = Link(exact(1.0), exact(1.0), exact(20.0), cant_say("dB", "not turned round"))
    lost = chained([blind, Link(exact(1.0), exact(1.0), cant_say("dB", "?"), exact(20.0))])
    assert lost.forward.kind is Kind.CANT_SAY and "length of the cable" in lost.forward.why
    alone = chained([blind])
    assert alone.forward.value == 1.0 and not alone.match_out.known


def test_friis() -> None:
    """A 3 dB pad before 8 dB: 11 dB. A preamplifier of 15 dB and 1 dB before it: F = 1.259 + 5.310 / 31.62 = 1.427,
    1.54 dB. Behind 3 dB of cable the same makes 4.54 dB (own computation)."""
    receiver = exact(8.0)
    assert noise_figure_of([(exact(3.0), None)], receiver).value == pytest.approx(11.0)
    amplified = noise_figure_of([(exact(-15.0), exact(1.0))], receiver)
    assert amplified.value == pytest.approx(1.544, abs=0.002)
    assert noise_figure_of([(exact(3.0), None), (exact(-15.0), exact(1.0))], receiver).value == pytest.approx(
        amplified.value + 3.0
    )
    wide = noise_figure_of([(reading(-15.0, -16.0, -14.0, "dB"), reading(1.0, 0.5, 1.5, "dB"))],
                           reading(8.0, 6.0, 10.0, "dB"))  # fmt: skip
    rng = np.random.default_rng(8)
    for _ in range(500):
        gain, own, behind = rng.uniform(14, 16), rng.uniform(0.5, 1.5), rng.uniform(6, 10)
        factor = 10 ** (own / 10) + (10 ** (behind / 10) - 1) / 10 ** (gain / 10)
        assert holds(wide, 10 * math.log10(factor))
    assert wide.kind is Kind.INFERRED
    assert not noise_figure_of([(at_least(3.0, "dB"), None)], receiver).known
    assert not noise_figure_of([(cant_say("dB", "no run"), None)], receiver).known
