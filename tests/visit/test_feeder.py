"""Feeder and antenna of a visit on the simulated bench: its line is theory's own, with no code of the figures in it."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest

from protocol.errors import RequestError
from rf.values.figure import Kind
from tests.visit.stations import Table, table
from tui.cli import main
from visit.figures.feeder import FeederSight, feeder_sight
from visit.figures.run_figures import RunFigures
from visit.record.sheet import LINES, Sheet, write
from visit.record.visit_file import VisitFile
from visit.report.feeder_page import against_earlier, feeder_lines
from visit.report.report import build_report
from visit.site.hookup import HookUp
from visit.site.presets import feeder_sweep, first_sweep, wide

ENDS = ("antenna", "feeder-open", "feeder-short")
CABLE = "feeder 40 0.88 2.15 4.45 0.02"
"""Half-inch line; its loss at 450 MHz over 40 m is 1.90 dB by the table's own law."""


def sight(visit: VisitFile) -> FeederSight:
    return feeder_sight(RunFigures(visit))


@pytest.fixture(scope="module")
def visits(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Path, Path]]:
    """A sound feeder last year, the same one with a kink and a tired antenna now."""
    paths = []
    for year, lines in (("then", ()), ("now", ("kink 12.5 20", "antenna 9 452.5e6"))):
        folder = tmp_path_factory.mktemp(year)
        with table(folder, "demo-450", "U6", "--floor", "-85") as bench:
            for line in (CABLE, "antenna 22 452.5e6", *lines):
                bench.bench.say(line)
            swept(bench)
        paths.append(folder / "a.visit")
    yield paths[0], paths[1]


def swept(bench: Table) -> None:
    for end in ENDS:
        bench.measure(end, feeder_sweep(bench.site), 4)
    write(bench.station.visit.file, LINES["feeder cable"], "hard-1/2")
    write(bench.station.visit.file, LINES["feeder length"], "40")


def test_a_sound_feeder(visits: tuple[Path, Path]) -> None:
    visit = VisitFile.open(visits[0], read_only=True)
    seen = sight(visit)
    visit.close()
    assert set(seen.runs) == set(ENDS) and seen.velocity.value == 0.88
    for channel in seen.channels:
        assert channel.measured_loss.kind is Kind.READING and channel.table_loss.kind is Kind.INFERRED
        assert channel.measured_loss.low <= 1.90 <= channel.measured_loss.high
        assert channel.behind.kind in (Kind.INFERRED, Kind.AT_LEAST)
        assert channel.vswr.kind is Kind.READING and channel.vswr.high < 1.4
    assert seen.end is not None and seen.end.low <= 40.0 <= seen.end.high
    assert len(seen.places) == 1 and "the antenna" in seen.places[0].says
    words = "\n".join(feeder_lines(seen))
    assert "they agree" in words and "not written down yet" in words


def test_what_went_wrong_since_is_told(visits: tuple[Path, Path]) -> None:
    then, now = visits
    visit = VisitFile.open(now, read_only=True)
    seen = sight(visit)
    lines = against_earlier(visit, seen, [then])
    report = build_report(visit, [then])
    visit.close()
    kink = next(place for place in seen.places if place.says.startswith("BEFORE THE END"))
    assert kink.echo.place.low <= 12.5 <= kink.echo.place.high
    assert kink.behind.low <= 20.0 <= kink.behind.high
    assert sum("CHANGED" in line for line in lines) == 2 and any("NEW echo" in line for line in lines)
    assert set(lines) <= set(report.feeder)


def test_the_command_prints_and_writes(
    visits: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture
) -> None:
    copy = tmp_path / "b.visit"
    copy.write_bytes(visits[0].read_bytes())
    assert main(["feeder", str(copy), "--velocity", "0.66", "--incoming", "-40", "--json"]) == 0
    shown = json.loads(capsys.readouterr().out)
    assert shown["velocity"] == {"value": 0.66, "low": 0.65, "high": 0.67, "from": "as typed"}
    assert shown["incoming_dbm"] == -40.0 and shown["echoes"][0]["place"]["kind"] == "inferred"
    assert shown["echoes"][0]["place"]["value"] == pytest.approx(40.0 * 0.66 / 0.88, abs=1.0)
    assert shown["channels"][0]["feeder_loss"]["kind"] == "reading"
    # With a wrong velocity the end is nearer than the typed length: said, with the velocity that would fit.
    assert main(["feeder", str(copy)]) == 0
    assert "the velocity is INFERRED 0.8" in capsys.readouterr().out
    for words, told in (
        (["--length", "4000"], "not between 0.5 and 500"),
        (["--cable", "wire"], "not in the cable table"),
        (["--velocity", "fast"], "not a number of velocity"),
    ):
        assert main(["feeder", str(copy), *words]) == 2
        assert told in capsys.readouterr().err
    assert main(["feeder", "--cables"]) == 0
    out = capsys.readouterr()
    assert "RG-213" in out.out and "MIL-C-17" in out.err
    assert main(["feeder"]) == 2


def test_what_a_file_claims_beyond_reason_is_not_taken(visits: tuple[Path, Path], tmp_path: Path) -> None:
    copy = tmp_path / "b.visit"
    copy.write_bytes(visits[0].read_bytes())
    visit = VisitFile.open(copy)
    with visit.writing() as connection:
        for name, value in (("feeder length", -5.0), ("feeder velocity", 1e9)):
            connection.execute(
                "insert into entry (at_s, step, name, value, unit, words) values (1.0, 0, ?, ?, '', 'x')", (name, value)
            )
    sheet = Sheet(visit)
    assert sheet.value(LINES["feeder length"]) is None and sheet.velocity.value == 0.88
    with pytest.raises(RequestError, match="slip of the finger"):
        write(visit, LINES["transmitter noise"], "130")
    visit.close()


def test_a_feeder_is_swept_wide_whatever_the_site_and_the_analyzer() -> None:
    from tests.visit.stations import site

    plan = site("demo-450")
    assert first_sweep(plan, HookUp.parse("A>L")) == wide(plan)
    first = first_sweep(plan, HookUp.parse("antenna"))
    assert first.stop_hz - first.start_hz == pytest.approx(100e6)
    # 150 m to spare for a feeder of 100 m, in the slowest cable.
    assert 299_792_458.0 * 0.66 / 2.0 / first.step_hz > 150.0
    long = feeder_sweep(plan, None, 300.0)
    assert 299_792_458.0 * 0.66 / 2.0 / long.step_hz >= 450.0 and long.points == 401
