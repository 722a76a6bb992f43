"""A second witness: levels of a source and a receiver, and the maker's curve, held against the analyzer's figure."""

from __future__ import annotations

import asyncio
import dataclasses
import json
import os
import pty
import threading
import tty
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import skrf

from protocol.errors import AnalyzerError, RequestError
from protocol.levels import read_level
from rf.floor.witness import BySheet, Levels, compared, hardly, witnessed
from rf.values.figure import Kind, at_least, at_most, inferred, reading
from tests.visit.stations import table
from tui.cli import main
from visit.day.witness import at_channel
from visit.figures.replay import Replay
from visit.record.visit_file import VisitFile
from visit.report.report import build_report
from visit.site.presets import wide


def test_levels_give_reading_bound_or_nothing() -> None:
    whole = Levels(-10.0, 40.0, -58.0, -100.0, -95.0)
    seen = witnessed(whole)
    assert seen.kind is Kind.READING and seen.value == pytest.approx(88.0, abs=0.01)
    assert 84.0 < seen.low < 86.3 and 89.7 < seen.high < 92.0
    assert witnessed(Levels(-10.0, 40.0, -58.0, -100.0)).kind is Kind.INFERRED
    leaky = witnessed(Levels(-10.0, 40.0, -58.0, -100.0, -62.0))
    assert leaky.kind is Kind.AT_LEAST and leaky.limited_by == "leakage" and leaky.value < 84.0
    noisy = witnessed(Levels(-10.0, 40.0, -98.0, -100.0, -120.0))
    assert noisy.kind is Kind.AT_LEAST and noisy.limited_by == "random" and noisy.value < 128.0
    assert not witnessed(Levels(-10.0, 0.0, -58.0)).known and not witnessed(Levels(-60.0, 0.0, -58.0, -100.0)).known


def test_levels_that_can_hardly_be_are_said() -> None:
    """-10 dBm behind 40 dB are a source of a watt; nobody's bench shows 130 dB; kT alone is -150 dBm in 250 Hz."""
    watt = Levels(-10.0, 40.0, -105.0, -110.0, -108.0)
    said = hardly(watt, witnessed(watt))
    assert len(said) == 2 and "+30 dBm" in said[0] and "one bench" in said[1]
    quiet = Levels(-30.0, 40.0, -90.0, -155.0, -120.0)
    assert ["-155 dBm" in words for words in hardly(quiet, witnessed(quiet))] == [True]
    usual = Levels(-30.0, 40.0, -78.0, -120.0, -115.0)
    assert hardly(usual, witnessed(usual)) == ()


def test_contradictions_both_ways() -> None:
    low, high = reading(80.0, 78.0, 82.0, "dB"), reading(90.0, 88.0, 92.0, "dB")
    assert compared(high, low).agrees is False and "less rejection" in compared(high, low).says
    assert compared(low, high).agrees is False and "leak" in compared(low, high).says
    assert compared(at_least(85.0, "dB"), low).agrees is False
    assert compared(at_least(75.0, "dB"), low).agrees is True
    same = compared(low, low)
    assert same.agrees and same.together.kind is Kind.INFERRED and same.together.value == pytest.approx(80.0)
    assert same.together.high - 80.0 == pytest.approx(2.0 / 2.0**0.5)


def test_two_readings_by_their_e_n() -> None:
    """Root of the sum of squares, not the sum: 3 dB apart are too far for +-2 each (2.83 dB), 2.8 are not; what is good
    to more than 5 dB together confirms nothing, and still contradicts."""
    one = reading(80.0, 78.0, 82.0, "dB")
    assert compared(one, reading(83.0, 81.0, 85.0, "dB")).agrees is False
    assert compared(one, reading(82.8, 80.8, 84.8, "dB")).agrees is True
    loose = inferred(80.0, 75.0, 85.0, "dB")
    assert compared(one, loose).agrees is None and compared(reading(99.0, 98.0, 100.0, "dB"), loose).agrees is False


def test_what_a_bound_says() -> None:
    one, least = reading(80.0, 78.0, 82.0, "dB"), at_least(79.0, "dB")
    undecided = compared(least, one)
    assert undecided.agrees is None and undecided.together.value == 79.0
    assert compared(least, at_least(90.0, "dB")).agrees is None
    assert compared(one, at_least(60.0, "dB")).agrees is None and compared(one, at_least(83.0, "dB")).agrees is False
    assert compared(at_most(77.0, "dB"), one).agrees is False and compared(at_most(83.0, "dB"), one).agrees is True
    guessed = compared(at_least(70.0, "dB"), inferred(80.0, 79.0, 81.0, "dB"))
    assert guessed.agrees and guessed.together.value == 70.0  # no bound is made of what is INFERRED


def test_sheets_stand_for_joined_leads() -> None:
    """13 dBm, 0.5 dB of leads, -77.1 dBm read with a curve of +0.1: 89.5 dB, good to the root of 0.3^2 + 0.1^2 + 0.8^2
    + 0.4^2 = 0.95 dB and the mismatch of ports of 80 dB (0.001 dB)."""
    sheet = BySheet(13.0, 0.3, 0.5, 0.1, 0.1, 60.0, 60.3, 0.4, -120.0)
    seen = witnessed(Levels(device_dbm=-77.1, scale_db=0.8, match_db=80.0, sheet=sheet))
    assert seen.kind is Kind.INFERRED and seen.value == pytest.approx(89.5)
    assert seen.value - seen.low == pytest.approx(0.9**0.5, abs=0.01)
    wrong = dataclasses.replace(sheet, read_db=60.5)
    assert "known pad 0.5 dB wrong" in witnessed(Levels(device_dbm=-77.1, sheet=wrong)).why
    near = dataclasses.replace(sheet, floor_dbm=-85.0)
    assert witnessed(Levels(device_dbm=-77.1, sheet=near)).kind is Kind.AT_LEAST
    looked = witnessed(Levels(device_dbm=-77.1, off_dbm=-85.0, loads_dbm=-140.0, sheet=near))
    assert looked.kind is Kind.READING and looked.value == pytest.approx(90.27, abs=0.01)  # 7.9 dB over the noise
    assert not witnessed(Levels(device_dbm=-77.1, sheet=dataclasses.replace(sheet, read_db=None))).known


def test_a_curve_is_not_stretched() -> None:
    assert at_channel("400:0.2, 500:0.4", 455e6) == "0.310" and at_channel("-0.3", 455e6) == "-0.3"
    with pytest.raises(RequestError, match="does not reach 520"):
        at_channel("400:0.2,500:0.4", 520e6)
    with pytest.raises(RequestError, match="MHz:dB"):
        at_channel("400:0.2:3", 455e6)
    with pytest.raises(RequestError, match="two values"):
        at_channel("400:0.2,455:0.3,455:0.9,500:0.4", 455e6)


@pytest.fixture(scope="module")
def visit_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("witness")
    with table(folder, "demo-450", "U6", "--floor", "-90") as bench:
        bench.measure("A>L", wide(bench.site), 4)
    return folder / "a.visit"


def test_the_command_holds_levels_and_curve_against_the_proof(
    visit_file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = str(visit_file)
    assert main(["witness", path, "--thru", "-10"]) == 2
    assert "--side" in capsys.readouterr().err
    visit = VisitFile.open(visit_file, read_only=True)
    assert not build_report(visit, []).witness
    visit.close()
    levels = ["--thru", "-10", "--pad", "40", "--off", "-120", "--loads", "-110"]
    assert main(["witness", path, "--side", "low", *levels, "--duplexer", "-40", "--json"]) == 1
    low = json.loads(capsys.readouterr().out)[0]
    assert low["witness"]["kind"] == "reading" and low["agrees"] is False and "CONTRADICTION" in low["says"]
    deep = low["analyzer"]["low"]
    assert main(["witness", path, "--side", "low", "--duplexer", f"{30.0 - deep - 3.0:.1f}"]) == 0
    assert "agree" in capsys.readouterr().out or deep > 0
    f = np.linspace(440e6, 465e6, 51)
    s = np.zeros((51, 2, 2), complex)
    s[:, 1, 0] = s[:, 0, 1] = np.where(f > 452.5e6, 1e-6, 0.9)
    skrf.Network(frequency=skrf.Frequency.from_f(f, unit="hz"), s=s).write_touchstone("maker", dir=str(tmp_path))
    main(["witness", path, "--side", "low", "--maker-file", str(tmp_path / "maker.s2p")])
    out = capsys.readouterr().out
    assert "maker's rejection 120 dB as typed: " in out and "maker's loss 0.92 dB" in out
    visit = VisitFile.open(visit_file, read_only=True)
    assert any("second" in title for title, _ in [("second witness", build_report(visit, []).witness)])
    assert build_report(visit, []).witness and Replay(visit)
    visit.close()


@pytest.fixture
def receiver() -> Iterator[tuple[str, list[bytes]]]:
    """A receiver on a device node that answers READ? once, then any other question with words."""
    master, node = pty.openpty()
    tty.setraw(node)
    heard: list[bytes] = []

    def serve() -> None:
        for _ in range(2):
            try:
                asked = os.read(master, 100)
            except OSError:
                return
            if not asked:
                return
            heard.append(asked)
            os.write(master, b"-58.25E+0\n" if asked == b"READ?\n" else b"OVERLOAD\n")

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    yield os.ttyname(node), heard
    os.write(node, b"x")
    os.write(node, b"x")
    thread.join(5.0)
    os.close(master)
    os.close(node)


def test_a_level_is_asked_for_and_nothing_else_is_sent(receiver: tuple[str, list[bytes]]) -> None:
    port, heard = receiver
    for line in ("*RST", "OUTP ON;READ?", "READ?;*RST", "SOUR:POW 10", "READ?\n*RST"):
        with pytest.raises(RequestError, match="no plain question"):
            asyncio.run(read_level(port, line))
    assert heard == []
    assert asyncio.run(read_level(port, "READ?")) == -58.25
    with pytest.raises(AnalyzerError, match="no level"):
        asyncio.run(read_level(port, "FETC:POW?"))
    assert heard == [b"READ?\n", b"FETC:POW?\n"]
