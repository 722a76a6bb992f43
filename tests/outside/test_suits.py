"""The forecast of an analyzer against published laws and closed forms.

Sources: Johnson and Nyquist, Phys. Rev. 32, 1928, 97 and 110: thermal noise kTB, with k of the SI (2019) and 290 K
(IEEE standard noise temperature); Friis, Proc. IRE 32, 1944, 419: noise figures of stages in a row; Cramer 1946 and Rao
1945: no unbiased estimate is better than the inverse of the Fisher information (Kay, Estimation Theory, 1993, 15.7 for
complex data in white noise); the width of n equal synchronous resonators, sqrt(2^(1/n) - 1) (Terman, Radio Engineers'
Handbook, 1943, section 3).
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from protocol.simulated.duplexer import load_unit
from rf.floor.bound import rejection_figure
from rf.floor.proof import Limits
from rf.floor.reach import deepest_reading_db, shown_db, value_at
from rf.notch.chain_model import ChainShape
from rf.notch.expected import expected_side
from rf.values.decibel import amplitude
from rf.values.figure import Kind
from visit.day.instrument import AMPLIFIER_DB, AMPLIFIER_NOISE_DB, KTB_DBM_HZ, amplified_db, of_sheet

BOLTZMANN = 1.380649e-23


def test_thermal_noise() -> None:
    assert pytest.approx(10.0 * math.log10(BOLTZMANN * 290.0 * 1000.0), abs=0.01) == KTB_DBM_HZ
    known = of_sheet({"floor": "100@10", "level": "-5"})  # -105 dBm in 10 Hz, kTB -163.98
    assert known.noise_figure_db == pytest.approx(58.98, abs=0.01)


@pytest.mark.parametrize("figure_db", [8.0, 15.0, 30.0, 60.0])
def test_an_amplifier_before_the_receiver(figure_db: float) -> None:
    gain, own, behind = (10.0 ** (level / 10.0) for level in (AMPLIFIER_DB, AMPLIFIER_NOISE_DB, figure_db))
    assert amplified_db(figure_db) == pytest.approx(10.0 * math.log10(own + (behind - 1.0) / gain), abs=1e-9)


@pytest.mark.parametrize("chance", [0.1, 0.5, 0.9])
@pytest.mark.parametrize("leak", [0.0, 1e-5, 1e-3])
def test_the_deepest_reading_by_drawing(chance: float, leak: float) -> None:
    """20,000 draws of a signal of that size over noise of -100 dB: so many come out as READING."""
    power, rng = 1e-10, np.random.default_rng(3)
    signal = amplitude(-deepest_reading_db(power, leak, chance))
    noise = (rng.standard_normal(400) + 1j * rng.standard_normal(400)) * math.sqrt(power / 2.0)
    kinds = [rejection_figure(complex(signal + n), power, leakage=leak).kind for n in noise]
    assert np.mean([kind is Kind.READING for kind in kinds]) == pytest.approx(chance, abs=0.07)


@pytest.mark.parametrize("signal", [0.0, 1e-5, 3e-5])
def test_what_is_shown_by_drawing(signal: float) -> None:
    power, rng = 1e-10, np.random.default_rng(4)
    noise = (rng.standard_normal(20_000) + 1j * rng.standard_normal(20_000)) * math.sqrt(power / 2.0)
    for chance in (0.05, 0.5, 0.95):
        share = float(np.mean(np.abs(signal + noise) > value_at(signal, power, chance)))
        assert share == pytest.approx(chance, abs=0.01)
    shown = [shown_db(signal, power, Limits(1e-6), 0.95, chance, 0.0) for chance in (0.9, 0.5, 0.1)]
    assert shown == sorted(shown)


@pytest.mark.parametrize("cavities", [1, 2, 3, 4])
def test_the_bottom_of_equal_notches(cavities: int) -> None:
    """Zeros at f / 2Q from the axis: sqrt 2 up at f / 2Q sqrt(2^(1/n) - 1) either side."""
    shape = ChainShape(cavities, 455e6, 450e6)
    for side in expected_side(shape, 25.0 * cavities, 2.0):
        width = 455e6 / side.unloaded_q * math.sqrt(2.0 ** (1.0 / cavities) - 1.0)
        assert side.bottom.width_hz == pytest.approx(width, rel=0.05)
        assert side.rejection_db == pytest.approx(25.0 * cavities, abs=1e-3) and side.loss_db <= 2.001


@pytest.mark.parametrize(("unit", "reject_hz", "pass_hz"), [("U6", 455e6, 450e6), ("V6", 150.6e6, 150e6)])
def test_no_place_is_told_better_than_the_information_allows(unit: str, reject_hz: float, pass_hz: float) -> None:
    """By the bench's own circuit, which shares no code with the fitted one: the Fisher information of a common shift of
    the notches, with level, phase and delay of the leads unknown beside it. The fit has to allow for unlike cavities,
    ports and harness, too, so it tells far less; still the place is known to a small part of the half-width f / 2Q."""
    device = load_unit(unit)
    truth = -20.0 * math.log10(abs(device.s(np.array([reject_hz]))[0, 1, 0]))
    (side,) = expected_side(ChainShape(3, reject_hz, pass_hz), truth, 2.0, device.sides["L"][0].unloaded_q)
    span = 4.0 * (reject_hz - pass_hz)
    sweep = np.linspace((reject_hz + pass_hz - span) / 2.0, (reject_hz + pass_hz + span) / 2.0, 401)
    power, error, step = 1e-7 / 20.0, 3e-4, 10.0

    def shifted(by_hz: float) -> np.ndarray:
        moved = load_unit(unit)
        for number in (1, 2, 3):
            moved.turn("L", number, by_hz)
        return np.asarray(moved.s(sweep)[:, 1, 0])

    s = shifted(0.0)
    sigma = np.sqrt((power + (error * np.abs(s)) ** 2) / 2.0)
    x = (sweep - sweep.mean()) / span
    along = np.array([(shifted(step) - shifted(-step)) / (2.0 * step), s, 1j * s, 1j * x * s]) / sigma
    j = np.concatenate((along.real, along.imag), axis=1)
    least = math.sqrt(float(np.linalg.inv(j @ j.T)[0, 0]))
    told = side.place_sd_hz(sweep, power, error, 0.1, 1e-6)
    assert least <= told <= reject_hz / (2.0 * side.unloaded_q) / 20.0
