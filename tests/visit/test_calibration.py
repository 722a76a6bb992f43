"""Calibration through a real device node: standards, known parts, doubt, and the levels of an uncorrected analyzer.

Short, open, load, thru and what they solve for: common practice; the algebra is checked against scikit-rf in
tests/outside/test_calibration.py. True levels are those of the simulated circuit, which shares no code with rf/.
"""

from __future__ import annotations

import dataclasses
import time
from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest

from protocol.errors import RequestError
from protocol.profiles.profile import load_profile
from protocol.simulated.bench import Bench, start_bench
from protocol.sweep import SweepSettings
from rf.values.decibel import level_db
from rf.values.verdict import Verdict
from tests.benchtop import exact, make_unit
from tests.visit.stations import table
from visit.calibration.stored_calibration import calibrations
from visit.figures.assessment import Role
from visit.figures.replay import Replay
from visit.record.visit_file import VisitFile
from visit.run.conductor import Phase, RunOrder, new_visit
from visit.run.station import Station
from visit.site.hookup import HookUp
from visit.site.kit import load_kit
from visit.site.site import load_site

SITE = load_site(Path(__file__).parents[2] / "fixtures/sites/demo-450.toml")
KIT = load_kit(Path(str(files("fixtures") / "kits" / "bench.toml")))
SETTINGS = SweepSettings(442.5e6, 462.5e6, 401, 1000.0)
RAW = dataclasses.replace(load_profile("scpi"), corrects_itself=False)


@pytest.fixture
def bench() -> Iterator[Bench]:
    with start_bench(["--speed", "0", "--seed", "4", "--raw"]) as bench:
        yield bench


@pytest.fixture
def station(bench: Bench, tmp_path: Path) -> Iterator[Station]:
    visit = new_visit(tmp_path / "a.visit", SITE, "demo")
    with Station(bench.node, RAW, SITE, visit, HookUp("A", "L"), watched=False, kit=KIT) as station:
        yield station
    visit.close()


def measure(station: Station, hookup: str, settings: SweepSettings = SETTINGS, sweeps: int = 10) -> int:
    station.measure(RunOrder(HookUp.parse(hookup), settings, sweeps, "calibration"))
    run_id = station.state().progress.run_id
    assert run_id is not None
    return run_id


def calibrate(station: Station, bench: Bench, settings: SweepSettings = SETTINGS) -> None:
    for kind in ("short", "open", "load", "thru"):
        bench.say(f"connect {kind}")
        check = station.visit.calibrator.judge(kind, measure(station, kind, settings))
        assert check.fits, check
        station.visit.calibrator.keep(kind)
    station.visit.calibrator.finish()
    bench.say("connect A L")


def test_an_uncorrected_analyzer_reads_true_levels_once_calibrated(bench: Bench, station: Station) -> None:
    """U6: loss 1.36 dB, match 30 dB (study, part 4); before the calibration every level is CAN'T SAY."""
    measure(station, "A>L")
    before = station.assess_now()
    channel = before.channel(Role.PASS)
    assert channel is not None and not channel.transmission.known and "calibrate" in channel.transmission.why
    calibrate(station, bench)
    run_id = measure(station, "A>L", sweeps=25)
    after = station.assess_now()
    channel = after.channel(Role.PASS)
    assert channel is not None
    loss, match = channel.transmission, channel.return_loss
    truth = -float(level_db(exact(make_unit("U6"), [450e6]))[0])
    assert loss.low <= truth <= loss.high and loss.high - loss.low < 0.8, loss
    seen = make_unit("U6").s(np.array([450e6]))[0, 0, 0]
    assert match.low <= -20 * np.log10(abs(seen)) <= match.high and match.low > 24.0, match
    assert station.visit.calibrator.in_use is not None
    row = next(run for run in station.visit.file.runs() if run.id == run_id)
    assert row.calibration_id == station.visit.calibrator.in_use.id


def test_terms_are_the_instruments_errors(bench: Bench, station: Station) -> None:
    """Outside the program: a device of known value. 10 dB pad between the leads reads -10 +-0.3 (study, step 17)."""
    calibrate(station, bench)
    bench.say("connect thru")
    thru = station.visit.calibrator.read_known("thru", measure(station, "thru"))
    assert thru.good and abs(thru.seen.value) < 0.02, thru
    bench.say("pad 2 10")
    pad = station.visit.calibrator.read_known("pad", measure(station, "thru"), 10.0)
    assert pad.good and pad.seen.value == pytest.approx(-10.0, abs=0.1), pad
    bench.say("pad 2 0")
    bench.say("connect load")
    load = station.visit.calibrator.read_known("load", measure(station, "load"))
    assert load.good, load
    assert station.visit.calibrator.checks[0].verified.part == "thru"


def test_overload_is_named(bench: Bench, station: Station) -> None:
    """Scenario 34: calibrated through a receiver that gives way, a known 10 dB pad reads 8.9."""
    bench.say("level 3.67")
    calibrate(station, bench)
    bench.say("connect thru")
    bench.say("pad 2 10")
    seen = station.visit.calibrator.read_known("pad", measure(station, "thru"), 10.0)
    assert not seen.good and seen.seen.value == pytest.approx(-8.9, abs=0.15)
    assert "compressed" in seen.says and "lower the level" in seen.says


@pytest.mark.parametrize(
    ("claimed", "hung", "words"),
    [
        ("short", "A L", "itself on lead 1"),
        ("load", "open", "is the load on lead 1"),
        ("thru", "load", "join both leads"),
        ("open", "short", "twice"),
    ],
)
def test_each_standard_is_looked_at(bench: Bench, station: Station, claimed: str, hung: str, words: str) -> None:
    for kind in ("short", "open", "load", "thru"):
        if kind == claimed:
            bench.say(f"connect {hung}")
            check = station.visit.calibrator.judge(kind, measure(station, kind))
            assert not check.fits and words in check.cure, check
            return
        bench.say(f"connect {kind}")
        assert station.visit.calibrator.judge(kind, measure(station, kind)).fits
        station.visit.calibrator.keep(kind)


def test_a_calibration_serves_a_zoom_but_not_a_wider_sweep(bench: Bench, station: Station) -> None:
    calibrate(station, bench)
    calibration = station.visit.calibrator.in_use
    assert calibration is not None
    assert calibration.problem(SweepSettings(454.9e6, 455.1e6, 101, 100.0)) == ""
    assert "leaves that" in calibration.problem(SweepSettings(400e6, 500e6, 401, 1000.0))
    measure(station, "A>L", SweepSettings(447e6, 458e6, 201, 1000.0))
    channel = station.assess_now().channel(Role.PASS)
    assert channel is not None and channel.transmission.value == pytest.approx(1.36, abs=0.2)


def test_a_coarse_calibration_is_not_interpolated(bench: Bench, station: Station) -> None:
    """10 ns there and back turn the terms by 53 degrees from one point to the next."""
    calibrate(station, bench, SweepSettings(10e6, 1490e6, 101, 1000.0))
    calibration = station.visit.calibrator.in_use
    assert calibration is not None
    assert "too far apart" in calibration.problem(SweepSettings(440e6, 460e6, 401, 1000.0))


def test_age_warmth_and_level_bring_doubt(bench: Bench, station: Station) -> None:
    """Scenario 32: 61 minutes, 5 K, another setting; nothing passes without condition then."""
    station.visit.calibrator.warm(14.0)
    calibrate(station, bench)
    calibration = station.visit.calibrator.in_use
    assert calibration is not None
    at = calibration.at_s
    assert calibration.doubts(SETTINGS, at + 59 * 60, 18.0) == ()
    assert "61 min" in calibration.doubts(SETTINGS, at + 61 * 60, 14.0)[0]
    assert "+5 K" in calibration.doubts(SETTINGS, at + 60, 19.0)[0]
    louder = dataclasses.replace(SETTINGS, level_dbm=-5.0)
    assert "another level" in calibration.doubts(louder, at + 60, 14.0)[0]
    station.visit.calibrator.warm(20.0)
    measure(station, "A>L")
    figures = station.assess_now()
    assert figures.doubts and figures.cautions[0] == figures.doubts[0]
    assert Verdict.PASS not in {goal.verdict for goal in figures.goals}
    assert Verdict.CONDITIONAL_PASS in {goal.verdict for goal in figures.goals}


def test_a_failed_closing_check_reaches_back(bench: Bench, station: Station) -> None:
    """Scenario 32: a thru that reads 0.3 dB off at the end puts all since the last good check in doubt."""
    calibrate(station, bench)
    bench.say("connect thru")
    station.visit.calibrator.read_known("thru", measure(station, "thru"))
    calibration = station.visit.calibrator.in_use
    assert calibration is not None and calibration.doubtful_from_s() is None
    good_at = calibration.checks[-1].at_s
    bench.say("pad 2 0.3")
    closing = station.visit.calibrator.read_known("thru", measure(station, "thru"))
    assert not closing.good
    calibration = station.visit.calibrator.in_use
    assert calibration is not None and calibration.doubtful_from_s() == good_at
    assert "last good one is doubtful" in calibration.doubts(SETTINGS, closing_time(calibration), None)[0]


def closing_time(calibration: object) -> float:
    return float(calibration.checks[-1].at_s)  # type: ignore[attr-defined]


def test_isolation_is_worth_its_sweeps_or_left_out(bench: Bench, station: Station) -> None:
    """Scenario 28: one isolation sweep before an average of 100 would freeze the floor at -70; 400 sweeps, or none."""
    calibrate(station, bench)
    advice = station.visit.calibrator.book.advice(100, 1, None)
    assert not advice.worthwhile and "stay -69" in advice.why and "take 400 isolation sweeps, or none" in advice.why
    bench.say("leakage -85")
    bench.say("connect loads")
    station.visit.calibrator.judge("isolation", measure(station, "loads", sweeps=50))
    station.visit.calibrator.keep("isolation")
    calibration = station.visit.calibrator.finish()
    assert calibration.isolation_limit is not None
    assert 20 * np.log10(calibration.isolation_limit) == pytest.approx(-70 - 17 + 4.8 + 1.1, abs=1.5)
    measure(station, "loads", sweeps=50)
    survey = station.assess_now()
    assert survey.leakage is not None and 20 * np.log10(survey.leakage) < -85.0


def test_calibrations_come_back_from_the_file(bench: Bench, station: Station, tmp_path: Path) -> None:
    calibrate(station, bench)
    bench.say("connect thru")
    station.visit.calibrator.read_known("thru", measure(station, "thru"))
    made = station.visit.calibrator.in_use
    assert made is not None
    again = VisitFile.open(tmp_path / "a.visit", read_only=True)
    try:
        kept = calibrations(again)[made.id]
        np.testing.assert_array_equal(kept.terms.load_match, made.terms.load_match)
        assert kept.checks == made.checks and kept.kit.name == "bench kit (simulated)"
    finally:
        again.close()


def test_a_wrong_hookup_is_shown_and_not_stored(bench: Bench, station: Station) -> None:
    calibrate(station, bench)
    bench.say("close H open")
    station.measure(RunOrder(HookUp("A", "L"), SETTINGS, 10))
    state = station.state()
    assert state.progress.phase is Phase.FAULT and state.progress.run_id is None
    assert state.progress.message.startswith("not stored, H NOT LOADED")
    figures = station.assess_now()
    assert figures.check.short == "H NOT LOADED" and all(not c.transmission.known for c in figures.channels)
    assert not [run for run in station.visit.file.runs() if run.purpose == "live"]
    station.measure(RunOrder(HookUp("A", "L"), SETTINGS, 3, trusted=True))
    assert "declared" in station.assess_now().check.short


def test_standards_swept_differently_are_refused(bench: Bench, station: Station) -> None:
    bench.say("connect short")
    station.visit.calibrator.judge("short", measure(station, "short"))
    station.visit.calibrator.keep("short")
    bench.say("connect open")
    run = measure(station, "open", SweepSettings(442.5e6, 462.5e6, 201, 1000.0))
    with pytest.raises(RequestError, match="take all with one sweep"):
        station.visit.calibrator.judge("open", run)
    with pytest.raises(RequestError, match="open, load, thru not taken"):
        station.visit.calibrator.finish()


def test_a_failed_check_of_the_analyzers_own_correction_is_in_the_file(tmp_path: Path) -> None:
    """What was measured before the last good check stays good, on the screen and in every later reading of the file."""
    with table(tmp_path, "demo-450", "U6") as bench_and_station:
        measure_known = bench_and_station.measure
        calibrator = bench_and_station.station.visit.calibrator
        runs = [bench_and_station.measure("A>L", SETTINGS, 5)]
        good = measure_known("thru", SETTINGS, 5)
        assert good is not None and calibrator.read_known("thru", good).good
        runs.append(bench_and_station.measure("A>L", SETTINGS, 5))
        bench_and_station.bench.say("connect thru")
        bench_and_station.bench.say("pad 2 1")  # a lead that has gone bad
        bad = bench_and_station.measure_as_hung("thru", SETTINGS, 5)
        assert bad is not None and not calibrator.read_known("thru", bad).good
        visit = bench_and_station.station.visit.file
        told = {run.id: Replay(visit).assess(run) for run in visit.runs() if run.id in runs}
        before, after = (told[run_id].doubts for run_id in runs if run_id is not None)  # type: ignore[union-attr]
        assert not before and after == calibrator.doubts(SETTINGS, time.time()) and "last check failed" in after[0]
