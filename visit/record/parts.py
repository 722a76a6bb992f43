"""Further two-ports of a visit: isolator, preamplifier, preselector, combiner, as a Touchstone text or as two runs.

Owns: what is kept of a part, writing it, reading it back. Refuses: figures; `visit.day.parts` makes them. A part of the
same name replaces the one before; a part without data takes it out.
"""

from __future__ import annotations

import json
import time
from dataclasses import dataclass
from pathlib import Path

from protocol.errors import RequestError
from protocol.files.harmless import harmless
from protocol.files.small_files import read_bytes
from protocol.files.touchstone import parse_touchstone
from visit.record.opening import damaged
from visit.record.stored_json import stored_number, stored_object
from visit.record.visit_file import VisitFile

PART = "part"
"""Kind of the remark that holds one."""
KINDS = ("isolator", "preamplifier", "preselector", "combiner", "filter", "cable")
PLACES = ("transmit", "receive")
"""Between the transmitter and the duplexer, or between the duplexer and the receiver."""
LARGEST_BYTES = 400_000
LONGEST_NAME = 40
MOST_PARTS = 8


@dataclass(frozen=True, slots=True)
class StoredPart:
    """One part; port 1 is where the signal goes in. Data: `touchstone`, or `run` and `back` (turned round)."""

    name: str
    kind: str
    place: str
    touchstone: str = ""
    run: int | None = None
    back: int | None = None
    noise_figure_db: float | None = None


def parts_of(visit: VisitFile) -> tuple[StoredPart, ...]:
    """The parts in the order in which they were first written, along the signal's way. Raises RecordError."""
    found: dict[str, StoredPart] = {}
    for (words,) in visit.rows("select words from remark where kind = ? order by id", (PART,)):
        part = _read(visit, words)
        found[part.name] = part
    kept = [part for part in found.values() if part.touchstone or part.run is not None]
    if len(kept) > MOST_PARTS:
        raise damaged(visit.path, f"more than {MOST_PARTS} parts", "the parts of the chain")
    return tuple(kept)


def _read(visit: VisitFile, words: object) -> StoredPart:
    what = "a part of the chain"
    data = stored_object(visit, words, what)
    name, kind, place, text = (data.get(key) for key in ("name", "kind", "place", "touchstone"))
    if not (isinstance(name, str) and isinstance(text, str) and kind in KINDS and place in PLACES):
        raise damaged(visit.path, "name, kind or place is missing", what)
    run, back, noise = (stored_number(visit, data.get(key), what) for key in ("run", "back", "noise_figure_db"))
    there, turned = (None if row is None else int(row) for row in (run, back))
    return StoredPart(harmless(name, LONGEST_NAME), str(kind), str(place), text, there, turned, noise)


def write_part(visit: VisitFile, part: StoredPart) -> None:
    """Keep a part. Raises RequestError for a name, a number or runs that can't be."""
    if not part.name.strip() or len(part.name) > LONGEST_NAME or harmless(part.name) != part.name:
        raise RequestError(f"a part needs a name of {LONGEST_NAME} plain letters at most")
    if part.kind not in KINDS or part.place not in PLACES:
        raise RequestError(f"a part is one of {', '.join(KINDS)}, in the {' or '.join(PLACES)} path")
    if part.noise_figure_db is not None and not 0.0 <= part.noise_figure_db <= 30.0:
        raise RequestError(f"a noise figure of {part.noise_figure_db:g} dB is not between 0 and 30 dB")
    standing = {one.name for one in parts_of(visit)}
    if part.name not in standing and len(standing) >= MOST_PARTS:
        raise RequestError(f"there are {MOST_PARTS} parts already; take one out first (--out)")
    runs = {run.id: run for run in visit.runs()}
    for row, hangs in ((part.run, "part"), (part.back, "part-back")):
        if row is not None and (row not in runs or runs[row].hookup.name != hangs):
            raise RequestError(f"run {row} is none of hook-up {hangs}; measure it: check --hookup {hangs}")
    words = {field: getattr(part, field) for field in StoredPart.__slots__}
    visit.remark(PART, json.dumps(words, allow_nan=False), time.time())


def read_part_file(path: Path) -> str:
    """The text of a Touchstone file of two ports, looked at. Raises RequestError."""
    data = read_bytes(path, LARGEST_BYTES, "a part")
    parse_touchstone(data, path, "a part", 2)
    return data.decode("latin-1")
