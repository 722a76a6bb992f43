"""From the screen: a wrong entry of the ledger corrected, the report read and written, visits listed and renamed."""

from __future__ import annotations

from pathlib import Path

import pytest
from textual.widgets import Input, OptionList

from tests.tui.picture import first_order, load
from tests.tui.states import states
from tests.tui.test_nothing_is_cut import SIZES, a_tool, own_world, shown
from tests.tui.whole import cells, faults
from tests.visit.simulated_visits import SimulatedVisit, fitted_once
from tests.visit.test_corrections import add_turn
from tui.drawing.marks import MarkSet
from tui.screens.live_screen import LiveScreen
from tui.screens.report_dialog import ReportDialog
from tui.screens.tune_screen import TuneScreen
from tui.screens.turns_dialog import TurnsDialog
from visit.day.nudges import Told
from visit.record.visit_file import VisitFile

__all__ = ["own_world"]


@pytest.mark.parametrize("size", SIZES)
async def test_a_wrong_turn_is_corrected_at_the_screw(size: tuple[int, int], tmp_path: Path) -> None:
    state = states()[1]
    with a_tool(tmp_path, state) as tool:
        file = tool.visit.file
        file._connection.execute("pragma foreign_keys = off")  # rows of a ledger without their runs
        for cavity in (1, 2, 3):
            add_turn(file, cavity, 1e3 * cavity, "L")
        add_turn(file, 1, 5e3, "H")
        async with shown(TuneScreen(tool, first_order(state), MarkSet.BRAILLE), size) as (app, pilot):
            await pilot.press("c")
            await pilot.pause()
            assert isinstance(app.screen, TurnsDialog) and faults(app) == []
            assert app.screen.query_one(OptionList).option_count == 3, "the other side's turn is none of this one's"
            await pilot.press("down", "enter")
            await pilot.pause()
            assert faults(app) == []
            field = app.screen.query_one("#line", Input)
            field.value = "none"
            await pilot.press("enter")
            await pilot.pause()
            assert "! why was it no turn?" in "\n".join(cells(app)) and faults(app) == []
            field.value = "4 trimmer 0.5 out"
            await pilot.press("enter")
            await pilot.pause()
            assert isinstance(app.screen, TuneScreen) and "corrected; the first entry stays" in "\n".join(cells(app))
            await pilot.press("c", "enter")
            await pilot.pause()
            app.screen.query_one("#line", Input).value = "none: pressed by mistake"
            await pilot.press("enter")
            await pilot.pause()
        rows = tool.visit.turns()
        assert rows[1].told == Told(4, "trimmer", "out", 0.5) and rows[1].first == Told(2, "rod", "clockwise", 0.25)
        assert [row.struck for row in rows] == ["", "", "pressed by mistake", ""]


@pytest.mark.parametrize("size", SIZES)
async def test_the_report_is_read_and_written_from_the_screen(size: tuple[int, int], tmp_path: Path) -> None:
    with fitted_once():
        made = SimulatedVisit(tmp_path / "b.visit", 2)
    made.file.close()
    state = states()[0]
    with a_tool(tmp_path, state) as tool:
        tool.visit.file.close()
        tool.visit.file = VisitFile.open(tmp_path / "b.visit")
        async with shown(LiveScreen(tool, first_order(state), MarkSet.BRAILLE), size) as (app, pilot):
            await pilot.press("r")
            assert isinstance(app.screen, ReportDialog)
            await app.workers.wait_for_complete()
            await pilot.pause()
            page = "\n".join(cells(app))
            assert "w writes it as a page" in page and faults(app) == []
            await pilot.press("w")
            await pilot.pause()
            assert "written: " in "\n".join(cells(app)) and faults(app) == []
            await pilot.press("q")
        tool.visit.file.close()
    text = (tmp_path / "b.html").read_text()
    assert text.startswith("<!DOCTYPE html>") and load().name in text
