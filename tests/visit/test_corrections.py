"""A wrong entry at the screw is told anew or struck out; what was entered first stays in the file and in the report."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Iterator
from pathlib import Path

import pytest

from protocol.errors import RequestError
from rf.values.figure import cant_say, inferred
from rf.values.words import as_json
from tests.visit.simulated_visits import SimulatedVisit, fitted_once
from visit.day.nudges import TURN, Told, correct, ledger, strike, whole_ledger
from visit.day.turn_words import count_words, did_words
from visit.record.opening import RecordError
from visit.record.visit_file import VisitFile
from visit.report.report import build_report


def add_turn(visit: VisitFile, cavity: int | None, moved_hz: float, side: str = "L") -> None:
    """A row as `add_nudge` writes it, between runs that are there."""
    moved = inferred(moved_hz, moved_hz - 2e3, moved_hz + 2e3, "Hz")
    place = inferred(455e6, 455e6 - 2e3, 455e6 + 2e3, "Hz")
    figures = {"before": as_json(place), "after": as_json(place), "moved": as_json(moved), "misfit": 1.0}
    visit.add_row(
        "nudge",
        {"at_s": 1e9, "side": side, "cavity": cavity, "screw": "rod", "direction": "clockwise", "turns": 0.25,
         "before_run": 1, "after_run": 1, "figures": json.dumps(figures)},
    )  # fmt: skip


@pytest.fixture
def visit(tmp_path: Path) -> Iterator[VisitFile]:
    with fitted_once():
        made = SimulatedVisit(tmp_path / "a.visit", 1).file
    for cavity, moved_hz in ((1, 12e3), (2, -20e3), (None, 5e3)):
        add_turn(made, cavity, moved_hz)
    yield made
    made.close()


def test_a_turn_told_anew_counts_as_that_and_keeps_its_first_entry(visit: VisitFile) -> None:
    correct(visit, 2, Told(3, "trimmer", 'out, "a bit"', 0.125))
    correct(visit, 2, Told(4, "rod", "a little  towards the wall", None))
    row = ledger(visit)[1]
    assert row.told == Told(4, "rod", "a little towards the wall", None)
    assert row.first == Told(2, "rod", "clockwise", 0.25) and row.moved_hz == -20e3
    assert [(one.number, one.first) for one in ledger(visit) if one.number != 2] == [(1, None), (3, None)]
    assert visit.rows("select cavity, turns from nudge where id = 2") == [(2, 0.25)], "the row itself stays"


def test_what_was_no_turn_counts_for_nothing_and_stays_with_its_reason(visit: VisitFile) -> None:
    strike(visit, 1, "  t pressed by   mistake ")
    assert [row.number for row in ledger(visit)] == [2, 3]
    assert [row.struck for row in whole_ledger(visit)] == ["t pressed by mistake", "", ""]
    lines = build_report(visit).nudges
    assert len(lines) == 3 and lines[0].endswith("STRUCK OUT, no turn: t pressed by mistake")
    assert any("On the low side: 2 turns of" in line for _, part in build_report(visit).summary for line in part)
    with pytest.raises(RequestError, match="struck out already"):
        correct(visit, 1, Told(1))


def test_the_report_says_what_was_entered_first(visit: VisitFile) -> None:
    correct(visit, 1, Told(2, "rod", "anticlockwise", 0.5))
    line = build_report(visit).nudges[0]
    assert "cavity 2, rod: 0.5 turn anticlockwise: moved INFERRED +12" in line
    assert line.endswith("(entered at first as cavity 1, rod: 0.25 turn clockwise)")


def test_a_correction_that_says_nothing_is_refused(visit: VisitFile) -> None:
    with pytest.raises(RequestError, match="with its reason"):
        strike(visit, 1, "  ")
    with pytest.raises(RequestError, match="no turn 9"):
        correct(visit, 9, Told(1))
    with pytest.raises(RequestError, match="shorter"):
        strike(visit, 1, "x" * 500)
    assert visit.rows("select count(*) from remark where kind = ?", (TURN,)) == [(0,)]


@pytest.mark.parametrize("words", ['turn 1 told anew: cavity=9 turns=- screw="rod" direction=""', "turn", "turn 1 x"])
def test_a_correction_that_was_tampered_with_is_damage(visit: VisitFile, words: str) -> None:
    visit.remark(TURN, words, 1e9)
    with pytest.raises(RecordError):
        ledger(visit)


def test_a_turn_that_only_the_skirts_show_is_told_so(visit: VisitFile) -> None:
    """The mean of three went by 100 kHz: one zero by three times as much; a row without any of both says nothing."""
    row = ledger(visit)[0]
    unseen = as_json(cant_say("Hz", "hidden by the noise"))
    means = (as_json(inferred(value, value - 2e4, value + 2e4, "Hz")) for value in (1e4, 1.1e5))
    figures = {**row.figures, "moved": unseen, **dict(zip(("mean_before", "mean_after"), means, strict=True))}
    told = did_words(dataclasses.replace(row, figures=figures), 3)
    assert told.startswith("moved by the skirts INFERRED +300 ") and told.endswith("kHz")
    hidden = dataclasses.replace(row, figures={**row.figures, "moved": unseen})
    assert did_words(hidden, 3) == "movement not determined"
    assert count_words(ledger(visit)[:2]) == "2 turns of 2 screws" and count_words([row]) == "1 turn of 1 screw"
