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


def check(
    declared: str,
    *lines: str,
    unit: str = "U6",
    third: str = "H",
    high_hz: float | None = None,
    returned_db: float | None = None,
    rows: bool = False,
) -> HookUpCheck:
    """A few sweeps of the bench after the control lines, checked against what was declared. `high_hz`: by the site."""
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
    return check_hookup(
        taken[0].frequency_hz, s11, s21, 1e-7 / SWEEPS, made.low_hz, high_hz or made.high_hz, declared, third,
        returned_db, rows=rows,
    )  # fmt: skip


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


@pytest.mark.parametrize("words", ["connect A L load=H", "connect A L H=load"])
def test_the_bench_takes_its_own_help_at_its_word(words: str) -> None:
    assert check("A>L", words).state is State.RIGHT
    assert check("A>L", words.replace("load", "open")).short == "H NOT LOADED"


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


@pytest.mark.parametrize("unit", ["U6", "V6", "V4", "P6", "B4"])
@pytest.mark.parametrize("declared", ["A>L", "A>H"])
def test_leads_that_are_exchanged_are_told_of_every_unit(unit: str, declared: str) -> None:
    side, third = ("L", "H") if declared == "A>L" else ("H", "L")
    assert check(declared, f"connect {side} A", unit=unit, third=third).short == "LEADS EXCHANGED"


def test_a_side_that_stands_off_its_plan_is_no_exchanged_lead() -> None:
    """B4's high side is at 460 MHz; a site that says 455 sees it reflect there, and take its power 5 MHz farther on.
    With the leads exchanged nothing is taken anywhere but where it passes."""
    found = check("A>L", "connect A L", unit="B4", high_hz=455e6)
    assert (found.state, found.short, found.seen) == (State.NOTE, "H OFF PLAN", "A>L"), found
    assert "460" in found.cure or "459." in found.cure, found.cure
    assert check("A>L", "connect L A", unit="B4", high_hz=455e6).short == "LEADS EXCHANGED"


FAR_OFF = ("turn L 1 +2.25e6", "turn L 2 -4e6", "turn L 3 +5.5e6")


def test_a_side_far_off_tune_is_no_missing_load_where_a_lead_was_on_it() -> None:
    """Its load and a lead end the port alike: at the low channel A sends back what it did at A>L."""
    blind = check("A>H", *FAR_OFF, "connect A H", third="L")
    assert blind.short == "L NOT LOADED" and "far off tune?" in blind.cure
    known = check("A>H", *FAR_OFF, "connect A H", third="L", returned_db=-2.1)
    assert (known.state, known.short, known.seen) == (State.NOTE, "A>H ok, L OFF TUNE", "A>H"), known
    # A tuned side whose load is missing sends back far more than it did with a lead on it.
    assert check("A>H", "connect A H", "close L open", third="L", returned_db=-18.0).short == "L NOT LOADED"


def test_a_row_of_resonators_off_tune_is_no_gap() -> None:
    """One sweep does not part the two: neither is said alone, and the sweep is kept."""
    off = ("turn L 1 +500e3", "turn L 2 -700e3", "turn L 3 +600e3", "connect L A")
    found = check("L>A", *off, unit="B4", rows=True)
    assert (found.state, found.short) == (State.UNSEEN, "NOT MATCHED") and "off tune" in found.cure, found
    assert check("L>A", "connect L A", "gap 1pF", unit="B4").short == "GAP IN THE PATH"


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


def test_12_a_pad_hides_no_more_than_its_port() -> None:
    found = check("A>L", "connect A L", "pad 1 12")
    assert (found.state, found.short) == (State.NOTE, "PAD IN THE PATH?") and "pad1=DB" in found.cure
    hidden = check("A>L", "connect A L", "pad 1 50")
    assert (hidden.state, hidden.short) == (State.UNSEEN, "HIDDEN BY A PAD")


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


@pytest.mark.parametrize("unit", ["U6", "V6", "V4"])
@pytest.mark.parametrize("pad", [6, 10])
@pytest.mark.parametrize(("declared", "port"), [("A>L", 1), ("A>L", 2), ("A>H", 1), ("L>A", 1), ("L>A", 2), ("H>A", 2)])
def test_a_pad_that_nobody_told_of_is_never_laid_to_the_wrong_port(
    unit: str, pad: int, declared: str, port: int
) -> None:
    """Driven from a side something always comes back whole, so the port is known; from the antenna both are named where
    S11 allows both. A pad of 6 dB at port 1 was told as one at port 2, one of 10 dB as a hook-up hidden."""
    third = next(each for each in "ALH" if each not in declared)
    found = check(declared, f"connect {declared[0]} {declared[2]}", f"pad {port} {pad}", unit=unit, third=third)
    assert found.state is State.NOTE and found.doubt == found.cure
    assert f"pad{port}=DB" in found.cure and str(port) in found.cure.split("take it out")[0].split("a pad at")[1]
    if "A" not in declared[0]:
        assert found.short == f"PAD AT PORT {port}?"


@pytest.mark.parametrize("unit", ["U6", "V6", "V4"])
@pytest.mark.parametrize("declared", ["A>L", "A>H", "L>A", "H>A", "L>H"])
def test_without_a_pad_levels_are_believed(unit: str, declared: str) -> None:
    third = next(each for each in "ALH" if each not in declared)
    assert check(declared, f"connect {declared[0]} {declared[2]}", unit=unit, third=third).doubt == ""


@pytest.mark.parametrize("ripple_hz", [3e6, 5e6, 9e6])
@pytest.mark.parametrize("turn", [0.0, 2.0, 4.0])
def test_a_badly_matched_unit_on_its_plan_is_not_told_off_plan(ripple_hz: float, turn: float) -> None:
    """A match of 7 to 10 dB that is better beside the channels than at them; it was told OFF PLAN +1.9 MHz."""
    made = load_unit("U6")
    f = np.linspace(made.low_hz - 7.5e6, made.high_hz + 7.5e6, 401)
    s = np.asarray(made.s(f))
    mismatch = 0.37 * np.exp(1j * turn) * np.cos(np.pi * (f - made.low_hz) / ripple_hz)
    found = check_hookup(f, s[:, 0, 0] + mismatch, s[:, 1, 0], 1e-9, made.low_hz, made.high_hz, "A>L", "H")
    assert found.seen == "A>L" and "OFF PLAN" not in found.short, found


@pytest.mark.parametrize("taken", [0.75, 0.5, 0.38])
@pytest.mark.parametrize(("declared", "read", "state"), [("L>H", 2, State.RIGHT), ("L>A", 0, State.NOTE)])
def test_cavities_of_low_q_that_take_much_of_what_a_side_sends_back_are_no_fault(
    taken: float, declared: str, read: int, state: State
) -> None:
    """Six cavities of a Q of 300 send back 2 to 9 dB less than they got at the channel that they hold back; half of
    such hook-ups were told NOTHING ON H, some LEADS EXCHANGED."""
    made = load_unit("U6")
    f = np.linspace(made.low_hz - 7.5e6, made.high_hz + 7.5e6, 401)
    s = np.asarray(made.s(f))
    s11 = s[:, 1, 1] * (1.0 - (1.0 - taken) * np.exp(-(((f - made.high_hz) / 3e5) ** 2)))
    third = "A" if read == 2 else "H"
    found = check_hookup(f, s11, s[:, read, 1], 1e-9, made.low_hz, made.high_hz, declared, third)
    assert found.state is state and found.short == f"{declared} ok" and not found.doubt, found


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


@pytest.mark.parametrize("gain", [1.0, 0.2])
def test_leads_in_the_air_are_not_taken_for_a_duplexer(gain: float) -> None:
    """Before a calibration S11 has any level, but an S21 that is noise alone says that nothing arrives."""
    rng = np.random.default_rng(5)
    f = np.linspace(442.5e6, 462.5e6, 401)
    noise = np.asarray((rng.normal(size=401) + 1j * rng.normal(size=401)) * 1e-4, dtype=np.complex128)
    s11 = np.asarray(gain * np.exp(1j * f / 2e6) * (1.0 + 0.2 * np.cos(f / 7e6)), dtype=np.complex128)
    found = check_hookup(f, s11, noise, 2e-8, 450e6, 455e6, "A>L", "H")
    assert found.short in ("NOTHING ARRIVES", "PORT 1 OPEN") and found.seen == "" and "lead" in found.cure
