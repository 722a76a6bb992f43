"""What the repeater gains by a visit on the simulated bench: before and after against the bench's own circuit."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest

from protocol.errors import RequestError
from protocol.simulated.duplexer import load_unit
from rf.values.figure import Figure, Kind
from tests.visit.stations import table
from tui.cli import main
from visit.day.day import LOCK_STEP, Day
from visit.day.desense_test import AFTER, BEFORE, check_keying, taken
from visit.day.gains import gains_of
from visit.figures.replay import Replay
from visit.record.sheet import LINES, write
from visit.record.visit_file import VisitFile
from visit.report.gains_page import gains_lines
from visit.report.report import build_report
from visit.report.report_text import report_text
from visit.site.presets import feeder_sweep, wide

TURNS = (("H", 1, 900e3), ("H", 2, -600e3), ("H", 3, -600e3))


@pytest.fixture(scope="module")
def visit_path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """U6, transmitter on the high side, its cavities apart; as found; turned right; both sides again."""
    folder = tmp_path_factory.mktemp("gains")
    with table(folder, "demo-450", "U6", "--floor", "-85") as bench:
        for side, number, by_hz in TURNS:
            bench.bench.say(f"turn {side} {number} {by_hz:+.0f}")
        settings = wide(bench.site)
        bench.measure("loads", settings, 30)
        for hookup in ("A>L", "A>H"):
            bench.measure(hookup, settings, 15)
        bench.measure("antenna", feeder_sweep(bench.site), 3)
        bench.station.visit.freeze("as found")
        for side, number, by_hz in TURNS:
            bench.bench.say(f"turn {side} {number} {-by_hz:+.0f}")
        for hookup in ("A>L", "A>H"):
            bench.measure(hookup, settings, 15)
    return folder / "a.visit"


@pytest.fixture
def copy(visit_path: Path, tmp_path: Path) -> Path:
    path = tmp_path / "b.visit"
    path.write_bytes(visit_path.read_bytes())
    return path


def true_isolation(turned: bool) -> float:
    """From side to side at the receive channel, by the bench's own circuit with a load on the antenna port."""
    unit = load_unit("U6")
    for side, number, by_hz in TURNS if turned else ():
        unit.turn(side, number, by_hz)
    return float(-20 * np.log10(abs(unit.s(np.array([450e6]))[0, 2, 1])))


def holds(figure: Figure, truth: float) -> bool:
    return figure.low <= truth <= figure.high


def test_before_and_after_hold_the_truth_of_the_bench(copy: Path) -> None:
    visit = VisitFile.open(copy)
    for name, typed in (("transmitter power", "50"), ("transmitter noise", "-130"), ("receiver noise figure", "8")):
        write(visit, LINES[name], typed)
    gains = gains_of(Day(visit), Replay(visit))
    words = "\n".join(gains_lines(gains))
    visit.close()
    assert gains.before is not None and gains.after is not None
    lost = []
    for at, turned in ((gains.before, True), (gains.after, False)):
        isolation = true_isolation(turned)
        desense = 10 * math.log10(1 + 10 ** ((46.99 - 130 - isolation + 165.975) / 10))
        lost.append(desense)
        assert holds(at.between.noise, isolation), (at.between.noise, isolation)
        assert holds(at.on_load, desense) and holds(at.outcome.desense, desense)
        assert "one side's rejection" in at.says and "measured antenna" in at.says
    assert gains.before.outcome.desense.kind is Kind.INFERRED and gains.after.outcome.desense.kind is Kind.AT_MOST
    assert gains.hears.kind is Kind.AT_LEAST and 1.0 < gains.hears.value <= lost[0] - lost[1] + 0.2
    assert gains.farther.kind is Kind.AT_LEAST and gains.farther.value > 5.0
    assert "hears FARTHER than as found: AT LEAST +" in words and "desensitisation: AT MOST" in words
    assert not gains.known.sources[1].endswith("common practice")


def test_the_command_says_what_is_assumed_and_what_is_missing(copy: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["gains", str(copy)]) == 3
    assert "type the transmitter's power first" in capsys.readouterr().out
    assert main(["gains", str(copy), "--power", "50", "--json"]) == 0
    shown = json.loads(capsys.readouterr().out)
    assert shown["assumed"] and sum("ASSUMED" in source for source in shown["sources"]) == 3
    assert shown["after"]["desense"]["kind"] == "at_most" and shown["after"]["noise_margin"]["kind"] == "at_least"
    assert shown["before"]["when"] == "as found" and shown["after"]["when"] == "measured last"
    assert main(["gains", str(copy), "--noise", "130"]) == 2
    assert "slip of the finger" in capsys.readouterr().err


def test_a_desense_test_finds_what_is_not_the_duplexer(copy: Path, capsys: pytest.CaptureFixture[str]) -> None:
    visit = VisitFile.open(copy)
    for name, typed in (("transmitter power", "50"), ("transmitter noise", "-150"), ("receiver noise figure", "6")):
        write(visit, LINES[name], typed)
    visit.close()
    levels = ["--load-off", "-118", "--load-on", "-106", "--antenna-off", "-114", "--antenna-on", "-99"]
    assert main(["desense", str(copy), *levels]) == 0
    words = capsys.readouterr().out
    assert "does not explain the loss on a load" in words and "turn no screw for it" in words
    assert "arrester" in words and "noise of the site" in words
    visit = VisitFile.open(copy)
    day = Day(visit)
    assert day.value("desense with load") == 12.0 and day.value("desense with antenna") == 15.0
    # Nothing is keyed while the analyzer may hang on the duplexer.
    with pytest.raises(RequestError, match="original jumpers"):
        check_keying(day, AFTER)
    day.enter(LOCK_STEP, "who holds the key", "me")
    day.enter(LOCK_STEP, "power seen after locking", "0")
    day.done(LOCK_STEP)
    with pytest.raises(RequestError, match="belongs in front of it"):
        check_keying(day, BEFORE)
    assert taken(visit, AFTER).following and not taken(visit, BEFORE).following
    visit.close()
    assert main(["desense", str(copy), "--when", "after", "--load-off", "-118"]) == 2
    assert "original jumpers" in capsys.readouterr().err


def test_without_the_other_side_nothing_is_made_up(tmp_path: Path) -> None:
    with table(tmp_path, "demo-450", "U6", "--floor", "-85") as bench:
        visit = bench.station.visit.file
        assert gains_of(Day(visit), Replay(visit)).after is None
        bench.measure("A>H", wide(bench.site), 5)
        write(visit, LINES["transmitter power"], "50")
        gains = gains_of(Day(visit), Replay(visit))
        assert gains.before is None and gains.after is not None
        assert not gains.after.outcome.desense.known and "A>L was not measured" in gains.after.outcome.desense.why
        assert gains.after.outcome.radiated_dbm.kind is Kind.INFERRED
        words = "\n".join(gains_lines(gains))
        assert "A>L was not measured" in words and not gains.hears.known


def test_each_page_of_the_report_is_one_page_with_plain_words(copy: Path) -> None:
    """Sixty lines of 78 columns are a page; words that an owner does not know are said in a sentence."""
    assert main(["suits", str(copy), "--floor", "85@1000", "--leak", "100", "--points", "401"]) in (0, 1, 3)
    assert main(["gains", str(copy), "--power", "50", "--site-noise", "6"]) == 0
    levels = ["--load-off", "-118", "--load-on", "-118", "--antenna-off", "-116", "--antenna-on", "-109"]
    assert main(["desense", str(copy), *levels]) == 0
    visit = VisitFile.open(copy, read_only=True)
    report = build_report(visit, [])
    visit.close()
    lines = report_text(report).splitlines()
    heads = [number for number, line in enumerate(lines) if line and line == line.upper() and line[0].isalpha()]
    for title, plain in (
        ("WHAT THE REPEATER GAINS", "3 dB are half"), ("IS THE ANALYZER GOOD ENOUGH", "no pass of a"),
        ("FEEDER AND ANTENNA", "comes back from the antenna"),
    ):  # fmt: skip
        begin = lines.index(title)
        page = lines[begin : next((head for head in heads if head > begin), len(lines))]
        assert 10 < len(page) <= 60 and all(len(line) <= 78 for line in page)
        assert plain in " ".join(line.strip() for line in page)
