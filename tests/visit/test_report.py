"""What leaves a visit: report, Touchstone, CSV, trend, archive. A reader without the program can check every number."""

from __future__ import annotations

import csv
import dataclasses
import io
import json
import math
import os
import re
import shutil
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest

from protocol.errors import RequestError
from protocol.sweep import SweepSettings
from rf.notch.nudge import Nudge
from rf.repeater.fault_distance import Echo
from rf.values.figure import Kind, cant_say, inferred
from rf.values.words import text
from tests.visit.stations import site, table
from visit.day.day import Day
from visit.day.nudges import lock_words, shift_words
from visit.day.stages import differences
from visit.figures.feeder import feeder_sight
from visit.figures.figures_json import assessment_data
from visit.figures.replay import Replay
from visit.record.visit_file import VisitFile
from visit.report.archive import ask, build, visit_files
from visit.report.exports import export_visit, plain_cell
from visit.report.report import build_report
from visit.report.report_html import report_html
from visit.report.report_text import report_text
from visit.report.trend import Point, drift_between, points_of, trend_lines
from visit.site.presets import wide, zoom
from visit.site.site import parse_site


@pytest.fixture(scope="module")
def visit_path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A visit to U6 with both sides, side to side, frozen before and after a screw was turned."""
    folder = tmp_path_factory.mktemp("visit")
    with table(folder, "demo-450", "U6", "--floor", "-85") as bench:
        bench.bench.say("turn L 1 -200kHz")
        settings = wide(bench.site)
        bench.measure("loads", settings, 30)
        for hookup in ("A>L", "A>H", "L>H"):
            bench.measure(hookup, settings, 20)
        bench.measure("antenna", SweepSettings(400e6, 500e6, 201, 1000.0), 5)
        bench.station.visit.freeze("as found")
        bench.bench.say("turn L 1 +200kHz")
        bench.measure("A>L", settings, 20)
        bench.measure("A>L", zoom(455e6, 244e3), 50)
        day = bench.station.visit.day()
        day.enter(2, "transmitter power", "50")
        day.enter(9, "power into duplexer", "50")
        day.enter(9, "power out of duplexer", "36.6")
        day.enter(9, "desense with load", "20")
        day.enter(1, "complaint", "=cmd|'/c calc'!A1 <script>alert(1)</script> \x1b[31mdeaf")
        day.skip(4, "no card yet")
        bench.station.visit.freeze("as left")
    return folder / "a.visit"


@pytest.fixture
def visit(visit_path: Path) -> Iterator[VisitFile]:
    visit = VisitFile.open(visit_path, read_only=True)
    yield visit
    visit.close()


class Page(HTMLParser):
    """Cells, tags and text of a page."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.cells: list[str] = []
        self.text = ""
        self._cell = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self._cell = tag == "td" or (self._cell and tag != "tr")
        if tag == "td":
            self.cells.append("")
        for name, value in attrs:
            assert name not in ("src", "href") and not name.startswith("on"), (name, value)

    def handle_endtag(self, tag: str) -> None:
        self._cell = self._cell and tag != "td"

    def handle_data(self, data: str) -> None:
        self.text += data
        if self._cell:
            self.cells[-1] += data


def test_numbers_of_the_page_are_the_files(visit: VisitFile) -> None:
    report = build_report(visit)
    page = Page()
    page.feed(report_html(report))
    for row in report.rows:
        for cell in (row.found, row.left):
            assert cell in page.cells
    replay = Replay(visit)
    newest = replay.all_figures()[0]
    assert text(newest.assessment.channels[0].transmission) in page.cells
    assert "script" not in page.tags and "alert(1)" in page.text and "\x1b" not in page.text
    # Transmission and match of both sides, side to side, the zoom of A>L; each curve ends where its floor begins.
    assert page.tags.count("svg") == 6 and page.tags.count("polyline") >= 8


def test_stages_say_what_was_measured_when(visit: VisitFile) -> None:
    report = build_report(visit)
    rows = {(row.hookup, row.name): row for row in report.rows}
    mine = rows["A>L", "rejection at 455.0000 MHz"]
    assert mine.found != mine.left and mine.left.startswith("AT LEAST")
    assert rows["A>H", "rejection at 450.0000 MHz"].left == "not measured"
    assert any("step 4" in line and "no card yet" in line for line in report.left_out)
    words = " ".join(report.computed)
    assert "loss by wattmeters 1.35 dB" in words or "loss by wattmeters 1.36 dB" in words
    assert "kHz" in words and "no promise" in words
    gained = " ".join(report.gains)
    assert "CONTRADICTION" in gained and "look elsewhere" in gained
    feeder = next(line for line in report.feeder if line.startswith("echo at"))
    echo = report_echo(visit)
    assert echo.level.kind is Kind.READING and text(echo.level) in feeder and text(echo.place) in feeder
    assert echo.place.low <= 60e-9 * 299_792_458.0 * 0.84 <= echo.place.high  # the bench's 60 ns of line, one way
    assert "not written down yet" in report.feeder[0] and "FEEDER AND ANTENNA" in report_text(report)
    assert "needed for 0.5 dB of desensitisation: INFERRED" in gained
    assert differences(visit) == []


def report_echo(visit: VisitFile) -> Echo:
    replay = Replay(visit)
    found = replay.assess(next(run for run in replay.runs if run.hookup.feeder))
    assert found is not None and found.echo is not None
    assert any(text(found.echo.place) in line for line in found.cautions)  # `check` prints these
    assert assessment_data(found)["echo"]["place"]["kind"] == "inferred"
    shown = feeder_sight(replay.figures_of).places[0].echo
    assert shown == found.echo  # one velocity everywhere
    return shown


def test_text_fits_a_page(visit: VisitFile) -> None:
    text = report_text(build_report(visit))
    assert max(map(len, text.splitlines())) <= 79
    assert "SHA-256" in text and "EVIDENCE OF THE FLOOR" in text and "proof below reading by" in text


@pytest.mark.skipif(shutil.which("chromium") is None, reason="no chromium on this machine")
def test_the_page_prints(visit: VisitFile, tmp_path: Path) -> None:
    """Headless Chromium: nothing is wider than the page, the PDF holds the text."""
    page = tmp_path / "report.html"
    page.write_text(report_html(build_report(visit)), encoding="utf-8")
    pdf = tmp_path / "report.pdf"
    subprocess.run(
        ["chromium", "--headless", "--no-sandbox", "--disable-gpu", f"--print-to-pdf={pdf}", f"file://{page}"],
        check=True, capture_output=True, timeout=50, env={**os.environ, "HOME": str(tmp_path)},
    )  # fmt: skip
    assert pdf.stat().st_size > 10_000
    if shutil.which("pdftotext"):
        text = subprocess.run(
            ["pdftotext", "-layout", str(pdf), "-"], check=True, capture_output=True, text=True
        ).stdout
        assert "Windmill Ridge" in text and "rejection at 455.0000" in text and "SHA-256" in text


def test_touchstone_reads_back_through_scikit_rf(visit: VisitFile, tmp_path: Path) -> None:
    from skrf import Network

    paths = export_visit(visit, tmp_path / "out")
    replay = Replay(visit)
    checked = 0
    for run in replay.runs:
        if run.hookup.name == "antenna":
            continue
        path = next(path for path in paths if path.name.startswith(f"run{run.id:03d}") and path.suffix == ".s2p")
        found = replay.figures_of.averaged(run)
        assert found is not None
        frequency, s11, s21 = found.frequency_hz, found.s11.mean, found.s21.mean
        network = Network(str(path))
        np.testing.assert_allclose(network.f, frequency, atol=1e-3)
        np.testing.assert_allclose(network.s[:, 0, 0], s11, rtol=1e-11, atol=1e-14)
        np.testing.assert_allclose(network.s[:, 1, 0], s21, rtol=1e-11, atol=1e-14)
        np.testing.assert_array_equal(network.s[:, 1, 1], 0)
        words = path.read_text()
        assert "S22 was not measured" in words or "S12 and S22 were not measured" in words
        assert path.stat().st_mode & 0o077 == 0
        checked += 1
    assert checked >= 6
    figures = json.loads((tmp_path / "out/figures.json").read_text())
    assert [stage["name"] for stage in figures["stages"]].count("as found") == 3
    with pytest.raises(RequestError, match="exists already"):
        export_visit(visit, tmp_path / "out")


def test_csv_holds_numbers_only(visit: VisitFile, tmp_path: Path) -> None:
    path = next(path for path in export_visit(visit, tmp_path / "out") if path.suffix == ".csv")
    rows = list(csv.reader(io.StringIO(path.read_text())))
    assert rows[0][0] == "frequency_hz" and all(re.fullmatch(r"-?[\d.e+-]*", cell) for row in rows[1:] for cell in row)
    assert plain_cell("=1+1") == "'=1+1" and plain_cell("@x\x1b[0m") == "'@x?[0m" and plain_cell("fine") == "fine"


def test_scenario_38_locking() -> None:
    """V6: +4 kHz by the lock nut: still 90; 40 kHz are not. Allowed are 14 kHz in common, 30 one cavity alone
    (study)."""
    held = inferred(14e3, 12e3, 16e3, "Hz"), inferred(30e3, 26e3, 34e3, "Hz")
    small, large = (inferred(hz, hz - 1e3, hz + 1e3, "Hz") for hz in (4e3, 40e3))
    words = lock_words(Nudge(small, small, small), *held, 90.0)
    assert "moved it by INFERRED +4.0" in words and "still 90 dB" in words
    assert "allowed INFERRED 14.0 ±2.0 kHz in common, INFERRED 30 ±4 kHz one cavity alone" in words
    assert "in danger" in lock_words(Nudge(large, large, large), *held, 90.0)
    unknown = lock_words(Nudge(small, small, small), cant_say("Hz", "no fit"), cant_say("Hz", "no fit"), 90.0)
    assert "how much is allowed: CAN'T SAY, no fit" in unknown and "still" not in unknown
    assert shift_words(inferred(20e3, 12.37e3, math.inf, "Hz")) == "INFERRED 12.3 kHz or more"


# Trend


def point(temperature: float, offset_hz: float, at_s: float = 0.0, half_hz: float = 200.0) -> Point:
    figure = inferred(offset_hz, offset_hz - half_hz, offset_hz + half_hz, "Hz")
    return Point("a", "Heron Tower", at_s, "L", 150.6e6, temperature, figure, figure, figure)


@pytest.mark.parametrize(("offset", "ppm", "says"), [(4.1e3, 1.2, "compensated"), (44e3, 17.0, "is a rod unlocked?")])
def test_scenario_37_thermal(offset: float, ppm: float, says: str) -> None:
    """21 C: mean zero +1 kHz; now 4 C: +4.1 kHz is 1.2 ppm/K, +44 kHz 17 ppm/K (V6)."""
    drift = drift_between(point(21.0, 1e3), point(4.0, offset))
    assert drift.ppm_per_k == pytest.approx(ppm, rel=0.05) and says in drift.says


def test_drift_within_the_uncertainty_and_without_temperatures() -> None:
    assert "within the uncertainty" in drift_between(point(20, 1e3), point(20, 1.2e3)).says
    assert drift_between(point(20, 1e3), point(21, 9e3)).ppm_per_k is None


def test_trend_over_files(visit_path: Path, tmp_path: Path) -> None:
    later = tmp_path / "b.visit"
    shutil.copy(visit_path, later)
    with sqlite3.connect(later) as connection:
        connection.execute("update run set at_s = at_s + 86400.0 * 365")
    connection.close()
    opened = VisitFile.open(later)
    Day(opened).enter(8, "temperature of the duplexer", "4")
    opened.close()
    lines = trend_lines([*points_of(visit_path), *points_of(later)])
    assert lines[0].startswith("Windmill Ridge, side L") and any("since the last visit" in line for line in lines)
    assert any(" 4 C" in line for line in lines)


# Archive


def small_visit(path: Path, number: int, source: VisitFile, cache: dict[str, list[tuple[object, ...]]]) -> None:
    """A synthetic visit with three sweeps of one side, shifted a little: fast to make by the thousand."""
    made = parse_site(source.site().source.replace("Windmill Ridge", f"Hill {number % 50}"), path)
    visit = VisitFile.create(path, made, "synthetic", 1e9 + 86400.0 * number)
    with visit.writing() as connection:
        run = cache["run"][0]
        connection.execute(
            f"insert into run values ({', '.join('?' * len(run))})", (run[0], 1e9 + 86400.0 * number, None, *run[3:])
        )
        connection.executemany("insert into grid values (?, ?, ?)", cache["grid"])
        connection.executemany(f"insert into sweep values ({', '.join('?' * len(cache['sweep'][0]))})", cache["sweep"])
        warm = 5.0 + number % 20
        connection.execute(
            "insert into entry (at_s, step, name, value, unit, words) values (?, 8, ?, ?, 'C', ?)",
            (1e9, "temperature of the duplexer", warm, str(warm)),
        )
    visit.close()


def pieces(visit: VisitFile, sweeps: int) -> dict[str, list[tuple[object, ...]]]:
    run = next(run for run in visit.runs() if run.hookup.name == "A>L")
    rows = visit.rows("select * from sweep where run_id = ? order by id limit ?", (run.id, sweeps))
    return {
        "run": visit.rows("select * from run where id = ?", (run.id,)),
        "grid": visit.rows("select * from grid where id = ?", (rows[0][5],)),
        "sweep": rows,
    }


def test_an_archive_is_built_asked_and_brought_up_to_date(visit: VisitFile, tmp_path: Path) -> None:
    cache = pieces(visit, 3)
    for number in range(12):
        small_visit(tmp_path / f"{number:04d}.visit", number, visit, cache)
    (tmp_path / "broken.visit").write_bytes(b"not a database")
    seen: list[tuple[int, int]] = []
    assert build(tmp_path, progress=lambda done, of: seen.append((done, of))) == 13
    assert seen[-1] == (13, 13)
    assert build(tmp_path) == 0
    names, rows = ask(tmp_path, "worst")
    assert names[:4] == ["site", "side", "kind", "rejection_db"] and len(rows) == 12
    assert all(str(row[-1]) > "2001-09-08" for row in rows)  # a date, 1e9 s and later
    assert ask(tmp_path, "faults")[1][0][0].endswith("broken.visit")
    (tmp_path / "0003.visit").unlink()
    os.utime(tmp_path / "0004.visit", (2e9, 2e9))
    assert build(tmp_path) == 1
    assert ask(tmp_path, "select count(*) from visits where fault = ''")[1] == [(11,)]
    assert len(visit_files(tmp_path)) == 12
    for question, says in (("drop table visits", "nor one SELECT"), ("select nonsense", "can't answer"),
                           ("select * from read_csv('/etc/passwd')", "can't answer")):  # fmt: skip
        with pytest.raises(RequestError, match=says):
            ask(tmp_path, question)


@pytest.mark.timeout(120)
@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize("where", ["local", "cluster"])
def test_two_workers_give_the_same_table(visit: VisitFile, tmp_path: Path, where: str) -> None:
    cache = pieces(visit, 3)
    here, there = tmp_path / "here", tmp_path / "there"
    for folder in (here, there):
        folder.mkdir()
    for number in range(6):
        small_visit(here / f"{number:04d}.visit", number, visit, cache)
        shutil.copy2(here / f"{number:04d}.visit", there / f"{number:04d}.visit")
    words = "from visit.report.archive import build; from pathlib import Path; import sys"
    run = f"{words}\nif __name__ == '__main__': print(build(Path(sys.argv[1]), 'local'))"
    if where == "cluster":
        run = f"""{words}; from distributed import LocalCluster
if __name__ == '__main__':
    with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster:
        print(build(Path(sys.argv[1]), cluster.scheduler_address))"""
    done = subprocess.run(
        [sys.executable, "-c", run, str(there)],
        check=True, capture_output=True, text=True, timeout=100, env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},
    )  # fmt: skip
    assert done.stdout.strip() == "6"
    build(here)
    question = (
        "select site, side, rejection_kind, rejection_db, notch_offset_hz, loss_db from visits order by path, side"
    )
    assert ask(here, question) == ask(there, question)


def test_no_scheduler_is_one_line(visit: VisitFile, tmp_path: Path) -> None:
    """In a process of its own: the library's event loop outlives a client that finds nobody."""
    small_visit(tmp_path / "a.visit", 0, visit, pieces(visit, 1))
    impatient = "import sys, tui.cli, visit.report.archive as archive; archive.SCHEDULER_ANSWERS_S = 1.0"
    run = f"{impatient}; sys.exit(tui.cli.main(sys.argv[1:]))"
    words = [sys.executable, "-c", run, "archive", str(tmp_path), "--build", "--scheduler", "tcp://127.0.0.1:9"]
    done = subprocess.run(words, capture_output=True, text=True, timeout=50, check=False)
    assert done.returncode == 2 and "no Dask scheduler answers" in done.stderr.splitlines()[-1]


@pytest.mark.long
@pytest.mark.timeout(1800)
def test_two_thousand_visits(visit: VisitFile, tmp_path: Path) -> None:
    """After the first build a question over 2,000 visits takes under two seconds."""
    cache = pieces(visit, 2)
    for number in range(2000):
        small_visit(tmp_path / f"{number:04d}.visit", number, visit, cache)
    began = time.monotonic()
    assert build(tmp_path) == 2000
    built = time.monotonic() - began
    began = time.monotonic()
    assert build(tmp_path) == 0
    fresh = time.monotonic() - began
    began = time.monotonic()
    _, rows = ask(tmp_path, "worst")
    asked = time.monotonic() - began
    print(f"build {built:.1f} s, nothing new {fresh:.2f} s, question {asked:.2f} s")
    assert len(rows) == 20 and asked < 2.0


def test_site_names_are_kept_apart() -> None:
    assert dataclasses.replace(site("demo-450"), name="x").name == "x"
