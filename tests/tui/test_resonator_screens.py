"""The screens of a single cavity and of a band-pass side by keys; what they say is followed on the bench, all within
80 x 24."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import pytest

from protocol.profiles.profile import load_profile
from tests.tui.page_hand import PageHand
from tests.tui.test_calibration_screen import make_app, no_signals
from tests.visit.far_visit import SITES
from tests.visit.stations import table
from tui.drawing.marks import MarkSet
from tui.screens.app import DeepnotchApp
from tui.screens.cavity_screen import CavityScreen
from tui.screens.live_screen import LiveScreen
from tui.screens.resonator_screen import ResonatorScreen
from visit.figures.resonators import band_sights
from visit.figures.run_figures import RunFigures
from visit.run.conductor import Phase, RunOrder
from visit.run.tool import Tool
from visit.site.hookup import HookUp
from visit.site.presets import wide
from visit.site.site import parse_site

pytestmark = pytest.mark.usefixtures("no_signals")
__all__ = ["no_signals"]


async def test_a_cavity_is_measured_and_told_what_to_turn(tmp_path: Path) -> None:
    with table(tmp_path, "demo-450", "U6", "--floor", "-85") as bench:
        bench.bench.say("cavity notch 451e6 5000 800")
        app = make_app(bench, profile_corrects=True)
        async with app.run_test(size=(80, 24)) as pilot:
            hand = PageHand(pilot)
            await hand.until(lambda: bench.station.state().progress.phase is Phase.COMPLETE)
            await hand.press("X")
            await hand.until(lambda: isinstance(app.screen, CavityScreen) and "both ports" in hand.shown())
            await hand.typed("d", "25")
            await hand.typed("f", "451")
            await hand.until(lambda: "taking 25 dB" in hand.shown())
            await hand.press("m")
            await hand.until(lambda: "a notch cavity at INFERRED" in hand.shown())
            await hand.whole(lambda: "too loose" in hand.shown())
            await hand.press("m")  # closer now, for it is known where it stands
            await hand.press("o")
            await hand.until(lambda: "one port" in hand.shown())
            await hand.typed("l", "much")
            await hand.whole(lambda: "is not a number of dB" in hand.shown())


async def test_a_band_pass_side_is_turned_by_its_screen(tmp_path: Path) -> None:
    with table(tmp_path, "demo-460", "B4", "--floor", "-80") as bench:
        bench.bench.say("turn L 2 +400kHz")
        app = make_app(bench, profile_corrects=True)
        async with app.run_test(size=(80, 24)) as pilot:
            hand = PageHand(pilot)
            await hand.until(lambda: bench.station.state().progress.phase is Phase.COMPLETE)
            assert isinstance(app.screen, LiveScreen)
            app.screen._tool.freeze("as found")
            await hand.press("x")
            await hand.until(lambda: isinstance(app.screen, ResonatorScreen) and "hook-up L>A" in hand.shown())
            await hand.press("t")
            await hand.whole(lambda: "resonator 3 down by" in hand.shown())
            assert "OFF" in hand.shown() and "INFERRED" in hand.shown()
            (sight,) = band_sights(RunFigures(bench.station.visit.file))
            bench.bench.say(f"turn L 2 {sight.deed.by_hz:+.0f}")
            await hand.press("t")
            await hand.whole(lambda: "lock the nuts" in hand.shown())
            await hand.press("h")
            await hand.whole(lambda: "HIGH SIDE" in hand.shown() and "lead 1 on port H" in hand.shown())


async def test_levels_of_a_second_witness_are_asked_for_in_order(tmp_path: Path) -> None:
    with table(tmp_path, "demo-450", "U6", "--floor", "-85") as bench:
        app = make_app(bench, profile_corrects=True)
        async with app.run_test(size=(80, 24)) as pilot:
            hand = PageHand(pilot)
            await hand.until(lambda: bench.station.state().progress.phase is Phase.COMPLETE)
            await hand.press("W")
            await hand.until(lambda: "leads joined, source on: type its level" in hand.shown())
            for level, following in (
                ("-10", "the duplexer between"),
                ("-30", "the same, source off"),
                ("-110", "on a load"),
            ):
                await hand.typed("n", level)
                await hand.until(partial(_above, hand, following))
            await hand.typed("n", "-100")
            await hand.whole(lambda: "CONTRADICTION" in hand.shown())
            await hand.typed("m", "90")
            await hand.whole(lambda: "two numbers" in hand.shown())
            await hand.typed("m", "90 1.5")
            await hand.whole(lambda: "maker's loss 1.5 dB" in hand.shown())


def _above(hand: PageHand, words: str) -> bool:
    """Whether words stand above what was typed."""
    return words in hand.shown().partition("TYPED")[0]


async def test_a_site_that_is_one_cavity_opens_its_page(tmp_path: Path) -> None:
    """Nothing is frozen first, and no other side is asked for."""
    text = (SITES / "demo-450.toml").read_text("utf-8").replace('"band-reject"', '"single-cavity"')
    plan = parse_site(text, Path("site.toml"))
    with table(tmp_path, "demo-450", "U6", "--floor", "-85", plan=plan) as bench:
        bench.bench.say("cavity pass 450.1e6 5000 3000 3000")
        bench.bench.say("connect cavity")
        tool = Tool(plan, load_profile("scpi"), bench.station, bench.bench)
        order = RunOrder(HookUp.parse(plan.first_hookup), wide(plan), 4)
        app = DeepnotchApp(LiveScreen(tool, order, MarkSet.ASCII))
        async with app.run_test(size=(80, 24)) as pilot:
            hand = PageHand(pilot)
            await hand.until(lambda: bench.station.state().progress.phase is Phase.COMPLETE)
            await hand.press("x")
            await hand.until(
                lambda: isinstance(app.screen, CavityScreen) and "a pass cavity at INFERRED" in hand.shown()
            )
            await hand.whole(lambda: "without the pull of its loops" in hand.shown())
