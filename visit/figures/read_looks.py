"""Looks at recorded sweeps: each set of files that was read for a goal spends of the same 5 %, kept beside the files.

Owns: the file of sets, and what a set that is read now may spend. Refuses: to judge which sets belong together; all of
a site's hook-up that were read in one folder do.

A set that is read again is the same look. Where nothing can be written (or what stands there is no such file), the
bound is made valid for every count of files: n of them may spend 0.05 * 6 / (pi n)^2, whichever were looked at.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from pathlib import Path

from protocol.errors import RequestError
from protocol.files.small_files import json_data, read_text, write_private
from visit.figures.looks import Spending
from visit.record.visit_file import StoredSweep
from visit.site.hookup import HookUp
from visit.site.site import Site

NAME = "deepnotch-looks.json"
SCHEMA = 1
MOST_SETS = 10_000
LARGEST_BYTES = 4_000_000
ALWAYS = "nothing can be written beside these files, so that every count of files is taken as looked at"


def spending_of(sweeps: Sequence[StoredSweep], folder: Path, site: Site, hookup: HookUp) -> Spending:
    """What reading these sweeps may spend; writes down that they were read, beside them. Never raises for the file."""
    goal = f"{site.name} {site.low_hz:.0f} {site.high_hz:.0f} {hookup.text}"
    path = folder / NAME
    try:
        known = _read(path)
        sets = known.setdefault(goal, [])
        mine = _mark(sweeps)
        if mine not in sets:
            if len(sets) >= MOST_SETS:
                raise ValueError("too many sets")
            sets.append(mine)
            write_private(path, json.dumps({"schema": SCHEMA, "sets": known}, indent=1) + "\n")
        nth = sets.index(mine) + 1
    except (OSError, ValueError, RequestError):
        return Spending(goal, len(sweeps), len(sweeps), watched=False, note=f"{folder}: {ALWAYS}")
    note = f"set {nth} of sweeps that was read for this goal ({path} counts them)" if nth > 1 else ""
    return Spending(goal, nth, len(sweeps), watched=False, note=note)


def _read(path: Path) -> dict[str, list[str]]:
    """The sets by goal. Raises ValueError for a file that is none of ours, RequestError for one that can't be read."""
    if not path.exists():
        return {}
    data = json_data(read_text(path, "a list of looks", LARGEST_BYTES))
    if not isinstance(data, dict) or data.get("schema") != SCHEMA or not isinstance(data.get("sets"), dict):
        raise ValueError("no list of looks")
    sets: dict[str, list[str]] = {}
    for goal, marks in data["sets"].items():
        if not isinstance(marks, list) or not all(isinstance(mark, str) for mark in marks):
            raise ValueError("no list of looks")
        sets[goal] = marks
    return sets


def _mark(sweeps: Sequence[StoredSweep]) -> str:
    """The same for the same sweeps in any order."""
    each = sorted(hashlib.sha256(sweep.s11.tobytes() + sweep.s21.tobytes()).hexdigest() for sweep in sweeps)
    return hashlib.sha256("".join(each).encode()).hexdigest()[:32]
