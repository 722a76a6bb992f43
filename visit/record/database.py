"""A connection to one SQLite file that is shared by threads: transactions, questions, faults told with the file's name.

Owns: the lock, what becomes of a fault of SQLite, bringing what was committed into the file, going on in another file
when somebody spoils it. Refuses: to know tables.
"""

from __future__ import annotations

import contextlib
import sqlite3
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

from visit.record.opening import (
    DAMAGE,
    Connection,
    Reader,
    RecordBusyError,
    RecordError,
    RecordFullError,
    RecordMachineError,
    connect,
    error_kind,
    for_writing,
)
from visit.record.place import GONE, Place, rescued_words
from visit.record.second import SecondCopy

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
        self._moved_words, self._closed_words = "", ""
        self.lost = False
        """Whether the file was spoiled and nothing is left to go on with."""
        self._lock = threading.RLock()  # a question may be part of a transaction

    def close(self) -> None:
        """Close the file; harmless when closed already."""
        with self._lock:
            self._place.mend_index()
            self._connection.close()
            if self._reader is not None:
                self._reader.clear()

    def settle(self) -> None:
        """Bring what was committed into the file itself, so that whoever copies it alone has all of it. What a reader
        in another process still looks at stays beside it until later."""
        with self._lock, contextlib.suppress(sqlite3.Error):  # nothing is lost: it stays in the log
            self._place.mend_index()
            self._connection.execute("pragma wal_checkpoint(truncate)").fetchone()
            self._place.written()

    def copy_into(self, copy: sqlite3.Connection, pages: int, tell: Callable[[int, int], None]) -> None:
        """All of the file as it stands now, so many pages at a time; raises sqlite3.Error of the copy."""
        with self._lock:
            self._connection.execute("begin")  # one moment: what is committed meanwhile does not begin it anew
            try:
                self._connection.execute("select count(*) from sqlite_master").fetchone()
                self._connection.backup(copy, pages=pages, progress=lambda _, left, of: tell(of - left, of))
            finally:
                self._connection.rollback()

    @property
    def file_words(self) -> str:
        """What somebody else did to the file while it was open, and what to do; empty: nothing."""
        return self._moved_words or self._closed_words

    def keep_second(self) -> None:
        """From now on there is a second copy, until it can't follow or the file is closed."""
        with self._lock:
            connection, second = self._connection, self._second
            if not isinstance(connection, Connection) or (second is not None and second.of_today(connection)):
                return
            if second is not None:
                second.drop()
            connection.second = SecondCopy(connection)

    @property
    def _second(self) -> SecondCopy | None:
        return self._connection.second if isinstance(self._connection, Connection) else None

    def look_after(self) -> None:
        """Look whether the file is still what it was; when not, go on in another one with all that was kept, and
        `file_words` says so. Raises RecordMachineError where nothing is left to go on with."""
        with self._lock:
            if self.lost:
                raise RecordMachineError(self.file_words)
            self._place.mend_index()
            if self._connection.in_transaction:
                return
            second = self._second
            fault = self._place.fault(every_page=second is not None and second.whole)
            if fault:
                self._go_on_elsewhere(fault)
                return
            self._closed_words = self._place.closed_words()
            if second is not None and second.whole and not second.of_today(self._connection):
                self.keep_second()

    def _go_on_elsewhere(self, fault: str) -> None:
        second = self._second
        sources = [self._connection] if fault is GONE else []
        if second is not None and second.whole:
            sources.append(second.connection)
        found = self._place.rescued(sources)
        self._moved_words = rescued_words(self.path, fault, found, second)
        if found is None:
            self.lost = True
            raise RecordMachineError(self._moved_words)
        made = connect(found, "mode=rw")
        for_writing(made)
        if fault is GONE:
            self._place.clear_beside()
        self._place.mend_index()
        self._connection.close()
        self._connection, self.path, self._place = made, found, Place(found)
        if second is not None:
            self.keep_second()

    def went_elsewhere(self) -> bool:
        """After a fault of SQLite: True when it was of a file that somebody spoiled and all that was kept is in another
        one now, so that what failed can be done again there. Raises RecordMachineError where nothing is left."""
        with self._lock:
            if not self._place.spoiled or self._connection.in_transaction:
                return False
            self.look_after()
            return True

    @contextmanager
    def writing(self) -> Iterator[sqlite3.Connection]:
        """One transaction. Any SQLite fault becomes a RecordError naming the file; nothing half-written stays. Where
        the file no longer stands under its name, or was spoiled, it goes into another one."""
        with self._lock:
            self.look_after()
            self._place.mend_index()
            try:
                with self._connection:
                    yield self._connection
                self._place.written()
            except sqlite3.Error as error:
                code = error_kind(error)
                if code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
                    raise RecordBusyError(
                        f"{self.path}: another process is in the midst of writing and does not go on; end it, then try"
                        " again: what was committed stands"
                    ) from None
                self._note_spoiled(code)
                full = code in (sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR)
                raise (RecordFullError if full else RecordError)(
                    f"{self.path}: could not be written ({error}); free space or check the folder, earlier rows stand"
                ) from None

    def rows(self, statement: str, values: tuple[object, ...] = ()) -> list[tuple[object, ...]]:
        """All rows of a question. Raises RecordError."""
        with self._lock:
            self._place.mend_index()
            try:
                return self._connection.execute(statement, values).fetchall()
            except sqlite3.Error as error:
                self._note_spoiled(error_kind(error))
                if self.went_elsewhere():
                    return self.rows(statement, values)
                raise RecordError(f"{self.path}: could not be read ({error}); work on the second copy") from None

    def _note_spoiled(self, code: int) -> None:
        """It was whole when it was opened. What is only read, or written in one go, is told as it is."""
        self._place.spoiled |= code in DAMAGE and self._second is not None and not self.lost

    def add_row(self, table: str, values: Mapping[str, object]) -> int:
        """Add one row to a table of the schema (column: value); returns its number."""
        columns, marks = ", ".join(values), ", ".join(f":{name}" for name in values)
        with self.writing() as connection:
            row = connection.execute(f"insert into {table} ({columns}) values ({marks})", values).lastrowid  # noqa: S608
        assert row is not None
        return row
