"""From plug to first figure by keys: the start screen, learning, the site form. Key presses are counted."""

from __future__ import annotations

import argparse
import asyncio
import os
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import pytest
from textual.widget import Widget
from textual.widgets import Input

from protocol.errors import RequestError
from protocol.learn.dialogue import Correction, Dialogue, Progress, Role, Word
from protocol.learn.learner import Learned, NotLearnedError
from protocol.profiles.profile import load_profile
from tests.tui.page_hand import Hand
from tui.commands.setting_up import prepared
from tui.screens.app import DeepnotchApp
from tui.screens.site_screen import SiteScreen
from tui.screens.start_rows import enter_does
from tui.screens.start_screen import StartScreen
from visit.run.set_up import SetUp
from visit.site.folders import data_folder
from visit.site.remembered import Memory
from visit.site.site import load_site

MOST_KEYS = 25
PROFILE = Path("fixtures/profiles/scpi.toml").read_text()
WORDS = (
    Word(1, "lo", "MHZ", "start of the sweep", Role.START, "its description"),
    Word(2, "hi", "MHZ", "end of the sweep", Role.STOP, "its description"),
    Word(3, "wipe\x1b[2J", "", "forget \u202eeverything", Role.NEVER, "may erase"),
    Word(4, "grum", "", "", Role.UNKNOWN, "nothing says what it does"),
    *(Word(n, f"word{n}", "", "x" * 90, Role.UNKNOWN, "y" * 90) for n in range(5, 40)),
)


@pytest.fixture(autouse=True)
def no_signals(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setattr("asyncio.unix_events._UnixSelectorEventLoop.add_signal_handler", lambda *_: None)
    yield


@pytest.fixture(autouse=True)
def own_folders(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "share"))
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))


@pytest.fixture
def by_id(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A folder of lasting names; what the machine itself has plugged in is left out."""
    monkeypatch.setattr("serial.tools.list_ports.comports", list)
    folder = tmp_path / "by-id"
    folder.mkdir()
    yield folder


@pytest.fixture
def nodes() -> Iterator[list[str]]:
    pairs = [os.openpty() for _ in range(2)]
    yield [os.ttyname(slave) for _, slave in pairs]
    for pair in pairs:
        for descriptor in pair:
            os.close(descriptor)


class Script:
    """A learning session as a script: what it asks, and what it was answered."""

    def __init__(self, fails: str = "", waits: bool = False) -> None:
        self.fails, self.waits = fails, waits
        self.ended = False
        self.corrected: Sequence[Correction] = ()
        self.answers: list[object] = []

    async def __call__(self, port: str, dialogue: Dialogue) -> Learned:
        try:
            dialogue.progress(Progress(1, 4, "listening"))
            dialogue.progress(Progress(2, 4, "reading its list", "prompt 'ok>', 39 words"))
            if self.waits:
                try:
                    await asyncio.Event().wait()
                except asyncio.CancelledError:
                    dialogue.progress(Progress(2, 4, "stopped", half="# half\n"))
                    raise
            self.corrected = await dialogue.words(WORDS)
            self.answers.append(await dialogue.deed("take the lead off port 2"))
            self.answers.append(await dialogue.question("Which line moved?", ("the first", "the second")))
            if self.fails:
                raise NotLearnedError(self.fails, "# half\n")
            dialogue.progress(Progress(4, 4, "proof"))
            return Learned(PROFILE, load_profile("scpi"), ["its level"], "201 points in 0.5 s")
        finally:
            self.ended = True


class StartHand(Hand):
    """Types into fields, which is not counted, and looks that all fits."""

    async def write(self, words: str) -> None:
        field = self.pilot.app.screen.focused
        assert isinstance(field, Input)
        field.value = words
        await self.pilot.pause()

    async def until(self, words: str | Callable[[], bool]) -> None:
        await super().until(words)
        self.fits()

    def fits(self) -> None:
        """Nothing is cut at 80 by 24, and nothing of a stranger's moves the cursor."""
        lines = self.text().splitlines()
        assert max(map(len, lines)) < 80, max(lines, key=len)
        assert "\x1b" not in self.text() and "\u202e" not in self.text()
        for widget in self.pilot.app.screen.walk_children(Widget):
            assert widget.region.bottom <= 24, widget


def start(by_id: Path, learn: Script) -> tuple[DeepnotchApp, StartScreen]:
    screen = StartScreen(SetUp(Memory.load(), by_id), learn)
    return DeepnotchApp(screen), screen


async def type_site(hand: StartHand) -> None:
    await hand.until(lambda: isinstance(hand.pilot.app.screen, SiteScreen))
    for words in ("Heron Bank", "450", "455,5"):
        await hand.write(words)
        await hand.press("enter")
    await hand.press("h", "enter")


async def test_first_day_25_keys_next_day_one_also_under_another_number(
    by_id: Path, nodes: list[str], tmp_path: Path
) -> None:
    (by_id / f"usb-Invented_{'x' * 70}_0001").symlink_to(nodes[0])
    script = Script()
    app, screen = start(by_id, script)
    async with app.run_test(size=(80, 24)) as pilot:
        hand = StartHand(pilot)
        await hand.until("ENTER  learn this analyzer")
        assert "proved dead" in hand.text()
        await hand.press("enter")
        await hand.until("Enter begin")
        assert "proved dead" in hand.text() and not script.ended
        await hand.press("enter")
        await hand.until("WORDS  of the console, 39; only 2 will be sent")
        assert "not known: not sent" in hand.text()
        assert "NEVER SENT" in hand.text() and "wipe?[2J" in hand.text()
        await hand.press("down")
        await hand.until("page 2 of")
        await hand.write("4 swoops")
        await hand.press("enter")
        await hand.until("! 4 'swoops': say one of")
        await hand.write("4 sweeps, 1 never")
        await hand.press("enter")
        await hand.until("DO  take the lead off port 2")
        assert "proved dead" in hand.text()
        await hand.press("enter")
        await hand.until("1  the first")
        await hand.press("2")
        await hand.until("LEARNED")
        assert "not known: its level" in hand.text()
        await hand.press("enter")
        await hand.until(lambda: isinstance(app.screen, SiteScreen))
        await type_site(hand)
        await hand.until("ENTER  go on")
        await hand.press("enter")
    assert hand.keys <= MOST_KEYS
    assert script.corrected == (Correction(4, Role.SWEEP), Correction(1, Role.NEVER))
    assert script.answers == [True, "the second"]
    choice = screen.choice
    assert choice is not None and choice.site is not None and choice.visit is None
    assert load_site(choice.site).high_hz == 455.5e6
    assert choice.port.startswith(str(by_id)) and Path(choice.profile).stat().st_mode & 0o777 == 0o600

    memory = Memory.load()
    memory.keep(memory.known)
    (by_id / f"usb-Invented_{'x' * 70}_0001").unlink()
    (by_id / f"usb-Invented_{'x' * 70}_0001").symlink_to(nodes[1])
    app, screen = start(by_id, Script())
    async with app.run_test(size=(80, 24)) as pilot:
        hand = StartHand(pilot)
        await hand.until("ENTER  go on")
        await hand.press("enter")
    assert hand.keys == 1 and screen.choice is not None
    assert os.path.realpath(screen.choice.port) == nodes[1] and screen.choice.profile == choice.profile


async def test_a_session_that_is_left_ends_and_a_failed_one_says_why(by_id: Path, nodes: list[str]) -> None:
    (by_id / "usb-Invented_0001").symlink_to(nodes[0])
    script = Script(waits=True)
    app, _ = start(by_id, script)
    async with app.run_test(size=(80, 24)) as pilot:
        hand = StartHand(pilot)
        await hand.press("enter", "enter")
        await hand.until("39 words")
        await hand.press("q")
        await hand.until("stays as it was set last")
        assert script.ended and list(data_folder().glob("profiles/half-filled-*"))
        await hand.press("t")
        await hand.until("Nobody here knows")
        await hand.press("escape")
        await hand.until("nothing was sent to it")
    script = Script(fails="no word gave data")
    app, _ = start(by_id, script)
    async with app.run_test(size=(80, 24)) as pilot:
        hand = StartHand(pilot)
        await hand.press("enter", "enter")
        await hand.until("WORDS")
        await hand.press("enter")
        await hand.until("DO  ")
        await hand.press("n")
        await hand.until("Which line")
        await hand.press("enter")
        await hand.until("NOT LEARNED  no word gave data")
        assert "half-filled-" in hand.text().replace("\n ", "") and "docs/profiles.md" in hand.text()
        await hand.press("enter")
        await hand.until("ENTER  learn this analyzer")
    assert script.answers == [False, ""]


async def test_faults_stand_at_their_fields_and_nothing_typed_is_lost(by_id: Path) -> None:
    app, screen = start(by_id, Script())
    async with app.run_test(size=(80, 24)) as pilot:
        hand = StartHand(pilot)
        await hand.until("none is plugged in")
        await hand.press("n")
        await type_site(hand)
        await hand.until("saved:")
        await hand.press("e")
        await hand.until(lambda: isinstance(app.screen, SiteScreen))
        await hand.press("down")
        await hand.write("460")
        await hand.press("down")
        await hand.write("455500")
        await hand.until("! 455500: is that kHz?")
        await hand.write("455.5")
        await hand.until("exchanged")
        await hand.press("escape")
        await hand.until("Leave without saving?")
        await hand.write("465")
        await hand.press("f2")
        await hand.until("465.000 MHz")
        await hand.until(lambda: app.screen is screen)
        assert screen.choice is None
    saved = list((Path(os.environ["XDG_DATA_HOME"]) / "deepnotch/sites").iterdir())
    assert sorted(path.suffix for path in saved) == [".before", ".toml"]


async def test_a_damaged_memory_is_one_line(by_id: Path) -> None:
    path = Memory.load().path
    path.write_text("{")
    app, _ = start(by_id, Script())
    async with app.run_test(size=(80, 24)) as pilot:
        hand = StartHand(pilot)
        await hand.until("is damaged")
        await hand.press("question_mark")
        await pilot.pause()
        await hand.press("q", "s")
        await hand.until(lambda: isinstance(app.screen, SiteScreen))
        await hand.press("escape")


def test_a_bare_node_keeps_what_was_learned_while_the_screen_stands(by_id: Path, nodes: list[str]) -> None:
    """A number without a lasting name is not matched tomorrow; today it is the one that was just learned."""
    set_up = SetUp(Memory.load(), by_id)
    set_up.add_port(nodes[0])
    assert set_up.plugged is not None and not set_up.plugged.profile
    path = set_up.learned(PROFILE, "learned")
    set_up.look()
    assert set_up.plugged is not None and set_up.plugged.profile == str(path)
    tomorrow = SetUp(Memory.load(), by_id)
    tomorrow.look()
    assert all(not plugged.profile for plugged in tomorrow.ports if plugged.port.node == nodes[0])


class Manual(Script):
    """A session with a console that lists nothing and is shut."""

    async def __call__(self, port: str, dialogue: Dialogue) -> Learned:
        self.answers.append(
            await dialogue.question("It refuses every word with 'shut'. Which line opens it?", (), secret=True)
        )
        self.corrected = await dialogue.words((), "it lists no words; type those of its paper manual")
        return Learned(PROFILE, load_profile("scpi"), [], "201 points in 0.5 s")


async def test_words_from_the_manual_and_a_line_that_is_not_shown(by_id: Path, nodes: list[str]) -> None:
    (by_id / "usb-Invented_0001").symlink_to(nodes[0])
    script = Manual()
    app, _ = start(by_id, script)
    async with app.run_test(size=(80, 24)) as pilot:
        hand = StartHand(pilot)
        await hand.press("enter", "enter")
        await hand.until("Which line opens it")
        field = app.screen.query_one("#line", Input)
        assert field.password
        await hand.write("Grumbold7")
        assert "Grumbold7" not in hand.text()
        await hand.press("enter")
        await hand.until("it lists no words; type those of its paper manual")
        assert not field.password and field.value == ""
        await hand.write('"sw {start}" sets span')
        await hand.press("enter")
        await hand.until("! 'sw {start}'")
        await hand.write('"sw {start} {stop}" sets span in kHz, tr1 reads s11')
        await hand.press("enter")
        await hand.until("LEARNED")
    assert script.answers == ["Grumbold7"]
    assert [(one.name, one.role) for one in script.corrected] == [("sw", Role.RANGE), ("tr1", Role.DATA)]


def test_a_profile_that_can_not_be_used_is_known_to_nobody(by_id: Path, nodes: list[str], tmp_path: Path) -> None:
    mine, gone = tmp_path / "mine.toml", str(tmp_path / "gone.toml")
    mine.write_text(PROFILE)

    def given(port: str | None, profile: str) -> SetUp:
        return prepared(argparse.Namespace(port=port, profile=profile, site=None, visit=None), Memory.load())

    for port, profile, says in (
        (nodes[0], gone, "gone.toml"),
        (None, gone, "--port"),
        (nodes[0], "sckpi", "is called"),
    ):
        with pytest.raises(RequestError, match=says):
            given(port, profile)
    assert Memory.load().known.fitted == ()
    now = given(nodes[0], str(mine))
    assert enter_does(now) == "type the site, then measure"
    mine.unlink()
    assert enter_does(now).startswith("nothing: ") and "mine.toml" in enter_does(now)
