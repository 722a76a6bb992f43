"""The second witness of a visit: a source and a receiver beside the analyzer's proof, and the maker's curve.

Owns: which figure of the visit is held against which. Refuses: to make a verdict of it: the proof stays the analyzer's,
and what contradicts it is said.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from protocol.errors import RequestError
from protocol.files.touchstone import read_touchstone
from rf.floor.witness import (
    LEADS_DB,
    MATCH_DB,
    PAD_DB,
    SCALE_DB,
    SOURCE_DB,
    Agreement,
    BySheet,
    Levels,
    against_sheet,
    compared,
    hardly,
    witnessed,
)
from rf.values.decibel import level_db
from rf.values.figure import Figure, cant_say
from visit.figures.assessment import Role
from visit.figures.replay import Replay
from visit.record.sheet import Sheet, checked, write
from visit.record.visit_file import VisitFile
from visit.record.witness import (
    CORRECTION,
    DEVICE,
    FLOOR,
    KNOWN,
    KNOWN_ERROR,
    LEADS,
    LEADS_ERROR,
    LOADS,
    LOSS,
    MATCH,
    OFF,
    PAD,
    READ,
    REJECTION,
    SCALE,
    SHEET_WAY,
    SOURCE,
    SOURCE_ERROR,
    STATES,
    TAKEN,
    THRU,
    maker_line,
    witness_line,
)
from visit.site.hookup import HookUp, Side
from visit.site.site import Site


@dataclass(frozen=True, slots=True)
class SideWitness:
    """One side: levels by state, what they show, what the analyzer says, whether they agree; what the maker promised.
    `following`: the state that is taken next, "" when all is."""

    side: Side
    reject_hz: float
    typed: dict[str, float]
    witness: Figure
    proof: Figure
    agreement: Agreement
    maker: dict[str, float]
    held: dict[str, Agreement]
    following: str
    hardly: tuple[str, ...] = ()
    """What of the levels can hardly be."""


def witnesses(replay: Replay) -> tuple[SideWitness, ...]:
    """Both sides. Raises RecordError."""
    sheet = Sheet(replay.visit)
    return tuple(_side(replay, sheet, side) for side in Side)


def _side(replay: Replay, sheet: Sheet, side: Side) -> SideWitness:
    found = {state: sheet.value(witness_line(side, state)) for state in STATES}
    typed = {state: value for state, value in found.items() if value is not None}
    levels = levels_typed(typed)
    seen = witnessed(levels)
    proof, loss = _of_analyzer(replay, side)
    promised = {what: sheet.value(maker_line(side, what)) for what in (REJECTION, LOSS)}
    maker = {what: value for what, value in promised.items() if value is not None}
    held = {
        what: against_sheet(proof if what == REJECTION else loss, value, most=what == LOSS)
        for what, value in maker.items()
    }
    way = SHEET_WAY if SOURCE in typed and THRU not in typed else TAKEN
    following = next((state for state in way if state not in typed), "")
    reject_hz = replay.site.reject_hz(side)
    return SideWitness(
        side, reject_hz, typed, seen, proof, compared(proof, seen), maker, held, following, hardly(levels, seen)
    )


def levels_typed(typed: Mapping[str, float]) -> Levels:
    """Levels of a side from what was typed by state; what is left out as common practice has it."""
    return Levels(
        thru_dbm=typed.get(THRU),
        pad_db=typed.get(PAD, 0.0),
        device_dbm=typed.get(DEVICE),
        off_dbm=typed.get(OFF),
        loads_dbm=typed.get(LOADS),
        scale_db=typed.get(SCALE, SCALE_DB),
        match_db=typed.get(MATCH, MATCH_DB),
        sheet=BySheet(
            source_dbm=typed.get(SOURCE),
            source_error_db=typed.get(SOURCE_ERROR, SOURCE_DB),
            leads_db=typed.get(LEADS),
            leads_error_db=typed.get(LEADS_ERROR, LEADS_DB),
            correction_db=typed.get(CORRECTION, 0.0),
            known_db=typed.get(KNOWN),
            read_db=typed.get(READ),
            known_error_db=typed.get(KNOWN_ERROR, PAD_DB),
            floor_dbm=typed.get(FLOOR),
        ),
    )


def at_channel(words: str, hz: float) -> str:
    """A correction as typed: a number, or a curve of MHz:dB points, taken straight between them. Raises RequestError
    for a curve that does not reach the channel or has two values there: nothing is guessed."""
    if ":" not in words:
        return words
    try:
        points = sorted(tuple(float(part) for part in point.split(":")) for point in words.replace(",", " ").split())
        mhz, decibels = zip(*points, strict=True)
    except ValueError:
        raise RequestError("a curve is written as MHz:dB points, e.g. 400:0.2,500:0.4") from None
    if len(set(mhz)) < len(mhz):
        raise RequestError("the receiver's curve has two values at one frequency: which one holds? nothing written")
    if not mhz[0] <= hz / 1e6 <= mhz[-1]:
        raise RequestError(
            f"the receiver's curve does not reach {hz / 1e6:.4f} MHz: type its points on both sides; nothing written"
        )
    return f"{float(np.interp(hz / 1e6, mhz, decibels)):.3f}"


def _of_analyzer(replay: Replay, side: Side) -> tuple[Figure, Figure]:
    """Rejection and loss of a side by the analyzer, the newest valid runs."""
    nothing = cant_say("dB", "the analyzer did not measure this side")
    for ports in (("A", side.value), (side.value, "A")):
        made = replay.figures(HookUp(*ports))
        if made is None:
            continue
        reject, passing = (made.assessment.channel(role) for role in (Role.REJECT, Role.PASS))
        return (
            nothing if reject is None else reject.transmission,
            nothing if passing is None else passing.transmission,
        )
    return nothing, nothing


def take_level(visit: VisitFile, side: Side, state: str, typed: str) -> None:
    """Write a level down. Raises RequestError for what can't be."""
    write(visit, witness_line(side, state), typed)


def check_level(side: Side, state: str, typed: str) -> None:
    """Raises RequestError for a level that can't be."""
    checked(witness_line(side, state), typed)


def maker_curve(path: Path, site: Site, side: Side) -> dict[str, float]:
    """Rejection and loss of a side by the maker's Touchstone file of two ports, in dB. Raises RequestError."""
    frequency_hz, s = read_touchstone(path, "a maker's curve", 2, 2)
    found = {}
    for what, hz in ((REJECTION, site.reject_hz(side)), (LOSS, site.pass_hz(side))):
        if not frequency_hz[0] <= hz <= frequency_hz[-1]:
            raise RequestError(f"{path}: the curve does not reach {hz / 1e6:.4f} MHz; nothing of it was taken")
        found[what] = -float(np.interp(hz, frequency_hz, level_db(s[:, 1, 0])))
    return found
