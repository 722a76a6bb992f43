"""Keys that arrive in one burst, as over a slow line: each reaches the field that the one before it opened."""

from __future__ import annotations

import string
from pathlib import Path
from typing import ClassVar

import pytest
from textual.app import App, ComposeResult
from textual.binding import BindingType
from textual.events import Key, Paste
from textual.screen import Screen
from textual.widgets import Input, Static

from tests.tui.page_hand import PageHand
from tests.tui.test_calibration_screen import make_app, no_signals
from tests.visit.stations import table
from tui.screens.day_screen import DayScreen
from tui.screens.suits_screen import SuitsScreen
from tui.terminal.thin_line import ThinApp
from tui.terminal.typed_bytes import BURST_PAUSE_S
from visit.record.sheet import INSTRUMENT, Sheet
from visit.run.conductor import Phase

pytestmark = pytest.mark.usefixtures("no_signals")
__all__ = ["no_signals"]
NAMES = {"\r": "enter", "\x1b": "escape", "\b": "backspace", "@": "at", ".": "full_stop", "-": "minus"}


def burst(app: App[bool], typed: str) -> None:
    """All of it at once, as a driver reads it from the line."""
    for letter in typed:
        printable = letter in string.printable[:95]
        app.post_message(Key(NAMES.get(letter, letter), letter if printable else None))


async def test_a_burst_fills_the_field_that_its_first_key_opens(tmp_path: Path) -> None:
    """On the page of the analyzer, then in the day: several fields one after the other, corrected with backspace."""
    with table(tmp_path, "demo-450", "U6") as bench:
        app = make_app(bench, profile_corrects=True)
        async with app.run_test(size=(80, 24)) as pilot:
            hand = PageHand(pilot)
            await hand.until(lambda: bench.station.state().progress.phase is Phase.COMPLETE)
            burst(app, "Af90@1000\r")

            def typed(name: str) -> str:
                return Sheet(bench.station.visit.file).words(INSTRUMENT[name])

            await hand.until(lambda: bool(typed("floor")))
            assert typed("floor") == "90@1000" and isinstance(app.screen, SuitsScreen)
            burst(app, "l11\b\b105\rv-5\r\x1bg")
            await hand.until(lambda: isinstance(app.screen, DayScreen))
            assert typed("leak") == "105" and typed("level") == "-5"
            burst(app, "35f50\r41\b2\r0.1\r")
            day = bench.station.visit.day()
            await hand.until(lambda: len([one for one in day.entries() if one[0] == 35]) == 3)
            assert [one[2] for one in day.entries() if one[0] == 35] == [50.0, 42.0, 0.1]


class Gone(Screen[None]):
    """A field that is taken away by the first letter typed into it."""

    def compose(self) -> ComposeResult:
        yield Input(id="first")
        yield Static(id="after")

    async def on_input_changed(self, event: Input.Changed) -> None:
        if event.input.id == "first":
            await event.input.remove()
            field = Input(id="second")
            await self.mount(field)
            field.focus()


async def test_a_widget_that_goes_takes_no_later_key_with_it() -> None:
    class Bare(ThinApp[bool]):
        def on_mount(self) -> None:
            self.push_screen(Gone())

    app = Bare()
    async with app.run_test() as pilot:
        hand = PageHand(pilot)
        await hand.until(lambda: bool(app.screen.query("#first")) and app.focused is not None)
        burst(app, "abc")
        await hand.until(lambda: bool(app.screen.query("#second")) and app.screen.query_one(Input).value == "bc")


async def test_enter_behind_text_that_is_no_command_is_none() -> None:
    class Counting(ThinApp[bool]):
        BINDINGS: ClassVar[list[BindingType]] = [("enter", "count", "count")]
        entered = 0

        def action_count(self) -> None:
            self.entered += 1

    app = Counting()
    async with app.run_test() as pilot:
        hand = PageHand(pilot)
        app.post_message(Paste("a line that was meant for another window"))
        app.post_message(Key("enter", None))
        await hand.until(lambda: len(app._notifications) == 1)
        await pilot.pause(2 * BURST_PAUSE_S)
        assert app.entered == 0
        await pilot.press("enter")
        await hand.until(lambda: app.entered == 1)
