"""What stands on the terminal and what should stand there, cell by cell; from both the bytes that make the difference.

Owns: the cells, and the sequences to move and to colour (ECMA-48 CUP and SGR). A dialog that opens, a screen that
closes and a row that changed all cost only the cells that differ. Refuses: to know widgets, and when to write.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from rich.cells import cell_len
from rich.color import ColorSystem
from rich.segment import Segment
from textual.strip import Strip

Cell = tuple[str, str]
"""A character and its colours. The right half of a wide character is an empty one."""

NEVER: Cell = ("\0", "")
"""Differs from every cell: nobody knows what stands there."""
SHORT_GAP = 6
"""So few unchanged cells between two changed ones are written too: a move costs as many bytes."""


class Glass:
    """One terminal's cells."""

    def __init__(self) -> None:
        self._shown: list[list[Cell]] = []
        self._wanted: list[list[Cell]] = []

    def forget(self) -> None:
        """Nobody knows what stands on the terminal: all of it is written with the next difference."""
        self._shown = [[NEVER] * len(row) for row in self._wanted]

    def whole(self, lines: Sequence[Iterable[Strip]], width: int, colours: ColorSystem) -> None:
        """This whole picture is wanted."""
        self._wanted = [_row(line, width, colours) for line in lines]
        if [len(row) for row in self._shown] != [len(row) for row in self._wanted]:
            self.forget()

    def part(self, x: int, y: int, strip: Strip, colours: ColorSystem) -> None:
        """This is wanted from column x of row y on."""
        if y < len(self._wanted):
            row = self._wanted[y]
            cells = _cells(strip, colours)[: len(row) - x]
            end = x + len(cells)
            if cells and x > 0 and not row[x][0]:  # half of a wide character is none
                row[x - 1] = (" ", row[x - 1][1])
            if end < len(row) and not row[end][0]:
                row[end] = (" ", row[end][1])
            row[x:end] = cells

    def difference(self) -> str:
        """The sequences after which the terminal shows what is wanted; empty when it does. Counts as written."""
        pieces: list[str] = []
        for y, (old, new) in enumerate(zip(self._shown, self._wanted, strict=True)):
            if old != new:
                for first, end in _changed(old, new):
                    pieces.append(f"\x1b[{y + 1};{first + 1}H")
                    pieces.append(_painted(new[first:end]))
        self._shown = [list(row) for row in self._wanted]
        return "".join(pieces)


def _row(strips: Iterable[Strip], width: int, colours: ColorSystem) -> list[Cell]:
    cells = [cell for strip in strips for cell in _cells(strip, colours)]
    return (cells + [(" ", "")] * (width - len(cells)))[:width]


def _cells(strip: Iterable[Segment], colours: ColorSystem) -> list[Cell]:
    cells: list[Cell] = []
    for text, style, control in strip:
        if control:
            continue
        code = Strip.render_ansi(style, colours) if style is not None else ""
        if text.isascii():
            cells.extend((character, code) for character in text)
            continue
        for character in text:
            room = cell_len(character)
            if room == 0 and cells:  # an accent belongs to the character before it
                cells[-1] = (cells[-1][0] + character, cells[-1][1])
            elif room:
                cells.append((character, code))
                cells.extend([("", code)] * (room - 1))
    return cells


def _changed(old: Sequence[Cell], new: Sequence[Cell]) -> list[tuple[int, int]]:
    """Spans of columns to write: from the first changed cell to the last, over short gaps, wide characters whole."""
    spans: list[tuple[int, int]] = []
    for x, (was, is_now) in enumerate(zip(old, new, strict=True)):
        if was == is_now:
            continue
        end = x + 1
        while end < len(new) and not new[end][0]:
            end += 1
        first = x
        while first > 0 and not new[first][0]:
            first -= 1
        if spans and first - spans[-1][1] <= SHORT_GAP:
            spans[-1] = (spans[-1][0], max(end, spans[-1][1]))
        else:
            spans.append((first, end))
    return spans


def _painted(cells: Sequence[Cell]) -> str:
    """The characters with their colours, each colour said once, none left behind."""
    pieces: list[str] = []
    now = ""
    for character, code in cells:
        if code != now and character:
            pieces.append(f"\x1b[0;{code}m" if now and code else f"\x1b[{code}m")
            now = code
        pieces.append(character)
    if now:
        pieces.append("\x1b[m")
    return "".join(pieces)
