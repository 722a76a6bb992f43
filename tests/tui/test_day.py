"""A whole visit by keys: V6 detuned by hand, as found, nudges, as left, report; the figures are the truth within their
intervals."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest
from textual.events import Key
from textual.widgets import Input, Static

from protocol.errors import RequestError
from tests.benchtop import exact, make_unit
from tests.tui.page_hand import Hand
from tests.tui.test_calibration_screen import make_app, no_signals
from tests.visit.stations import table
from tui.screens.calibration_screen import CalibrationScreen
from tui.screens.day_screen import DayScreen
from tui.screens.live_screen import LiveScreen
from tui.screens.report_dialog import ReportDialog
from tui.screens.tune_rows import told_from
from tui.screens.tune_screen import TuneScreen
from visit.day.day import FREEZE_STEP, LOCK_STEP, REBUILT_STEP, STEPS, Day
from visit.day.nudges import Told, ledger
from visit.day.stages import differences
from visit.record.visit_file import VisitFile
from visit.report.report import build_report
from visit.report.report_text import report_text
from visit.run.conductor import Phase
from visit.site.site import load_site

pytestmark = pytest.mark.usefixtures("no_signals")
__all__ = ["no_signals"]


class Visitor(Hand):
    """A hand that knows the screens of a day."""

    def day(self) -> str:
        return str(self.pilot.app.screen.query_one("#text", Static).content)

    def text(self) -> str:
        return self.day() if isinstance(self.pilot.app.screen, (DayScreen, TuneScreen)) else super().text()

    async def at(self, kind: type) -> None:
        await self.until(lambda: isinstance(self.pilot.app.screen, kind))

    async def type(self, text: str) -> None:
        field = self.pilot.app.screen.query_one("#line", Input)
        await self.until(lambda: field.has_focus)
        field.value = text
        await self.press("enter")
        await self.pilot.pause()

    async def step(self, number: int) -> None:
        """g and the number: any step in three keys."""
        await self.at(LiveScreen)
        await self.press("g")
        await self.at(DayScreen)
        screen = self.pilot.app.screen
        assert isinstance(screen, DayScreen)
        screen.clock = lambda: 0.0  # both digits come together, however busy the machine is
        await self.press(*f"{number:02d}"[0 if number > 9 else 1 :])
        await self.pilot.pause()
        assert f"STEP {number}" in self.day()

    async def mark(self, first: int, last: int, reason: str = "") -> None:
        """Steps done, or left out with a reason; then back to the live screen."""
        for number in range(first, last + 1):
            await self.step(number)
            if reason:
                await self.press("s")
                await self.pilot.pause()
                await self.type(reason)
            else:
                await self.press("d")
                await self.pilot.pause()
            assert "! " not in self.day(), self.day()
            await self.press("q")


@contextmanager
def visit_of(folder: Path) -> Iterator[Day]:
    """The day of a new visit, without an analyzer."""
    site = Path(__file__).parents[2] / "fixtures/sites/demo-150.toml"
    visit = VisitFile.create(folder / "day.visit", load_site(site), str(site), 1.7e9)
    try:
        yield Day(visit)
    finally:
        visit.close()


async def complete(hand: Visitor, bench: object) -> None:
    """Wait for the end of the run and its figures."""
    station = bench.station  # type: ignore[attr-defined]
    await hand.until(
        lambda: (
            station.state().progress.phase is Phase.COMPLETE
            and station.state().assessment is not None
            and station.state().assessment.sweeps >= 20
        )
    )


@pytest.mark.timeout(240)  # minutes of a technician, and a busy machine
async def test_the_whole_day(tmp_path: Path) -> None:
    with table(tmp_path, "demo-150", "V6", "--floor", "-85", raw=True, watched=True) as bench:
        unit = make_unit("V6", (-30e3, 0.0, 0.0))
        bench.bench.say("turn L 1 -30kHz")
        app = make_app(bench)
        async with app.run_test(size=(80, 24)) as pilot:
            hand = Visitor(pilot)
            await hand.at(LiveScreen)
            await hand.mark(1, 7, "done at the desk")
            await hand.step(8)
            await hand.press("f")
            for value in ("4", "11", "14"):
                await pilot.pause()
                await hand.type(value)
            await hand.press("d")
            await pilot.pause()
            await hand.press("q")
            await hand.mark(9, 10, "not today")
            # The hard stop: nothing is opened before the transmitter is proved dead.
            await hand.step(16)
            await hand.press("enter")
            await pilot.pause()
            assert f"first step {LOCK_STEP}" in " ".join(hand.day().split())
            await hand.press("q")
            await hand.step(LOCK_STEP)
            await hand.press("d")
            await pilot.pause()
            assert "who holds the key" in hand.day() and "! step 11 first" in hand.day()
            await hand.press("f")
            await pilot.pause()
            await hand.type("the technician")
            await hand.type("50")
            await hand.press("d")
            await pilot.pause()
            assert "50 W are still there" in hand.day()
            await hand.press("q")
            Day(bench.station.visit.file).enter(LOCK_STEP, "power seen after locking", "0")
            await hand.mark(LOCK_STEP, 15)
            await hand.step(16)
            await hand.press("enter")
            await hand.at(CalibrationScreen)
            for number, kind in enumerate(("short", "open", "load", "thru", "proof"), 1):
                await hand.until(lambda n=number, k=kind: f"> {n} {k}" in hand.text())  # type: ignore[misc]
                await hand.press("enter")
            await hand.until(lambda: "Calibrated and proved" in hand.text())
            await hand.press("enter")
            await hand.mark(16, 17)
            for number in (18, 19, 21, 23, 24):
                await hand.step(number)
                await hand.press("enter")
                await hand.at(LiveScreen)
                await complete(hand, bench)
                await hand.mark(number, number)
            await hand.mark(20, 20)
            await hand.mark(22, 22, "clear without it")
            await hand.mark(25, 25, "no antenna on the bench")
            # No screw before as found.
            await hand.step(28)
            await hand.press("enter")
            await pilot.pause()
            assert f"first step {FREEZE_STEP}" in " ".join(hand.day().split())
            await hand.press("q")
            # Freezing is for good: it shows what it would freeze, and asks.
            await hand.step(FREEZE_STEP)
            await hand.press("d")
            await pilot.pause()
            assert "nothing is frozen yet" in hand.day()
            await hand.press("enter")
            await hand.until(lambda: "freeze this for good" in hand.day())
            assert "FREEZES A>L: " in hand.day() and "A>H: " in hand.day()
            await hand.press("escape")
            assert "nothing was frozen" in hand.day() and not bench.station.visit.day().frozen()
            await hand.press("enter")
            await hand.until(lambda: "freeze this for good" in hand.day())
            await hand.press("enter")
            await hand.at(LiveScreen)
            assert bench.station.visit.day().frozen()
            with pytest.raises(RequestError, match="frozen already"):
                bench.station.visit.freeze("as found")
            await hand.mark(27, 27, "not needed")
            await hand.step(19)
            await hand.press("enter")
            await complete(hand, bench)
            await hand.step(28)
            await hand.press("enter")
            await hand.at(TuneScreen)
            tune = app.screen
            assert isinstance(tune, TuneScreen)
            await hand.until(lambda: "turn, t" in hand.day())
            assert "FOUND  A>L" in hand.day() and "DO     cavity 1, rod: 0.12 turn" in hand.day(), hand.day()
            await hand.press("e")
            await pilot.pause()
            await hand.type("1 rod 0.5 clockwise")
            await hand.press("t")
            await pilot.pause()
            assert "TURNING" in hand.day()
            bench.bench.say("turn L 1 +30kHz")
            await hand.press("t")
            await hand.until(lambda: "you moved cavity 1" in hand.day())
            await hand.until(lambda: tune._shown is not None and abs(tune._shown.notch_offset.value) < 4e3)
            # A floor of -85 dB: what is left is too deep to be read here, and the screen asks for the proof.
            await hand.until(lambda: "then prove it" in hand.day())
            assert "stop" not in hand.day()
            await hand.press("q")
            await hand.mark(28, 30)
            await hand.mark(31, 31, "the other side was not touched")
            for number in (19, 21):
                await hand.step(number)
                await hand.press("enter")
                await complete(hand, bench)
            await hand.mark(32, 34)
            await hand.step(35)
            await hand.press("f")
            for value in ("50", "41.4", "0.1"):
                await pilot.pause()
                await hand.type(value)
            await hand.press("d", "q")
            await hand.mark(36, 38)
            await hand.step(39)
            await hand.press("enter")
            await hand.until(lambda: "freeze this for good" in hand.day())
            await hand.press("enter")
            await hand.at(ReportDialog)
            await hand.press("q")
            await hand.mark(39, 40)
            await hand.press("q")
        rows = ledger(bench.station.visit.file)
        assert len(rows) == 1 and rows[0].told == Told(1, "rod", "clockwise", 0.5)
        moved = rows[0].figures["moved"]
        assert moved["low"] <= 30e3 <= moved["high"] and moved["kind"] == "inferred"
        assert Day(bench.station.visit.file).next_three() == []
    visit = VisitFile.open(tmp_path / "a.visit", read_only=True)
    try:
        assert differences(visit) == []  # the same sweeps, the same figures
        report = build_report(visit)
    finally:
        visit.close()
    truth_before = -20 * np.log10(abs(exact(unit, [150.6e6])[0]))
    truth_after = -20 * np.log10(abs(exact(make_unit("V6"), [150.6e6])[0]))
    row = next(row for row in report.rows if row.name.startswith("rejection at 150.6") and row.hookup == "A>L")
    assert holds(row.found, truth_before) and holds(row.left, truth_after), row
    loss = next(row for row in report.rows if row.name.startswith("loss at 150.0") and row.hookup == "A>L")
    assert holds(loss.left, -20 * np.log10(abs(exact(make_unit("V6"), [150.0e6])[0])))
    text = report_text(report)
    assert max(map(len, text.splitlines())) <= 79
    for words in ("as found", "as left", "clockwise", "LEFT OUT", "not today", "they agree", "SHA-256", "bench kit"):
        assert words in text, words
    assert len(report.left_out) == sum("done at the desk" in line for line in report.left_out) + 6


def holds(text: str, truth: float) -> bool:
    """Whether a printed figure holds the truth: its interval, or its bound."""
    numbers = [float(number) for number in re.findall(r"-?\d+\.?\d*", text.split(" ", 1)[1])]
    if text.startswith("AT LEAST"):
        return truth >= numbers[0] - 0.05
    if ".." in text:
        return numbers[1] <= truth <= numbers[2]
    return abs(truth - numbers[0]) <= numbers[1] + 0.01


def test_a_gate_holds_and_names_what_must_come_first(tmp_path: Path) -> None:
    with visit_of(tmp_path) as day:
        full_power = next(step.number for step in STEPS if step.title == "full power")
        feeder = next(step.number for step in STEPS if step.screen == "antenna")
        with pytest.raises(RequestError, match="first step 11: out of service"):
            day.check(16)
        with pytest.raises(RequestError, match="step 11: out of service is never left out"):
            day.skip(LOCK_STEP, "no time")
        with pytest.raises(RequestError, match="nothing was typed"):
            day.enter(LOCK_STEP, "who holds the key", " ")
        day.enter(LOCK_STEP, "who holds the key", "me")
        day.enter(LOCK_STEP, "power seen after locking", "0")
        day.done(LOCK_STEP)
        day.check(16)
        with pytest.raises(RequestError, match=f"first step {REBUILT_STEP}: rebuild with the original jumpers"):
            day.done(full_power)
        with pytest.raises(RequestError, match=r"first write down the incoming power"):
            day.check(feeder)
        day.enter(feeder, "incoming power", "7")
        with pytest.raises(RequestError, match="7 dBm come down the feeder"):
            day.check(feeder)
        day.correct(feeder, "incoming power", "-38")
        day.check(feeder)
        with pytest.raises(RequestError, match="nothing is frozen yet"):
            day.done(FREEZE_STEP)
        with pytest.raises(RequestError, match=f"first step {FREEZE_STEP}: freeze as found"):
            day.check(28)
        day.done(REBUILT_STEP)
        day.done(full_power)
        # The transmitter worked: what was proved dead before it proves nothing now.
        with pytest.raises(RequestError, match="step 11: out of service, again"):
            day.check(16)
        with pytest.raises(RequestError, match="who holds the key; nothing is opened"):
            day.done(LOCK_STEP)


def test_notes_are_corrected_and_taken_back_and_the_log_keeps_it(tmp_path: Path) -> None:
    with visit_of(tmp_path) as day:
        day.enter(1, "complaint", "death")
        day.correct(1, "complaint", "deaf")
        assert [words for *_, words in day.entries()] == ["deaf"]
        day.done(1)
        assert day.take_back(1) == "done" and day.states() == {}
        assert day.take_back(1) == "complaint: deaf" and day.entries() == []
        with pytest.raises(RequestError, match="nothing stands there"):
            day.take_back(1)
        with pytest.raises(RequestError, match="nothing is written down under"):
            day.correct(1, "complaint", "x")


async def test_keys_typed_ahead_keep_their_order(tmp_path: Path) -> None:
    """`d` and then a number, faster than the screen follows: the step in hand is done, not the one that was typed."""
    with table(tmp_path, "demo-150", "V6", watched=True) as bench:
        app = make_app(bench)
        async with app.run_test(size=(80, 24)) as pilot:
            hand = Visitor(pilot)
            await hand.step(2)
            for key in ("d", "2", "6"):
                app.post_message(Key(key, key))  # no pause between them
            await hand.until(lambda: "STEP 26" in hand.day())
            await hand.until(lambda: bench.station.visit.day().states() == {2: ("done", "")})
            assert "! " not in hand.day()


async def test_digits_time_out_and_notes_are_corrected_by_keys(tmp_path: Path) -> None:
    clock = [0.0]
    with table(tmp_path, "demo-150", "V6", watched=True) as bench:
        app = make_app(bench)
        async with app.run_test(size=(80, 24)) as pilot:
            hand = Visitor(pilot)
            await hand.at(LiveScreen)
            await hand.press("g")
            await hand.at(DayScreen)
            day = app.screen
            assert isinstance(day, DayScreen)
            day.clock = lambda: clock[0]
            await hand.press("3")
            await pilot.pause()
            clock[0] += 5.0
            await hand.press("4")
            await pilot.pause()
            assert "STEP 4 " in hand.day()  # not 34
            await hand.press("1", "7")
            await pilot.pause()
            assert "STEP 17" in hand.day() and "verify" in hand.day()
            clock[0] += 5.0
            await hand.press("1")
            await hand.press("f")
            await hand.type("death")
            assert "complaint: death" in hand.day()
            await hand.press("escape")
            await hand.press("c")
            await hand.type("deaf")
            assert "complaint: deaf" in hand.day() and "corrected" in hand.day()
            await hand.press("u")
            await pilot.pause()
            assert "taken back: complaint: deaf" in hand.day() and "complaint: ..." in hand.day()


def test_steps_are_the_forty_of_the_day() -> None:
    assert len(STEPS) == 40 and STEPS[LOCK_STEP - 1].title == "out of service"
    assert [step.number for step in STEPS if step.screen == "freeze"] == [FREEZE_STEP]


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ("1 rod 0.25 clockwise", Told(1, "rod", "clockwise", 0.25)),
        ("trimmer 2 1.5 to the left", Told(2, "trimmer", "to the left", 1.5)),
        ("", Told()),
        ("out a bit", Told(None, "rod", "out a bit", None)),
    ],
)
def test_told(words: str, told: Told) -> None:
    assert told_from(words) == told
