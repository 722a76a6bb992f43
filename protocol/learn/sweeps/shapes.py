"""The shape of a console's data: rows, one number a line, all on one line, JSON.

Owns: the layouts in which a point is no line, and which layout a reply has. Refuses: rows (`rows`), and to say what a
column means (`columns`).
"""

from __future__ import annotations

import re
from collections.abc import Sequence

import numpy as np

from protocol.learn.sweeps.rows import rows_of
from protocol.learn.sweeps.shape import FEWEST_POINTS, Shape, number

_PLAIN = r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d{1,3})?"
_FORMS = {
    "": rf"(?<![\w.+-]){_PLAIN}(?![\w.])",
    "comma": r"(?<![\w,.+-])[-+]?\d+(?:[,.]\d+)?(?:[eE][-+]?\d{1,3})?[kMG]?(?![\w,])",
    "si": rf"(?<![\w.+-]){_PLAIN}[kMG]?(?![\w.])",
    "hex": r"(?<![\w])[0-9A-F]{4,8}(?![\w])",
}


def shapes_of(lines: Sequence[str], points: int | None = None) -> list[Shape]:
    """The sets of points in a reply, the likeliest reading first in each; empty where there are none.

    `points` is how many were set, None where that is not known.
    """
    for reading in (_json, rows_of, _single, _one_line):
        found = [shape for shape in reading(lines, points) if shape.points >= FEWEST_POINTS]
        if found and (points is None or all(shape.points == points for shape in found)):
            return found
    return []


def _form_of(lines: Sequence[str]) -> str:
    text = "\n".join(lines)
    commas = re.search(r"\d,\d", text) is not None
    apart = re.search(r"[;\t]|\d +[-+]?\d", text) is not None or all(re.fullmatch(r"[-+]?\d+,\d+", x) for x in lines)
    if commas and apart and not re.search(r"\d\.\d+,\d", text):
        return "comma"
    if re.search(r"\d[kMG](?!\w)", text):
        return "si"
    return ""


def _signed(word: str) -> float:
    value = int(word, 16)
    return float(value - 0x10000 if value > 0x7FFF else value)


def _single(lines: Sequence[str], points: int | None) -> list[Shape]:
    """One number on a line, the parts of a point below each other."""
    texts = [line.strip() for line in lines]
    form = "comma" if any(re.fullmatch(r"[-+]?\d+,\d+", line) for line in texts) else ""
    pattern = re.compile(_FORMS[form])
    numbers = [line for line in texts if pattern.fullmatch(line)]
    signed = [line for line in texts if re.fullmatch(r"[0-9A-F]{4}", line)]
    if len(signed) > len(numbers) and not form:
        return _parted([_signed(line) for line in signed], points, "hex")
    if len(numbers) < 2 * FEWEST_POINTS or len(numbers) < 0.5 * len(texts):
        return []
    return _parted([number(line, form) for line in numbers], points, form)


def _parted(values: list[float], points: int | None, form: str, literal: str = " ") -> list[Shape]:
    if points is None or len(values) % points or not 1 <= len(values) // points <= 6:
        return []
    width = len(values) // points
    table = np.array(values).reshape(points, width)
    return [Shape(table, ("", *[literal] * (width - 1), ""), (form,) * width, stream=True)]


def _one_line(lines: Sequence[str], points: int | None) -> list[Shape]:
    """All numbers of all points on one line."""
    longest = max(lines, key=len, default="")
    hexed = re.findall(r"(?<![\w.+-])[0-9A-F]{4}(?![\w.])", longest)
    form = _form_of([longest])
    texts = re.findall(_FORMS[form], longest)
    if points is not None and len(hexed) >= 2 * points and len(hexed) >= len(texts):
        separator = re.search(r"[0-9A-F]{4}([\s,;]+)", longest)
        return _parted([_signed(x) for x in hexed], points, "hex", _blank(separator))
    if points is None or len(texts) < 2 * points:
        return []
    separator = re.search(r"\d([\s,;]+)[-+\d]", longest) if form != "comma" else re.search(r"\d([\s;]+)[-+\d]", longest)
    return _parted([number(text, form) for text in texts], points, form, _blank(separator))


def _blank(match: re.Match[str] | None) -> str:
    return re.sub(r"\s+", " ", match.group(1)) if match else " "


def _json(lines: Sequence[str], points: int | None) -> list[Shape]:
    """Lists of pairs behind names, in one object."""
    text = "\n".join(lines)
    found = []
    for match in re.finditer(r'"(\w+)"\s*:\s*\[(\s*\[.*?\]\s*)\]', text, re.DOTALL):
        pairs = re.findall(r"\[\s*(\"?)([^,\[\]\"]+)\"?\s*,\s*\"?([^,\[\]\"]+)\"?\s*\]", match.group(2))
        if not pairs:
            continue
        quote = pairs[0][0]
        hexed = bool(quote)
        try:
            rows = [[_signed(a) if hexed else float(a), _signed(b) if hexed else float(b)] for _, a, b in pairs]
        except ValueError:
            continue
        opened = re.search(r"\[\s*\[", match.group()) or match
        blank = " " if ", " in match.group(2) else ""
        literals = (f"[{quote}", f"{quote},{blank}{quote}", quote)
        forms = ("hex",) * 2 if hexed else ("", "")
        begin = match.group()[: opened.start() + 1]
        found.append(Shape(np.array(rows), literals, forms, True, begin, "]]", (match.group(1),)))
    del points
    return found
