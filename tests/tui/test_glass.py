"""What is written is what differs: an emulator that is given the differences shows what one shows that is given all."""

from __future__ import annotations

import itertools
import random

import pyte
from rich.color import ColorSystem
from rich.segment import Segment
from rich.style import Style
from textual.strip import Strip

from tui.terminal.glass import Glass
from tui.terminal.thin_line import LONGEST_S, NO_ANSWER_S, Pace

STYLES = [None, Style.parse("bold red"), Style.parse("#d55e00 on #101010"), Style.parse("reverse")]
TEXTS = ["-87.3 dB", "⠉⠉⠦⡄", "│", "   ", "宽度", "e\u0301", "AT LEAST", "◆"]
WIDTH, HEIGHT = 24, 5


def strip(rng: random.Random, width: int) -> Strip:
    segments = [Segment(rng.choice(TEXTS), rng.choice(STYLES)) for _ in range(rng.randrange(8))]
    return Strip(segments).adjust_cell_length(width)


class Emulator:
    """A terminal as Textual leaves it: no wrap at the right edge."""

    def __init__(self) -> None:
        self.screen = pyte.Screen(WIDTH, HEIGHT)
        self._stream = pyte.Stream(self.screen)
        self.feed("\x1b[?7l")

    def feed(self, text: str) -> None:
        self._stream.feed(text)

    def cells(self) -> list[list[object]]:
        return [[self.screen.buffer[y][x] for x in range(WIDTH)] for y in range(HEIGHT)]


def test_differences_add_up_to_the_picture() -> None:
    rng = random.Random(5)
    one, glass = Emulator(), Glass()
    for turn in range(300):
        if turn % 7 == 0:
            glass.whole([[strip(rng, WIDTH)] for _ in range(HEIGHT)], WIDTH, ColorSystem.EIGHT_BIT)
        else:
            left = rng.randrange(WIDTH)
            glass.part(left, rng.randrange(HEIGHT), strip(rng, WIDTH - left), ColorSystem.EIGHT_BIT)
        if rng.random() < 0.3:
            continue  # a picture that was never written
        one.feed(glass.difference())
        fresh = Emulator()
        glass.forget()
        fresh.feed(glass.difference())
        assert one.cells() == fresh.cells(), turn
    assert glass.difference() == ""


def test_a_change_costs_what_changes() -> None:
    glass = Glass()
    line = [Strip([Segment("SWEEPS  12 of 40   left 0:21".ljust(80), STYLES[1])])]
    glass.whole([line] * 24, 80, ColorSystem.EIGHT_BIT)
    assert 24 * 80 < len(glass.difference()) < 24 * 100
    glass.part(0, 3, Strip([Segment("SWEEPS  13 of 40   left 0:20".ljust(80), STYLES[1])]), ColorSystem.EIGHT_BIT)
    assert len(glass.difference()) < 50
    glass.whole([line] * 24, 80, ColorSystem.EIGHT_BIT)
    assert len(glass.difference()) < 50
    glass.whole([line] * 20, 80, ColorSystem.EIGHT_BIT)  # another size: all of it
    assert len(glass.difference()) > 20 * 80


def test_a_fast_line_does_not_wait() -> None:
    pace = Pace()
    for turn in range(20):
        assert pace.wait_s(turn * 0.5) == 0.0
        pace.wrote(turn * 0.5)
        pace.answered(turn * 0.5 + 0.01)


def test_a_slow_line_gets_fewer_pictures_and_half_of_it_stays_free() -> None:
    pace = Pace()
    pace.wrote(0.0)
    pace.answered(1.0)
    assert pace.wait_s(1.0) == 1.0 and pace.wait_s(2.0) == 0.0
    pace.wrote(2.0)
    assert pace.wait_s(2.5) > 0.0
    pace.answered(5.0)
    assert pace.wait_s(5.0) == 3.0
    pace.hurry(5.1)  # a key was pressed
    assert pace.wait_s(5.1) == 0.0
    pace.wrote(8.0)
    pace.answered(8.01)  # the line is fast again
    assert pace.wait_s(8.02) == 0.0


def test_a_terminal_that_stopped_answering_gets_ever_less() -> None:
    pace = Pace()
    pace.wrote(0.0)
    pace.answered(0.0)
    times = [0.0]
    now = 0.0
    while now < 3600.0:
        pace.wrote(now)
        now += pace.wait_s(now)
        times.append(now)
        assert pace.wait_s(now) == 0.0
    gaps = [b - a for a, b in itertools.pairwise(times)]
    assert gaps[0] == NO_ANSWER_S and gaps[1] == 2 * NO_ANSWER_S and max(gaps) == LONGEST_S
    assert len(times) < 70
    pace.answered(now)
    pace.wrote(now + 2 * LONGEST_S)
    assert pace.wait_s(now + 2 * LONGEST_S) == NO_ANSWER_S


def test_a_terminal_that_never_answers_is_written_to_all_the_same() -> None:
    pace = Pace()
    for turn in range(20):
        assert pace.wait_s(turn * 0.5) == 0.0
        pace.wrote(turn * 0.5)
