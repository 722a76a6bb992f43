"""The place of the notch against time, a look a row: where it was with its interval, and when a screw was turned. Pure.

Owns: the strip and its scale. Refuses: a place without its word, and a line between looks that nobody took.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from rf.values.figure import Figure
from rf.values.words import text, words
from tui.drawing.marks import MarkSet, plain

AGE = 8
LEAST_COLUMNS = 21
STEPS = (1.0, 2.0, 5.0)


@dataclass(frozen=True, slots=True)
class Place:
    """A whole look: when it ended (seconds of any clock), the mean notch off the channel in hertz, and whether a screw
    was being turned."""

    at_s: float
    offset: Figure
    turning: bool = False


def strip_lines(places: Sequence[Place], now_s: float, width: int, rows: int, marks: MarkSet) -> list[str]:
    """At most `rows` lines, none wider than `width`: a scale, then the newest looks, the last one at the bottom."""
    shown = places[-max(rows - 1, 1) :]
    if not shown:
        return [" STRIP  no whole look yet"]
    texts = [plain(text(place.offset, signed=True), marks) for place in shown]
    columns = width - AGE - max(map(len, texts)) - 2
    if columns < LEAST_COLUMNS:  # the interval is drawn; in words it would leave no room for that
        texts = [_short(place.offset) for place in shown]
        columns = width - AGE - max(map(len, texts)) - 2
    columns -= 1 - columns % 2
    reach_hz = _reach(shown)
    head = f"{-reach_hz / 1e3:g}".ljust(columns // 2) + "0" + f"{reach_hz / 1e3:+g} kHz".rjust(columns // 2)
    lines = [f"{' STRIP':<{AGE}}{head[:columns]}"]
    for place, said in zip(shown, texts, strict=True):
        age = _clock(now_s - place.at_s) + (" t" if place.turning else "")
        lines.append(f" {age:<{AGE - 1}}{_drawn(place.offset, reach_hz, columns)}  {said}")
    return [plain(line, marks) for line in lines]


def _short(figure: Figure) -> str:
    parts = words(figure, signed=True)
    return " ".join(part for part in (parts.word, parts.number, parts.unit) if part)


def _clock(seconds: float) -> str:
    whole = max(int(seconds), 0)
    return f"{whole // 60}:{whole % 60:02d}" if whole < 6000 else f"{whole // 3600} h"


def _reach(places: Sequence[Place]) -> float:
    """Half the width of the strip in hertz: 1, 2 or 5 times a power of ten that holds all places, and 1 kHz at least;
    intervals that are wider leave the strip at its ends."""
    far = max((abs(place.offset.value) for place in places if place.offset.known), default=0.0)
    near = max((min(place.offset.high - place.offset.value, far) for place in places if place.offset.known), default=0)
    wanted = max(far + near, 1e3)
    power = 10.0 ** math.floor(math.log10(wanted))
    return next((step * power for step in STEPS if step * power >= wanted), 10.0 * power)


def _drawn(offset: Figure, reach_hz: float, columns: int) -> str:
    """The channel as a line in the middle, the interval around the place."""
    cells = [" "] * columns
    middle = columns // 2
    cells[middle] = "│"
    if offset.known:
        low, at, high = (round(middle + value / reach_hz * middle) for value in (offset.low, offset.value, offset.high))
        for x in range(max(low, 0), min(high, columns - 1) + 1):
            cells[x] = "─"
        for x, sign in ((low, "├"), (high, "┤")):
            if 0 <= x < columns and x != at:
                cells[x] = sign
        cells[min(max(at, 0), columns - 1)] = "o"
    return "".join(cells)
