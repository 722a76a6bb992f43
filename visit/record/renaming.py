"""Another name for a visit file, its sweeps untouched.

Owns: which names a visit may have, and the change of the name. Refuses: a file that somebody measures into or that is
open elsewhere (its newest sweeps may lie beside it), and to put one file in another's place.
"""

from __future__ import annotations

import os
import time
from pathlib import Path

from protocol.errors import RequestError
from visit.record.owner import busy_words, living
from visit.record.visit_file import VisitFile

ENDING = ".visit"
LONGEST = 80


def rename_visit(path: Path, name: str) -> Path:
    """Call a visit `name`, with or without its ending, where it lies; answers the new path. Raises RequestError."""
    new = path.with_name(_named(name))
    if new == path:
        return path
    if os.path.lexists(new):
        raise RequestError(f"{new.name} is there already: say another name")
    visit = VisitFile.open(path)
    try:
        owner = living(visit)
        if owner is not None:
            raise RequestError(busy_words(visit, owner))
        visit.remark("visit", f"renamed from {path.name} to {new.name}", time.time())
        visit.settle()
    finally:
        visit.close()
    beside = [Path(f"{path}{ending}") for ending in ("-wal", "-journal")]
    if any(one.exists() and one.stat().st_size for one in beside):
        raise RequestError(f"{path.name} is open elsewhere: close that first, then rename it")
    try:
        _moved(path, new)
    except FileExistsError:
        raise RequestError(f"{new.name} is there already: say another name") from None
    except OSError as error:
        raise RequestError(f"can't rename {path}: {error.strerror}; it keeps its name") from None
    return new


def _named(name: str) -> str:
    words = " ".join(name.split())
    stem = words.removesuffix(ENDING).strip()
    if not stem or stem.startswith((".", "-")) or "/" in stem or "\\" in stem or not stem.isprintable():
        raise RequestError(f"{words!r} is no name for a visit: letters, digits, blanks and - will do, no folder")
    if len(stem.encode()) > LONGEST:
        raise RequestError(f"a name of {len(stem.encode())} bytes is too long: {LONGEST} at most")
    return f"{stem}{ENDING}"


def _moved(path: Path, new: Path) -> None:
    """Never over another file: a link fails where the name is taken. A stick without links gets the plain change."""
    try:
        os.link(path, new)
    except FileExistsError:
        raise
    except OSError:
        path.rename(new)
    else:
        path.unlink()
