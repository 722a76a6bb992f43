"""Draws the pictures of the README: the demo's live screen and its tuning screen, measured through its device node.

Run by hand or by `make picture`: .venv/bin/python scripts/picture.py [FOLDER]
"""

from __future__ import annotations

import asyncio
import contextlib
import importlib.resources
import re
import sys
import tempfile
from collections.abc import AsyncIterator, Callable, Sequence
from pathlib import Path

from textual.pilot import Pilot
from textual.widgets import Static

from protocol.profiles.profile import load_profile
from protocol.simulated.bench import start_bench
from tui.drawing.marks import MarkSet
from tui.screens.app import DeepnotchApp
from tui.screens.live_screen import LiveScreen
from tui.screens.tune_screen import TuneScreen
from visit.run.conductor import Phase, RunOrder, new_visit
from visit.run.station import Station
from visit.run.tool import Tool
from visit.site.hookup import HookUp
from visit.site.presets import wide
from visit.site.site import load_site

PATIENCE_S = 240.0
TURN = re.compile(r"DO +cavity (\d), rod: ([\d.]+) turns? (\w+)")
ABLE = re.compile(f"{TURN.pattern}|survey first")
HZ_PER_TURN = -180e3
"""What the screws of the picture do; the program has to find it out."""


@contextlib.asynccontextmanager
async def measured(
    site_name: str, unit: str, turns: Sequence[str], sweeps: int, size: tuple[int, int]
) -> AsyncIterator[tuple[DeepnotchApp, Pilot[bool], Tool]]:
    """The live screen on a detuned unit, its first run complete."""
    site_path = Path(str(importlib.resources.files("fixtures") / "sites" / site_name))
    site, profile = load_site(site_path), load_profile("scpi")
    order = RunOrder(HookUp("A", "L"), wide(site), sweeps)
    words = ["--unit", unit, "--speed", "0", "--seed", "7"]
    with tempfile.TemporaryDirectory() as folder, start_bench(words) as bench:
        visit = new_visit(Path(folder) / f"{site.name.lower().replace(' ', '-')}.visit", site, site_path.name)
        with Station(bench.node, profile, site, visit, order.hookup) as station:
            for turn in turns:
                bench.say(turn)
            tool = Tool(site, profile, station, bench)
            app = DeepnotchApp(LiveScreen(tool, order, MarkSet.BRAILLE))
            async with app.run_test(size=size) as pilot, asyncio.timeout(PATIENCE_S):

                def complete() -> bool:
                    state = station.state()
                    found = state.assessment
                    whole = found is not None and found.sweeps == sweeps and state.deed is not None
                    return state.progress.phase is Phase.COMPLETE and whole

                await until(pilot, complete)
                yield app, pilot, tool
        visit.close()


async def until(pilot: Pilot[bool], condition: Callable[[], bool]) -> None:
    """Look until it is so."""
    while not condition():
        await pilot.pause(0.2)
    await pilot.pause(1.0)


def save(app: DeepnotchApp, to: Path) -> None:
    """What stands on the screen, as a picture."""
    to.write_text(app.export_screenshot(title="deepnotch"), encoding="utf-8")
    print(to)


async def draw_live(to: Path) -> None:
    """Two cavities a little off, so that there is something to tune."""
    async with measured("demo-450.toml", "U6", ("turn L 1 +60kHz", "turn L 3 -20kHz"), 100, (100, 30)) as (app, _, _):
        save(app, to)


async def draw_tuning(to: Path) -> None:
    """Three cavities apart, their mean right: three turns as the screen asks for them."""
    turns = ("turn L 1 +60kHz", "turn L 2 -110kHz", "turn L 3 +35kHz")
    async with measured("demo-150.toml", "V6", turns, 16, (80, 24)) as (app, pilot, tool):
        await asyncio.to_thread(tool.freeze, "as found")
        await pilot.press("x")
        await until(pilot, lambda: isinstance(app.screen, TuneScreen))

        def shown() -> str:
            return str(app.screen.query_one("#text", Static).content)

        assert tool.bench is not None
        for _ in range(3):
            await until(pilot, lambda: bool(ABLE.search(shown())) and " looking" in shown())
            if "survey first" in shown():  # what leaks past the unit is bounded before the fine turns
                for key, words, hung in (("s", "on loads, then s", "loads"), ("s", "leads back on", "A L")):
                    await pilot.press(key)
                    await until(pilot, lambda words=words: words in shown())  # type: ignore[misc]
                    tool.bench.say(f"connect {hung}")
                await pilot.press("s")
                await until(pilot, lambda: TURN.search(shown()) is not None and " looking" in shown())
            told = TURN.search(shown())
            if told is None:
                break
            by_hz = float(told[2]) * HZ_PER_TURN * (1.0 if told[3] == "clockwise" else -1.0)
            await pilot.press("t")
            tool.bench.say(f"turn L {told[1]} {by_hz:.0f}")
            await pilot.press("t")
            await until(pilot, lambda: "LAST" in shown() and " looking" in shown())
        save(app, to)


def main() -> None:
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parents[1] / "docs"
    folder.mkdir(exist_ok=True)
    asyncio.run(draw_live(folder / "live-screen.svg"))
    asyncio.run(draw_tuning(folder / "tuning-screen.svg"))


if __name__ == "__main__":
    main()
