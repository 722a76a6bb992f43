"""The screens of gains and of the desense test by keys, within 80 x 24: nothing is keyed while the analyzer sweeps."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.tui.page_hand import PageHand
from tests.tui.test_calibration_screen import make_app, no_signals
from tests.visit.stations import table
from tests.visit.test_parts import part_file
from tui.screens.desense_screen import DesenseScreen
from tui.screens.gain_screen import GainScreen
from tui.screens.live_screen import LiveScreen
from tui.screens.parts_screen import PartsScreen
from visit.run.conductor import Phase

pytestmark = pytest.mark.usefixtures("no_signals")
__all__ = ["no_signals"]


async def test_gains_and_four_levels_by_keys(tmp_path: Path) -> None:
    isolator = part_file(tmp_path, "isolator", 0.6, 27.0)
    with table(tmp_path, "demo-450", "U6", "--floor", "-85") as bench:
        bench.bench.say(f"part {isolator}")
        app = make_app(bench, profile_corrects=True)
        async with app.run_test(size=(80, 24)) as pilot:
            hand = PageHand(pilot)
            shown, whole, typed = hand.shown, hand.whole, hand.typed

            await hand.until(lambda: bench.station.state().progress.phase is Phase.COMPLETE)
            await hand.press("m")
            await hand.until(lambda: isinstance(app.screen, GainScreen) and "power first" in shown())
            await typed("p", "50")
            await whole(lambda: "HEARS" in shown() and "ASSUMED" in shown() and "MEASURED LAST" in shown())
            await hand.press("t")
            await hand.until(lambda: isinstance(app.screen, DesenseScreen) and "SET UP" in shown())
            await typed("enter", "what?")
            await hand.until(lambda: "take it off first" in shown())
            await typed("enter", "off")
            for level in ("-118", "-117.5", "-118", "-108"):
                await typed("enter", level)
            await whole(lambda: "in order" in shown() and "arrester" in shown())
            assert "turn no screw for it" in shown()
            await hand.press("w")
            await whole(lambda: "DESENSE TEST AFTER" in shown())
            await hand.press("enter")
            await hand.until(lambda: "first step" in shown())
            await hand.press("escape")
            await hand.until(lambda: isinstance(app.screen, GainScreen) and "SEEN" in shown())
            await hand.press("c")
            await whole(lambda: isinstance(app.screen, PartsScreen) and "no further parts" in shown())
            await hand.press("n")
            await hand.until(lambda: "nothing was measured yet" in shown())
            await hand.press("m")
            await hand.until(lambda: " part: run" in shown())
            await hand.press("t")
            await hand.until(lambda: "part-back: run" in shown())
            await typed("n", "iso1 magnet transmit")
            await hand.until(lambda: "a part is one of" in shown())
            await typed("n", "iso1 isolator transmit")
            await whole(lambda: "transmitter to duplexer:" in shown() and "iso1 is kept" in shown())
            await hand.press("escape")
            await hand.until(lambda: isinstance(app.screen, GainScreen))
            await hand.press("escape")
            await hand.until(lambda: isinstance(app.screen, LiveScreen))
        assert bench.station.visit.day().value("desense with antenna") == 10.0
