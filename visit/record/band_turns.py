"""Turns of a band-pass unit's screws, as entries of a visit: which, how far, and where everything stood before it.

Owns: how they are written and read. Refuses: what follows of them (`rf.resonators.turns`).
"""

from __future__ import annotations

import contextlib
import json
import re
import time

from protocol.errors import RequestError
from protocol.files.harmless import harmless
from rf.resonators.turns import BandTurn, Places
from visit.record.sheet import BESIDE
from visit.record.visit_file import VisitFile
from visit.site.hookup import Side

TYPED = re.compile(r"(?P<what>\d|\d-\d)\s+(?P<turns>\d*[.,]?\d+)\s*(?P<way>in|out)")
MOST_TURNS = 20.0


def typed_turn(words: str) -> tuple[str, float]:
    """What was turned, and how many turns inwards, of e.g. "2 0.25 in" or "1-2 0.5 out". Raises RequestError."""
    found = TYPED.fullmatch(words.strip().lower())
    turns = float(found["turns"].replace(",", ".")) if found else 0.0
    if found is None or not 0.0 < turns <= MOST_TURNS:
        raise RequestError(
            f"{harmless(words, 30)!r} is no turn: resonator or coupling, turns, in or out, e.g. 2 0.25 in"
        )
    return found["what"], turns if found["way"] == "in" else -turns


def write_turn(visit: VisitFile, side: Side, turn: BandTurn, run: int) -> None:
    """Write a turn down; `run`: the one that told where everything stood before it. Raises RecordError."""
    way = "in" if turn.turns > 0.0 else "out"
    words = f"{turn.what} {abs(turn.turns):g} {way}"
    told = json.dumps({"run": run, "before": {what: list(place) for what, place in turn.before.items()}})
    with visit.writing() as connection:
        connection.execute(
            "insert into entry (at_s, step, name, value, unit, words) values (?, ?, ?, ?, ?, ?)",
            (time.time(), BESIDE, _name(side), turn.turns, "", f"{words} {told}"),
        )


def read_turns(visit: VisitFile, side: Side) -> list[tuple[BandTurn, int]]:
    """The turns of a side in their order, each with its run; what can't be read is left out. Raises RecordError."""
    found = []
    for name, turns, words in visit.rows("select name, value, words from entry order by id"):
        if name != _name(side) or turns is None:
            continue
        what, _, rest = str(words).partition(" ")
        with contextlib.suppress(ValueError, TypeError, KeyError, AttributeError):
            told = json.loads(rest[rest.index("{") :])
            before: Places = {str(key): (float(place[0]), float(place[1])) for key, place in told["before"].items()}
            found.append((BandTurn(what, float(str(turns)), before), int(told["run"])))
    return found


def _name(side: Side) -> str:
    return f"resonator turn {side.value}"
