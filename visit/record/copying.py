"""A whole copy of a visit file in one new file, also while it is being measured into.

Owns: the copy as it stood at one moment, its being whole. Refuses: to write over anything, and to change the original.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
from collections.abc import Callable
from pathlib import Path

from visit.record.opening import RecordError, RecordMachineError, connect, look_beside, there
from visit.record.soundness import verdict_of
from visit.record.visit_file import VisitFile

PAGES_A_STEP = 2048


def copy_visit(visit: VisitFile, to: Path, tell: Callable[[int, int], None] = lambda *_: None) -> tuple[int, int]:
    """Copy into a new private file; runs and sweeps that are in it. `tell` hears pages done, pages in all. Raises
    RecordError; a copy that failed is removed."""
    if there(to):
        raise RecordError(f"{to} exists already; give another name, nothing was changed")
    look_beside(to)
    try:
        os.close(os.open(to, os.O_CREAT | os.O_EXCL | os.O_WRONLY | os.O_NOFOLLOW, 0o600))
    except OSError as error:
        raise RecordError(f"can't write {to}: {error.strerror}; choose another folder") from None
    whole = False
    try:
        with contextlib.closing(connect(to, "mode=rw")) as copy:
            visit.copy_into(copy, PAGES_A_STEP, tell)
            counts = copy.execute("select (select count(*) from run), (select count(*) from sweep)").fetchone()
            if verdict_of(copy) != "ok":
                raise RecordMachineError(f"{to}: the copy is not what was written; its disk fails: copy elsewhere")
        whole = True
    except sqlite3.Error as error:
        raise RecordMachineError(f"{to}: could not be written ({error}); make room or copy elsewhere") from None
    finally:
        if not whole:
            for ending in ("", "-journal", "-wal", "-shm"):
                Path(f"{to}{ending}").unlink(missing_ok=True)
    return int(counts[0]), int(counts[1])
