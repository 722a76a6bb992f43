"""A terminal that is too small says so in one line and shows no figure; the run goes on, and comes back to sight."""

from __future__ import annotations

import fcntl
import os
import re
import struct
import termios
from collections.abc import Iterator
from pathlib import Path

import pyte
import pytest

from protocol.simulated.bench import Bench, start_bench
from tests.tui.terminal import Terminal
from tests.tui.test_terminal_gone import SITE, outcomes
from tui.screens.too_small import LEAST_COLUMNS, LEAST_ROWS

SWEEPS = 30


@pytest.fixture
def bench() -> Iterator[Bench]:
    with start_bench(["--speed", "0.2", "--seed", "4"]) as bench:
        yield bench


def resized(screen: Terminal, columns: int, rows: int) -> None:
    screen._screen.resize(rows, columns)
    screen._screen.erase_in_display(2)
    fcntl.ioctl(screen._master, termios.TIOCSWINSZ, struct.pack("HHHH", rows, columns, 0, 0))


def told(screen: Terminal) -> str:
    return "".join(line for line in screen._screen.display)


def test_a_small_terminal_says_what_it_needs(bench: Bench, tmp_path: Path) -> None:
    path = tmp_path / "a.visit"
    words = ["live", "--port", bench.node, "--site", SITE, "--visit", str(path), "--sweeps", str(SWEEPS)]
    screen = Terminal(words)
    assert isinstance(screen._screen, pyte.Screen)
    try:
        screen.wait_for(lambda text: bool(re.search(r"SWEEPS +[1-9]\d* of", text)))
        for columns, rows in ((20, 5), (1, 1), (2, 300), (300, 2), (LEAST_COLUMNS - 1, 24), (80, LEAST_ROWS - 1)):
            resized(screen, columns, rows)
            if columns * rows > len(need(columns, rows)):
                screen.wait_for(lambda _: re.sub(r"\s+", "", told(screen)) == need(columns, rows))  # noqa: B023
        resized(screen, LEAST_COLUMNS, LEAST_ROWS)
        shown = screen.wait_for(lambda text: f"{SWEEPS} of {SWEEPS}" in text and "too small" not in text)
        assert "SAFETY" in shown and "REJECT at" in shown and "dB" in shown
        assert all(word in shown for word in ("AT LEAST", "[can't say]", "never key into the analyzer"))
        resized(screen, 20, 5)
        screen.wait_for(lambda _: re.sub(r"\s+", "", told(screen)) == need(20, 5))
        screen.type("q")
        assert screen.wait_for_end() == os.EX_OK
    finally:
        screen.close()
    assert outcomes(path) == ["complete"]


def need(columns: int, rows: int) -> str:
    line = f"{columns}x{rows} is too small: make it {LEAST_COLUMNS}x{LEAST_ROWS}. What runs goes on. q leaves"
    return line.replace(" ", "")
