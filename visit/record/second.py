"""A second copy of a visit while it is measured into, for the day on which somebody cuts or overwrites the file.

A removed file can still be read by who has it open; what was cut or overwritten is gone. Owns: the copy (SQLite keeps
it in memory as long as it is small, then in a file without a name), every statement said to it again. Refuses: to be
read while the visit itself is sound, to hold up or end a write of the visit when it fails itself, and large files.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from typing import Any

LARGEST_BYTES = 256 << 20
"""A larger visit has no second copy: it would take as much of the disk again."""
CACHE_KIB = 512
"""Memory; what is more lies in a file that SQLite makes and removes."""


class SecondCopy:
    """What the visit holds, again. `whole` until it could not follow."""

    def __init__(self, visit: sqlite3.Connection) -> None:
        """All of it as it stands now. Nobody may be writing through `visit` meanwhile."""
        self.connection = sqlite3.connect("", check_same_thread=False)
        self.whole = False
        self._version = -1
        try:
            if _bytes(visit) > LARGEST_BYTES:
                return
            self.connection.execute("pragma synchronous = off")
            self.connection.execute(f"pragma cache_size = -{CACHE_KIB}")
            self._version = _version(visit)
            visit.backup(self.connection)
            self.connection.execute("pragma journal_mode = memory")
            self.whole = True
        except sqlite3.Error:  # no room for it: the visit itself goes on
            self.drop()

    def of_today(self, visit: sqlite3.Connection) -> bool:
        """False when another process has written into the visit since."""
        return self.whole and _version(visit) == self._version

    def again(self, statement: str, values: Any, row: int | None, *, many: bool = False) -> None:
        """Say a statement that the visit took, which made this row; what only reads is passed over."""
        words = statement.lstrip()[:6].lower()
        if not self.whole or words not in ("insert", "update", "delete"):
            return
        try:
            made = (
                self.connection.executemany(statement, values) if many else self.connection.execute(statement, values)
            )
            if not many and words == "insert" and made.lastrowid != row:
                self.drop()
        except sqlite3.Error:
            self.drop()

    def ended(self, *, kept: bool) -> None:
        """The visit's transaction has ended."""
        if not self.whole:
            return
        try:
            if kept:
                self.connection.commit()
            else:
                self.connection.rollback()
        except sqlite3.Error:
            self.drop()

    def drop(self) -> None:
        """No second copy any more; harmless when it is none."""
        self.whole = False
        self.connection.close()


def _bytes(connection: sqlite3.Connection) -> int:
    pages, size = (int(connection.execute(f"pragma {name}").fetchone()[0]) for name in ("page_count", "page_size"))
    return pages * size


def _version(connection: sqlite3.Connection) -> int:
    """Changes when another connection wrote [SQLite, pragma data_version]."""
    return int(connection.execute("pragma data_version").fetchone()[0])


def listed(values: Iterable[Any]) -> list[Any]:
    """Values that can be gone through twice."""
    return values if isinstance(values, list) else list(values)
