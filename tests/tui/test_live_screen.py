"""The live screen under Textual's pilot: what stands where at 80x24 and 120x40, what the keys do, snapshots."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from textual.widgets import Input, OptionList

from tests.tui.picture import StillBench, StillStation, first_order, make_tool, picture
from tui.drawing.marks import MarkSet
from tui.drawing.rows import Rows
from tui.screens.app import DeepnotchApp
from tui.screens.dialogs import BenchDialog, HookUpDialog, SweepDialog
from tui.screens.live_screen import LiveScreen
from tui.screens.reading_dialogs import AskDialog, HelpDialog
from visit.run.live import LiveState
from visit.site.hookup import HookUp

SIZES = [(80, 24), (120, 40)]


@pytest.fixture(scope="module")
def state() -> LiveState:
    return picture()


def make_app(
    state: LiveState, bench: StillBench | None = None, marks: MarkSet = MarkSet.BRAILLE
) -> tuple[DeepnotchApp, StillStation]:
    tool, station = make_tool(state, bench)
    return DeepnotchApp(LiveScreen(tool, first_order(state), marks)), station


def shown(app: DeepnotchApp) -> list[str]:
    return [line for rows in app.screen.query(Rows) for line in rows.texts]


@pytest.fixture
def no_signals(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """The pilot shares its loop with pytest; the program's own signal handlers stay out of it."""
    monkeypatch.setattr("asyncio.unix_events._UnixSelectorEventLoop.add_signal_handler", lambda *_: None)
    yield


pytestmark = pytest.mark.usefixtures("no_signals")


@pytest.mark.parametrize("size", SIZES)
async def test_all_blocks_stand_inside_the_terminal(state: LiveState, size: tuple[int, int]) -> None:
    app, station = make_app(state)
    async with app.run_test(size=size) as pilot:
        await pilot.pause()
        for rows in app.screen.query(Rows):
            assert rows.region.bottom <= size[1]
            assert len(rows.texts) == rows.size.height, rows.id
        lines = shown(app)
        assert max(len(line.rstrip()) for line in lines) <= size[0]
        for word in ("AT LEAST", "NOTCH", "CLIPPED", "LOSS", "FLOOR", "SWEEPS", "PATH", "SAFETY", "q quit"):
            assert any(word in line for line in lines), word
        assert len(app.screen.query_one("#plot", Rows).texts) >= 6
    assert station.orders == [first_order(state)]


async def test_space_stops_and_starts(state: LiveState) -> None:
    app, station = make_app(state)
    async with app.run_test(size=SIZES[0]) as pilot:
        await pilot.press("space")
        assert station.stops == 1
        await pilot.press("space")
        assert len(station.orders) == 2


async def test_zoom_follows_the_fitted_bottom(state: LiveState) -> None:
    app, station = make_app(state)
    async with app.run_test(size=SIZES[0]) as pilot:
        await pilot.press("z")
        settings = station.orders[-1].settings
        assert (settings.start_hz + settings.stop_hz) / 2 == pytest.approx(455e6, abs=1.0)
        assert (
            30e3 < settings.stop_hz - settings.start_hz < 90e3
        )  # a quarter of a bottom about 244 kHz wide: 0.51 f / Q (study, F11)
        await pilot.press("w")
        assert (w := station.orders[-1].settings).stop_hz - w.start_hz == pytest.approx(20e6)


async def test_zoom_without_a_notch_explains_itself(state: LiveState) -> None:
    assert state.assessment is not None
    app, station = make_app(dataclasses.replace(state, assessment=None))
    async with app.run_test(size=SIZES[0]) as pilot:
        await pilot.press("z")
        assert len(station.orders) == 1
        assert len(app._notifications) == 1


async def test_more_sweeps(state: LiveState) -> None:
    app, station = make_app(state)
    async with app.run_test(size=SIZES[0]) as pilot:
        await pilot.press("n")
        assert station.orders[-1].planned_sweeps == 1000
        await pilot.press("n")
        assert station.orders[-1].planned_sweeps is None


async def test_edit_refuses_nonsense_and_takes_numbers(state: LiveState) -> None:
    app, station = make_app(state)
    async with app.run_test(size=SIZES[0]) as pilot:
        await pilot.press("e")
        assert isinstance(app.screen, SweepDialog)
        app.screen.query_one("#points", Input).value = "many"
        await pilot.press("enter")
        assert isinstance(app.screen, SweepDialog)
        assert len(station.orders) == 1
        app.screen.query_one("#points", Input).value = "201"
        app.screen.query_one("#start", Input).value = "454,5"
        app.screen.query_one("#sweeps", Input).value = ""
        await pilot.press("enter")
        await pilot.pause()
        assert isinstance(app.screen, LiveScreen)
    made = station.orders[-1]
    assert (made.settings.points, made.settings.start_hz, made.planned_sweeps) == (201, 454.5e6, None)


async def test_edit_left_with_escape_changes_nothing(state: LiveState) -> None:
    app, station = make_app(state)
    async with app.run_test(size=SIZES[0]) as pilot:
        await pilot.press("e", "escape")
        await pilot.pause()
        assert isinstance(app.screen, LiveScreen)
        assert len(station.orders) == 1


async def test_hook_up_moves_the_simulated_leads_too(state: LiveState) -> None:
    bench = StillBench()
    app, station = make_app(state, bench)
    async with app.run_test(size=SIZES[0]) as pilot:
        await pilot.press("k")
        assert isinstance(app.screen, HookUpDialog)
        assert app.screen.query_one(OptionList).option_count == 8
        await pilot.press("down", "enter")
        await pilot.pause()
    assert station.orders[-1].hookup == HookUp("A", "H")
    assert bench.told == ["connect A H L=load", "pad 1 0", "pad 2 0", "amp 0", "jumper none"]
    assert station.stops == 1


async def test_bench_takes_words_and_shows_refusals(state: LiveState) -> None:
    bench = StillBench()
    app, _ = make_app(state, bench)
    async with app.run_test(size=SIZES[0]) as pilot:
        await pilot.press("b")
        assert isinstance(app.screen, BenchDialog)
        app.screen.query_one(Input).value = "turn L 1 +30kHz"
        await pilot.press("enter")
        app.screen.query_one(Input).value = "nonsense"
        await pilot.press("enter")
        assert "no such word" in str(app.screen.query_one("#fault").render())
        await pilot.press("escape")
    assert bench.told == ["turn L 1 +30kHz"]


async def test_no_bench_key_with_real_hardware(state: LiveState) -> None:
    app, _ = make_app(state)
    async with app.run_test(size=SIZES[0]) as pilot:
        await pilot.press("b")
        assert isinstance(app.screen, LiveScreen)
        assert not any("b bench" in line for line in shown(app))


async def test_help_names_every_key(state: LiveState) -> None:
    app, _ = make_app(state)
    async with app.run_test(size=SIZES[0]) as pilot:
        await pilot.press("question_mark")
        assert isinstance(app.screen, HelpDialog)
        await pilot.press("q")
        assert isinstance(app.screen, LiveScreen)


async def test_a_run_that_goes_on_is_not_left_unasked(state: LiveState) -> None:
    app, station = make_app(state)
    async with app.run_test(size=SIZES[0]) as pilot:
        await pilot.press("q")
        assert isinstance(app.screen, AskDialog)
        await pilot.press("q")  # once too often
        assert isinstance(app.screen, LiveScreen) and app.is_running and station.stops == 0
        await pilot.press("q", "enter")
        assert not app.is_running
    whole = dataclasses.replace(state, progress=dataclasses.replace(state.progress, done=100))
    # No question fits a terminal that is too small, and the last sweep of a run is its end.
    for now, size, running in ((state, SIZES[0], False), (state, (40, 10), True), (whole, SIZES[0], True)):
        app, station = make_app(now)
        async with app.run_test(size=size) as pilot:
            await pilot.pause()
            station.running = running
            await pilot.press("q")
            await pilot.pause()
            assert not app.is_running


async def test_only_changed_rows_are_painted_again(state: LiveState, monkeypatch: pytest.MonkeyPatch) -> None:
    """Known-problems 1 and 16: a thin line carries only what changed."""
    app, station = make_app(state)
    async with app.run_test(size=SIZES[0]) as pilot:
        await pilot.pause()
        painted: list[str] = []
        original: Callable[..., Any] = Rows.refresh

        def watched(self: Rows, *regions: Any, **more: Any) -> Any:
            painted.append(str(self.id))
            return original(self, *regions, **more)

        monkeypatch.setattr(Rows, "refresh", watched)
        assert isinstance(app.screen, LiveScreen)
        app.screen.look()
        assert painted == []
        station.shown = dataclasses.replace(state, progress=dataclasses.replace(state.progress, done=31))
        app.screen.look()
        assert painted == ["sweeps"]


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("marks", [MarkSet.BRAILLE, MarkSet.ASCII])
def test_snapshot(state: LiveState, size: tuple[int, int], marks: MarkSet, snap_compare: Any) -> None:
    app, _ = make_app(state, marks=marks)
    assert snap_compare(app, terminal_size=size)
