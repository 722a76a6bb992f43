"""Scenarios 1 to 14 of the study (part 4): every wrong hook-up is named with its cure, and no right one is."""

from __future__ import annotations

import numpy as np
import pytest

from protocol.simulated.control import Control
from protocol.simulated.duplexer import load_unit
from protocol.simulated.hookup import HookUp
from protocol.simulated.instrument import Instrument, InstrumentOptions
from rf.repeater.hookup_check import HookUpCheck, State, check_hookup

SWEEPS = 4


def check(declared: str, *lines: str, unit: str = "U6", third: str = "H") -> HookUpCheck:
    """A few sweeps of the bench after the control lines, checked against what was declared."""
    made = load_unit(unit)
    instrument = Instrument(InstrumentOptions(seed=3), made, HookUp())
    spacing = made.high_hz - made.low_hz
    instrument.start_hz, instrument.stop_hz, instrument.points = (
        made.low_hz - 1.5 * spacing,
        made.high_hz + 1.5 * spacing,
        401,
    )
    control = Control(instrument)
    for line in lines:
        control(line)
    taken = [instrument.sweep() for _ in range(SWEEPS)]
    s11, s21 = np.mean([s.s11 for s in taken], axis=0), np.mean([s.s21 for s in taken], axis=0)
    return check_hookup(taken[0].frequency_hz, s11, s21, 1e-7 / SWEEPS, made.low_hz, made.high_hz, declared, third)


@pytest.mark.parametrize("unit", ["U6", "V6", "V4"])
@pytest.mark.parametrize(
    ("declared", "lines", "third"),
    [
        ("A>L", ("connect A L",), "H"),
        ("A>H", ("connect A H",), "L"),
        ("L>H", ("connect L H",), "A"),
        ("loads", ("connect loads",), ""),
    ],
)
def test_1_right_hook_ups(unit: str, declared: str, lines: tuple[str, ...], third: str) -> None:
    found = check(declared, *lines, unit=unit, third=third)
    assert found.state is State.RIGHT, found
    assert found.cure == ""
    assert found.seen == declared


@pytest.mark.parametrize("unit", ["U6", "V6", "V4"])
def test_2_third_port_open(unit: str) -> None:
    found = check("A>L", "connect A L", "close H open", unit=unit)
    assert (found.state, found.short) == (State.WRONG, "H NOT LOADED"), found


@pytest.mark.parametrize("end", ["open", "load"])
def test_3_from_the_side_the_third_port_is_not_seen(end: str) -> None:
    found = check("L>A", "connect L A", f"close H {end}", third="H")
    assert found.state is State.NOTE
    assert "can't be seen from this side" in found.cure


def test_4_poor_load() -> None:
    found = check("A>L", "connect A L", "close H load 14")
    assert (found.state, found.short) == (State.NOTE, "H POOR LOAD"), found


def test_5_wrong_side() -> None:
    found = check("A>L", "connect A H")
    assert found.state is State.WRONG
    assert found.seen == "A>H"
    assert "A>H, NOT A>L" in found.short


def test_6_leads_exchanged() -> None:
    found = check("A>L", "connect L A")
    assert (found.state, found.short, found.seen) == (State.WRONG, "LEADS EXCHANGED", "L>A"), found
    assert "S21 holds" in found.cure
    assert check("L>A", "connect A L").short == "LEADS EXCHANGED"


def test_7_sides_only() -> None:
    assert check("A>L", "connect L H").seen == "L>H"
    assert check("L>H", "connect L H", "close A open", third="A").state is not State.RIGHT


def test_8_and_9_a_lead_off() -> None:
    assert check("A>L", "connect A L", "lead 2 off").short == "NOTHING ON L"
    assert check("A>L", "connect A L", "lead 1 off").short == "PORT 1 OPEN"


def test_10_and_11_thru_and_loads() -> None:
    assert check("A>L", "connect thru").short == "LEADS JOINED"
    assert check("A>L", "connect loads").short == "ON LOADS"
    assert check("loads", "connect A L").short == "NOT ON LOADS"


def test_12_a_pad_hides_it() -> None:
    found = check("A>L", "connect A L", "pad 1 12")
    assert found.state is State.UNSEEN
    assert "pad" in found.cure


@pytest.mark.parametrize(("unit", "missing"), [("U6", 13), ("V6", 22)])
def test_13_broken_pin(unit: str, missing: int) -> None:
    """1 pF in series: 11.3 dB on top of the loss at 450 MHz, 20.6 at 150 (study, scenario 13)."""
    found = check("A>L", "connect A L", "gap 1pF", unit=unit)
    assert (found.state, found.short) == (State.WRONG, "GAP IN THE PATH"), found
    assert "series gap suspected" in found.cure and f"{missing} dB" in found.cure and "not the duplexer's" in found.cure


@pytest.mark.parametrize("unit", ["U6", "V6"])
def test_a_pad_at_port_2_that_nobody_told_of(unit: str) -> None:
    found = check("A>L", "connect A L", "pad 2 10", unit=unit)
    assert (found.state, found.short) == (State.NOTE, "PAD AT PORT 2?") and "pad2=DB" in found.cure


def test_14_wrong_pair() -> None:
    made = load_unit("U6")
    lines = [f"turn L {n} +1MHz" for n in (1, 2, 3)] + [f"turn H {n} +1MHz" for n in (1, 2, 3)]
    found = check("A>L", "connect A L", *lines)
    assert found.state is not State.WRONG, found
    assert made.low_hz == 450e6


def test_a_sweep_that_misses_a_channel_is_not_judged() -> None:
    f = np.linspace(454e6, 456e6, 101)
    nothing = np.full(101, 1e-4 + 0j)
    assert check_hookup(f, nothing, nothing, 1e-8, 450e6, 455e6, "A>L", "H").state is State.UNSEEN
