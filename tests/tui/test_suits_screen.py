"""The screen of the analyzer by keys, within 80 x 24: typed, refused, shown whole."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.tui.page_hand import PageHand
from tests.tui.test_calibration_screen import make_app, no_signals
from tests.visit.stations import table
from tui.screens.live_screen import LiveScreen
from tui.screens.suits_screen import SuitsScreen
from visit.run.conductor import Phase

pytestmark = pytest.mark.usefixtures("no_signals")
__all__ = ["no_signals"]


async def test_the_sheet_by_keys(tmp_path: Path) -> None:
    with table(tmp_path, "demo-450", "U6") as bench:
        app = make_app(bench, profile_corrects=True)
        async with app.run_test(size=(80, 24)) as pilot:
            hand = PageHand(pilot)
            shown, whole, typed = hand.shown, hand.whole, hand.typed
            await hand.until(lambda: bench.station.state().progress.phase is Phase.COMPLETE)
            await hand.press("A")
            await hand.until(lambda: isinstance(app.screen, SuitsScreen) and "PERHAPS" in shown())
            await typed("f", "190@1000")
            await hand.until(lambda: "kTB" in shown())
            await typed("f", "70@1000")
            await whole(lambda: "PERHAPS" in shown() and "POOL" in shown() and "ASSUMED" in shown())
            assert "leak: not known" in " ".join(shown().split())
            await typed("l", "120")
            await whole(lambda: "GOOD ENOUGH" in shown() and "POOL" in shown() and "ASSUMED" in shown())
            await typed("l", "70")
            await whole(lambda: "NOT good enough" in shown() and "jumper test" in shown())
            await hand.press("escape")
            await hand.until(lambda: isinstance(app.screen, LiveScreen))
