"""Is a visit file what it says it is? A file may be untrusted: looked at before one figure is made of it.

Owns: comparing tables and columns with `visit.record.schema`, the kinds and ranges of what stands in them, the limits
under which SQLite works on the file. Refuses: to mend anything, and views, triggers, indexes, checks and generated
columns: each would run what somebody wrote whenever the file is read or written to.
"""

from __future__ import annotations

import functools
import re
import sqlite3
import time
from dataclasses import dataclass

from visit.record.schema import ADDED, SCHEMA

LARGEST_VALUE = 32 << 20
"""Bytes of one array or text; a million points take 16 million."""
LONGEST_TEXT = 1 << 20
MOST_POINTS = 1_000_000
"""More points than any sweep that an analyzer's profile may allow."""
MOST_ROWS = {"sweep": 1_000_000, "grid": 1_000_000, "run": 20_000, "stage": 1000, "calibration": 1000}
MOST_OTHER_ROWS = 20_000
"""Rows of a table; a long visit has some hundred runs. Times of a report go with their products."""
YEAR_10000 = 253_402_300_799.0
PATIENCE_S = 30.0
"""One step of the checks takes this long at most: tables that lead in circles come to an end. A gigabyte takes ten."""
STEPS = 200_000
"""Steps of SQLite's machine between two looks at the clock."""

RANGES = {
    "points": (2, MOST_POINTS),
    "planned_sweeps": (0, 10**9),
    "sequence": (0, 10**12),
    "number": (1, 99),
    "step": (0, 99),
    "cavity": (1, 99),
    "pid": (0, 2**31),
    "good": (0, 1),
    "watched": (0, 1),
    "sweeps": (1, 10**9),
    "nth_run": (1, 10**6),
    "chance": (0.0, 0.05),
    "bound_db": (-300.0, 300.0),
    "leakage": (0.0, 1e6),
    "amplitude": (0.0, 1.0),
    "duration_s": (0.0, 1e6),
    "temperature_c": (-273.15, 1000.0),
    "isolation_limit": (0.0, 1e6),
}
"""By name of the column; times (`*_s`) lie between 1970 and the year 9999, other numbers within a billion billions."""
TIMES = ("at_s", "created_s", "started_s", "ended_s")
_WORDS = re.compile(r"\b(check|collate|generated|virtual|using)\b|/\*|\bas\s*\(", re.IGNORECASE)
_COMMENT = re.compile(r"--[^\n]*")


def verdict_of(connection: sqlite3.Connection) -> str:
    """What SQLite says of every page of a file: `ok`, or the first fault. Raises sqlite3.Error."""
    return str(connection.execute("pragma quick_check(1)").fetchone()[0])


class UnsoundError(Exception):
    """What is wrong with a file, in a few words."""


@dataclass(frozen=True, slots=True)
class Column:
    """One column as the schema has it."""

    name: str
    kind: str
    required: bool
    default: str | None


Layout = dict[str, dict[str, Column]]


@functools.cache
def layout(version: int) -> Layout:
    """Tables and columns of a version."""
    connection = sqlite3.connect(":memory:")
    try:
        connection.executescript(SCHEMA)
        tables = [str(name) for (name,) in connection.execute("select name from sqlite_schema where type = 'table'")]
        found = {name: _columns(connection, name) for name in tables}
    finally:
        connection.close()
    for since, things in ADDED.items():
        for thing in things if version < since else ():
            table, dot, column = thing.partition(".")
            if dot:
                del found[table][column]
            else:
                del found[table]
    return found


def _columns(connection: sqlite3.Connection, table: str) -> dict[str, Column]:
    quoted = table.replace('"', '""')
    found = {}
    for _, name, kind, required, default, key, hidden in connection.execute(f'pragma table_xinfo("{quoted}")'):
        if hidden:
            raise UnsoundError(f"table {table} computes its column {name}")
        found[str(name)] = Column(str(name), str(kind).lower(), bool(required) or bool(key), default)
    return found


def bounded(connection: sqlite3.Connection) -> None:
    """Limits for all that is done with a file from now on."""
    connection.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, LARGEST_VALUE)
    connection.setlimit(sqlite3.SQLITE_LIMIT_ATTACHED, 0)
    connection.execute("pragma trusted_schema = off")
    connection.execute("pragma cell_size_check = on")


def patient(connection: sqlite3.Connection, patience_s: float | None = PATIENCE_S) -> None:
    """SQLite gives up (`interrupted`) when the statements from now on take longer together; None: no limit any more."""
    if patience_s is None:
        connection.set_progress_handler(None, STEPS)
        return
    until = time.monotonic() + patience_s
    connection.set_progress_handler(lambda: int(time.monotonic() > until), STEPS)


def check_schema(connection: sqlite3.Connection, version: int) -> None:
    """Raises UnsoundError when the file holds other tables or columns than a visit of that version. To be called before
    anything else is read or written."""
    wanted = layout(version)
    found: Layout = {}
    for kind, name, sql in connection.execute("select type, name, sql from sqlite_schema"):
        if kind == "index" and str(name).startswith("sqlite_autoindex_") and sql is None:
            continue
        if kind == "table" and name in ("sqlite_sequence", "sqlite_stat1", "sqlite_stat4"):
            continue
        if kind != "table" or name not in wanted or not isinstance(sql, str):
            raise UnsoundError(f"it holds the {kind} {name}, which no visit has")
        if _WORDS.search(_COMMENT.sub("", sql)):
            raise UnsoundError(f"table {name} is made in another way than that of a visit")
        found[name] = {}
    for name in found:
        found[name] = _columns(connection, name)
    if found != wanted:
        wrong = next(name for name in (*wanted, *found) if found.get(name) != wanted.get(name))
        raise UnsoundError(f"table {wrong} is missing or has other columns than that of a visit")


def check_rows(connection: sqlite3.Connection, version: int) -> None:
    """Raises UnsoundError for the first value of a wrong kind or size, and for sweeps that do not fit their points."""
    for table, count, statement in _questions(version):
        most = MOST_ROWS.get(table, MOST_OTHER_ROWS)
        if connection.execute(count).fetchone()[0] > most:
            raise UnsoundError(f"table {table} has more than {most} rows")
        for row, column in connection.execute(statement):
            raise UnsoundError(f"table {table}, row {row}: {column} holds what can't stand there")
    for what, statement in _RELATIONS:
        if version < _SINCE.get(what, 1):
            continue
        for (row,) in connection.execute(statement):
            raise UnsoundError(f"{what} {row}")


@functools.cache
def _questions(version: int) -> list[tuple[str, str, str]]:
    """Each table, the question how many rows it has (one more than there may be at most), and that for a wrong one."""
    found = []
    for table, columns in layout(version).items():
        most = MOST_ROWS.get(table, MOST_OTHER_ROWS)
        count = f"select count(*) from (select 1 from {table} limit {most + 1})"  # noqa: S608
        cases = " ".join(f"when not ({_sound(column)}) then '{column.name}'" for column in columns.values())
        wrong = f"select rowid, case {cases} end as wrong from {table} where wrong is not null limit 1"  # noqa: S608
        found.append((table, count, wrong))
    return found


_RELATIONS = (
    (
        "the arrays are not of one length in sweep",
        "select sweep.id from sweep left join grid on grid.id = grid_id where frequency_hz is null"
        " or length(frequency_hz) % 8 or length(frequency_hz) < 16 or length(s11) != 2 * length(frequency_hz)"
        " or length(s21) != 2 * length(frequency_hz) limit 1",
    ),
    (
        "there is no run of the short for calibration",
        "select id from calibration where short_run not in (select id from run) limit 1",
    ),
    ("there is no site, or no maker:", "select count(*) from site having count(*) = 0"),
)
_SINCE = {"there is no run of the short for calibration": 2}


def _sound(column: Column) -> str:
    """SQL that is true where a value may stand in a column."""
    name = f'"{column.name}"'
    low, high = RANGES.get(column.name, (-1e18, 1e18))
    if column.name in TIMES:
        low, high = 0.0, YEAR_10000
    sound = {
        "integer": f"typeof({name}) = 'integer' and {name} between {low:.0f} and {high:.0f}",
        "real": f"typeof({name}) in ('real', 'integer') and {name} between {low!r} and {high!r}",
        "text": f"typeof({name}) = 'text' and length(cast({name} as blob)) <= {LONGEST_TEXT}",
        "blob": f"typeof({name}) = 'blob'",
    }[column.kind]
    return f"ifnull({sound}, 0)" if column.required else f"({name} is null or ifnull({sound}, 0))"
