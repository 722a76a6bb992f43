"""A small whole visit, and hostile versions of it: every table has a row, every way out has something to show."""

from __future__ import annotations

import functools
import json
import sqlite3
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from protocol.errors import RequestError
from protocol.sweep import Applied, Sweep, SweepSettings
from rf.calibration.error_terms import ErrorTerms
from tests.benchtop import make_unit, take
from visit.calibration.stored_terms import terms_blob
from visit.day.day import Day
from visit.day.nudges import ledger
from visit.day.stages import differences, freeze, stages
from visit.figures.replay import Replay
from visit.figures.run_figures import RunFigures
from visit.figures.together import Together
from visit.record.owner import living
from visit.record.schema import SCHEMA_VERSION
from visit.record.soundness import layout
from visit.record.visit_file import VisitFile
from visit.report.archive import summary_rows
from visit.report.exports import export_visit
from visit.report.report import build_report
from visit.report.report_html import report_html
from visit.report.report_text import report_text
from visit.report.trend import points_of, trend_lines
from visit.run.watch import Watcher
from visit.site.hookup import HookUp
from visit.site.site import load_site

SITE = Path(__file__).parents[2] / "fixtures/sites/demo-450.toml"
POINTS, SWEEPS = 101, 3
BEGAN_S = 1_750_000_000.0
KIT = 'schema = 1\nname = "box"\n'
TIMED = (
    "insert into nudge values (1, 1750000100, 'L', 1, 'rod', 'in', 0.5, 1, 1, ?)",
    "insert into card values (1, 1750000000, 'bench', ?)",
)
FIGURE = {"value": 1000.0, "low": 900.0, "high": 1100.0}
CARD = {"schema": 1, "at_s": BEGAN_S, "floors": [{"floor_db": -80.0, "bandwidth_hz": 1000.0}]}


@functools.cache
def whole() -> bytes:
    """The file's bytes; made once."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "whole.visit"
        site = load_site(SITE)
        visit = VisitFile.create(path, site, "demo", BEGAN_S)
        span = (442.5e6, 462.5e6)
        settings = SweepSettings(*span, POINTS, 1000.0)
        analyzer = visit.add_analyzer("Bench analyzer 1", "scpi", "/dev/ttyX0", BEGAN_S)
        applied = Applied(settings, settings, ("took 101 points",))
        run = visit.begin_run("live", HookUp("A", "L"), applied, SWEEPS, analyzer, BEGAN_S)
        for number, sweep in enumerate(take(make_unit("U6"), span, SWEEPS, points=POINTS)):
            visit.add_sweep(
                run, Sweep(settings, sweep.frequency_hz, sweep.s11, sweep.s21, number, BEGAN_S + number, 0.5)
            )
        visit.end_run(run, "complete", BEGAN_S + 10)
        freeze(visit, "as found")
        visit.remark("note", "a word", BEGAN_S)
        day = Day(visit)
        day.skip(1, "nobody there")
        day.enter(1, next(iter(_asks(1))), "12")
        terms = ErrorTerms(np.linspace(*span, 11), *(np.full(11, value, complex) for value in (0, 0, 1, 0, 1, 0)))
        with visit.writing() as connection:
            connection.execute(TIMED[0], (json.dumps(dict.fromkeys(("before", "after", "moved"), FIGURE)),))
            connection.execute(TIMED[1], (json.dumps(CARD),))
            connection.execute(
                "insert into calibration values (1, ?, ?, 20.0, 1, 1, 1, 1, null, 1e-5, ?)",
                (BEGAN_S, KIT, terms_blob(terms)),
            )
            connection.execute(
                "insert into known_part values (1, ?, 1, 1, 'thru', 0, 0.01, -0.1, 0.1, 1, 'thru holds')", (BEGAN_S,)
            )
            connection.execute("insert into keeper values (1, ?, 2147483, 'gone', '/dev/ttyX0')", (BEGAN_S,))
            connection.execute("insert into handover values (1, ?, 1, 2147483)", (BEGAN_S,))
            connection.execute(
                "insert into look values (1, ?, 1, 3, 1, 'A>L as found', 1, 0.03, 60.0, null)", (BEGAN_S,)
            )
            connection.execute("insert into told_leak values (1, ?, 1e-5)", (BEGAN_S,))
            connection.execute("update stage set at_s = ?", (BEGAN_S + 11,))
            connection.execute("update step set at_s = ?", (BEGAN_S + 11,))
            connection.execute("update entry set at_s = ?", (BEGAN_S + 11,))
        visit.close()
        with sqlite3.connect(path) as raw:
            raw.execute("pragma journal_mode = delete")
        raw.close()
        return path.read_bytes()


def _asks(number: int) -> list[str]:
    from visit.day.day import STEPS

    return [ask.name for ask in STEPS[number - 1].asks] or [STEPS[0].title]


def changed(path: Path, *statements: str | tuple[str, tuple[Any, ...]], schema: bool = False) -> Path:
    """A copy of the whole visit at `path`, changed by SQL as somebody hostile would; `schema`: of the schema itself."""
    connection = sqlite3.connect(
        ":memory:"
    )  # nothing here needs to be safe on a disk, and a disk takes most of the time
    try:
        connection.deserialize(whole())
        if schema:
            connection.execute("pragma writable_schema = on")
        for statement in statements:
            text, values = (statement, ()) if isinstance(statement, str) else statement
            connection.execute(text, values)
        connection.commit()
        path.write_bytes(connection.serialize())
    finally:
        connection.close()
    return path


def _of(path: Path, way: Callable[[VisitFile], object]) -> None:
    visit = VisitFile.open(path, read_only=True)
    try:
        way(visit)
    finally:
        visit.close()


def _look_on(path: Path) -> None:
    with Watcher(path) as watcher:
        watcher.state()


def _reported(visit: VisitFile) -> None:
    report = build_report(visit)
    report_text(report)
    report_html(report)


def reported(path: Path) -> None:
    """Most of what a file holds stands in its report."""
    _of(path, _reported)


def every_way_out(path: Path, folder: Path) -> None:
    """All that the program does with a visit file that it is given, each by itself; raises the first refusal."""
    refused: RequestError | None = None
    for way in (
        lambda: reported(path),
        lambda: _of(path, stages),
        lambda: _of(path, lambda visit: Together(visit).lines()),
        lambda: _of(path, lambda visit: export_visit(visit, folder)),
        lambda: _of(path, lambda visit: (RunFigures(visit).earlier.fitted(HookUp("A", "L")), differences(visit))),
        lambda: trend_lines(points_of(path)),
        lambda: summary_rows(str(path)),
        lambda: _look_on(path),
    ):
        try:
            way()
        except RequestError as error:
            refused = refused or error
    if refused is not None:
        raise refused


def all_read(path: Path) -> None:
    """Everything of a file taken in, no figure made: fast enough for a fuzzer."""
    _of(path, taken_in)


def taken_in(visit: VisitFile) -> None:
    """Everything of an open visit, no figure made."""
    replay = Replay(visit)
    for run in replay.runs:
        visit.sweeps(run.id)
    day = Day(visit)
    day.states()
    for _, name, *_ in day.entries():
        day.value(name)
    ledger(visit)
    stages(visit)
    living(visit)


def with_bytes(data: bytes) -> bytes:
    """The whole visit with bytes changed: three bytes each, place and value."""
    file = bytearray(whole())
    for at in range(0, len(data) - 2, 3):
        place = int.from_bytes(data[at : at + 2], "little") * len(file) >> 16
        file[place] = data[at + 2]
    return bytes(file)


def with_value(path: Path, data: bytes) -> bool:
    """The whole visit with one value changed: column, kind, value; False when SQLite takes no such value."""
    columns = [(table, column) for table, columns in layout(SCHEMA_VERSION).items() for column in columns]
    if len(data) < 2:
        return False
    table, column = columns[data[0] % len(columns)]
    try:
        changed(path, (f"update {table} set {column} = ?", (value_of(data[1], data[2:]),)))
    except sqlite3.Error:
        return False
    return True


def value_of(kind: int, data: bytes) -> object:
    """A value for SQLite: nothing, a whole number, a number, a text, bytes."""
    if kind % 5 == 2:
        return float(np.frombuffer(data[:8].ljust(8, b"\0"), "<f8")[0])
    if kind % 5 == 1:
        return int.from_bytes(data[:8], "little", signed=True)
    return (None, None, None, data.decode("utf-8", errors="replace"), data)[kind % 5]
