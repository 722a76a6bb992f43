"""Cavities off their place, against circuits of scikit-rf: what a turn of a rod and a spread of notches do.

A rod that shortens a quarter-wave line by d raises f0 = c / (4 l) to c / (4 (l - d)), so by f0 d / l a turn of pitch d
(Pozar, Microwave Engineering, 4th ed., section 6.2: shorted quarter-wave line); with the capacitance of its loop in
series it is where Z0 tan(2 pi f l / c) = 1 / (2 pi f C), solved by bisection. N equal notches on quarter-wave lines
stand for themselves at their channel, so that one that stands off by x half-widths f / 2Q lets 10 lg (1 + x^2) more
through (series resonance R (1 + jx) across a line, R far below it; Matthaei, Young and Jones, 1964, section 12.02; own
computation by chain matrices of scikit-rf).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import skrf
from scipy.optimize import bisect
from skrf.media import DefinedGammaZ0

from rf.resonators.coupled_fit import Errors
from rf.resonators.notch_fit import fit_notch, lowest
from rf.resonators.turns import BandTurn, hz_per_turn, measured, turns_for
from rf.values.figure import Kind, cant_say
from visit.day.cavities import Places
from visit.day.tuning import Tuning

LIGHT = 299_792_458.0
PITCH_M = 1.0e-3
LINE_OHM, LOOP_F = 70.0, 1.5e-12


def rod_cavity(f: np.ndarray, length_m: float) -> np.ndarray:
    """S21 of a through line with a shorted line of that length behind a series capacitance across it."""
    frequency = skrf.Frequency.from_f(f, unit="hz")
    line = DefinedGammaZ0(frequency, gamma=1j * 2.0 * np.pi * f / LIGHT + 2.5e-4, z0=LINE_OHM)
    stub = line.line(length_m, "m", z0=LINE_OHM) ** line.short()
    z = stub.z[:, 0, 0] + 1.0 / (1j * 2.0 * np.pi * f * LOOP_F)
    return np.asarray(1.0 / (1.0 + 50.0 / (2.0 * z)))


def stands_hz(length_m: float) -> float:
    """Where its two reactances cancel, below a quarter wave."""
    quarter = LIGHT / (4.0 * length_m)
    return float(
        bisect(
            lambda f: LINE_OHM * math.tan(2.0 * math.pi * f * length_m / LIGHT) - 1.0 / (2.0 * math.pi * f * LOOP_F),
            0.5 * quarter, quarter * (1.0 - 1e-9), xtol=1.0,
        )
    )  # fmt: skip


def test_a_turn_of_a_rod_moves_a_cavity_as_its_length_says() -> None:
    """A line of 480 mm and a thread of 1 mm: about 0.3 MHz a turn upwards; the program learns it from a sweep before
    and one after a tenth of a turn."""
    length = 0.48

    def place_hz(by_m: float) -> tuple[float, float]:
        f = np.linspace(stands_hz(length) - 2e6, stands_hz(length) + 2e6, 401)
        rng = np.random.default_rng(int(1e6 * by_m) + 1)
        noise = 1e-4 * (rng.normal(size=(f.size, 2)) @ np.array([1.0, 1j])) / math.sqrt(2.0)
        fit = fit_notch(f, rod_cavity(f, length - by_m) + noise, np.full(f.size, 1e-8), Errors(0.05, 45.0, 40.0))
        assert fit is not None and fit.trusted
        dip_hz = lowest(math.log(fit.f0_hz), math.log(fit.loaded_q), fit.c)
        return dip_hz, 1.96 * fit.f0_hz * math.sqrt(fit.covariance[0, 0])

    first, second = place_hz(0.0), place_hz(0.1 * PITCH_M)
    assert abs(first[0] - stands_hz(length)) < 3e3
    slope = hz_per_turn(measured([BandTurn("1", 0.1, {"1": first})], {"1": second}, "1"))
    a_turn = stands_hz(length - PITCH_M) - stands_hz(length)
    assert slope.kind is Kind.INFERRED and slope.low <= a_turn <= slope.high
    assert a_turn == pytest.approx(first[0] * PITCH_M / length, rel=0.1) and 0.25e6 < a_turn < 0.35e6
    turns = turns_for(-a_turn / 4.0, slope, 0.1)
    assert turns.low <= -0.25 <= turns.high


def chain_db(f_hz: float, places_hz: list[float], q: float, r_ohm: float) -> float:
    """What notches on quarter-wave lines take at a frequency, by scikit-rf's chain matrices."""
    frequency = skrf.Frequency.from_f(np.array([f_hz, 1.01 * f_hz]), unit="hz")
    f, unit = frequency.f, np.ones(2, complex)
    media = DefinedGammaZ0(frequency, gamma=1j * 2.0 * np.pi * f / LIGHT, z0=50.0)
    quarter = media.line(LIGHT / (4.0 * places_hz[len(places_hz) // 2]), "m", z0=50.0)
    made = None
    for number, place in enumerate(places_hz):
        y = 1.0 / (r_ohm * (1.0 + 1j * q * (f / place - place / f)))
        a = np.moveaxis(np.array([[unit, 0.0 * unit], [y, unit]]), 2, 0)
        shunt = skrf.Network(frequency=frequency, s=skrf.network.a2s(a, 50.0 * np.ones((2, 2))), z0=50.0)
        made = shunt if made is None else made**shunt
        made = made**quarter if number < len(places_hz) - 1 else made
    assert made is not None
    return float(-20.0 * np.log10(abs(made.s[0, 1, 0])))


@pytest.mark.parametrize("spread", [0.5, 1.0, 2.0, 4.0])
def test_what_a_spread_of_notches_takes_from_the_depth(spread: float) -> None:
    """Three notches, their mean on the channel, the outer two `spread` half-widths f / 2Q off: two of them lose
    10 lg (1 + x^2) each. What the advice says one cavity costs is that, within the notches' pull on one another."""
    channel, r_ohm, nothing = 455e6, 1.2, cant_say("Hz", "no fit")
    now = Tuning(90.0, channel, nothing, None, nothing, Places(()), 3, 8)
    unit_hz = now.unit_hz  # while no fit tells another
    q = channel / (2.0 * unit_hz)
    centred = chain_db(channel, [channel] * 3, q, r_ohm)
    apart = chain_db(channel, [channel - spread * unit_hz, channel, channel + spread * unit_hz], q, r_ohm)
    by_hand = 2.0 * 10.0 * math.log10(1.0 + spread**2)
    assert centred - apart == pytest.approx(by_hand, abs=0.35)
    assert 2.0 * now.lost_db(spread * unit_hz) == pytest.approx(centred - apart, abs=0.35)
