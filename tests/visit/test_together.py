"""What several hook-ups show together, measured through a real device node (study, scenarios 15, 26, 27, 35, 40)."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from protocol.errors import AnalyzerError
from protocol.sweep import SweepSettings
from rf.calibration.three_port import isolation, isolation_any_phase
from rf.values.decibel import level_db
from rf.values.figure import Kind
from tests.benchtop import exact, make_unit
from tests.visit.stations import table
from visit.site.presets import wide, zoom

U6_ZOOM = zoom(455e6, 244e3)


def number_after(word: str, line: str) -> float:
    found = re.search(rf"{word}\D*?(\d+\.\d+)", line)
    assert found is not None, line
    return float(found.group(1))


def test_a_half_wave_jumper_parts_signal_and_leakage(tmp_path: Path) -> None:
    """Scenario 26: U6 (97.9 dB), leakage -75, 25 + 25 zoomed sweeps: one state reads -75, both say the truth."""
    with table(tmp_path, "demo-450", "U6", "--leakage", "-75") as bench:
        bench.measure("A>L", wide(bench.site), 5)  # tells the bottom's shape, as on any bench
        bench.measure("A>L", U6_ZOOM, 25)
        bench.measure("A>L jumper=half", U6_ZOOM, 25)
        (line,) = bench.station.visit.together()
        truth = -float(level_db(exact(make_unit("U6"), [455e6]))[0])
        assert "half-wave jumper" in line and abs(number_after("alone read", line) - 75.0) < 1.0
        assert abs(number_after("leak", line) - 75.0) < 0.5
        assert truth == pytest.approx(97.86, abs=0.05)
        bound = number_after("rejection", line)
        assert 88.0 < bound <= truth + 0.5, line


@pytest.mark.parametrize(("leakage", "said"), [([], "signal"), (["--leakage", "-70"], "mostly leakage or floor")])
def test_a_pad_tells_signal_from_leakage(tmp_path: Path, leakage: list[str], said: str) -> None:
    """Scenario 27: 10 dB at port 2 lower a signal by 10 dB and a leak by nothing; a notch of 78 dB."""
    with table(tmp_path, "demo-450", "U6", "--floor", "-95", *leakage) as bench:
        bench.bench.say("turn L 1 +2MHz")
        bench.measure("A>L", U6_ZOOM, 25)
        bench.measure("A>L pad2=10", U6_ZOOM, 25)
        (line,) = bench.station.visit.together()
        assert f": {said} (the pad" in line and "changes the mismatch" in line, line


def test_two_ranges_are_joined_only_where_they_agree(tmp_path: Path) -> None:
    """Scenario 35: 20 dB of gain before port 2; joined within 0.5 dB over ten points or more, else refused."""
    with table(tmp_path, "demo-450", "U6", "--leakage", "-102") as bench:
        settings = wide(bench.site)
        bench.measure("A>L", settings, 50)
        bench.measure("A>L amp=20", settings, 50, trusted=True)
        first = bench.station.visit.together()
        # The pass of the amplified range drives the receiver 1.6 dB into its limit, but there the plain range is used.
        assert "joined: both ranges agree within" in first[0], first
        points = int(number_after_int("at", first[0]))
        assert points >= 10
        assert "rejection at 455.0000 MHz" in first[1]


def number_after_int(word: str, line: str) -> str:
    found = re.search(rf"{word} (\d+) samples", line)
    assert found is not None, line
    return found.group(1)


def test_an_overdriven_amplifier_is_not_joined(tmp_path: Path) -> None:
    """Scenario 35: told 20 dB, gives 19: the ranges disagree by 1 dB where they overlap."""
    with table(tmp_path, "demo-450", "U6") as bench:
        settings = wide(bench.site)
        bench.measure("A>L", settings, 50)
        bench.bench.say("amp 19")
        bench.measure_as_hung("A>L amp=20", settings, 50, trusted=True)
        (line,) = bench.station.visit.together()
        assert "not joined: the ranges disagree by 0.8" in line


def test_three_hookups_make_three_ports(tmp_path: Path) -> None:
    """Scenario 40: V6, an antenna of 6 dB return loss: 92.2 to 101.9 dB for any phase; the measured phase gives one."""
    unit = make_unit("V6")
    s = unit.s(np.array([150.0e6, 150.6e6]))
    low, high = isolation_any_phase(s, 10 ** (-6 / 20))
    assert -20 * np.log10(high) == pytest.approx([92.2, 92.2], abs=0.05)
    assert -20 * np.log10(low) == pytest.approx([101.9, 101.9], abs=0.05)
    with table(tmp_path, "demo-150", "V6", "--floor", "-110", raw=True) as bench:
        settings = SweepSettings(149.1e6, 151.5e6, 401, 300.0)
        bench.calibrate(settings)
        bench.bench.say("antenna 6")
        bench.measure("load", settings, 10)
        for name in ("A>L", "L>H"):
            assert bench.measure(name, settings, 20) is not None
        (missing,) = bench.station.visit.together()
        assert "no hook-up between A and H yet" in missing
        assert bench.measure("H>A", settings, 20) is not None
        assert bench.measure("antenna", settings, 10) is not None
        bounds = bench.station.visit.together()
        bench.measure("loads", settings, 40)
        lines = bench.station.visit.together()
    # Until the leak is surveyed all that was read may be leak, in any phase.
    assert bounds[0] == "three ports from A>L, L>H, H>A; loads as measured; leakage not surveyed"
    assert all(line.count("AT LEAST") >= 1 and "READING" not in line for line in bounds[1:])
    assert lines[0] == "three ports from A>L, L>H, H>A; loads as measured"
    turn = np.exp(-4j * np.pi * np.array([150.0e6, 150.6e6]) * 60e-9)
    antenna = np.asarray(10 ** (-6 / 20) * turn, np.complex128)
    closed = -20 * np.log10(np.abs(isolation(s, antenna)))
    plain = -20 * np.log10(np.abs(isolation(s)))
    for index in (0, 1):
        assert number_after("load on A", lines[1 + 2 * index]) == pytest.approx(plain[index], abs=0.5)
        with_antenna = lines[2 + 2 * index]
        assert number_after("antenna", with_antenna) == pytest.approx(6.0, abs=0.1)
        assert number_after(r"return loss\)", with_antenna) == pytest.approx(closed[index], abs=0.7)
        assert number_after("any phase", with_antenna) == pytest.approx(92.2, abs=0.6)


def test_a_keyed_transmitter_stops_the_run(tmp_path: Path) -> None:
    """Scenario 15: a carrier on the reject channel, 40 dB over the reading; the run stops and says so."""
    with table(tmp_path, "demo-450", "U6", "--speed", "0.2") as bench:
        settings = wide(bench.site)
        loop = bench.station.order(_order(settings, 60))
        loop.result()
        while bench.station.state().progress.done < 8:
            pass
        bench.bench.say("carrier 455e6 -25")
        state = bench.station.state()
        while bench.station.running:
            state = bench.station.state()
        state = bench.station.state()
        assert "is a transmitter keyed?" in state.progress.message and "455.0" in state.progress.message
        assert state.progress.done < 60


def test_a_turned_screw_is_no_transmitter(tmp_path: Path) -> None:
    """The reading jumps by more than 20 dB, but keeps its phase from sweep to sweep."""
    with table(tmp_path, "demo-450", "U6", "--speed", "0.2", "--floor", "-90") as bench:
        bench.station.order(_order(wide(bench.site), 30)).result()
        while bench.station.state().progress.done < 8:
            pass
        for cavity in (1, 2, 3):
            bench.bench.say(f"turn L {cavity} +4MHz")
        while bench.station.running:
            pass
        assert bench.station.state().progress.message == "" and bench.station.state().progress.done == 30


def _order(settings: SweepSettings, sweeps: int):  # type: ignore[no-untyped-def]
    from visit.run.conductor import RunOrder
    from visit.site.hookup import HookUp

    return RunOrder(HookUp("A", "L"), settings, sweeps, "check", trusted=True)


def test_mismatch_at_port_2_is_in_the_loss_and_a_pad_takes_it_out(tmp_path: Path) -> None:
    """Scenario 33: port 2 at 14 dB against a match of 17 dB makes +-0.25 dB, a 10 dB pad a twentieth."""
    from rf.values.uncertainty import mismatch_db

    assert mismatch_db(17.0, 14.0) == pytest.approx(0.25, abs=0.02)
    with table(tmp_path, "demo-450", "U6", raw=True) as bench:
        settings = wide(bench.site)
        bench.calibrate(settings)
        run_id = bench.measure("thru", settings, 10)
        assert run_id is not None and bench.station.visit.calibrator.read_known("thru", run_id).good
        bench.measure("A>L", settings, 25)
        bare = bench.station.assess_now().channels[0].transmission
        bench.measure("A>L pad2=10", settings, 25)
        padded = bench.station.assess_now().channels[0].transmission
    assert bare.kind is padded.kind is Kind.READING
    assert padded.high - padded.low < 0.11 and padded.high - padded.low < 0.8 * (bare.high - bare.low)
    truth = -float(level_db(exact(make_unit("U6"), [450e6]))[0])
    assert bare.low <= truth <= bare.high and padded.low <= truth <= padded.high


def test_a_lost_port_is_still_an_analyzer_error() -> None:
    """The keyed line is a fault of the bench, not of the command line."""
    from visit.run.gate import KeyedError

    assert issubclass(KeyedError, AnalyzerError)
