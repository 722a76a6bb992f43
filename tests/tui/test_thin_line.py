"""The program on a pty of its own: how much it writes, and what it does when nobody takes what it writes.

Counts of bytes only; times are for scripts/thin_line.py and the benchmarks.
"""

from __future__ import annotations

import re
import time
from pathlib import Path

import pytest

from tests.tui.terminal import PATIENCE_S, Terminal, terminal
from tests.tui.test_terminal_gone import outcomes, sequences, wait_until
from tui.screens.panel import REFRESH_S
from tui.terminal.thin_driver import ASK

QUESTION = ASK.encode()
"""Stands at the end of every picture."""
LONGEST_PICTURE = 8000
"""Bytes of a whole screen of 80 by 24 with all its colours, and some."""


def words(path: Path, sweeps: int, speed: float) -> list[str]:
    return ["demo", "--speed", str(speed), "--visit", str(path), "--sweeps", str(sweeps)]


def sweeping(screen: Terminal, planned: int) -> None:
    screen.wait_for(lambda text: bool(re.search(rf"SWEEPS +[1-9]\d* of {planned}", text)))


def drain(screen: Terminal, quiet_s: float = 1.0) -> int:
    """Read until nothing has come for a while; how much came."""
    before = len(screen.raw)
    while screen.read(quiet_s):
        pass
    return len(screen.raw) - before


def redrawn_shows_the_same(screen: Terminal) -> None:
    before = screen.cells
    screen.type("l")
    assert drain(screen) > 2000  # really drawn anew
    assert screen.cells == before


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "a.visit"


def test_bytes_of_a_run_and_of_an_idle_screen(path: Path) -> None:
    """80 by 24: 2 kB a refresh and 10 kB/s at most while a run is shown, nothing when nothing changes."""
    with terminal(*words(path, 16, 0.5)) as screen:
        sweeping(screen, 16)
        before, began = len(screen.raw), time.monotonic()
        screen.wait_for(lambda text: "16 of 16" in text and "complete" in text)
        took_s, pictures = time.monotonic() - began, screen.raw[before:].count(QUESTION)
        spent = len(screen.raw) - before
        assert pictures >= 3 and spent / pictures < 2000 and spent / took_s < 10_000
        screen.wait_for("one survey then serves both")  # the advice is the last that comes
        drain(screen)
        began = time.monotonic()
        while time.monotonic() - began < 10 * REFRESH_S:
            assert not screen.read(REFRESH_S), screen.raw[-200:]


def test_a_dialog_costs_what_it_covers(path: Path) -> None:
    with terminal(*words(path, 2, 0)) as screen:
        screen.wait_for(
            lambda text: "2 of 2" in text and "FLOOR   one sweep" in text
        )  # the figures come after the sweep
        drain(screen)
        live = screen.cells
        screen.type("d")
        assert drain(screen) < 2500 and "emperature" in screen.text
        screen.type("\x1b")
        assert drain(screen) < 2500 and screen.cells == live
        redrawn_shows_the_same(screen)


@pytest.mark.parametrize("answers", [True, False])
def test_a_terminal_that_takes_nothing(path: Path, answers: bool) -> None:
    """The run goes on, little is written, and when it drains the screen is right."""
    with terminal(*words(path, 40, 0.3), answers=answers) as screen:
        sweeping(screen, 40)
        if not answers:  # the kernel's buffer is filled by keys, whole screens, one after the other
            for _ in range(12):
                screen.type("l")
        wait_until(lambda: outcomes(path) == ["complete"], "the run goes on to its end")
        assert len(sequences(path)) == 40
        before = len(screen.raw)
        came = drain(screen)
        # The kernel holds some 20 kB. One that answers has one picture outstanding, and one more after 2, 6 and 14 s.
        assert came < 5 * LONGEST_PICTURE
        assert not answers or screen.raw[before:].count(QUESTION) <= 6
        screen.wait_for(lambda text: "40 of 40" in text and "complete" in text)
        drain(screen)
        redrawn_shows_the_same(screen)
        screen.type("q")
        assert screen.wait_for_end() == 0


def test_leaving_a_terminal_that_takes_nothing(path: Path) -> None:
    """Told to end, it ends, whatever stands unread."""
    with terminal(*words(path, 200, 0.3), answers=False) as screen:
        sweeping(screen, 200)
        for _ in range(40):
            screen.type("l?\x1b")
        wait_until(lambda: len(sequences(path)) > 20, "the run goes on")
        screen.process.terminate()
        assert screen.process.wait(PATIENCE_S) == 143
    assert len(sequences(path)) > 20 and "SIGTERM" in str(outcomes(path)[0])


def test_no_answer_is_left_for_the_shell(path: Path) -> None:
    """A screen that ends waits for the answer on its way: afterwards it would stand on the command line as if typed."""
    with terminal(*words(path, 2, 0), answers=False) as screen:
        screen.wait_for("2 of 2")
        drain(screen)
        screen.type("\x1b[24;1R")  # it answers, so answers are waited for
        screen.type("?")
        screen.wait_for("Keys (up, down: more   Esc or q: back)")
        drain(screen)
        screen.type("qq")
        drain(screen)
        assert b"\x1b[?1049l" not in screen.raw  # the screen still stands
        screen.type("\x1b[24;1R")
        assert screen.wait_for_end() == 0
        assert b"\x1b[?1049l" in screen.raw
