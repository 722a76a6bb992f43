"""From an analyzer that nobody has seen to the first figure, in a real terminal, with the key presses counted; and the
next day's one Enter, the analyzer restarted and under another port number."""

from __future__ import annotations

import contextlib
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from protocol.simulated.bench import start_bench
from tests.tui.terminal import ROOT, Terminal, terminal

MOST_KEYS = 25
LEARNING_S = 150.0
FIRST_FIGURE_S = 60.0


@contextlib.contextmanager
def strange_console(style: str, link: Path) -> Iterator[None]:
    """An analyzer without a profile behind a link that stays when its device node changes: a console that shares
    nothing with the program, or ("standard") the simulated bench with its SCPI."""
    link.unlink(missing_ok=True)
    if style == "standard":
        with start_bench(["--unit", "U6", "--hookup", "A>L", "--speed", "0"]) as bench:
            link.symlink_to(bench.node)
            yield
        return
    process = subprocess.Popen(
        [sys.executable, "-m", "tests.protocol.learn.stranger", style],
        cwd=ROOT,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert process.stdin is not None and process.stdout is not None
    try:
        link.symlink_to(process.stdout.readline().strip())
        yield
    finally:
        process.stdin.close()
        process.kill()
        process.wait()
        process.stdout.close()


class Keys:
    """Types into a terminal; names and frequencies are not counted."""

    def __init__(self, screen: Terminal) -> None:
        self.screen, self.count = screen, 0

    def press(self, *keys: str) -> None:
        for key in keys:
            self.count += 1
            self.screen.type(key)

    def write(self, words: str) -> None:
        self.screen.type(words)
        self.screen.wait_for(words)


def learn(keys: Keys, answers: dict[str, str]) -> None:
    """Answer whatever learning asks: words as they stand, deeds done, questions by `answers`, else not known."""
    screen, seen = keys.screen, ""
    while True:
        screen.wait_for(lambda text, before=seen: text != before and _asks(text), LEARNING_S)  # type: ignore[misc]
        while screen.read(0.3):
            pass
        seen = screen.text
        assert "NOT LEARNED" not in seen, seen
        keys.press(next((key for words, key in answers.items() if words in seen), "\r"))
        if "LEARNED" in seen:
            return


def _asks(text: str) -> bool:
    return any(words in text for words in ("LEARNED", " ?  ", " DO  ", "WORDS  of the console"))


def first_figure(screen: Terminal) -> str:
    """The live screen, sweeps kept and understood: a level it can't say before a calibration, and says so."""
    return screen.wait_for(lambda text: "FLOOR   one sweep CAN'T SAY" in text and "SAVED" in text, FIRST_FIGURE_S)


@pytest.mark.parametrize(
    "style",
    ["standard", *(pytest.param(style, marks=pytest.mark.long) for style in ("commas", "labels", "receivers"))],
)
def test_plug_to_first_figure_in_25_keys_and_one_enter_tomorrow(tmp_path: Path, style: str) -> None:
    link = tmp_path / "analyzer"
    home = {"XDG_DATA_HOME": str(tmp_path / "share"), "XDG_STATE_HOME": str(tmp_path / "state")}
    with strange_console(style, link), terminal("live", environment=home) as screen:
        keys = Keys(screen)
        screen.wait_for("ENTER")
        keys.press("p")
        screen.wait_for("Name of the port")
        screen.type(str(link))
        keys.press("\r")
        screen.wait_for("ENTER  learn this analyzer")
        keys.press("\r")
        screen.wait_for("Enter begin")
        keys.press("\r")
        learn(keys, {"switched on": "2"})
        screen.wait_for("SITE  a new one")
        for words in ("Heron Bank", "450", "455,5"):
            keys.write(words)
            keys.press("\r")
        keys.press("h")
        screen.wait_for("= high")
        keys.press("\r")
        screen.wait_for("ENTER  go on")
        keys.press("\r")
        assert "450.000" in first_figure(screen)
        assert keys.count <= MOST_KEYS
        screen.type("q\r")
        assert screen.wait_for_end() == 0
    with strange_console(style, link), terminal("live", environment=home) as screen:
        screen.wait_for("ENTER  go on as last time: Heron Bank")
        screen.type("\r")
        first_figure(screen)
        screen.type("q\r")
        assert screen.wait_for_end() == 0
