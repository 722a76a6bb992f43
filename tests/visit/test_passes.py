"""The pass by the rods, then the notches back by the trimmers: a hand on a made-up pass, and the words of each deed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from rf.values.figure import Figure, cant_say, inferred
from rf.values.words import as_json
from tests.visit.test_tuning import REJECT_HZ, at, turned
from visit.day.cavities import track
from visit.day.nudges import FOR_THE_PASS, TRIMMER, NudgeRow, Told
from visit.day.passes import PassLook, next_step
from visit.day.tuning import Advice, Deed, Tuning, advise

WIDTH_HZ = 20e3
RATE = (80e3, "in")


def plain(db: float) -> Figure:
    return inferred(db, db, db, "dB")


def returned_db(off_hz: np.ndarray) -> float:
    """A pass that is worse the farther its cavities stand from it, and from one another."""
    far = np.abs(off_hz).sum() / 150e3
    return float(-20.0 * np.log10(0.02 + 0.98 * far / (1.0 + far)))


def look(db: float, rows: list[NudgeRow], *, trimmed: bool = False, loss_db: float = 0.9) -> PassLook:
    return PassLook(
        plain(loss_db), plain(db), plain(db), 2.0, 15.0, tuple(rows), trimmed, dict.fromkeys((1, 2, 3), RATE)
    )


def made(cavity: int, turns: float, before: float, after: float) -> NudgeRow:
    figures = {"pass_before": as_json(plain(before)), "pass_after": as_json(plain(after)),
               **{name: as_json(cant_say("Hz", "")) for name in ("before", "after", "moved")}}  # fmt: skip
    return NudgeRow(0.0, "L", Told(cavity, FOR_THE_PASS, "clockwise", turns), 1, 2, figures)


@pytest.mark.parametrize("seed", range(8))
def test_the_rods_bring_the_pass_whatever_they_stood_at(seed: int) -> None:
    rng = np.random.default_rng(seed)
    off_hz, rows = rng.uniform(-100e3, 100e3, 3), list[NudgeRow]()
    for _ in range(40):
        before = returned_db(off_hz)
        step = next_step(look(before, rows), 3)
        if step is None:
            break
        turns = step.turns or abs(step.widths) * WIDTH_HZ / 80e3
        off_hz[step.cavity - 1] += np.sign(step.widths) * turns * 80e3 * rng.normal(1.0, 0.1)
        rows.append(made(step.cavity, turns, before, returned_db(off_hz)))
    assert returned_db(off_hz) >= 15.0 and len(rows) < 30


def test_nothing_is_turned_for_a_pass_that_is_met_or_that_no_rod_betters() -> None:
    assert next_step(look(18.0, []), 3) is None
    assert next_step(look(10.0, [], trimmed=True), 3) is None
    rows = list[NudgeRow]()
    while (step := next_step(look(10.0, rows), 1)) is not None:
        rows.append(made(step.cavity, 0.5, 10.0, 9.0))
        assert len(rows) < 10


def deed(passing: PassLook, rejection_db: float = 96.0) -> Advice:
    rows = [turned(k, 10e3, -8e3) for k in (1, 2, 3)]
    places = track(rows, REJECT_HZ, 3)
    now: Tuning = at(places, rejection_db, passing=passing)
    return advise(now)


def test_the_pass_comes_after_the_notches_and_the_trimmers_after_the_pass() -> None:
    first = deed(look(8.0, []))
    assert first.do.startswith("cavity 1, rod for the pass:") and "return loss INFERRED 8.0" in first.why
    assert first.told is not None and first.told.screw == FOR_THE_PASS
    assert first.told.direction == "in"  # the rod's word for its way, whatever the trimmers are told by
    assert "rod for the pass" not in deed(look(8.0, []), 60.0).do  # first the notches
    assert deed(look(18.0, [])).deed is Deed.PROVE
    rows = [turned(k, 10e3, -8e3) for k in (1, 2, 3)]
    after = replace(at(track(rows, REJECT_HZ, 3, trims=True), 70.0), passing=look(18.0, [made(1, 0.5, 8.0, 18.0)]))
    told = advise(after).told
    assert told is not None and told.screw == TRIMMER


def test_what_a_trimmer_does_is_no_turn_of_the_rod() -> None:
    rod, trimmer = turned(1, 60e3, 12e3), turned(1, 72e3, -30e3)
    trimmer = replace(trimmer, told=replace(trimmer.told, screw=TRIMMER))
    rods, trims = (track([rod, trimmer], REJECT_HZ, 3, trims=trims).cavity(1) for trims in (False, True))
    assert rods is not None and trims is not None
    assert rods.hz_per_turn == pytest.approx(48e3) and trims.hz_per_turn == pytest.approx(-120e3)
    assert rods.place.value == pytest.approx(trims.place.value) == pytest.approx(42e3, abs=1e3)
