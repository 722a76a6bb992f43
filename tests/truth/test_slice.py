"""A small slice of the grid and of the probes: what must hold on any bench, with the same seeds every time."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.truth.cases import grid
from tests.truth.holes import BEYOND_DB, PROBES, WIDE, prepared, probe
from tests.truth.running import run_case
from tests.truth.tables import Line, page, wilson

pytestmark = pytest.mark.timeout(300)  # ten seconds of a core, on a machine that may have other work

CASES = 12
FIGURES = {"place", "loss", "return loss, reject", "unloaded Q"}
UNITS = ("band-reject_440-445q_2", "mixed_150.0-150.6_2")


@pytest.fixture(scope="module")
def lines(tmp_path_factory: pytest.TempPathFactory) -> list[Line]:
    folder = tmp_path_factory.mktemp("truth")
    small = (case for case in grid(240, 11, ("band-reject", "mixed")) if case.cavities == 2 and "A" in case.hookup)
    return [run_case(case, folder, 0.0) for case, _ in zip(small, range(CASES), strict=False)]


@pytest.fixture(scope="module")
def probes() -> list[dict[str, Any]]:
    units = [prepared(name, 1) for name in UNITS]
    return [probe(unit, name, seed) for unit in units for name in PROBES if name not in WIDE for seed in range(2)]


def test_no_case_is_without_figures_and_none_faults(lines: list[Line]) -> None:
    assert len(lines) == CASES
    assert [line.get("fault") for line in lines if "fault" in line] == []
    assert sum(line["runs"] for line in lines) > 2 * CASES


def test_intervals_hold_the_truth_as_often_as_they_say(lines: list[Line]) -> None:
    for figure in FIGURES:
        said = [row["covered"] for line in lines for row in line["rows"]
                if row["figure"] == figure and row["covered"] is not None and not line["beyond"]]  # fmt: skip
        assert len(said) >= 5, figure
        assert wilson(sum(said), len(said))[1] >= 0.93, (figure, said)


def test_nothing_passes_without_condition_that_misses_its_goal_by_a_hair(lines: list[Line]) -> None:
    asked = [
        verdict for line in lines for _, goal, step, verdict in line["verdicts"] if goal == "rejection" and step > 0
    ]
    assert len(asked) >= 3 * CASES
    assert asked.count("pass") <= 1


def test_no_probe_wins_a_pass(probes: list[dict[str, Any]]) -> None:
    asked = [(line["probe"], verdict) for line in probes for _, _, verdict, _ in line["goals"]]
    assert len(asked) >= 40 * len(BEYOND_DB)
    assert [name for name, verdict in asked if verdict == "pass"] == []


def test_a_surveyed_bench_reads_no_better_than_it_is(probes: list[dict[str, Any]]) -> None:
    sound = [line for line in probes if "no survey" not in line["probe"] and "rejection" in line]
    assert len(sound) >= 36
    assert sum(line["rejection"][2] > 0.0 for line in sound) <= 0.05 * len(sound)


def test_the_page_lists_a_cell_that_fails() -> None:
    row = {"figure": "loss", "kind": "reading", "covered": False, "err": 1.0, "half": 0.1, "eager": True, "why": ""}
    line = {
        "unit": "u", "kind": "band-reject", "cavities": 2, "hookup": "A>L", "errors": "none", "leak": "none",
        "floor_db": -70.0, "averages": 4, "detune": 0.0, "told": True, "beyond": [], "runs": 1, "stopped": [],
        "rows": [row], "verdicts": [["wide", "loss", 0.005, "pass"]], "seconds": {"wide": [0.1]},
    }  # fmt: skip
    made = page([{**line, "number": number} for number in range(40)], [], "command")
    assert "| loss | errors: none | 40 | 0.0 | 100.0 | 1 | covered too seldom |" in made
    assert "| wide: loss | errors: none | 40 | 100.0 | 0.0 |" in made


def test_a_case_is_the_same_every_time(lines: list[Line], tmp_path: Path) -> None:
    case = next(case for case in grid(240, 11, ("band-reject", "mixed")) if case.number == lines[0]["number"])
    again = run_case(case, tmp_path, 0.0)
    assert {**again, "seconds": 0} == {**lines[0], "seconds": 0}
