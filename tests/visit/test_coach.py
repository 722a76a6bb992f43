"""The coach at the end of a rehearsal: what was hidden, found, done and left, by the visit and the bench."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from protocol.simulated.cases import CASES, CaseBench
from tests.benchtop import IDEAL, make_unit, take
from tests.protocol.simulated.test_cases import Lines
from tests.visit.simulated_visits import WIDE, SimulatedVisit
from visit.day.coach import Rehearsed, coach_lines
from visit.day.stages import AS_FOUND, freeze


def rehearsed(bench: CaseBench) -> Rehearsed:
    case = CASES[bench.case]
    return Rehearsed(case.title, case.found, case.signs, case.sides, tuple(bench.done), tuple(bench.left()))


def test_a_case_that_was_found_and_not_mended(tmp_path: Path) -> None:
    bench = CaseBench(Lines(), 0.6e6)
    bench.say("connect A H L=load")
    bench.say("case pair")
    visit = SimulatedVisit(tmp_path / "a.visit", 1)
    off = make_unit("U6", (600e3, -500e3, 0.0))
    sweeps = take(off, (WIDE.start_hz, WIDE.stop_hz), 12, points=WIDE.points, seed=3, **IDEAL)
    s11, s21 = (np.array([getattr(sweep, name) for sweep in sweeps]) for name in ("s11", "s21"))
    visit.write(WIDE, 12, s11, s21)
    said = "\n".join(coach_lines(visit.file, rehearsed(bench)))
    visit.file.close()
    assert "hidden  two cavities far off" in said and "missed" in said.partition("found   ")[2].splitlines()[0]
    assert "cavity 1 of the high side stands +132 kHz off" in said and "freeze as found (g)" in said
    assert "sweep the high side, too" in said


def test_a_lead_that_was_changed_is_out_of_the_way_and_nothing_was_turned(tmp_path: Path) -> None:
    bench = CaseBench(Lines(), 0.6e6)
    bench.say("connect A L H=load")
    bench.say("case cable")
    assert bench.left() == ['a damaged cable: nobody did "another lead 2"']
    bench.say("do leads")
    assert len(bench.left()) == 1
    bench.say("do lead")
    assert bench.left() == [] and bench.done == ["better leads, both", "another lead 2"]
    visit = SimulatedVisit(tmp_path / "a.visit", 1)
    freeze(visit.file, AS_FOUND)
    said = "\n".join(coach_lines(visit.file, rehearsed(bench)))
    visit.file.close()
    assert "left    nothing of it" in said and "another lead 2" in said and "for nothing" not in said
    assert "no sweep shows what was wrong" in said  # this visit's sweeps are of a whole lead
    assert "the rejection of the low side is not shown" in said
    assert max(len(line) for line in said.splitlines()) < 80  # a terminal breaks none of them


def test_a_screw_is_turned_as_badly_as_by_a_hand_and_the_right_way() -> None:
    lines = Lines()
    bench = CaseBench(lines, 0.6e6)
    bench.say("connect A L H=load")
    before = lines.instrument.unit.notch_hz("L")[1]
    for direction in ("clockwise", "anticlockwise"):
        bench.say(f"screw 2 0.5 {direction}")
    forth_and_back = abs(lines.instrument.unit.notch_hz("L")[1] - before)
    bench.say("screw 2 0.5 clockwise")
    once = abs(lines.instrument.unit.notch_hz("L")[1] - before)
    assert 0.0 < forth_and_back < once and once > 10e3
