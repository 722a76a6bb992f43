"""The whole visit in memory, changed and put back: a thousand hostile visits a second for the readers behind `open`.

Owns: one connection, on which all that a trial does stands in a transaction that is taken back; and that a site, a kit
or a calibration is read once, as long as nobody changes it. Refuses: what changes
of values can't change (the schema, the header, the pages) and what a file is needed for (locks, permissions): that is
`visits` and one input in many.
"""

from __future__ import annotations

import functools
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Literal

from tests.hostile.visits import value_of, whole
from visit.calibration import stored_calibration
from visit.record import owner, visit_file
from visit.record.opening import RecordError, damaged
from visit.record.schema import SCHEMA_VERSION
from visit.record.soundness import UnsoundError, bounded, check_rows, layout
from visit.record.visit_file import VisitFile

PATH = Path("memory.visit")
MOST_CHANGES = 4
PARTS = b"\x00\xff"
"""Between two changes of one input."""
READ_ONCE = tuple(
    (module, name, functools.lru_cache(64)(getattr(module, name)))
    for module, name in (
        (visit_file, "parse_site"), (stored_calibration, "parse_kit"), (stored_calibration, "terms_from"),
        (owner, "mark_of"),  # it reads /proc
    )
)  # fmt: skip
"""Half of an input's time; the same bytes give the same, which nobody changes, and what is refused is read again."""


class Undone(sqlite3.Connection):
    """Commits go into an outer transaction; it stays open until that is taken back."""

    def execute(self, statement: str, values: Any = (), /) -> sqlite3.Cursor:
        """As ever; a transaction is begun already."""
        return super().execute("select 1" if statement.startswith("begin") else statement, values)

    def __enter__(self) -> Undone:
        super().execute("savepoint one")
        return self

    def __exit__(self, kind: object, *_: object) -> Literal[False]:
        if kind is not None:
            super().execute("rollback to one")
        super().execute("release one")
        return False

    def close(self) -> None:
        """Not yet."""


@functools.cache
def _connection() -> Undone:
    made = sqlite3.connect(":memory:", isolation_level=None, cached_statements=1024, factory=Undone)
    made.deserialize(whole())
    bounded(made)
    return made


@functools.cache
def _columns() -> list[tuple[str, str]]:
    return [(table, column) for table, columns in layout(SCHEMA_VERSION).items() for column in columns]


@contextmanager
def changed_in_memory(data: bytes) -> Iterator[sqlite3.Connection]:
    """The visit with a few values changed; each: column, kind (from 5 on of one row only), value."""
    connection = _connection()
    sqlite3.Connection.execute(connection, "begin")
    try:
        for part in data.split(PARTS, MOST_CHANGES)[:MOST_CHANGES]:
            if len(part) < 2:
                continue
            table, column = _columns()[part[0] % len(_columns())]
            where = f" where rowid = (select max(rowid) from {table})" if part[1] % 10 > 4 else ""
            try:
                connection.execute(f"update {table} set {column} = ?{where}", (value_of(part[1], part[2:]),))
            except (sqlite3.Error, OverflowError):  # it takes no such value
                continue
        yield connection
    finally:
        connection.rollback()


def opened(connection: sqlite3.Connection, way: Callable[[VisitFile], object]) -> None:
    """What opening does with values, then the way. Raises RequestError."""
    before = [(module, name, getattr(module, name)) for module, name, _ in READ_ONCE]
    try:
        for module, name, once in READ_ONCE:
            setattr(module, name, once)
        _opened(connection, way)
    finally:
        for module, name, reader in before:
            setattr(module, name, reader)


def _opened(connection: sqlite3.Connection, way: Callable[[VisitFile], object]) -> None:
    try:
        check_rows(connection, SCHEMA_VERSION)
    except UnsoundError as error:
        raise damaged(PATH, error) from None
    except sqlite3.Error as error:
        raise RecordError(f"{PATH}: {error}") from None
    way(VisitFile(PATH, connection))
