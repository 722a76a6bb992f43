"""The feeder's screen by keys: power first, then sweeps with antenna, open and shorted end; all within 80 x 24."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.tui.page_hand import PageHand
from tests.tui.test_calibration_screen import make_app, no_signals
from tests.visit.stations import table
from tui.screens.feeder_screen import FeederScreen
from tui.screens.live_screen import LiveScreen
from visit.run.conductor import Phase
from visit.site.presets import wide

pytestmark = pytest.mark.usefixtures("no_signals")
__all__ = ["no_signals"]


async def test_power_first_then_match_loss_and_places(tmp_path: Path) -> None:
    with table(tmp_path, "demo-450", "U6", "--floor", "-85") as bench:
        for line in ("feeder 40 0.88 2.15 4.45 0.02", "antenna 20 452.5e6", "kink 12.5 20"):
            bench.bench.say(line)
        app = make_app(bench, profile_corrects=True)
        async with app.run_test(size=(80, 24)) as pilot:
            hand = PageHand(pilot)
            shown, whole, typed = hand.shown, hand.whole, hand.typed

            async def swept(key: str, name: str) -> None:
                await hand.press(key)
                await hand.until(lambda: f"{name}: complete, 10 sweeps" in shown())

            await hand.until(lambda: bench.station.state().progress.phase is Phase.COMPLETE)
            await hand.press("a")
            await hand.until(lambda: isinstance(app.screen, FeederScreen) and "FIRST" in shown())
            await hand.press("a")
            await whole(lambda: "first write down the incoming power" in shown())
            await typed("p", "12")
            await hand.press("o")
            await hand.until(lambda: "12 dBm come down the feeder" in shown())
            await typed("p", "-35")
            await swept("a", "antenna")
            await hand.until(lambda: "MATCH  450.0000 MHz return loss READING" in shown() and "ALONG" in shown())
            await swept("o", "feeder-open")
            await swept("s", "feeder-short")
            await typed("c", "hard-1/2")
            await typed("m", "40 feet")
            await hand.until(lambda: "is not a number of m" in shown())
            await typed("m", "40")
            await whole(lambda: "they agree" in shown() and "BEFORE THE END" in shown())
            assert "-35 dBm" in shown()
            await hand.press("escape")
            await hand.until(lambda: isinstance(app.screen, LiveScreen))
            # The live screen goes on with the feeder; back on the duplexer the sweep is the duplexer's again.
            assert "on the leads, no duplexer" in hand.text()


async def test_levels_come_from_within_a_calibration_that_does_not_reach_over_the_places(tmp_path: Path) -> None:
    with table(tmp_path, "demo-450", "U6", "--floor", "-85", raw=True) as bench:
        bench.calibrate(wide(bench.site))
        bench.bench.say("antenna 20 452.5e6")
        app = make_app(bench, profile_corrects=False)
        async with app.run_test(size=(80, 24)) as pilot:
            hand = PageHand(pilot)
            await hand.until(lambda: isinstance(app.screen, LiveScreen))
            await hand.press("a")
            await hand.until(lambda: isinstance(app.screen, FeederScreen))
            await hand.typed("p", "-35")
            await hand.press("a")
            await hand.until(lambda: "MATCH  450.0000 MHz return loss READING" in hand.shown())
            await hand.whole(lambda: "echo at INFERRED" in hand.shown())
