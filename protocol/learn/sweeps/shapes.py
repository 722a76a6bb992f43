"""The shape of a console's data: which lines are points, which signs stand between the numbers, how they are written.

Owns: the layouts (rows, tagged rows, blocks, one number a line, all on one line, JSON) and the templates that a profile
needs to read them again. Refuses: to say what a column means (`columns`).
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

_PLAIN = r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d{1,3})?"
_FORMS = {
    "": rf"(?<![\w.+-]){_PLAIN}(?![\w.])",
    "comma": r"(?<![\w,.+-])[-+]?\d+(?:[,.]\d+)?(?:[eE][-+]?\d{1,3})?[kMG]?(?![\w,])",
    "si": rf"(?<![\w.+-]){_PLAIN}[kMG]?(?![\w.])",
    "hex": r"(?<![\w])[0-9A-F]{4,8}(?![\w])",
}
FEWEST_POINTS = 3
TAGS = (1.0, 2.0, 11.0, 21.0)
"""Numbers that name a trace where they stand in front of every point."""
LONGEST_ROW = 240
"""A longer line holds more than one point."""


@dataclass(frozen=True)
class Shape:
    """One set of points in a reply: raw columns (N, k) and how to find them again."""

    values: NDArray[np.float64]
    literals: tuple[str, ...]
    """k + 1 texts around the numbers of one point."""
    forms: tuple[str, ...]
    stream: bool = False
    begin: str = ""
    finish: str = ""
    titles: tuple[str, ...] = field(default=())
    """Words of a header line, when it has one for each column."""

    @property
    def points(self) -> int:
        """Points that it holds."""
        return len(self.values)

    def line(self, names: Sequence[str]) -> str:
        """The template of one point; `names` are fields with divisor, "skip" where a column is of no use."""
        out = self.literals[0]
        for name, form, literal in zip(names, self.forms, self.literals[1:], strict=True):
            out += "{" + name + (f":{form}" if form else "") + "}" + literal
        return out.strip()


def number(text: str, form: str) -> float:
    """A number in one of the forms."""
    if form == "hex":
        value = int(text, 16)
        return float(value)
    if form == "comma" and text[-1:] not in "kMG":
        return float(text.replace(",", "."))
    if form in ("si", "comma") and text[-1:] in "kMG":
        return float(text[:-1]) * {"k": 1e3, "M": 1e6, "G": 1e9}[text[-1]]
    return float(text)


def shapes_of(lines: Sequence[str], points: int | None = None) -> list[Shape]:
    """The sets of points in a reply, the likeliest reading first in each; empty where there are none.

    `points` is how many were set, None where that is not known.
    """
    for reading in (_json, _keyed, _rows, _single, _one_line):
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


def _skeleton(line: str, pattern: re.Pattern[str]) -> str:
    return re.sub(r"\s+", " ", pattern.sub("#", line)).strip()


def _rows(lines: Sequence[str], points: int | None) -> list[Shape]:
    """One point on a line; several kinds of line are several sets; a set twice as long as asked for is two blocks."""
    texts = [line.strip() for line in lines if len(line) <= LONGEST_ROW]
    front = [match for line in texts if (match := _HEX_FRONT.match(line))]
    lettered = any(re.search(r"[A-F]", match.group(2)) for match in front)
    if lettered and len(front) > 0.5 * len(texts) and len(front) >= FEWEST_POINTS:
        return _behind_hex(front, points)
    hexed = [line for line in texts if _HEX_ROW.fullmatch(line)]
    signs = {sign for line in hexed for sign in re.findall(r"[A-F]", line)}
    if len(hexed) >= FEWEST_POINTS and len(hexed) >= 0.5 * len(texts) and (signs or _fixed_width(hexed)):
        found = _hex_blocks(texts, hexed, points)
        if found:
            return found
    form = _form_of(texts)
    pattern = re.compile(_FORMS[form])
    skeletons = [_skeleton(line, pattern) for line in texts]
    counts = Counter(text for text in skeletons if text.count("#") >= 2)
    if not counts:
        return []
    most = max(counts.values())
    kinds = [text for text, count in counts.items() if count == most] if most >= FEWEST_POINTS else []
    if points is not None:
        kinds = [text for text, count in counts.items() if count in (points, 2 * points)] or kinds
    shapes = []
    for kind in kinds[:4]:
        rows = [(at, texts[at]) for at, text in enumerate(skeletons) if text == kind]
        shapes += _blocks(rows, texts, pattern, form, points)
    return shapes


_KEYED = re.compile(r"([A-Za-z]\w*(?:[=:] ?))([-+.\w]+)")


def _keyed(lines: Sequence[str], points: int | None) -> list[Shape]:
    """Rows in which each number stands behind its name, numbers in hexadecimal among them."""
    texts = [line.strip() for line in lines]
    rows = [(text, _KEYED.findall(text)) for text in texts]
    kinds = Counter(tuple(key for key, _ in pairs) for _, pairs in rows if len(pairs) >= 3)
    if not kinds:
        return []
    keys = kinds.most_common(1)[0][0]
    table = [[value for _, value in pairs] for _, pairs in rows if tuple(key for key, _ in pairs) == keys]
    columns = list(zip(*table, strict=True))
    forms = ["hex" if _hex_column(column) else "" for column in columns]
    if "hex" not in forms or len(table) < FEWEST_POINTS or (points is not None and len(table) != points):
        return []  # without hexadecimal the rows are read as all rows are
    if any(form == "" and not all(re.fullmatch(_PLAIN, text) for text in column)
           for form, column in zip(forms, columns, strict=True)):  # fmt: skip
        return []
    values = [[_hexed(text) if form else float(text) for text, form in zip(row, forms, strict=True)] for row in table]
    first = next(text for text, pairs in rows if tuple(key for key, _ in pairs) == keys)
    literals, at = [], 0
    for match in _KEYED.finditer(first):
        literals.append(first[at : match.start(2)])
        at = match.end()
    return [Shape(np.array(values), (*literals, first[at:]), tuple(forms), titles=tuple(keys))]


def _hex_column(texts: Sequence[str]) -> bool:
    """Whether a column is hexadecimal of four or eight digits throughout."""
    whole = all(re.fullmatch(r"[0-9A-F]{4}|[0-9A-F]{8}", text) for text in texts)
    return whole and any(re.search("[A-F]", text) for text in texts)


def _hexed(text: str) -> float:
    return float(int(text, 16)) if len(text) == 8 else _signed(text)


_HEX_ROW = re.compile(r"(?:[^\s,;]++[\s,;]++){0,6}?(?:[0-9A-F]{4}[\s,;]*+){2,}")
"""Blocks of four hexadecimal digits, a few words before them; possessive, so that a long row is read at once."""
_HEX_FRONT = re.compile(r"(\d{1,5}[\s,;]+)?([0-9A-F]{8})([\s,;].*)")


def _behind_hex(front: Sequence[re.Match[str]], points: int | None) -> list[Shape]:
    """Rows with a frequency of eight hexadecimal digits in front, perhaps behind a number."""
    plain = [f"{match.group(1) or ''}{int(match.group(2), 16)}{match.group(3)}" for match in front]
    found = []
    for shape in _rows(plain, points):
        at = 1 if front[0].group(1) and not re.search(r"\d", shape.literals[0]) else 0
        found.append(replace(shape, forms=(*shape.forms[:at], "hex", *shape.forms[at + 1 :])))
    return found


def _blocks(
    rows: list[tuple[int, str]], texts: list[str], pattern: re.Pattern[str], form: str, points: int | None
) -> list[Shape]:
    """The rows as one set, or as two with a heading each."""
    first = rows[0][1]
    literals = _literals(first, pattern)
    table = np.array([[number(text, form) for text in pattern.findall(line)] for _, line in rows])
    forms = tuple(_column_form(form, [pattern.findall(line)[at] for _, line in rows]) for at in range(table.shape[1]))
    gaps = [at for at in range(1, len(rows)) if rows[at][0] != rows[at - 1][0] + 1]
    half = len(rows) // 2
    if len(rows) % 2 == 0 and half in gaps and (points is None or points == half) and rows[0][0] > 0:
        heads = (texts[rows[0][0] - 1], texts[rows[half][0] - 1])
        if heads[0] != heads[1]:
            return [
                Shape(table[:half], literals, forms, begin=heads[0], finish=heads[1]),
                Shape(table[half:], literals, forms, begin=heads[1]),
            ]
    titles = _titles(texts[: rows[0][0]], table.shape[1])
    tags = list(dict.fromkeys(table[:, 0]))
    if len(tags) == 1 and tags[0] in TAGS and table.shape[1] >= 3:
        return [_tagged(rows, table, literals, forms, pattern, tags[0])]
    if len(tags) == 2 and table.shape[1] >= 3 and len(rows) % 2 == 0 and sum(table[:, 0] == tags[0]) == half:
        # the number in front is the name of the trace, not a value
        return [_tagged(rows, table, literals, forms, pattern, tag) for tag in tags]
    return [Shape(table, literals, forms, titles=titles)]


def _tagged(
    rows: list[tuple[int, str]], table: NDArray[np.float64], literals: tuple[str, ...], forms: tuple[str, ...],
    pattern: re.Pattern[str], tag: float,
) -> Shape:  # fmt: skip
    """The rows that begin with one number, which becomes part of the text around their points."""
    name = next(pattern.findall(line)[0] for (_, line), row in zip(rows, table, strict=True) if row[0] == tag)
    front = literals[0] + name + literals[1]
    return Shape(table[table[:, 0] == tag][:, 1:], (front, *literals[2:]), forms[1:])


def _titles(before: Sequence[str], columns: int) -> tuple[str, ...]:
    for line in reversed(before[-3:]):
        words = [word for word in re.split(r"[\s,;|]+", line) if word]
        if len(words) == columns and all(re.search(r"[A-Za-z]", word) for word in words):
            return tuple(words)
    return ()


def _column_form(form: str, texts: list[str]) -> str:
    if form == "si":
        return "si" if any(text[-1:] in "kMG" for text in texts) else ""
    if form == "comma" and any(text[-1:] in "kMG" for text in texts):
        return "si"
    if form == "comma":
        return "comma" if any("," in text for text in texts) else ""
    return form


def _literals(line: str, pattern: re.Pattern[str]) -> tuple[str, ...]:
    return tuple(re.sub(r"[ \t]+", " ", text) for text in pattern.split(line))


def _fixed_width(lines: Sequence[str]) -> bool:
    return all(re.fullmatch(r"0[0-9]{3}.*|.*\b0\d{3}.*", line) for line in lines[:2]) and "." not in lines[0]


def _hex_rows(lines: list[str], points: int | None) -> list[Shape]:
    """Words of four hexadecimal digits at the end of each line, perhaps glued; numbers before them as they are."""
    match = re.fullmatch(r"(.*?)((?:[\s,;]*[0-9A-F]{4})+)", lines[0])
    if match is None:
        return []
    tail = match.group(2)
    before = 0
    parts = re.split(r"[\s,;]+", lines[0].strip())
    while before < len(parts) and not re.fullmatch(r"(?:[0-9A-F]{4})+", parts[before]):
        before += 1
    if (
        len(parts) > before
        and len(parts[before]) == 8
        and all(len(part) == 4 for part in parts[before + 1 :])
        and parts[before + 1 :]
    ):
        before += 1  # a frequency in hexadecimal stands first
    separator = re.search(r"[\s,;]+", lines[0].strip())
    between = re.sub(r"\s+", " ", separator.group()) if separator else ""
    rows, forms = [], []
    for line in lines:
        texts = re.split(r"[\s,;]+", line.strip())
        head, rest = texts[:before], "".join(texts[before:])
        words = [rest[at : at + 4] for at in range(0, len(rest), 4)]
        try:
            front = [float(int(x, 16)) if len(x) == 8 else number(x, _one_form(x)) for x in head]
        except ValueError:
            continue
        rows.append(front + [_signed(word) for word in words])
        forms = ["hex" if len(x) == 8 else _one_form(x) for x in head] + ["hex"] * len(words)
    if len({len(row) for row in rows}) != 1:
        return []
    glued = len(parts[before]) > 4 if before < len(parts) else False
    inner = [between] * before + ([""] * (len(forms) - before - 1) if glued else [between] * (len(forms) - before - 1))
    del tail, points
    return [Shape(np.array(rows), ("", *inner, ""), tuple(forms))]


def _hex_blocks(texts: list[str], hexed: list[str], points: int | None) -> list[Shape]:
    """The same where the rows stand in two blocks with a heading each."""
    at = [number for number, text in enumerate(texts) if text in set(hexed)]
    half = len(at) // 2
    if not at or len(at) % 2 or at[0] == 0 or at[half] == at[half - 1] + 1 or (points not in (None, half)):
        return _hex_rows(hexed, points)
    heads = (texts[at[0] - 1], texts[at[half] - 1])
    blocks = [_hex_rows([texts[number] for number in part], points) for part in (at[:half], at[half:])]
    if heads[0] == heads[1] or not all(blocks):
        return _hex_rows(hexed, points)
    return [replace(blocks[0][0], begin=heads[0], finish=heads[1]), replace(blocks[1][0], begin=heads[1])]


def _one_form(text: str) -> str:
    return "comma" if re.fullmatch(r"[-+]?\d+,\d+", text) else "si" if text[-1:] in "kMG" else ""


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
