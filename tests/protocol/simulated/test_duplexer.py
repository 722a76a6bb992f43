"""The simulated bench is honest: its units are the study's, and every wrong hook-up looks the way it should.

Expected decibels: study, part 3 (units) and part 4 (S11 signatures), computed there by another implementation.
"""

from __future__ import annotations

import numpy as np
import pytest

from protocol.simulated.control import Control
from protocol.simulated.duplexer import Duplexer, load_unit
from protocol.simulated.hookup import HookUp
from protocol.simulated.instrument import Instrument, InstrumentOptions

CHANNELS = np.array([450e6, 455e6])


def db(values: np.ndarray) -> np.ndarray:
    return np.asarray(20 * np.log10(np.maximum(np.abs(values), 1e-20)))


def two_port(line: str, *more: str) -> tuple[np.ndarray, np.ndarray]:
    """S11 and S21 in dB at both channels of U6 after the control lines."""
    instrument = Instrument(InstrumentOptions(), load_unit("U6"), HookUp())
    control = Control(instrument)
    for each in (line, *more):
        control(each)
    s = instrument.hookup.two_port(instrument.unit, CHANNELS)
    return db(s[:, 0, 0]), db(s[:, 1, 0])


@pytest.mark.parametrize(
    ("name", "loss_db", "rejection_db"), [("U6", 1.36, 97.86), ("V6", 0.82, 94.88), ("V4", 0.75, 95.92)]
)
def test_units_are_the_study_units(name: str, loss_db: float, rejection_db: float) -> None:
    unit = load_unit(name)
    s = db(unit.s(np.array([unit.low_hz, unit.high_hz]))[:, 1, 0])
    assert -s[0] == pytest.approx(loss_db, abs=0.01)
    assert -s[1] == pytest.approx(rejection_db, abs=0.01)


@pytest.mark.parametrize("name", ["U6", "V6", "V4", "P6"])
def test_reciprocal_and_passive(name: str) -> None:
    unit = load_unit(name)
    s = unit.s(np.linspace(unit.low_hz * 0.98, unit.high_hz * 1.02, 301))
    np.testing.assert_allclose(s, np.swapaxes(s, 1, 2), atol=1e-12)
    assert np.linalg.norm(s, ord=2, axis=(1, 2)).max() <= 1.0 + 1e-9


@pytest.mark.parametrize(
    ("lines", "low_db", "high_db"),
    [
        (("connect A L",), -30, -30),
        (("connect A L", "close H open"), -30, -2.7),
        (("connect A H", "close L open"), -2.7, -30),
        (("connect L A",), -29.5, -0.4),
        (("connect H A",), -0.4, -29.5),
        (("connect A L", "close H load 14"), -30, -16.5),
    ],
)
def test_s11_signatures(lines: tuple[str, ...], low_db: float, high_db: float) -> None:
    s11, _ = two_port(*lines)
    # Deep matches move by a decibel or two with the load's residue; what is told apart is -30 from -3.
    assert s11[0] == pytest.approx(low_db, abs=0.3 if low_db > -20 else 4.0)
    assert s11[1] == pytest.approx(high_db, abs=2.0 if -20 < high_db < -10 else 0.3 if high_db > -20 else 4.0)


def test_third_port_open_changes_the_rejection_by_two_decibels() -> None:
    _, right = two_port("connect A L", "close H load 80")
    _, wrong = two_port("connect A L", "close H open")
    assert right[1] == pytest.approx(-97.86, abs=0.05)
    assert wrong[1] == pytest.approx(-95.7, abs=0.2)  # study, scenario 2
    assert wrong[0] == pytest.approx(right[0], abs=0.05)


def test_side_to_side() -> None:
    s11, s21 = two_port("connect L H")
    assert (s21 <= -85).all()  # study, scenario 7
    assert s11[1] == pytest.approx(-0.4, abs=0.1)


def test_thru_loads_and_leads_off() -> None:
    assert np.abs(two_port("connect thru")[1]).max() < 0.01
    s11, s21 = two_port("connect loads")
    assert (s11 < -20).all() and (s21 < -150).all()
    s11, s21 = two_port("lead 1 off")
    assert (s11 > -1).all() and (s21 < -150).all()
    s11, s21 = two_port("lead 2 off")
    assert s11[0] == pytest.approx(-2.7, abs=0.3)  # study, scenario 8
    assert (s21 < -150).all()


def test_pads_and_gap() -> None:
    plain = two_port("connect A L")
    padded = two_port("connect A L", "pad 1 10", "pad 2 3")
    np.testing.assert_allclose(padded[1], plain[1] - 13.0, atol=0.2)
    assert (padded[0] <= -20).all()  # study, scenario 12
    assert two_port("connect A L", "gap 1pF")[1][0] < plain[1][0] - 10


def test_screws() -> None:
    band = load_unit("U6")
    band.turn("L", 2, 50e3)
    assert band.notch_hz("L") == [455e6, 455.05e6, 455e6]
    both = load_unit("P6")
    both.turn("L", 1, 20e3)
    both.turn("L", 3, -10e3, trimmer=True)
    assert both.notch_hz("L")[0] - both.high_hz == pytest.approx(20e3)
    assert both.notch_hz("L")[2] - both.high_hz == pytest.approx(-10e3)
    with pytest.raises(ValueError, match="no cavity"):
        band.turn("L", 9, 1.0)


def test_a_rod_of_a_pass_reject_unit_moves_the_pass_too() -> None:
    def best_match(unit: Duplexer) -> float:
        f = np.linspace(149.8e6, 150.3e6, 1001)
        return float(f[np.argmin(np.abs(unit.s(f)[:, 0, 0]))])

    unit = load_unit("P6")
    before = best_match(unit)
    for number in (1, 2, 3):
        unit.turn("L", number, 60e3)
    assert best_match(unit) - before > 30e3


def test_warmth_moves_the_notches_down() -> None:
    unit = load_unit("U6")
    unit.temperature_c = 30.0
    # 1.2 ppm/K over 10 K at 455 MHz (study, F14)
    assert unit.notch_hz("L")[0] - 455e6 == pytest.approx(-1.2e-6 * 10 * 455e6)


@pytest.mark.parametrize("line", ["", "fly", "turn L", "turn L 1 much", "close X open", "pad 3 1", "connect A A"])
def test_nonsense_is_refused_in_one_line(line: str) -> None:
    control = Control(Instrument(InstrumentOptions(), load_unit("U6"), HookUp()))
    with pytest.raises(ValueError) as caught:
        control(line)
    assert "\n" not in str(caught.value)
