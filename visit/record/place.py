"""Whether a visit file still stands under its name, whole, while it is written; if not, what was kept goes elsewhere.

A file that was removed or renamed by somebody else goes on taking writes, and with the last process that has it open
all of it is gone; of one that was cut or overwritten only the second copy is left. Owns: noticing that, and the new
file. Refuses: to write over anything.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
import stat
from collections.abc import Iterable, Iterator
from pathlib import Path

from protocol.errors import RequestError
from visit.record.opening import DAMAGE, HEADER, MAGIC, RecordError, connect, error_kind
from visit.record.schema import APPLICATION_ID
from visit.record.second import SecondCopy
from visit.record.soundness import verdict_of
from visit.site.folders import data_folder

MOST_NAMES = 100
GONE = "was removed, renamed or replaced, or its folder was,"
SPOILED = "was cut or overwritten by something else"
WHILE = "while it was being measured into"


class Place:
    """Where a file stood when it was opened."""

    def __init__(self, path: Path) -> None:
        self._path, self._file, self._times = path, _file_at(path), _times_at(path)
        self._owner_may = _owner_may(path)
        self._index, self._index_bytes = Path(f"{path.resolve()}-shm"), 0
        self.spoiled = False
        """SQLite itself has found that it is not what was written."""

    def mend_index(self) -> None:
        """SQLite's index of the log is mapped into memory: when somebody cuts it (as all files of that name), the next
        one who looks into it is killed (SIGBUS). It is made as long as it was, empty: SQLite then makes it anew.
        truncate(2) by name opens nothing, so no lock goes."""
        try:
            size = self._index.stat().st_size
            if size < self._index_bytes:
                os.truncate(self._index, self._index_bytes)
            else:
                self._index_bytes = size
        except OSError:
            return

    def fault(self, *, every_page: bool) -> str:
        """What happened to the file since it was opened; empty while it is as it was. Looks at names and times alone
        as long as they do not change; else at its beginning, or at every page."""
        if self._file is None:
            return ""
        if self.spoiled:
            return SPOILED
        try:
            found = _file_at(self._path)
        except OSError:  # a folder that can't be looked into for now: whether the file takes it shows by writing
            return ""
        if found != self._file:
            if found not in _open_here():
                return GONE
            self._file = found  # a file system that gave it another number
        times = _times_at(self._path)
        if times == self._times:
            return ""
        self._times = times
        cut = _cut_or_overwritten(self._file, self._path)
        return SPOILED if cut or (every_page and not _sound(self._path)) else ""

    def written(self) -> None:
        """What has changed until now was our own writing."""
        self._times = _times_at(self._path)

    def closed_words(self) -> str:
        """A line when its mode no longer lets its owner read and write it, who does so only as long as it is open."""
        may = _owner_may(self._path)
        if may is None or not self._owner_may or may:
            return ""
        mode = stat.S_IMODE(self._path.stat().st_mode)
        return (
            f"{self._path} can't be opened any more (mode {mode:04o}): the run goes on and is kept; give the permission"
            f" back before you leave: chmod u+rw {self._path}"
        )

    def rescued(self, sources: Iterable[sqlite3.Connection]) -> Path | None:
        """A new file with all that the first of these connections that can be read holds; None when none can, or
        nothing can be written."""
        for source in sources:
            for path in self._names():
                try:
                    os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY | os.O_NOFOLLOW, 0o600))
                except OSError:
                    continue
                try:
                    with contextlib.closing(sqlite3.connect(path)) as copy:
                        source.backup(copy)
                        if verdict_of(copy) == "ok":
                            return path
                except sqlite3.Error:
                    pass
                path.unlink(missing_ok=True)
        return None

    def clear_beside(self) -> None:
        """Beside another visit of that name the log would be taken for its own."""
        for ending in ("-wal", "-shm"):
            with contextlib.suppress(OSError):
                Path(f"{self._path}{ending}").unlink(missing_ok=True)

    def _names(self) -> Iterator[Path]:
        """In its folder, else where visits are kept."""
        folders = [self._path.parent]
        with contextlib.suppress(RequestError):
            folders.append(data_folder())
        for folder in folders:
            for number in range(1, MOST_NAMES):
                path = folder / f"{self._path.stem[:50]}-rescued-{number}{self._path.suffix}"
                if not os.path.lexists(path):
                    yield path
                    break


def rescued_words(path: Path, fault: str, to: Path | None, second: SecondCopy | None) -> str:
    """What happened, and what to do next."""
    what = f"{path} {fault} {WHILE}"
    if to is not None:
        return f"{what}: the run goes on in {to}, where all that was kept is; use that file from now on"
    if fault is GONE:
        return f"{what}, and no copy could be made; if you have it under another name, go on with that"
    none = "" if second is not None and second.whole else " (there was no second copy)"
    return f"{what}, and what was kept could not be saved{none}; begin anew under another name, with --visit"


def _open_here() -> dict[tuple[int, int] | None, int]:
    """All that this process has open: descriptors by file. Nothing is opened for it: closing it would let go of
    SQLite's locks."""
    found: dict[tuple[int, int] | None, int] = {}
    with contextlib.suppress(OSError):
        for path in Path("/proc/self/fd").iterdir():
            with contextlib.suppress(OSError):
                found[_file_at(path)] = int(path.name)
    found.pop(None, None)
    return found


def _cut_or_overwritten(file: tuple[int, int] | None, path: Path) -> bool:
    """Whether its first bytes are no longer those of a visit, or pages that they count are not there."""
    handle = _open_here().get(file)
    if handle is None:
        return False
    try:
        head, size = os.pread(handle, HEADER, 0), path.stat().st_size
    except OSError:
        return False
    page = int.from_bytes(head[16:18], "big")
    page_bytes = 65536 if page == 1 else page
    right = head.startswith(MAGIC) and int.from_bytes(head[68:72], "big") == APPLICATION_ID
    return not right or size < page_bytes * int.from_bytes(head[28:32], "big")


def _sound(path: Path) -> bool:
    """Every page, as whoever opens it now would find it."""
    try:
        with contextlib.closing(connect(path, "mode=rw")) as connection:
            return verdict_of(connection) == "ok"
    except (RecordError, OSError):
        return True  # its permissions are told by others
    except sqlite3.Error as error:
        return error_kind(error) not in DAMAGE


def _file_at(path: Path) -> tuple[int, int] | None:
    """Device and number of what stands there; None: nothing. Raises OSError where that can't be seen."""
    try:
        found = path.stat()
    except (FileNotFoundError, NotADirectoryError):
        return None
    return found.st_dev, found.st_ino


def _times_at(path: Path) -> tuple[int, int] | None:
    """Size and time of the last change: both change with what SQLite brings into the file, too."""
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_size, found.st_mtime_ns


def _owner_may(path: Path) -> bool | None:
    """Whether its mode lets its owner read and write; None: it is not there."""
    try:
        return path.stat().st_mode & 0o600 == 0o600
    except OSError:
        return None
