"""A connection to one SQLite file that is shared by threads: transactions, questions, faults told with the file's name.

Owns: the lock, what becomes of a fault of SQLite, bringing what was committed into the file. Refuses: to know tables.
"""

from __future__ import annotations

import contextlib
import sqlite3
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

from visit.record.opening import Reader, RecordBusyError, RecordError, RecordMachineError
from visit.record.place import Place

Tell = Callable[[str, int, int], None]
"""Hears what is being read, how much of it is done, and how much there is."""


class Database:
    """One open file. Usable from several threads, one statement at a time."""

    def __init__(
        self, path: Path, connection: sqlite3.Connection, reader: Reader | None = None, tell: Tell = lambda *_: None
    ) -> None:
        self.path, self.tell = path, tell
        self._connection, self._reader = connection, reader
        self._place = Place(path)
        self._lock = threading.RLock()  # a question may be part of a transaction

    def close(self) -> None:
        """Close the file; harmless when closed already."""
        with self._lock:
            self._connection.close()
            if self._reader is not None:
                self._reader.clear()

    def settle(self) -> None:
        """Bring what was committed into the file itself, so that whoever copies it alone has all of it. What a reader
        in another process still looks at stays beside it until later."""
        with self._lock, contextlib.suppress(sqlite3.Error):  # nothing is lost: it stays in the log
            self._connection.execute("pragma wal_checkpoint(truncate)").fetchone()

    def copy_into(self, copy: sqlite3.Connection, pages: int, tell: Callable[[int, int], None]) -> None:
        """All of the file as it stands now, so many pages at a time; raises sqlite3.Error of the copy."""
        with self._lock:
            self._connection.execute("begin")  # one moment: what is committed meanwhile does not begin it anew
            try:
                self._connection.execute("select count(*) from sqlite_master").fetchone()
                self._connection.backup(copy, pages=pages, progress=lambda _, left, of: tell(of - left, of))
            finally:
                self._connection.rollback()

    @contextmanager
    def writing(self) -> Iterator[sqlite3.Connection]:
        """One transaction. Any SQLite fault becomes a RecordError naming the file; nothing half-written stays. So does
        that the file no longer stands under its name."""
        with self._lock:
            self._place.check(self._connection)
            try:
                with self._connection:
                    yield self._connection
            except sqlite3.Error as error:
                code = getattr(error, "sqlite_errorcode", 0) & 0xFF
                if code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
                    raise RecordBusyError(
                        f"{self.path}: another process is in the midst of writing and does not go on; end it, then try"
                        " again: what was committed stands"
                    ) from None
                full = code in (sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR)
                raise (RecordMachineError if full else RecordError)(
                    f"{self.path}: could not be written ({error}); free space or check the folder, earlier rows stand"
                ) from None

    def rows(self, statement: str, values: tuple[object, ...] = ()) -> list[tuple[object, ...]]:
        """All rows of a question. Raises RecordError."""
        with self._lock:
            try:
                return self._connection.execute(statement, values).fetchall()
            except sqlite3.Error as error:
                raise RecordError(f"{self.path}: could not be read ({error}); work on the second copy") from None

    def add_row(self, table: str, values: Mapping[str, object]) -> int:
        """Add one row to a table of the schema (column: value); returns its number."""
        columns, marks = ", ".join(values), ", ".join(f":{name}" for name in values)
        with self.writing() as connection:
            row = connection.execute(f"insert into {table} ({columns}) values ({marks})", values).lastrowid  # noqa: S608
        assert row is not None
        return row
