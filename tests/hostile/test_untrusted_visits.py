"""An untrusted visit file: whatever stands in it, every way out does its work or ends in one line."""

from __future__ import annotations

import sqlite3
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.hostile.oracle import memory_for, outcome
from tests.hostile.visits import POINTS, SITE, changed, every_way_out, reported, whole
from tests.visit.test_recorded import write_s2p
from tui.cli import main
from tui.commands.exit_status import ExitStatus
from visit.day.stages import stages
from visit.record.schema import SCHEMA_VERSION
from visit.record.soundness import layout
from visit.record.visit_file import VisitFile

quick = settings(max_examples=15, suppress_health_check=[HealthCheck.function_scoped_fixture])
COLUMNS = [(table, column) for table, columns in layout(SCHEMA_VERSION).items() for column in columns]


def opened(path: Path) -> str:
    def call() -> None:
        VisitFile.open(path, read_only=True).close()

    return outcome(call)


def test_the_whole_visit_is_taken(tmp_path: Path) -> None:
    path = changed(tmp_path / "a.visit")
    every_way_out(path, tmp_path / "out")
    assert path.read_bytes() == whole()


@pytest.mark.parametrize("version", [1, 2, 3])
def test_a_layout_of_each_version(version: int, tmp_path: Path) -> None:
    """A file of an earlier version is told from one that only says so."""
    assert "which no visit has" in opened(changed(tmp_path / "a.visit", f"pragma user_version = {version}"))


LIES = {
    "a view without end": (
        "drop table remark",
        "create view remark as with recursive r(id) as (select 1 union all select id + 1 from r)"
        " select id, 0.0 as at_s, '' as kind, '' as words from r",
    ),
    "a trigger": ("create trigger t after insert on remark begin delete from sweep; end",),
    "an index": ("create index i on remark (abs(at_s))",),
    "a table too many": ("create table more (x)",),
    "a search table": ("create virtual table search using fts5(words)",),
    "a column too many": ("alter table run add column more text",),
    "a computed column": ("alter table run add column more text as (hex(id)) virtual",),
    "no remarks": ("drop table remark",),
    "a check": (
        "drop table remark",
        "create table remark (id integer primary key, at_s real not null, kind text not null,"
        " words text not null check (length(randomblob(900000000)) > 0))",
    ),
    "a default that computes": (
        "drop table remark",
        "create table remark (id integer primary key, at_s real not null, kind text not null,"
        " words text not null default (hex(randomblob(9))))",
    ),
    "a newer version": ("pragma user_version = 99",),
    "version nought": ("pragma user_version = 0",),
    "a negative version": ("pragma user_version = -3",),
    "an earlier version": ("pragma user_version = 2",),
    "another program": ("pragma application_id = 7",),
}


@pytest.mark.parametrize("statements", LIES.values(), ids=LIES.keys())
@pytest.mark.parametrize("read_only", [True, False])
def test_a_schema_that_lies_is_refused(tmp_path: Path, statements: tuple[str, ...], read_only: bool) -> None:
    """Before one statement runs over it, and before one byte of it is written."""
    path = changed(tmp_path / "a.visit", *statements)
    before = path.read_bytes()
    for glance in (False, True):
        with pytest.raises(Exception, match=r"damaged|version|not a visit"):
            VisitFile.open(path, read_only=read_only, glance=glance)
    assert path.read_bytes() == before


def test_a_table_that_leads_in_circles_is_refused(tmp_path: Path) -> None:
    """Every page of the file that is the inner page of a tree leads to itself."""
    path = changed(tmp_path / "a.visit")
    data = bytearray(path.read_bytes())
    page = int.from_bytes(data[16:18], "big")
    for number in range(len(data) // page):
        head = number * page + (100 if number == 0 else 0)
        if data[head] in (2, 5):
            data[head + 8 : head + 12] = (number + 1).to_bytes(4, "big")
    path.write_bytes(bytes(data))
    assert opened(path)


ARRAYS: dict[str, tuple[str, Any]] = {
    "cut": ("update sweep set s21 = substr(s21, 1, 100) where id = 2", ()),
    "empty": ("update sweep set s11 = x''", ()),
    "a text": ("update sweep set s11 = ?", ("x" * POINTS * 16,)),
    "not a number": ("update sweep set s21 = ? where id = 1", (np.full(POINTS, np.nan + 0j).tobytes(),)),
    "endless": ("update sweep set s21 = ? where id = 1", (np.full(POINTS, np.inf + 0j).tobytes(),)),
    "huge numbers": ("update sweep set s21 = ? where id = 1", (np.full(POINTS, 1e300 + 0j).tobytes(),)),
    "frequencies that fall": ("update grid set frequency_hz = ?", (np.linspace(2e6, 1e6, POINTS).tobytes(),)),
    "frequencies that are none": ("update grid set frequency_hz = ?", (np.full(POINTS, np.nan).tobytes(),)),
    "negative frequencies": ("update grid set frequency_hz = ?", (np.linspace(-2e6, 1e6, POINTS).tobytes(),)),
    "one point more": ("update grid set frequency_hz = ?", (np.linspace(1e6, 2e6, POINTS + 1).tobytes(),)),
    "no grid": ("delete from grid", ()),
    "a large text": ("update remark set words = ?", ("x" * 3_000_000,)),
    "a large array": ("update sweep set s11 = zeroblob(40000000) where id = 1", ()),
    "a million points": ("update run set points = 9000000000000000000", ()),
    "no calibration run": ("delete from run", ()),
    "no site": ("delete from site", ()),
    "another calibration": ("update calibration set terms = zeroblob(100)", ()),
}


@pytest.mark.parametrize("name", ARRAYS)
def test_arrays_that_lie_about_their_size_are_refused(tmp_path: Path, name: str) -> None:
    path = changed(tmp_path / "a.visit", ARRAYS[name])
    assert memory_for(lambda: every_way_out(path, tmp_path / "out")) < 100e6
    assert "damaged" in outcome(lambda: every_way_out(path, tmp_path / "out2"))


MANY = "with recursive n(x) as (select 100 union all select x + 1 from n where x < {last}) "
ROWS = {
    "stages": MANY + "insert into stage select x, 1750000011, 'as left', 'A>L', '1', '{{}}' from n",
    "runs": MANY + "insert into run select x, at_s, analyzer_id, purpose, driven, read, third, path, calibration_id,"
    " start_hz, stop_hz, points, bandwidth_hz, level_dbm, changes, planned_sweeps, watched, ended_s, outcome"
    " from run, n",
    "remarks": MANY + "insert into remark select x, 1, 'port', '' from n",
}  # fmt: skip


@pytest.mark.parametrize("name", ROWS)
def test_tables_without_end_are_refused(tmp_path: Path, name: str) -> None:
    path = changed(tmp_path / "a.visit", ROWS[name].format(last=25_000))
    assert "rows" in opened(path)


values = st.one_of(
    st.none(),
    st.integers(-(2**63), 2**63 - 1),
    st.floats(allow_nan=False),
    st.text(max_size=40).filter(lambda text: max(text, default="") < "\ud800" or max(text) > "\udfff"),
    st.binary(max_size=40),
    st.sampled_from(["[" * 3000, '{"moved": {"value": "x"}}', "{}", "[1]", '{"a": 1e999}', "A>L pad2=nan", "loads"]),
)


@quick
@given(st.sampled_from(COLUMNS), values)
def test_a_value_of_any_kind_in_any_column(tmp_path: Path, place: tuple[str, str], value: object) -> None:
    table, column = place
    try:
        path = changed(tmp_path / "a.visit", (f"update {table} set {column} = ?", (value,)))
    except (sqlite3.Error, UnicodeEncodeError):
        return  # what SQLite itself does not take
    for old in tmp_path.glob("out/*"):
        old.unlink()
    outcome(lambda: every_way_out(path, tmp_path / "out"))


@settings(quick, max_examples=15)
@given(st.lists(st.tuples(st.floats(0, 1, exclude_max=True), st.integers(0, 255)), min_size=1, max_size=30))
def test_bytes_that_were_changed(tmp_path: Path, changes: list[tuple[float, int]]) -> None:
    data = bytearray(whole())
    for place, byte in changes:
        # Half of them in the first pages: there stands the schema.
        data[int(place * len(data) if byte & 1 else place * 8192)] = byte
    path = tmp_path / "a.visit"
    path.write_bytes(bytes(data))
    for old in tmp_path.glob("out/*"):
        old.unlink()
    outcome(lambda: every_way_out(path, tmp_path / "out"))


@quick
@given(st.integers(0, 1 << 17))
def test_a_file_that_was_cut(tmp_path: Path, length: int) -> None:
    path = tmp_path / "a.visit"
    path.write_bytes(whole()[:length])
    if length < len(whole()):
        assert opened(path)


FOUND = [
    ("stage", "hookup", "[" * 5000),
    ("stage", "run_ids", ""),
    ("stage", "run_ids", "1 x"),
    ("stage", "figures", "[" * 5000),
    ("stage", "figures", '{"channels": 1e999}'),
    ("nudge", "figures", '{"moved": {"value": "x", "low": 1, "high": 2}}'),
    ("nudge", "figures", "{}"),
    ("card", "json", '{"floors": 3, "at_s": "x"}'),
    ("card", "json", "no JSON"),
    ("step", "number", 99),
    ("step", "number", 41),
    ("entry", "value", -5.0),
    ("run", "third", "x"),
    ("run", "driven", "[" * 5000),
    ("run", "at_s", 1e300),
    ("known_part", "low_db", 3.0),
    ("site", "toml", "a = " + "[" * 5000),
    ("site", "toml", "a = " + "9" * 5000),
    ("calibration", "kit", "a = " + "{a = " * 500),
]


@pytest.mark.parametrize(("table", "column", "value"), FOUND, ids=range(len(FOUND)))
def test_values_that_do_not_fit_their_place(tmp_path: Path, table: str, column: str, value: object) -> None:
    path = changed(tmp_path / "a.visit", (f"update {table} set {column} = ?", (value,)))
    outcome(lambda: reported(path))


def test_a_frozen_stage_without_its_keys_is_told(tmp_path: Path) -> None:
    path = changed(tmp_path / "a.visit", "update stage set figures = '{}'")
    every_way_out(path, tmp_path / "out")
    visit = VisitFile.open(path, read_only=True)
    assert stages(visit)[0].figures == {}
    visit.close()


SAME = "update sweep set s21 = (select s21 from sweep where id = 1), s11 = (select s11 from sweep where id = 1)"
NONE = "update sweep set s21 = zeroblob(1616), s11 = zeroblob(1616)"
ALONE = ("loads", "thru", "short", "open", "load", "antenna")
BENCHES = {
    "the same sweep": (SAME,),
    "nothing": (NONE,),
    "one sweep": ("delete from sweep where id > 1",),
    "pads and an amplifier": ("update run set path = 'amp=60 pad1=60 pad2=60 jumper=half'",),
    "a calibration too coarse": ("update run set calibration_id = 1",),
    **{f"{name}": (f"update run set driven = '{name}', read = '{name}', third = ''",) for name in ALONE},
    **{f"{name}, none": (f"update run set driven = '{name}', read = '{name}', third = ''", NONE) for name in ALONE},
    "side to side": ("update run set driven = 'L', read = 'H'",),
}


@pytest.mark.parametrize("name", BENCHES)
def test_sweeps_that_no_bench_gives(tmp_path: Path, name: str) -> None:
    path = changed(tmp_path / "a.visit", *BENCHES[name])
    outcome(lambda: every_way_out(path, tmp_path / "out"))


def test_the_same_recorded_sweep_twice_is_one_line(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    write_s2p(tmp_path / "a.s2p")
    words = ["read", *[str(tmp_path / "a.s2p")] * 2, "--site", str(SITE)]
    assert main(words) == ExitStatus.USAGE
    assert "a copy of a sweep holds no new noise" in capfd.readouterr().err
