"""From the screen: a wrong entry of the ledger corrected, the report read and written, visits listed and renamed."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from textual.widgets import Input, OptionList

from protocol.errors import RequestError
from tests.tui.picture import first_order, load
from tests.tui.states import states
from tests.tui.test_nothing_is_cut import SIZES, a_tool, own_world, shown
from tests.tui.whole import cells, faults
from tests.visit.simulated_visits import SimulatedVisit, fitted_once
from tests.visit.test_corrections import add_turn
from tui.drawing.marks import MarkSet
from tui.screens.day_screen import DayScreen
from tui.screens.live_screen import LiveScreen
from tui.screens.report_dialog import ReportDialog
from tui.screens.start_screen import StartScreen
from tui.screens.tune_screen import TuneScreen
from tui.screens.turns_dialog import TurnsDialog
from visit.day.nudges import Told
from visit.record.renaming import rename_visit
from visit.record.visit_file import VisitFile
from visit.run.set_up import SetUp
from visit.site.remembered import Memory

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


async def test_visits_are_listed_and_renamed_from_the_screen(tmp_path: Path) -> None:
    folder = tmp_path / "share/deepnotch"
    (folder / "sites").mkdir(parents=True)
    (folder / "sites/one.toml").write_text(load().source)
    for name in ("first", "second"):
        made = VisitFile.create(folder / f"{name}.visit", load(), "one.toml", 1.7e9)
        made.close()
    set_up = SetUp(Memory.load(), by_id=tmp_path)
    async with shown(StartScreen(set_up), (80, 24)) as (app, pilot):
        await pilot.press("m")
        await pilot.pause()
        assert "choose the visit first" in "\n".join(cells(app))
        await pilot.press("v")
        await pilot.pause()
        page = "\n".join(cells(app))
        assert "first.visit" in page and f"{load().name}, 0 runs" in page and faults(app) == []
        await pilot.press("down", "enter", "m")
        await pilot.pause()
        chosen = set_up.visit
        assert chosen is not None and app.screen.query_one(Input).value == chosen.stem and faults(app) == []
        for name, said in (("second" if chosen.stem == "first" else "first", "is there already"), ("a/b", "no name")):
            app.screen.query_one(Input).value = name
            await pilot.press("enter")
            await pilot.pause()
            assert said in "\n".join(cells(app)) and chosen.exists()
            await pilot.press("m")
            await pilot.pause()
        app.screen.query_one(Input).value = "heron bank, after the storm"
        await pilot.press("enter")
        await pilot.pause()
        assert "its name is heron bank, after the storm.visit now" in "\n".join(cells(app))
    new = folder / "heron bank, after the storm.visit"
    assert set_up.visit == new and not chosen.exists() and set_up.fits(new)
    assert len(list(folder.glob("*.visit*"))) == 2
    file = VisitFile.open(new, read_only=True)
    assert file.rows("select words from remark where kind = 'visit'") == [
        (f"renamed from {chosen.name} to {new.name}",)
    ]
    file.close()


def test_a_visit_that_is_open_keeps_its_name(tmp_path: Path) -> None:
    path = tmp_path / "a.visit"
    file = VisitFile.create(path, load(), "one.toml", 1.7e9)
    file.close()
    with pytest.raises(RequestError, match="bytes is too long"):
        rename_visit(path, "x" * 90)
    assert rename_visit(path, "a.visit") == path
    other = subprocess.Popen([sys.executable, "-c", HOLD, str(path)], stdout=subprocess.PIPE, stdin=subprocess.PIPE)
    assert other.stdout is not None and other.stdin is not None
    try:
        assert other.stdout.readline() == b"open\n"
        with pytest.raises(RequestError, match=str(other.pid)):
            rename_visit(path, "b")
    finally:
        other.communicate(b"\n")
    assert path.exists() and not (tmp_path / "b.visit").exists()
    assert rename_visit(path, "b") == tmp_path / "b.visit"


HOLD = """
import sys
from pathlib import Path
from visit.record.owner import register
from visit.record.visit_file import VisitFile
visit = VisitFile.open(Path(sys.argv[1]))
register(visit, "/dev/null")
print("open", flush=True)
sys.stdin.readline()
visit.close()
"""


async def test_the_live_screen_lists_the_visits(tmp_path: Path) -> None:
    state = states()[0]
    with a_tool(tmp_path, state) as tool:
        async with shown(LiveScreen(tool, first_order(state), MarkSet.BRAILLE), SIZES[1]) as (app, pilot):
            await pilot.press("h")
            await pilot.pause()
            page = "\n".join(cells(app))
            assert "> a.visit" in page and "0 runs" in page and faults(app) == []


async def test_any_arrow_goes_to_another_step_of_the_day(tmp_path: Path) -> None:
    with a_tool(tmp_path, states()[0]) as tool:
        async with shown(DayScreen(tool), (80, 24)) as (app, pilot):
            await pilot.press("1", "2", "right", "down", "left")
            await pilot.pause()
            assert "STEP 13" in "\n".join(cells(app))
