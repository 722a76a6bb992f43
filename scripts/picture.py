"""Draws the picture of the live screen that stands in the README: the demo, measured through its device node.

Run by hand or by `make picture`: .venv/bin/python scripts/picture.py [FILE.svg]
"""

from __future__ import annotations

import asyncio
import importlib.resources
import sys
import tempfile
from pathlib import Path

from protocol.profiles.profile import load_profile
from protocol.simulated.bench import start_bench
from tui.drawing.marks import MarkSet
from tui.screens.app import DeepnotchApp
from tui.screens.live_screen import LiveScreen
from visit.run.conductor import Phase, RunOrder, new_visit
from visit.run.station import Station
from visit.run.tool import Tool
from visit.site.hookup import HookUp
from visit.site.presets import wide
from visit.site.site import load_site

SWEEPS = 100
PATIENCE_S = 120.0


async def draw(to: Path) -> None:
    site_path = Path(str(importlib.resources.files("fixtures") / "sites/demo-450.toml"))
    site, profile = load_site(site_path), load_profile("scpi")
    order = RunOrder(HookUp("A", "L"), wide(site), SWEEPS)
    with tempfile.TemporaryDirectory() as folder, start_bench(["--speed", "0", "--seed", "7"]) as bench:
        visit = new_visit(Path(folder) / "windmill-ridge.visit", site, site_path.name)
        with Station(bench.node, profile, site, visit, order.hookup) as station:
            # Two cavities a little off, so that there is something to tune.
            bench.say("turn L 1 +60kHz")
            bench.say("turn L 3 -20kHz")
            app = DeepnotchApp(LiveScreen(Tool(site, profile, station, bench), order, MarkSet.BRAILLE))
            async with app.run_test(size=(100, 30)) as pilot, asyncio.timeout(PATIENCE_S):
                while True:
                    state = station.state()
                    found = state.assessment
                    if state.progress.phase is Phase.COMPLETE and found is not None and found.sweeps == SWEEPS:
                        break
                    await pilot.pause(0.2)
                await pilot.pause(1.0)
                to.write_text(app.export_screenshot(title="deepnotch"), encoding="utf-8")
        visit.close()


def main() -> None:
    to = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parents[1] / "docs/live-screen.svg"
    to.parent.mkdir(exist_ok=True)
    asyncio.run(draw(to))
    print(to)


if __name__ == "__main__":
    main()
