"""No text of any screen is cut at 80x24 nor at the smallest size, in any state, and the cautions stand once, last.

The live screen's rows are looked at in text too (`test_widths`); here every screen and dialog is drawn.
"""

from __future__ import annotations

import contextlib
import dataclasses
from collections.abc import AsyncIterator, Iterator
from pathlib import Path
from typing import Any, cast

import numpy as np
import pytest
from textual.binding import Binding
from textual.geometry import Size
from textual.pilot import Pilot
from textual.screen import Screen
from textual.widgets import Input

from protocol.learn.dialogue import Progress, Role, Word
from protocol.learn.learner import Learned
from protocol.profiles.profile import load_profile
from rf.values.figure import cant_say, inferred, reading
from tests.tui.picture import StillBench, StillStation, first_order, load
from tests.tui.states import WHYS, states
from tests.tui.whole import cells, faults
from tests.visit.test_tuning import at, turned
from tui.drawing.blocks import stacked
from tui.drawing.marks import MarkSet
from tui.drawing.plain import Plain
from tui.drawing.report_lines import budget_lines
from tui.drawing.strip import Place
from tui.screens.app import DeepnotchApp
from tui.screens.calibration_screen import DIRECTIONS, CalibrationScreen, Step
from tui.screens.choosing import LineDialog, ListDialog
from tui.screens.day_screen import DayScreen
from tui.screens.dialogs import BenchDialog, HookUpDialog, SweepDialog, TemperatureDialog
from tui.screens.learn_rows import Asked, LearnPicture, learn_blocks
from tui.screens.learn_screen import LearnScreen
from tui.screens.live_screen import LiveScreen
from tui.screens.panel import PICTURE_KEYS
from tui.screens.reading_dialogs import AskDialog, ConfirmDialog, HelpDialog, LinesDialog, key_pairs
from tui.screens.site_screen import SiteScreen
from tui.screens.start_screen import StartScreen
from tui.screens.tune_rows import STRIP_ROWS, TunePicture, tune_blocks
from tui.screens.tune_screen import TuneScreen
from tui.screens.watch_screen import WatchScreen
from visit.day.cavities import track
from visit.day.day import STEPS
from visit.day.nudges import Told
from visit.day.tuning import advise
from visit.record.visit_file import VisitFile
from visit.run.live import LiveState
from visit.run.set_up import SetUp
from visit.run.site_visit import SiteVisit
from visit.run.station import Station
from visit.run.tool import Tool
from visit.site.hookup import HookUp
from visit.site.remembered import Memory
from visit.site.site import Site
from visit.site.typed import FIELDS

SIZES = [(80, 24), (72, 20)]
LONG = "the lower of the two, left of the ladder behind the second cabinet, as it was found in the rain"
NAME = "A site with a name that fills what a form takes, sixty long"
TEXT_ROWS = [(Size(79, 23), 23), (Size(71, 19), 19)]


@pytest.fixture(autouse=True)
def own_world(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """No signal handlers, no folder of the user's, no port of the machine's."""
    monkeypatch.setattr("asyncio.unix_events._UnixSelectorEventLoop.add_signal_handler", lambda *_: None)
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "share"))
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    monkeypatch.setattr("serial.tools.list_ports.comports", list)


class VisitedStation(StillStation):
    """A still station with a visit to write into."""

    def __init__(self, state: LiveState, visit: SiteVisit) -> None:
        super().__init__(state)
        self.visit = visit


@contextlib.contextmanager
def a_tool(folder: Path, state: LiveState | None = None) -> Iterator[Tool]:
    state = state or states()[0]
    site = dataclasses.replace(state.site, name=NAME)
    file = VisitFile.create(folder / "a.visit", site, "a.toml", 1.7e9)
    profile = dataclasses.replace(load_profile("scpi"), corrects_itself=False)
    try:
        station = VisitedStation(dataclasses.replace(state, site=site), SiteVisit(file, site, profile))
        yield Tool(site, profile, cast(Station, station), StillBench())
    finally:
        file.close()


@contextlib.asynccontextmanager
async def shown(screen: Screen[Any], size: tuple[int, int]) -> AsyncIterator[tuple[DeepnotchApp, Pilot[bool]]]:
    app = DeepnotchApp(screen)
    async with app.run_test(size=size) as pilot:
        await pilot.pause()
        yield app, pilot


async def opened(pilot: Pilot[bool], screen: Screen[Any]) -> list[str]:
    """What is cut on a screen put over the one that stands; it is left again."""
    pilot.app.push_screen(screen)
    await pilot.pause()
    await pilot.pause()
    found = faults(cast(DeepnotchApp, pilot.app))
    pilot.app.pop_screen()
    await pilot.pause()
    return found


@pytest.mark.parametrize("size", SIZES)
async def test_the_live_screen_and_its_dialogs(size: tuple[int, int], tmp_path: Path) -> None:
    state = states()[0]
    with a_tool(tmp_path, state) as tool:
        async with shown(LiveScreen(tool, first_order(state), MarkSet.BRAILLE), size) as (app, pilot):
            for one in states()[:12]:
                tool.station.shown = one  # type: ignore[attr-defined]
                cast(LiveScreen, app.screen).look()
                await pilot.pause()
                assert faults(app) == []
            whys = [f"{one.hookup.name}: {why}" for one, why in zip(states()[5:], WHYS * 2, strict=False)]
            made: list[Screen[Any]] = [
                AskDialog([f"Prove the rejection: {LONG}, {LONG}", "", "The run in hand ends."], "start"),
                ConfirmDialog(f"{LONG}: {LONG}."),
                HelpDialog(key_pairs(LiveScreen.BINDINGS)),
                HelpDialog(key_pairs(StartScreen.BINDINGS), MarkSet.ASCII),
                LinesDialog([*budget_lines(state.assessment), *whys, "", LONG * 3]),
                SweepDialog(first_order(state)),
                HookUpDialog(HookUp.parse("A>H pad1=6.5 pad2=10.5 amp=20 jumper=half"), state.site),
                TemperatureDialog(None),
                BenchDialog(StillBench()),
                ListDialog("Into which visit? Enter: take   Esc: leave", [LONG, LONG[::-1]]),
                LineDialog("File of the profile (.toml). Enter: take   Esc: leave"),
            ]
            for dialog in made:
                assert await opened(pilot, dialog) == [], type(dialog).__name__


async def test_the_fault_of_a_dialog_is_read_whole(tmp_path: Path) -> None:
    with a_tool(tmp_path) as tool:
        async with shown(LiveScreen(tool, first_order(states()[0]), MarkSet.ASCII), SIZES[1]) as (app, pilot):
            await pilot.press("e")
            app.screen.query_one("#points", Input).value = "so many that no analyzer takes them at once, whoever asks"
            await pilot.press("enter")
            await pilot.pause()
            assert faults(app) == []
            assert "not a number" in str(app.screen.query_one("#fault", Plain).content)


@pytest.mark.parametrize("size", SIZES)
async def test_every_step_of_the_day(size: tuple[int, int], tmp_path: Path) -> None:
    with a_tool(tmp_path) as tool:
        async with shown(DayScreen(tool), size) as (app, pilot):
            day = tool.visit.day()
            for step in STEPS:
                for ask in step.asks:
                    day.enter(step.number, ask.name, "12.75" if ask.unit else LONG)
                screen = cast(DayScreen, app.screen)
                screen._at, screen._words = step.number, f"! {LONG}"
                screen._freezing = ["A>L: rejection READING 101.2 ±0.4 dB, loss READING 1.01 ±0.03 dB (run 1, 2)"] * 2
                screen.draw()
                await pilot.pause()
                assert faults(app) == [], step.number
                assert any(
                    f"STEP {step.number}" in line for line in str(screen.query_one("#text", Plain).content).splitlines()
                )
            await pilot.press("escape", "s")
            await pilot.pause()
            assert faults(app) == []


def test_tuning_whatever_the_numbers() -> None:
    rng = np.random.default_rng(5)
    for round_ in range(120):
        rows = []
        for _ in range(int(rng.integers(0, 7))):
            was_hz, by_hz = 10.0 ** rng.uniform(2, 5.3, 2) * rng.choice([-1.0, 1.0], 2)
            way = str(rng.choice(["clockwise", "in", "a little towards the wall", "anticlockwise"]))
            rows.append(turned(int(rng.integers(1, 4)), was_hz, by_hz, float(rng.uniform(0.01, 3.0)), way,
                               seen=bool(rng.random() < 0.6)))  # fmt: skip
        level, off = float(rng.uniform(20.0, 110.0)), float(rng.uniform(-3e5, 3e5))
        measured = reading(level, level - 3.25, level + 12.75, "dB") if rng.random() < 0.5 else cant_say("dB", WHYS[5])
        now = at(
            track(rows, 150.6e6, 3, inferred(off, off - 1e4, off + 1e5, "Hz")), level, measured=measured,
            offset=inferred(off, off - 1e4, off + 1e5, "Hz"),
        )  # fmt: skip
        seen = states()[5 + round_].assessment
        assert seen is not None
        picture = TunePicture(
            load("demo-150"), load("demo-150").transmit, MarkSet.BRAILLE, 512, seen, now, advise(now),
            Told(3, "trimmer", "a little towards the wall", 0.125) if rng.random() < 0.5 else None,
            bool(rng.random() < 0.2), bool(rng.random() < 0.2), False, str(rng.choice(["", LONG, WHYS[4]])), 101.2,
            [("FOUND", "A>H: AT LEAST 72.6 dB, notch INFERRED -123.4 kHz"), ("OTHER", LONG)],
            [Place(float(n), now.offset, n > 3) for n in range(9)] if round_ % 2 else None, 500.0, STRIP_ROWS // 2,
        )  # fmt: skip
        for size, room in TEXT_ROWS:
            lines = stacked(tune_blocks(picture, size.width), room)
            assert len(lines) <= room and max(map(len, lines)) <= size.width, lines
            assert any(line.startswith((" DO", " TUNE")) for line in lines)


@pytest.mark.parametrize("size", SIZES)
async def test_the_tuning_screen(size: tuple[int, int], tmp_path: Path) -> None:
    state = states()[1]
    with a_tool(tmp_path, state) as tool:
        async with shown(TuneScreen(tool, first_order(state), MarkSet.BRAILLE), size) as (app, pilot):
            assert faults(app) == []
            await pilot.press("h")
            await pilot.pause()
            assert faults(app) == [] and "STRIP" in "\n".join(cells(app))
            await pilot.press("e")
            await pilot.pause()
            assert faults(app) == []


@pytest.mark.parametrize("size", SIZES)
async def test_calibration(size: tuple[int, int], tmp_path: Path) -> None:
    state = states()[0]
    with a_tool(tmp_path, state) as tool:
        async with shown(CalibrationScreen(tool, first_order(state)), size) as (app, pilot):
            screen = cast(CalibrationScreen, app.screen)
            said = "reads -0.13 dB, -31.2 degrees at 450.0000 MHz: it should be right within 0.1 dB"
            screen._steps = [Step(name, "kept" if at % 2 else "NO", said) for at, name in enumerate(DIRECTIONS)][-6:]
            for number in range(len(screen._steps) + 1):
                screen._at, screen._words = number, f"! {LONG}: {LONG}. Then Enter."
                screen.draw()
                await pilot.pause()
                assert faults(app) == []


def test_learning_whatever_a_console_says() -> None:
    rng = np.random.default_rng(6)
    port = "/dev/serial/by-id/usb-Invented_Instruments_Bench_Two-Port_of_many_letters_SIM-0001-if00-port0"
    words = tuple(
        Word(n, f"word{n}", "{start} {stop} " * int(rng.integers(0, 9)), LONG[: int(rng.integers(1, 90))],
             list(Role)[n % len(Role)], LONG if n % 3 else "") for n in range(1, 120)
    )  # fmt: skip
    learned = Learned("", load_profile("scpi"), [LONG, "its level"], f"201 points in 0.5 s; {LONG}")
    progress = Progress(2, 4, LONG, "")
    kinds = [
        LearnPicture(port),
        LearnPicture(port, True, progress, [LONG] * 50),
        LearnPicture(port, True, progress, [LONG] * 50, Asked(f"{LONG}?", [LONG] * 9)),
        LearnPicture(port, True, progress, [LONG] * 50, Asked(LONG, deed=True)),
        LearnPicture(port, True, progress, [], Asked(LONG)),
        LearnPicture(port, True, progress, [LONG], learned=learned),
        LearnPicture(port, True, progress, [LONG] * 9, over=[f"NOT LEARNED  {LONG}", f"/{LONG}/{LONG}.toml", LONG]),
        *(LearnPicture(port, True, progress, [], Asked(LONG, words=words), page, LONG) for page in range(30)),
    ]
    for picture in kinds:
        for size, room in TEXT_ROWS:
            lines = stacked(learn_blocks(picture, size.width, room), room)
            assert len(lines) <= room and max(map(len, lines)) <= size.width, lines
    every = set()
    for page in range(60):
        picture = LearnPicture(port, True, progress, [], Asked("", words=words), page)
        every |= {line.split()[0] for line in stacked(learn_blocks(picture, 71, 19), 19) if line.strip()}
    assert every >= {str(word.number) for word in words}


@pytest.mark.parametrize("size", SIZES)
async def test_learning_begins_with_its_cautions(size: tuple[int, int]) -> None:
    async with shown(LearnScreen("/dev/" + "x" * 90), size) as (app, _):
        assert faults(app) == []


@pytest.mark.parametrize("size", SIZES)
async def test_the_start_screen(size: tuple[int, int], tmp_path: Path) -> None:
    folder = tmp_path / "share/deepnotch"
    (folder / "sites").mkdir(parents=True)
    text = load().source
    for number in range(5):
        (folder / f"sites/{number}.toml").write_text(text.replace(load().name, f"{NAME[:55]} {number}"))
        (folder / f"{'a-visit-of-a-long-name-' * 4}{number}.visit").write_text("no visit")
    set_up = SetUp(Memory.load(), by_id=tmp_path)
    async with shown(StartScreen(set_up), size) as (app, pilot):
        screen = cast(StartScreen, app.screen)
        for said in ("", LONG, f"{LONG}: {LONG}; t learns the analyzer anew"):
            screen.say(said)
            await pilot.pause()
            assert faults(app) == []
        for key in ("s", "v", "p", "question_mark"):
            await pilot.press(key)
            await pilot.pause()
            assert faults(app) == [], key
            await pilot.press("escape")


@pytest.mark.parametrize("size", SIZES)
async def test_the_site_form(size: tuple[int, int]) -> None:
    site: Site = load()
    why = "Saving ends the run; what is begun afterwards is judged by the new site."
    async with shown(SiteScreen(dataclasses.replace(site, name=NAME), None, why), size) as (app, pilot):
        fields = [app.screen.query_one(f"#{key}", Input) for key, _ in FIELDS]
        for wrong in ("x" * 60, "999999", ""):
            for field in fields:
                field.value = wrong
            for field in fields[:: 1 if wrong == "999999" else 4]:
                field.focus()
                await pilot.pause()
                assert faults(app) == [], (field.id, wrong)


def test_no_key_means_two_things() -> None:
    for bindings in (LiveScreen.BINDINGS, StartScreen.BINDINGS, TuneScreen.BINDINGS, WatchScreen.BINDINGS):
        made = [*bindings, *PICTURE_KEYS] if bindings in (LiveScreen.BINDINGS, WatchScreen.BINDINGS) else bindings
        keys = [key for one in made if isinstance(one, Binding) for key in one.key.split(",")]
        assert len(keys) == len(set(keys)), keys
