"""The shape of a console's data: rows, one number a line, all on one line, JSON.

Owns: the layouts in which a point is no line, and which layout a reply has. Refuses: rows (`rows`), and to say what a
column means (`columns`).
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from protocol.learn.sweeps.rows import numbers_at, orderly, rows_of, signed
from protocol.learn.sweeps.shape import FEWEST_POINTS, LARGEST, Shape

MOST_NUMBERS = 8
"""Numbers of one point."""
MOST_IN_FRONT = 3
"""Numbers in front of all points: the name of a trace, their count."""
LONGEST_HEAD = 40
MOST_OF = 0.5
"""Rows that are points are at least this part of the lines with numbers."""


def shapes_of(lines: Sequence[str], points: int | None = None, like: Sequence[Shape] = ()) -> list[Shape]:
    """The sets of points in a reply, the likeliest reading first in each; empty where there are none.

    `points` is how many were set, None where that is not known. A reply to a word that was answered before is read
    `like` those sets: noise alone tells no comma.
    """
    commas: tuple[str, ...] = (".", ",")
    if like:
        decimal = any("comma" in shape.forms for shape in like)
        commas = (",",) if decimal else (".",) if any("," in "".join(shape.literals) for shape in like) else commas
    glued = [form for shape in like for form in shape.forms if re.fullmatch(r"hex\d", form)]
    glue = int(glued[0][3:]) if glued else 0
    rows = rows_of(lines, points, commas, glue)
    numbered = sum(bool(numbers_at(line, ".")) for line in lines)
    few = sum(shape.points for shape in rows) < MOST_OF * numbered  # lines of one part of a point are no points
    for reading in (_json, _stream, rows_of) if few else (_json, rows_of, _stream):
        found = rows if reading is rows_of else reading(lines, points, commas)
        found = [shape for shape in found if shape.points >= FEWEST_POINTS]
        if found and (points is None or all(shape.points == points for shape in found)):
            return found
    return []


def _stream(lines: Sequence[str], points: int | None, commas: Sequence[str]) -> list[Shape]:
    """Points that follow each other, however the lines end: all on a line, a line for each trace, a line a number."""
    if points is None:
        return []
    texts = [line.strip() for line in lines]
    long = _until_again([text for text in texts if len(numbers_at(text, ".")) >= 2 * points])
    alone = [text for text in texts if re.fullmatch(r"[-+]?[\w.,]+(?:[-+]\d+)?", text)]
    for wholes in (long, [" ".join(alone)], [" ".join(texts)]):
        found = [_followed(whole, points, commas) for whole in wholes]
        whole_shapes = [shape for shape in found if shape is not None]
        if whole_shapes and len(whole_shapes) == len(wholes):
            heads = [shape.begin for shape in whole_shapes]
            if len(wholes) == 1:
                head = _head(whole_shapes[0].begin) if long else ""
                return [replace(whole_shapes[0], begin=head)]
            if all(heads) and len(set(heads)) == len(heads):
                ends = [*heads[1:], ""]
                return [replace(shape, finish=end) for shape, end in zip(whole_shapes, ends, strict=True)]
    return []


def _head(begin: str) -> str:
    """What a profile looks for before the first point: the last signs, or all of it with its numbers made {n}."""
    counted = re.sub(r"(?<![\w.])\d+(?![\w.])", "{n}", begin)
    return counted if counted != begin and len(counted) <= LONGEST_HEAD else re.split(r"\d", begin)[-1].strip()


def _until_again(texts: Sequence[str]) -> list[str]:
    """Long lines up to the one that begins as an earlier one does: there the next of endless sweeps begins."""
    heads: dict[str, str] = {}
    for text in texts:
        named = re.match(r"[A-Za-z]\w*", text)  # the digits of `S11` are no data
        head = named.group() if named else text[: numbers_at(text, ".")[0][0]]
        if head in heads:
            break
        heads[head] = text
    return list(heads.values())


def _followed(text: str, points: int, commas: Sequence[str]) -> Shape | None:
    """All points of one text; its `begin` is what stands before the first."""
    readings = []
    for comma in commas:
        at = numbers_at(text, comma)
        over = len(at) % points
        at = at[over:] if over <= MOST_IN_FRONT < points // 3 or over == 1 else at  # numbers in front name or count
        width = len(at) // points
        if len(at) % points or not 2 <= width <= MOST_NUMBERS:
            continue
        begin = text[: at[0][0]].strip()
        gaps = {text[at[first - 1][1] : at[first][0]].strip() for first in range(width, len(at), width)}
        mark = gaps.pop() if len(gaps) == 1 else ""
        mark = f"{mark} " if re.search(r"[A-Za-z]", mark) and begin.endswith(mark) else ""  # a word before each point
        rows = [mark + text[at[first][0] : at[first + width - 1][1]] for first in range(0, len(at), width)]
        begin = begin.removesuffix(mark.strip()).strip()
        found = rows_of(rows, points, (comma,))[:1]
        readings += [replace(shape, stream=True, begin=begin, titles=()) for shape in found]
    return max(readings, key=lambda shape: orderly([shape]), default=None)


def _json(lines: Sequence[str], points: int | None, commas: Sequence[str]) -> list[Shape]:
    """Lists of pairs behind names, in one object."""
    text = "\n".join(lines)
    found = []
    for match in re.finditer(r'"(\w+)"\s*:\s*\[(\s*\[.*?\]\s*)\]', text, re.DOTALL):
        pairs = re.findall(r"\[\s*(\"?)([^,\[\]\"]+)\"?\s*,\s*\"?([^,\[\]\"]+)\"?\s*\]", match.group(2))
        if not pairs:
            continue
        quote = pairs[0][0]
        words = [word.strip() for _, *pair in pairs for word in pair]
        hexed = bool(quote) and all(re.fullmatch(r"(?:0[xX])?[0-9A-Fa-f]+", word) for word in words)
        try:
            values = [_signed(word) if hexed else float(word) for word in words]
        except (ValueError, OverflowError):
            continue
        if not all(abs(value) < LARGEST for value in values):
            continue
        opened = re.search(r"\[\s*\[", match.group()) or match
        blank = " " if ", " in match.group(2) else ""
        literals = (f"[{quote}", f"{quote},{blank}{quote}", quote)
        forms = ("hex",) * 2 if hexed else ("", "")
        begin = match.group()[: opened.start() + 1]
        table = np.array(values).reshape(-1, 2)
        found.append(Shape(table, literals, forms, True, begin, "]]", (match.group(1),)))
    del points, commas
    return found


def _signed(word: str) -> float:
    digits = re.sub("^0[xX]", "", word)
    return float(signed(np.array(float(int(digits, 16))), len(digits)))
