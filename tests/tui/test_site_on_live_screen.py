"""The site edited from the live screen: kept in the visit with a remark; the screen ends, all is made anew for it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from textual.widgets import Input

from tests.visit.stations import table
from tui.drawing.marks import MarkSet
from tui.screens.app import DeepnotchApp
from tui.screens.live_screen import LiveScreen
from tui.screens.site_screen import SiteScreen
from visit.run.conductor import RunOrder
from visit.run.tool import Tool
from visit.site.hookup import HookUp
from visit.site.presets import wide


@pytest.fixture(autouse=True)
def no_signals(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Iterator[None]:
    monkeypatch.setattr("asyncio.unix_events._UnixSelectorEventLoop.add_signal_handler", lambda *_: None)
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "share"))
    yield


async def test_the_goal_is_changed_and_the_visit_says_so(tmp_path: Path) -> None:
    from protocol.profiles.profile import load_profile

    with table(tmp_path, "demo-450", "U6") as bench:
        tool = Tool(bench.site, load_profile("scpi"), bench.station, bench.bench)
        screen = LiveScreen(tool, RunOrder(HookUp("A", "L"), wide(bench.site), 5), MarkSet.ASCII)
        app = DeepnotchApp(screen)
        async with app.run_test(size=(80, 24)) as pilot:
            await pilot.press("s")
            await pilot.pause()
            assert isinstance(app.screen, SiteScreen)
            app.screen.query_one("#rejection", Input).value = "75"
            await pilot.press("f2")
            await pilot.pause()
        visit = bench.station.visit
        assert screen.edited and visit.file.site().goals.rejection_db == 75.0
        assert visit.file.site().call_sign == bench.site.call_sign
        assert visit.file.site_path.parent == tmp_path / "share/deepnotch/sites"
        said = visit.file.rows("select words from remark where kind = 'site'")
        assert said == [("edited: goal: rejection, dB: 90 -> 75",)]
