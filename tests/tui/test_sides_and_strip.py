"""Both sides at once with ages, words and verdicts; the strip of the notch's places while a screw is turned."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest

from rf.values.figure import cant_say, inferred
from rf.values.words import text
from tests.benchtop import IDEAL, make_unit, take
from tests.tui.picture import first_order
from tests.tui.states import states
from tests.tui.test_nothing_is_cut import SIZES, a_tool, own_world, shown
from tests.tui.whole import cells, faults
from tests.visit.simulated_visits import WIDE, SimulatedVisit, fitted_once
from tui.drawing.marks import MarkSet
from tui.drawing.side_lines import age_words, side_lines
from tui.drawing.strip import Place, strip_lines
from tui.screens.live_screen import LiveScreen
from tui.screens.sides_dialog import SidesDialog
from visit.figures.replay import Figures
from visit.figures.sides import SideState, sides_of
from visit.site.hookup import HookUp

__all__ = ["own_world"]


@pytest.fixture(scope="module")
def visit(tmp_path_factory: pytest.TempPathFactory) -> SimulatedVisit:
    """A low side that was swept, and a high side swept a thousand seconds later."""
    with fitted_once():
        made = SimulatedVisit(tmp_path_factory.mktemp("sides") / "a.visit", 3)
        sweeps = take(
            make_unit("U6"), (WIDE.start_hz, WIDE.stop_hz), 3, hookup="A>H", points=WIDE.points, seed=2, **IDEAL
        )
        s11, s21 = (np.array([getattr(one, name) for one in sweeps]) for name in ("s11", "s21"))
        made.write(WIDE, None, s11, s21, hookup=HookUp("A", "H"))
    return made


def test_each_side_has_its_age_its_words_and_its_verdicts(visit: SimulatedVisit) -> None:
    sides = sides_of(visit.file)
    assert [side.hookup.name for side in sides] == ["A>L", "A>H"]
    lines = side_lines(sides, visit.now_s + 120.0, 79)
    assert max(map(len, lines)) <= 79
    page = " ".join(" ".join(lines).split())
    assert "19 min ago, run 1," in page and "2 min ago, run 2," in page
    for side in sides:
        assert side.figures is not None
        for goal in side.figures.assessment.goals:
            for word in f"{text(goal.figure)} [{goal.words}]".split():
                assert word in page


def test_a_side_that_was_never_swept_says_so(tmp_path: Path) -> None:
    with fitted_once():
        sides = sides_of(SimulatedVisit(tmp_path / "a.visit", 4).file)
    lines = side_lines(sides, 2e9, 71)
    assert any("A>L  low side" in line and "A>H  high side" in line for line in lines)
    assert any("never swept: k, then this" in line for line in lines)
    assert sides[1].figures is None and any("CAN'T SAY" in line[38:] for line in lines)


@pytest.mark.parametrize("width", [79, 71, 69])
def test_no_column_runs_into_the_other(width: int) -> None:
    """Whatever the figures: what stands at the left of the second column is blank in every row."""
    for state in states()[5:80]:
        a = state.assessment
        assert a is not None
        mine = Figures(HookUp("A", "L"), a, (1, 12), notes=("runs 1 and 2 exclude each other: something moved",))
        sides = [SideState(HookUp("A", "L"), mine, 1.0), SideState(HookUp("A", "H"), dataclasses.replace(mine), 5e3)]
        second = 9 + (width - 11) // 2 + 2
        for line in side_lines(sides, 1e6, width):
            assert len(line) <= width and line[second - 2 : second].strip() == "", line


def test_an_age_is_said_in_its_own_unit() -> None:
    assert [age_words(s) for s in (-1.0, 12.0, 300.0, 7200.0)] == ["0 s ago", "12 s ago", "5 min ago", "2.0 h ago"]


@pytest.mark.parametrize("size", SIZES)
async def test_the_key_shows_both_sides(size: tuple[int, int], tmp_path: Path, visit: SimulatedVisit) -> None:
    state = states()[0]
    with a_tool(tmp_path, state) as tool:
        sides = sides_of(visit.file)
        tool.visit.sides = lambda: sides  # type: ignore[method-assign]
        async with shown(LiveScreen(tool, first_order(state), MarkSet.BRAILLE), size) as (app, pilot):
            await pilot.press("o")
            await app.workers.wait_for_complete()
            await pilot.pause()
            assert isinstance(app.screen, SidesDialog)
            page = "\n".join(cells(app))
            assert "REJECT" in page and "A>L  low side" in page and "A>H  high side" in page
            assert faults(app) == []


def about(khz: float, half: float) -> Place:
    return Place(100.0, inferred(khz * 1e3, (khz - half) * 1e3, (khz + half) * 1e3, "Hz"))


def test_the_strip_draws_place_and_interval_to_scale() -> None:
    places = [about(-100.0, 20.0), dataclasses.replace(about(50.0, 20.0), turning=True), about(0.0, 2.0)]
    lines = strip_lines(places, 165.0, 79, 8, MarkSet.BRAILLE)
    assert len(lines) == 4 and max(map(len, lines)) <= 79
    assert lines[0].startswith(" STRIP") and "-200" in lines[0] and "+200 kHz" in lines[0]
    middle = lines[1].index("│")
    assert lines[0][middle] == "0"
    half = middle - 8
    assert lines[1].index("o") == 8 + round(half - half / 2) and lines[1].startswith(" 1:05 ")
    assert lines[2].index("o") == 8 + round(half + half / 4) and " 1:05 t" in lines[2]
    assert lines[2].index("├") < lines[2].index("o") < lines[2].index("┤")
    assert lines[3][middle] == "o"
    for line, place in zip(lines[1:], places, strict=True):
        assert line.endswith(text(place.offset, signed=True))


def test_the_strip_keeps_the_newest_and_never_a_number_without_its_word() -> None:
    rng = np.random.default_rng(8)
    for _ in range(200):
        places = [
            Place(float(n), cant_say("Hz", "no skirts"))
            if rng.random() < 0.2
            else about(float(rng.uniform(-2000, 2000)), float(10.0 ** rng.uniform(-1, 4)))
            for n in range(int(rng.integers(1, 30)))
        ]
        for width in (79, 71):
            lines = strip_lines(places, 1e4, width, 6, MarkSet.ASCII)
            assert len(lines) == min(len(places), 5) + 1 and max(map(len, lines)) <= width
            assert all(("INFERRED" in line) != ("CAN'T SAY" in line) for line in lines[1:])
            assert all(line.isascii() for line in lines)
    assert strip_lines([], 0.0, 79, 6, MarkSet.ASCII) == [" STRIP  no whole look yet"]
