"""Turns a trace into rows of characters: level against frequency, floor line, hatched band, channel and goal marks.

Owns: the raster. Pure: arrays and numbers in, rows out, so that tests read it as text. Refuses: to draw a line through
what was not measured (gaps stay gaps) and to draw the noise inside a clipped band as if it were a response.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rf.values.stretches import stretches
from tui.drawing.marks import FAINT, GREEN, ORANGE, SKY, YELLOW, MarkSet, plain
from tui.drawing.rows import Row

AXIS_WIDTH = 6
"""Columns left of the raster for the level scale."""

BRAILLE_DOTS = ((0x01, 0x08), (0x02, 0x10), (0x04, 0x20), (0x40, 0x80))
"""Bits of a braille cell, by dot row and dot column (Unicode block U+2800)."""


@dataclass(frozen=True, slots=True)
class Mark:
    """A frequency with a one-letter sign drawn as a vertical line, and the goal level there (NaN: none)."""

    frequency_hz: float
    sign: str
    goal_db: float = math.nan
    line: str = "│"


@dataclass(frozen=True, slots=True)
class Plot:
    """What to draw. `frequency_hz` and `level_db` have shape (K,); levels may hold NaN or -inf, which stay gaps."""

    frequency_hz: NDArray[np.float64]
    level_db: NDArray[np.float64]
    top_db: float
    bottom_db: float
    floor_db: float = math.nan
    clipped_hz: tuple[float, float] | None = None
    marks: tuple[Mark, ...] = ()
    window_hz: tuple[float, float] | None = None
    """The part that is drawn; None: all of it."""
    name: str = ""
    """Of the trace, at the left of the frequency scale."""

    @property
    def start_hz(self) -> float:
        """Left end."""
        return float(self.frequency_hz[0]) if self.window_hz is None else self.window_hz[0]

    @property
    def stop_hz(self) -> float:
        """Right end."""
        return float(self.frequency_hz[-1]) if self.window_hz is None else self.window_hz[1]


def plot_rows(plot: Plot, width: int, height: int, marks: MarkSet) -> list[Row]:
    """Rows of the raster, `height` of them, each `width` columns with the level scale at the left."""
    columns = width - AXIS_WIDTH
    if columns < 10 or height < 3 or plot.frequency_hz.size < 2:
        return [[("", "")] for _ in range(height)]
    cells = _Cells(plot, columns, height)
    cells.vertical_marks(marks)
    cells.floor_line(marks)
    cells.trace(marks)
    cells.hatch(marks)
    cells.goals(marks)
    return [[(_scale_label(plot, y, height), FAINT), *cells.row(y)] for y in range(height)]


def ruler_row(plot: Plot, width: int) -> Row:
    """The frequency scale under the raster: both ends, the step between, and the marks' letters."""
    columns = width - AXIS_WIDTH
    if columns < 10 or plot.frequency_hz.size < 2:
        return [("", "")]
    start, stop = plot.start_hz, plot.stop_hz
    decimals = 3 if stop - start > 2e5 else 4 if stop - start > 2e3 else 6
    line = [" "] * columns
    _put(line, 0, f"{start / 1e6:.{decimals}f}")
    right = f"{stop / 1e6:.{decimals}f} MHz"
    _put(line, columns - len(right), right)
    for mark in plot.marks:
        if start <= mark.frequency_hz <= stop:
            column = round((mark.frequency_hz - start) / (stop - start) * (columns - 1))
            label = f"{mark.sign}"
            if line[column] == " ":
                _put(line, column, label)
    return [(f" {plot.name}".ljust(AXIS_WIDTH), FAINT), ("".join(line), FAINT)]


def _put(line: list[str], at: int, text: str) -> None:
    for offset, letter in enumerate(text):
        if 0 <= at + offset < len(line):
            line[at + offset] = letter


def _scale_label(plot: Plot, y: int, height: int) -> str:
    """A level at every few rows, as a whole number of dB; the label belongs to the middle of its row."""
    per_row = (plot.top_db - plot.bottom_db) / height
    every = next((n for n in (1, 2, 5, 10, 20, 30, 50) if n / per_row >= 2), 50)
    centre = plot.top_db - (y + 0.5) * per_row
    nearest = round(centre / every) * every
    if abs(nearest - centre) <= per_row / 2 and nearest - centre > -per_row / 2:
        return f"{nearest:4d} ┤" if nearest else "   0 ┤"
    return "     │"


class _Cells:
    """The raster while it is being drawn: one sign and one style a cell."""

    def __init__(self, plot: Plot, columns: int, height: int) -> None:
        self.plot, self.columns, self.height = plot, columns, height
        self.signs = [[" "] * columns for _ in range(height)]
        self.styles = [[""] * columns for _ in range(height)]
        self.start, self.stop = plot.start_hz, plot.stop_hz

    def column(self, frequency_hz: float) -> int:
        return round((frequency_hz - self.start) / (self.stop - self.start) * (self.columns - 1))

    def level_row(self, level_db: float) -> int:
        share = (self.plot.top_db - level_db) / (self.plot.top_db - self.plot.bottom_db)
        return math.floor(share * self.height)

    def set(self, y: int, x: int, sign: str, style: str) -> None:
        if 0 <= y < self.height and 0 <= x < self.columns:
            self.signs[y][x], self.styles[y][x] = sign, style

    def vertical_marks(self, marks: MarkSet) -> None:
        for mark in self.plot.marks:
            sign = plain(mark.line, marks)
            if self.start <= mark.frequency_hz <= self.stop:
                for y in range(self.height):
                    self.set(y, self.column(mark.frequency_hz), sign, FAINT)

    def floor_line(self, marks: MarkSet) -> None:
        if not math.isfinite(self.plot.floor_db):
            return
        y = self.level_row(self.plot.floor_db)
        for x in range(self.columns):
            self.set(y, x, "-" if marks is MarkSet.ASCII else "┄", ORANGE)

    def trace(self, marks: MarkSet) -> None:
        across, down = (2, 4) if marks is MarkSet.BRAILLE else (1, 2) if marks is MarkSet.BLOCKS else (1, 1)
        dots = _dots(self.plot, self.columns * across, self.height * down)
        band = self.plot.clipped_hz
        for y in range(self.height):
            for x in range(self.columns):
                block = dots[y * down : (y + 1) * down, x * across : (x + 1) * across]
                if block.any() and not (band and self._inside(x, band)):
                    self.set(y, x, _sign(block, marks), SKY)

    def hatch(self, marks: MarkSet) -> None:
        """Everything below the floor inside the clipped band: hatched, with the words in the middle."""
        band = self.plot.clipped_hz
        if band is None:
            return
        left, right = max(self.column(band[0]), 0), min(self.column(band[1]), self.columns - 1)
        if left > right:
            return  # outside the part that is drawn
        first = self.level_row(self.plot.floor_db) if math.isfinite(self.plot.floor_db) else self.height // 2
        first = min(max(first, 0), self.height - 1)
        for y in range(first, self.height):
            for x in range(left, right + 1):
                self.set(y, x, "/" if marks is MarkSet.ASCII else "╱", FAINT)
        label = "no information"
        goals = {self.goal_row(mark): self.column(mark.frequency_hz) for mark in self.plot.marks}
        rows = sorted(range(first, self.height), key=lambda y: abs(y - (first + self.height) // 2))
        row, at = next((y for y in rows if y not in goals), rows[0]), (left + right + 1 - len(label)) // 2
        at = min(max(at, 0), self.columns - len(label))
        mark = goals.get(row, -1)
        if at <= mark < at + len(label):  # a mark amid the words would spoil both
            at = mark - len(label) - 1 if mark > len(label) else mark + 2
            at = min(at, self.columns - len(label))
        for offset, letter in enumerate(label):
            self.set(row, at + offset, letter, "")

    def goal_row(self, mark: Mark) -> int:
        """Row of a goal; -1 for a mark without one."""
        return min(max(self.level_row(mark.goal_db), 0), self.height - 1) if math.isfinite(mark.goal_db) else -1

    def goals(self, marks: MarkSet) -> None:
        for mark in self.plot.marks:
            if math.isfinite(mark.goal_db) and self.start <= mark.frequency_hz <= self.stop:
                sign = "G" if marks is MarkSet.ASCII else "◆"
                style = GREEN if mark.goal_db > -30 else YELLOW
                self.set(self.goal_row(mark), self.column(mark.frequency_hz), sign, style)

    def _inside(self, x: int, band: tuple[float, float]) -> bool:
        return self.column(band[0]) <= x <= self.column(band[1])

    def row(self, y: int) -> Row:
        runs: Row = []
        for sign, style in zip(self.signs[y], self.styles[y], strict=True):
            if runs and (runs[-1][1] == style or (sign == " " and runs[-1][1] != "")):
                runs[-1] = (runs[-1][0] + sign, runs[-1][1])
            else:
                runs.append((sign, style))
        return runs


def _dots(plot: Plot, across: int, down: int) -> NDArray[np.bool_]:
    """Dots of the trace, shape (down, across). Neighbours are joined unless one of them is not finite."""
    dots = np.zeros((down, across), bool)
    x = (plot.frequency_hz - plot.start_hz) / (plot.stop_hz - plot.start_hz) * (across - 1)
    y = (plot.top_db - plot.level_db) / (plot.top_db - plot.bottom_db) * down - 0.5
    good = np.isfinite(y)
    columns = np.arange(across)
    for first, last in stretches(good):
        xs, ys = x[first:last], y[first:last]
        inside = columns[(columns >= xs[0] - 0.5) & (columns <= xs[-1] + 0.5)]
        low = np.interp(inside - 0.5, xs, ys)
        high = np.interp(inside + 0.5, xs, ys)
        for column, one, two in zip(inside, low, high, strict=True):
            here = ys[(xs >= column - 0.5) & (xs <= column + 0.5)]
            ends = np.array([one, two, *here])
            top, bottom = int(np.floor(ends.min() + 0.5)), int(np.floor(ends.max() + 0.5))
            if bottom >= 0 and top < down:
                dots[max(top, 0) : min(bottom, down - 1) + 1, column] = True
    return dots


def _sign(block: NDArray[np.bool_], marks: MarkSet) -> str:
    if marks is MarkSet.BRAILLE:
        return chr(0x2800 + sum(BRAILLE_DOTS[r][c] for r in range(4) for c in range(2) if block[r, c]))
    if marks is MarkSet.BLOCKS:
        return "█" if block.all() else ("▀" if block[0, 0] else "▄")
    return "*"
