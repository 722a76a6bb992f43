"""How a visit file is opened: to write, or only to read wherever it lies and whatever may be written there.

Owns: names that lead nowhere, the ways to read (beside a writer, on a read-only medium, of an earlier version), what
is lacking to write. Refuses: to change anything of a file that is only read, and a database that is not a visit.
"""

from __future__ import annotations

import contextlib
import errno
import os
import shutil
import sqlite3
import stat
import tempfile
import threading
from collections import Counter
from collections.abc import Iterable
from pathlib import Path
from typing import Any, Literal

from protocol.errors import MachineError, RequestError
from protocol.files.harmless import harmless
from visit.record.schema import APPLICATION_ID, SCHEMA_VERSION, lent_script
from visit.record.second import SecondCopy, listed
from visit.record.soundness import bounded

BUSY_TIMEOUT_S = 5.0
"""How long a writer waits for another process's commit before it gives up; commits take milliseconds."""
HEADER, MAGIC = 100, b"SQLite format 3\0"
WAL_PAGES = 256
"""Pages (1 MB) in the write-ahead log after which it is brought into the file."""


_OPEN: Counter[tuple[int, int]] = Counter()
_OPENING = threading.Lock()
"""Files (device, inode) on which this process has connections. When a process closes any descriptor of a file, all its
locks on that file are gone (fcntl(2)), SQLite's too, and another process would take the file for its own: so none but
SQLite opens a file that is open already."""


class RecordError(RequestError):
    """The visit file can't be used. One line: what, whose fault, what to do next."""


class RecordBusyError(RecordError):
    """Another process holds the file in the midst of a commit and does not go on: it was stopped, or its disk hangs."""


class RecordMachineError(RecordError, MachineError):
    """The disk is full, or it fails."""


class RecordFullError(RecordMachineError):
    """A write found no room; the next one may."""


DAMAGE = frozenset({sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB})
"""Kinds of fault that say of a file that it is not what was written."""


def error_kind(error: sqlite3.Error) -> int:
    """The kind of a fault of SQLite [its result codes: the low byte]; 0 where it names none."""
    return int(getattr(error, "sqlite_errorcode", 0)) & 0xFF


def damaged(path: Path, why: object, what: str = "") -> RecordError:
    """The one line for a file, or a part of it, that is not what it should be."""
    subject = f"{what} is damaged" if what else "damaged"
    return RecordError(f"{path}: {subject} ({harmless(why, 300)}); work on the second copy and keep this one untouched")


def there(path: Path) -> bool:
    """True when a file stands under that name, False when the name is free. Raises RecordError for a name under which
    no visit can stand: too long, a folder, a link that leads nowhere."""
    try:
        mode = path.stat().st_mode
    except (FileNotFoundError, NotADirectoryError):
        if path.is_symlink():
            aim = harmless(path.readlink(), 200)
            raise RecordError(f"{path}: a link to {aim}, which is not there; mend the link or name a file") from None
        return False
    except OSError as error:
        why = "a link that leads in a circle" if error.errno == errno.ELOOP else error.strerror
        raise RecordError(f"{path}: {why}; give another name for the visit file") from None
    except ValueError as error:  # a name with a null byte
        raise RecordError(f"{path}: {error}; give another name for the visit file") from None
    if not stat.S_ISREG(mode):
        what = "a folder" if stat.S_ISDIR(mode) else "no regular file"
        raise RecordError(f"{path}: {what}, not a visit file; name a file")
    return True


def look_at_header(path: Path) -> None:
    """Refuses what is no visit before SQLite opens it, so that another program's database is never touched. Raises
    RecordError."""
    try:
        with _OPENING:
            if _OPEN[_inode(path)]:
                return  # it is known to be a visit
            with path.open("rb") as file:
                head = file.read(HEADER)
    except OSError as error:
        raise RecordError(f"{path}: can't be read ({error.strerror}); {_may_not(path, 'read')}") from None
    if not head:
        raise RecordError(
            f"{path}: empty (0 bytes): no visit was begun in it, or its copy failed; give the right file, or move it"
            " away to begin a new one under this name"
        )
    if not head.startswith(MAGIC):
        raise RecordError(f"{path}: can't be read as a visit file (file is not a database); give the right file")
    if int.from_bytes(head[68:72], "big") != APPLICATION_ID and not _size(f"{path}-wal"):
        raise RecordError(f"{path}: not a visit file (another program's database); give the right file")


def _inode(path: Path) -> tuple[int, int]:
    found = path.stat()
    return found.st_dev, found.st_ino


class Connection(sqlite3.Connection):
    """A connection that is counted for as long as it is open, and says what it writes to a second copy, too."""

    _counted: tuple[int, int] | None = None
    second: SecondCopy | None = None
    """None: there is none."""

    def execute(self, statement: str, values: Any = (), /) -> sqlite3.Cursor:
        """As ever, and again."""
        done = super().execute(statement, values)
        if self.second is not None:
            self.second.again(statement, values, done.lastrowid)
        return done

    def executemany(self, statement: str, values: Iterable[Any], /) -> sqlite3.Cursor:
        """As ever, and again."""
        if self.second is None:
            return super().executemany(statement, values)
        rows = listed(values)
        done = super().executemany(statement, rows)
        self.second.again(statement, rows, None, many=True)
        return done

    def __exit__(self, kind: Any, error: Any, trace: Any, /) -> Literal[False]:
        """End a transaction, of both."""
        kept = False
        try:
            super().__exit__(kind, error, trace)
            kept = kind is None
        finally:
            if self.second is not None:
                self.second.ended(kept=kept)
        return False

    def count(self, path: Path) -> None:
        """From now on until it is closed."""
        self._counted = _inode(path)
        _OPEN[self._counted] += 1

    def close(self) -> None:
        """Close; harmless when closed already."""
        with _OPENING:
            super().close()
            if self._counted is not None:
                _OPEN[self._counted] -= 1
                self._counted = None
            if self.second is not None:
                self.second.drop()
                self.second = None


class Reader:
    """A connection that only reads, and what must be cleared away behind it."""

    def __init__(self, path: Path) -> None:
        """Raises RecordError or sqlite3.Error."""
        self.folder: tempfile.TemporaryDirectory[str] | None = None
        journal = Path(f"{path}-journal").exists()  # SQLite would play it back into the file
        if not journal and _lacking(path) is None:
            # Open to write, so that what SQLite keeps beside the file goes with the last one who reads; writes nothing.
            self.connection = connect(path, "mode=rw")
            return
        if not _size(f"{path}-wal"):
            quiet = "mode=ro" if journal else "mode=ro&immutable=1"
            self.connection = connect(path, quiet)
            return
        self.connection = self._beside_a_log(path)

    def _beside_a_log(self, path: Path) -> sqlite3.Connection:
        """What an ended or other process left beside the file is read too, where it lies or in a copy of our own."""
        connection = connect(path, "mode=ro")
        try:
            connection.execute("select count(*) from sqlite_schema").fetchone()
        except sqlite3.OperationalError:
            connection.close()
            return self._copied(path)
        return connection

    def _copied(self, path: Path) -> sqlite3.Connection:
        self.folder = tempfile.TemporaryDirectory(prefix="deepnotch-")
        copy = Path(self.folder.name) / "read.visit"
        try:
            for ending in ("", "-wal"):
                shutil.copyfile(f"{path}{ending}", f"{copy}{ending}")
        except OSError as error:
            self.clear()
            raise RecordMachineError(
                f"{path}: what lies in {path.name}-wal beside it must be read in a copy, and {tempfile.gettempdir()}"
                f" takes none ({error.strerror}); make room there, or set TMPDIR"
            ) from None
        return connect(copy, "mode=rw")

    def clear(self) -> None:
        """Remove the copy; harmless when there is none."""
        if self.folder is not None:
            self.folder.cleanup()


def look_beside(path: Path) -> None:
    """Refuse what somebody has set under the names of SQLite's own files: it would write through a link into whatever
    that leads to, and wait for a pipe. Raises RecordError."""
    target = path.resolve()  # SQLite keeps its files beside what a link leads to
    for ending in ("-wal", "-shm", "-journal"):
        beside = Path(f"{target}{ending}")
        try:
            found = beside.lstat()
        except OSError:
            continue
        if not stat.S_ISREG(found.st_mode):
            what = "a link" if stat.S_ISLNK(found.st_mode) else "no regular file"
            raise RecordError(
                f"{beside}: {what}, and writing into {path.name} would write there; somebody has set it there: move it"
                " away"
            )


def connect(path: Path, how: str) -> sqlite3.Connection:
    """Autocommit off by explicit transactions; nothing is written yet. Raises RecordError or sqlite3.Error."""
    look_beside(path)
    with _OPENING:
        connection = sqlite3.connect(
            f"{path.absolute().as_uri()}?{how}", uri=True, timeout=BUSY_TIMEOUT_S, check_same_thread=False,
            factory=Connection,
        )  # fmt: skip
        connection.count(path)
    try:
        bounded(connection)
    except BaseException:
        connection.close()
        raise
    return connection


def only_reads(connection: sqlite3.Connection, version: int) -> None:
    """From now on the connection reads alone; a file of an earlier version looks like one of the present."""
    if version < SCHEMA_VERSION:
        connection.executescript(lent_script(version))
    connection.execute("pragma query_only = on")


def for_writing(connection: sqlite3.Connection) -> None:
    """Write-ahead log, so that readers never wait for the writer; only for a file that is known to be a visit."""
    connection.execute("pragma journal_mode = wal")
    connection.execute("pragma synchronous = full")
    connection.execute("pragma foreign_keys = on")
    connection.execute(f"pragma wal_autocheckpoint = {WAL_PAGES}")


def check_may_write(path: Path) -> None:
    """Raises RecordError that says which permission lacks."""
    lacking = _lacking(path)
    if lacking is not None:
        raise RecordError(f"{path}: {lacking}; `deepnotch copy {path} FILE` makes a copy elsewhere that can be written")


def _lacking(path: Path) -> str | None:
    """What keeps this process from writing into the file; None when nothing does."""
    target = path.resolve()  # SQLite keeps its log beside what a link leads to
    with contextlib.suppress(OSError):
        if os.statvfs(target).f_flag & os.ST_RDONLY:
            return "lies on a medium or file system that is mounted read-only"
    if not os.access(target, os.W_OK, effective_ids=True):
        return _may_not(target, "write")
    if not os.access(target.parent, os.W_OK | os.X_OK, effective_ids=True):
        return f"while it is open to write, a log lies beside it: {_may_not(target.parent, 'write into')}"
    return None


def _may_not(path: Path, deed: str) -> str:
    """Who may not, and what stands in the way."""
    try:
        found = path.stat()
    except OSError:
        return f"you may not {deed} {path}"
    what = "the folder " if stat.S_ISDIR(found.st_mode) else ""
    mode = f"mode {stat.S_IMODE(found.st_mode):04o}, owner {found.st_uid}"
    return f"user {os.geteuid()} may not {deed} {what}{path} ({mode})"


def _size(name: str) -> int:
    try:
        return Path(name).stat().st_size
    except OSError:
        return 0
