"""From power-up to a trusted thru reading through the screens, on a simulated analyzer that does not correct itself."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from pathlib import Path

import pytest

from protocol.errors import RequestError
from tests.tui.page_hand import Hand
from tests.visit.stations import Table, table
from tui.drawing.marks import MarkSet
from tui.screens.app import DeepnotchApp
from tui.screens.calibration_screen import CalibrationScreen
from tui.screens.live_screen import LiveScreen
from visit.figures.assessment import Role
from visit.run.conductor import RunOrder
from visit.run.tool import Tool
from visit.site.hookup import HookUp
from visit.site.presets import wide

pytestmark = pytest.mark.usefixtures("no_signals")
MOST_KEYS = 25


@pytest.fixture
def no_signals(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setattr("asyncio.unix_events._UnixSelectorEventLoop.add_signal_handler", lambda *_: None)
    yield


def make_app(bench: Table, *, profile_corrects: bool = False) -> DeepnotchApp:
    from protocol.profiles.profile import load_profile

    profile = dataclasses.replace(load_profile("scpi"), corrects_itself=profile_corrects)
    tool = Tool(bench.site, profile, bench.station, bench.bench)
    order = RunOrder(HookUp("A", "L"), wide(bench.site), 25)
    return DeepnotchApp(LiveScreen(tool, order, MarkSet.ASCII))


async def test_from_power_up_to_a_trusted_thru_in_25_keys(tmp_path: Path) -> None:
    """c, then Enter for each of short, open, load, thru and the proof, Enter to leave: 7 keys, and U6's loss is
    right."""
    with table(tmp_path, "demo-450", "U6", raw=True) as bench:
        app = make_app(bench)
        async with app.run_test(size=(80, 24)) as pilot:
            hand = Hand(pilot)
            await hand.until(lambda: "CAL none" in hand.text())
            await hand.press("c")
            await hand.until(lambda: isinstance(app.screen, CalibrationScreen))
            for number, kind in enumerate(("short", "open", "load", "thru", "proof"), 1):
                await hand.until(lambda n=number, k=kind: f"> {n} {k}" in hand.text())  # type: ignore[misc]
                assert max(map(len, hand.text().splitlines())) <= 80
                await hand.press("enter")
            await hand.until(lambda: "Calibrated and proved" in hand.text())
            assert "thru reads +0.0" in hand.text() or "thru reads -0.0" in hand.text()
            await hand.press("enter")
            await hand.until(lambda: isinstance(app.screen, LiveScreen) and "m ok" in hand.text())
            assert hand.keys <= MOST_KEYS
            assert hand.keys == 7
            checks = bench.station.visit.calibrator.checks
            assert [c.verified.part for c in checks] == ["thru"] and checks[0].verified.good
            bench.station.order(RunOrder(HookUp("A", "L"), wide(bench.site), 25)).result()
            await hand.until(lambda: bench.station.state().progress.done == 25)
        channel = bench.station.assess_now().channel(Role.PASS)
        assert channel is not None and channel.transmission.value == pytest.approx(1.36, abs=0.1)


async def test_a_wrong_standard_is_refused_and_the_cure_said(tmp_path: Path) -> None:
    """The thru was left on lead 1 when the load was asked for; measured again with the load it goes on."""
    with table(tmp_path, "demo-450", "U6", raw=True) as bench:
        app = make_app(bench)
        async with app.run_test(size=(80, 24)) as pilot:
            hand = Hand(pilot)
            await hand.press("c")
            for number, kind in enumerate(("short", "open"), 1):
                await hand.until(lambda n=number, k=kind: f"> {n} {k}" in hand.text())  # type: ignore[misc]
                await hand.press("enter")
            await hand.until(lambda: "> 3 load" in hand.text())
            # The simulated hands hang what the screen asks for; these hang the open again.
            say = bench.bench.say
            bench.bench.say = lambda line: say("connect open" if line == "connect load" else line)  # type: ignore[method-assign]
            await hand.press("enter")
            await hand.until(lambda: "is the load on lead 1" in hand.text())
            assert "> 3 load       NO" in hand.text()
            bench.bench.say = say  # type: ignore[method-assign]
            await hand.press("enter")
            await hand.until(lambda: "> 4 thru" in hand.text())
            await hand.press("escape")
            await hand.until(lambda: isinstance(app.screen, LiveScreen))
        assert bench.station.visit.calibrator.in_use is None  # an unfinished one changes nothing
        with pytest.raises(RequestError, match="thru not taken"):
            bench.station.visit.calibrator.finish()


async def test_isolation_says_what_it_costs(tmp_path: Path) -> None:
    """Scenario 28 on the screen: i tells what so few isolation sweeps would do, r leaves it out."""
    with table(tmp_path, "demo-450", "U6", raw=True) as bench:
        app = make_app(bench)
        async with app.run_test(size=(80, 24)) as pilot:
            hand = Hand(pilot)
            await hand.press("c")
            for number, kind in enumerate(("short", "open", "load", "thru"), 1):
                await hand.until(lambda n=number, k=kind: f"> {n} {k}" in hand.text())  # type: ignore[misc]
                await hand.press("enter")
            await hand.until(lambda: "> 5 proof" in hand.text())
            await hand.press("i")
            await hand.until(lambda: "> 5 isolation" in hand.text())
            assert "isolation calibration noisier than the result" in hand.text()
            assert "Enter takes 100" in " ".join(hand.text().split())
            await hand.press("enter")
            await hand.until(lambda: "> 6 proof" in hand.text())
            await hand.press("enter")
            await hand.until(lambda: "Calibrated and proved" in hand.text())
        calibration = bench.station.visit.calibrator.in_use
        assert calibration is not None and calibration.isolation_limit is not None


async def test_an_analyzer_that_corrects_itself_is_proved_by_a_thru(tmp_path: Path) -> None:
    """v: one known thru; then the load and a pad on request."""
    with table(tmp_path, "demo-450", "U6") as bench:
        app = make_app(bench, profile_corrects=True)
        async with app.run_test(size=(80, 24)) as pilot:
            hand = Hand(pilot)
            await hand.until(lambda: "CAL own" in hand.text())
            await hand.press("v")
            await hand.until(lambda: "> 1 proof" in hand.text())
            await hand.press("enter")
            await hand.until(lambda: "Calibrated and proved" in hand.text())
            await hand.press("p")
            await hand.until(lambda: "proof pad" in hand.text())
            await hand.press("enter")
            await hand.until(lambda: "pad reads -10.0" in hand.text())
            await hand.press("enter")
            await hand.until(lambda: isinstance(app.screen, LiveScreen))
        assert [c.verified.part for c in bench.station.visit.calibrator.checks] == ["thru", "pad"]
