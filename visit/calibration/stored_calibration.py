"""Calibrations, known parts and instrument cards in the visit file.

Owns: their rows, written and read back. Refuses: to solve or to judge anything.
"""

from __future__ import annotations

import sqlite3
from dataclasses import replace
from pathlib import Path

from rf.calibration.standard_check import Verified
from rf.values.figure import reading
from visit.calibration.corrector import Calibration, CalibrationBook, Check
from visit.calibration.stored_terms import terms_blob, terms_from
from visit.record.opening import damaged
from visit.record.visit_file import VisitFile
from visit.site.kit import parse_kit


def add_calibration(visit: VisitFile, calibration: Calibration, book: CalibrationBook) -> Calibration:
    """Store a solved calibration with the runs of its standards; returns it with its row."""
    runs = {name: taken.run_id for name, taken in book.taken.items()}
    with visit.writing() as connection:
        cursor = connection.execute(
            "insert into calibration (at_s, kit, temperature_c, short_run, open_run, load_run, thru_run, isolation_run,"
            " isolation_limit, terms) values (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (
                calibration.at_s,
                book.kit_text,
                calibration.temperature_c,
                runs["short"],
                runs["open"],
                runs["load"],
                runs["thru"],
                runs.get("isolation"),
                calibration.isolation_limit,
                terms_blob(calibration.terms),
            ),
        )
    return replace(calibration, id=_rowid(cursor))


def add_known_part(visit: VisitFile, calibration_id: int | None, run_id: int, check: Check) -> None:
    """Store that a known part was read."""
    verified = check.verified
    with visit.writing() as connection:
        connection.execute(
            "insert into known_part (at_s, calibration_id, run_id, part, expected_db, seen_db, low_db, high_db, good,"
            " says) values (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (
                check.at_s,
                calibration_id,
                run_id,
                verified.part,
                verified.expected_db,
                verified.seen.value,
                verified.seen.low,
                verified.seen.high,
                int(verified.good),
                verified.says,
            ),
        )


def add_card(visit: VisitFile, at_s: float, identity: str, text: str) -> None:
    """Store an instrument card (JSON text)."""
    with visit.writing() as connection:
        connection.execute("insert into card (at_s, identity, json) values (?, ?, ?)", (at_s, identity, text))


def checks_of(visit: VisitFile, calibration_id: int | None) -> tuple[Check, ...]:
    """The known parts read through a calibration (None: the analyzer's own), in their order."""
    rows = visit.rows(
        "select part, expected_db, seen_db, low_db, high_db, good, says, at_s from known_part"
        " where calibration_id is ? order by id",
        (calibration_id,),
    )
    found = []
    for part, expected, seen, low, high, good, says, at_s in rows:
        try:
            figure = reading(_float(seen), _float(low), _float(high), "dB")
        except ValueError as error:
            raise damaged(visit.path, error, "a known part") from None
        found.append(Check(Verified(str(part), _float(expected), figure, bool(good), str(says)), _float(at_s)))
    return tuple(found)


def calibrations(visit: VisitFile) -> dict[int, Calibration]:
    """All calibrations of the file by row, each with its checks. Raises RecordError when one can't be read."""
    settings = {run.id: run.settings for run in visit.runs()}
    rows = visit.rows(
        "select id, at_s, kit, temperature_c, short_run, isolation_limit, terms from calibration order by id"
    )
    found = {}
    for row, at_s, kit, temperature, short_run, limit, blob in rows:
        assert isinstance(row, int) and isinstance(short_run, int) and isinstance(blob, bytes)
        try:
            terms = terms_from(blob)
            if short_run not in settings:
                raise ValueError("the run of its short is missing")
        except ValueError as error:
            raise damaged(visit.path, error, f"calibration {row}") from None
        found[row] = Calibration(
            row,
            parse_kit(_without_files(str(kit)), Path("kit of the visit")),
            terms,
            settings[short_run],
            _float(at_s),
            None if temperature is None else _float(temperature),
            None if limit is None else _float(limit),
            checks_of(visit, row),
        )
    return found


def _without_files(kit: str) -> str:
    """The kit's text without the names of files that may not be there any more; the solved terms are in the record."""
    return "\n".join(line for line in kit.splitlines() if not line.strip().startswith("touchstone"))


def _float(value: object) -> float:
    assert isinstance(value, int | float)
    return float(value)


def _rowid(cursor: sqlite3.Cursor) -> int:
    assert cursor.lastrowid is not None
    return cursor.lastrowid
