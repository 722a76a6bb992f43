"""Whether a visit file still stands under its name while it is written; if not, what was kept goes to another file.

A file that was removed or renamed by somebody else goes on taking writes, and with the last process that has it open
all of it is gone. Owns: noticing that, and the copy. Refuses: to write over anything.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
from collections.abc import Iterator
from pathlib import Path

from protocol.errors import RequestError
from visit.record.opening import RecordMachineError
from visit.site.folders import data_folder

MOST_NAMES = 100


class Place:
    """Where a file stood when it was opened. `lost_words` is empty until it was found to have gone."""

    def __init__(self, path: Path) -> None:
        self._path, self.lost_words = path, ""
        self._file: tuple[int, int] | None = None
        with contextlib.suppress(OSError):
            self._file = _file_at(path)

    def check(self, connection: sqlite3.Connection) -> None:
        """Before each write. Raises RecordMachineError once another file, or none, stands under the name: what was
        kept is in a copy then, which the line names."""
        if self._file is None:
            return
        if not self.lost_words:
            try:
                found = _file_at(self._path)
            except OSError:  # a folder that can't be looked into for now: whether the file takes it shows by writing
                return
            if found == self._file:
                return
            if found in _open_here():  # a file system that gave it another number
                self._file = found
                return
        self.lost_words = self.lost_words or self._rescued(connection)
        raise RecordMachineError(self.lost_words)

    def _rescued(self, connection: sqlite3.Connection) -> str:
        what = f"{self._path} was removed, renamed or replaced while it was being measured into"
        for path in self._names():
            try:
                os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY | os.O_NOFOLLOW, 0o600))
            except OSError:
                continue
            try:
                with contextlib.closing(sqlite3.connect(path)) as copy:
                    connection.backup(copy)
            except sqlite3.Error:
                path.unlink(missing_ok=True)
                continue
            # Beside another visit of that name the log would be taken for its own.
            for ending in ("-wal", "-shm"):
                Path(f"{self._path}{ending}").unlink(missing_ok=True)
            return f"{what}; all that was kept is in {path}: go on with --visit {path} --resume"
        return f"{what}, and no copy could be made; if you have it under another name, go on with that"

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


def _open_here() -> set[tuple[int, int] | None]:
    """All that this process has open. Nothing is opened for it: closing it would let go of SQLite's locks."""
    found = set[tuple[int, int] | None]()
    with contextlib.suppress(OSError):
        for path in Path("/proc/self/fd").iterdir():
            with contextlib.suppress(OSError):
                found.add(_file_at(path))
    return found - {None}


def _file_at(path: Path) -> tuple[int, int] | None:
    """Device and number of what stands there; None: nothing. Raises OSError where that can't be seen."""
    try:
        found = path.stat()
    except (FileNotFoundError, NotADirectoryError):
        return None
    return found.st_dev, found.st_ino
