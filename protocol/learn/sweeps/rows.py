"""Points a line each, read by columns: what a column holds is told by all of its rows, never by one number.

Owns: where a line is cut, whether a comma parts numbers or stands in them, whether a column is decimal or hexadecimal,
which column names the trace of its row. What decides is how a column behaves: a count and a frequency rise in even
steps, a trace goes on from row to row, digits that were cut or read wrongly jump. Refuses: to say what a column means
(`columns`), and layouts in which a point is no line (`shapes`).
"""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from protocol.learn.sweeps.shape import FEWEST_POINTS, LARGEST, Shape, number

Values = NDArray[np.float64]

LONGEST_ROW = 240
"""A longer line holds more than one point."""
MOST_COLUMNS = 16
MOST_TRACES = 4
TAGS = ("1", "2", "11", "21", "01", "02")
"""Numbers that name a trace where one of them stands in front of every point."""
WIDTHS = {6: (3,), 8: (4,), 10: (5,), 12: (3, 6), 16: (4, 8), 20: (5,), 24: (6,), 32: (8,)}
"""Widths of texts in which two or four numbers may stand, and the digits that each may have."""
GLUED = "|".join(rf"[0-9{case}]{{{width}}}" for width in WIDTHS for case in ("A-F", "a-f"))
GOES_ON = 0.5
RISES = 2.0
"""What even steps count for: chance makes them far more seldom than values that go on."""
EVEN = 0.02
"""Steps of a count or of frequencies differ by this part of a step, or by the last digit written."""

_SEPARATORS = r"\s;|=:()\[\]{}<>\"'/#$@!*%&~^"
_TOKEN = {
    ".": re.compile(rf"[^{_SEPARATORS},]+"),
    ",": re.compile(rf"(?:(?<=\d),(?=\d)|[^{_SEPARATORS},])+"),
}
_NUM = r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d{1,3})?"
_COMMA_NUM = r"[-+]?\d+(?:[.,]\d+)?(?:[eE][-+]?\d{1,3})?"  # a column of a row may have another sign than the next
_HEX = r"(?:0[xX])?(?:[0-9A-F]{1,32}|[0-9a-f]{1,32})"
_SUM = re.compile(rf"({_NUM})([-+](?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d{{1,3}})?)([ij])")
_PLAIN = r"(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d{1,3})?"
_IMAG = re.compile(rf"(?<![\w.])[-+][ \t]*[ij][ \t]*{_PLAIN}|(?<=[\d.])[-+]j{_PLAIN}|"
                   rf"(?<![\w.])[-+][ \t]+{_PLAIN}(?=[ \t]*[ij](?!\w))")  # fmt: skip
_IMAG_TEXT = re.compile(rf"[-+](?:[ \t]*[ij][ \t]*|[ \t]+){_PLAIN}")
"""An imaginary part whose sign stands apart from its number: `+ j0.25`, `- 0.25i`."""
_DECIMAL = r"(?:\d+\.\d*|\.\d+)(?:[eE][-+]?\d{1,3})?"
_RUN_ON = re.compile(rf"[-+]?{_DECIMAL}(?:[-+]{_DECIMAL})+")
"""Numbers that nothing but their signs part: `+0.9500-0.0312`."""
_NAMED = re.compile(rf"([A-Za-z_]+?)((?:{_NUM}|\d[0-9A-F]*))")


@dataclass(frozen=True)
class _Line:
    """A line cut in texts, with the signs around them (one more)."""

    at: int
    literals: tuple[str, ...]
    texts: tuple[str, ...]


@dataclass(frozen=True)
class _Column:
    """One column as numbers."""

    form: str
    values: Values
    suffix: str = ""
    digits: int = 0


def rows_of(lines: Sequence[str], points: int | None, commas: Sequence[str] = (".", ","), glue: int = 0) -> list[Shape]:
    """The sets of points in a reply in which a point is a line; empty where there are none.

    `points` is how many were set, None where that is not known; `commas` are the ways to read a comma: as a separator
    (".") or in a number (","). `glue`: digits of a hexadecimal number where no sign parts them, as another reply told.
    """
    readings = [found for comma in commas if (found := _reading(lines, points, comma, glue))]
    return max(readings, key=orderly, default=[])


def numbers_at(text: str, comma: str) -> list[tuple[int, int]]:
    """Where the numbers of a text stand: begin and end of each."""
    cut = _cut(0, text, comma)
    found, at = [], 0
    for literal, entry in zip(cut.literals, cut.texts, strict=False) if cut is not None else ():
        at += len(literal)
        if _numeric(entry, comma) and re.search(r"\d|[A-F]{2}|[a-f]{4}", entry):
            found.append((at, at + len(entry)))
        at += len(entry)
    return found


def rows_alike(lines: Sequence[str]) -> int:
    """How many lines of the commonest kind hold numbers."""
    kinds = Counter(_kind(cut, ".") for at, line in enumerate(lines) if (cut := _cut(at, line.strip(), ".")) is not None
                    and _numbers(cut, ".") and re.search(r"\d", line))  # fmt: skip
    return max(kinds.values(), default=0)


def first_sweep(lines: Sequence[str], points: int) -> list[str]:
    """The lines of the first of several sweeps of so many points: a row of a kind that is full begins the next."""
    cuts = [_cut(at, line.strip(), ".") if len(line) <= LONGEST_ROW else None for at, line in enumerate(lines)]
    rows = {at: (_kind(cut, "."), cut.texts) for at, cut in enumerate(cuts) if cut is not None
            and _numbers(cut, ".") > 1}  # fmt: skip
    names: dict[tuple[str, ...], Counter[str]] = defaultdict(Counter)
    for kind, texts in rows.values():
        names[kind][texts[0]] += 1
    seen = Counter[tuple[str, ...]]()
    for at, (kind, _) in rows.items():
        often = names[kind].values()  # names of traces come equally often; whole parts of a decimal comma do not
        traces = len(often) if len(often) <= MOST_TRACES and max(often) - min(often) <= points else 1
        if seen[kind] >= points * traces:
            return list(lines[:at])
        seen[kind] += 1
    return list(lines)


def orderly(shapes: Sequence[Shape]) -> float:
    """The part of all columns that go on from row to row; of equal ones the reading with fewer columns is better."""
    columns = [shape.values[:, at] for shape in shapes for at in range(shape.values.shape[1])]
    near = [goes_on(values) for values in columns]
    smooth = [RISES if even(values) else n * (n > GOES_ON) for values, n in zip(columns, near, strict=True)]
    return round(float(np.mean(smooth)), 2) - 1e-4 * len(smooth)


def goes_on(values: Values) -> float:
    """From 1, each value is near the one before, to 0, they jump as noise does, or never change."""
    spread = float(np.var(values))
    if spread == 0 or len(values) < FEWEST_POINTS:
        return 0.0
    return max(0.0, 1.0 - float(np.mean(np.diff(values) ** 2)) / (2 * spread))


def even(values: Values, grain: float = 1.0) -> bool:
    """Whether values rise in even steps, but for what was rounded off (`grain` is the last digit's worth)."""
    steps = np.diff(values)
    return len(values) >= FEWEST_POINTS and bool(np.all(steps > 0)) and float(np.ptp(steps)) <= max(
        EVEN * float(steps.mean()), 2 * grain if float(steps.mean()) > 4 * grain else 0.0
    )  # fmt: skip


def _reading(lines: Sequence[str], points: int | None, comma: str, glue: int) -> list[Shape]:
    """All sets of points when a comma is a separator (`.`) or a decimal sign (`,`)."""
    texts = [line.strip() for line in lines]
    groups: dict[tuple[str, ...], list[_Line]] = defaultdict(list)
    for at, text in enumerate(texts):
        cut = _cut(at, text, comma) if len(text) <= LONGEST_ROW else None
        if cut is not None and 2 <= _numbers(cut, comma) <= MOST_COLUMNS:
            groups[_kind(cut, comma)].append(cut)
    if comma == "," and not any("," in entry for rows in groups.values() for row in rows for entry in row.texts):
        return []
    sets = [part for rows in groups.values() for part in _parts(rows, texts, points)]
    sizes = Counter(len(rows) for rows, _, _ in sets)
    size = points if points is not None else max((n for n in sizes if n >= FEWEST_POINTS), default=0)
    sets = [entry for entry in sets if len(entry[0]) == size][:MOST_TRACES]
    if size < FEWEST_POINTS or not sets:
        return []
    widths = _glued([rows for rows, _, _ in sets], glue)
    sets = [([_parted(row, widths) for row in rows], begin, finish) for rows, begin, finish in sets]
    hexed = {width for rows, _, _ in sets for width in _lettered(rows, comma)}
    shapes = [_shape(rows, texts, comma, hexed, begin, finish) for rows, begin, finish in sets]
    return [shape for shape in shapes if shape is not None]


def _cut(at: int, text: str, comma: str) -> _Line | None:
    """A line in its texts; sums such as `0.1-0.2j` and names before numbers are taken apart."""
    literals, texts, last = list[str](), list[str](), 0
    for token, begin, end in _tokens(text, comma):
        pieces = [(begin, end)]
        if _IMAG_TEXT.fullmatch(token):
            literals.append(text[last:begin])
            texts.append(token)
            last = end
            continue
        if _RUN_ON.fullmatch(token):
            pieces = [(begin + one.start(), begin + one.end()) for one in re.finditer(rf"[-+]?{_DECIMAL}", token)]
        sums, named = _SUM.fullmatch(token), _NAMED.fullmatch(token)
        if sums is not None:
            pieces = [(begin, begin + sums.end(1)), (begin + sums.end(1), end - 1)]
        elif named is not None and re.fullmatch(_HEX, token) is None:
            pieces = [(begin + named.start(2), end)]
        for first, past in pieces:
            literals.append(text[last:first])
            texts.append(text[first:past])
            last = past
    return _Line(at, (*literals, text[last:]), tuple(texts)) if texts else None


def _tokens(text: str, comma: str) -> Iterator[tuple[str, int, int]]:
    """Texts of a line, and where they stand; an imaginary part is one, whatever blanks are in it."""
    last = 0
    for span in _IMAG.finditer(text) if comma == "." else ():
        yield from ((one.group(), last + one.start(), last + one.end())
                    for one in _TOKEN[comma].finditer(text[last : span.start()]))  # fmt: skip
        yield span.group(), span.start(), span.end()
        last = span.end()
    yield from ((one.group(), last + one.start(), last + one.end()) for one in _TOKEN[comma].finditer(text[last:]))


def _numbers(line: _Line, comma: str) -> int:
    """How many numbers a line can hold, those without a sign between them among them."""
    return sum(2 if re.fullmatch(GLUED, text) else _numeric(text, comma) for text in line.texts)


def _numeric(text: str, comma: str) -> bool:
    """Whether a text could be a number in any way, with a unit behind it."""
    plain = _COMMA_NUM if comma == "," else _NUM
    return re.fullmatch(rf"{plain}[A-Za-z]{{0,4}}|{_HEX}", text) is not None or _IMAG_TEXT.fullmatch(text) is not None


def _kind(line: _Line, comma: str) -> tuple[str, ...]:
    """What all points of one set have in common: the signs between the texts and those texts that are no numbers."""
    signs = [_bare(text) for text in line.literals]
    return tuple(part for sign, text in zip(signs, (*line.texts, ""), strict=True)
                 for part in (sign, "#" if _numeric(text, comma) else text))  # fmt: skip


def _bare(text: str) -> str:
    """Signs between two texts without blanks that may be there or not."""
    return re.sub(r"\s+", " ", text).strip() or (" " if text else "")


def _parts(rows: list[_Line], texts: list[str], points: int | None) -> list[tuple[list[_Line], str, str]]:
    """The rows of each trace, with the texts before and behind them where only these part the traces."""
    tagged = _tagged(rows, points)
    if tagged:
        return [(part, "", "") for part in tagged]
    half = len(rows) // 2
    if len(rows) % 2 == 0 and half >= FEWEST_POINTS and points in (None, half) and rows[0].at > 0:
        heads = (texts[rows[0].at - 1], texts[rows[half].at - 1])
        if rows[half].at != rows[half - 1].at + 1 and heads[0] != heads[1]:
            return [(rows[:half], heads[0], heads[1]), (rows[half:], heads[1], "")]
    return [(rows, "", "")]


def _tagged(rows: list[_Line], points: int | None) -> list[list[_Line]]:
    """Rows whose front text names the trace: as many names as there are points too many."""
    for column in range(min(2, len(rows[0].texts) - 2)):
        names = Counter(row.texts[column] for row in rows)
        alike = len(set(names.values())) == 1
        size = next(iter(names.values()))
        several = 2 <= len(names) <= MOST_TRACES and alike and size >= FEWEST_POINTS and points in (None, size)
        lone = column == 0 and len(names) == 1 and next(iter(names)) in TAGS and points in (None, len(rows))
        if several or lone:
            return [[_named(row, column) for row in rows if row.texts[column] == name] for name in names]
    return []


def _named(row: _Line, column: int) -> _Line:
    """The row with one text become part of the signs around."""
    literals = list(row.literals)
    literals[column : column + 2] = [literals[column] + row.texts[column] + literals[column + 1]]
    return _Line(row.at, tuple(literals), row.texts[:column] + row.texts[column + 1 :])


def _glued(sets: Sequence[list[_Line]], glue: int) -> dict[int, int]:
    """Widths of hexadecimal texts that hold several numbers without a sign between them, and the digits of each.

    In such a text what follows the first number goes on from row to row too; the last digits of one number jump.
    """
    found: dict[int, int] = {}
    for rows in sets:
        for texts in zip(*(row.texts for row in rows), strict=True):
            width = _width(texts)
            counted = all(text.isdecimal() for text in texts) and even(np.array([float(text) for text in texts]))
            if counted or width not in WIDTHS or even(np.array([float(int(text, 16)) for text in texts])):
                continue
            for digits in WIDTHS[width]:
                second = signed(np.array([float(int(text[digits : 2 * digits], 16)) for text in texts]), digits)
                if goes_on(second) > GOES_ON or digits == glue:
                    found.setdefault(width, digits)
    return found


def _parted(row: _Line, widths: dict[int, int]) -> _Line:
    """A row whose texts hold one number each."""
    literals, texts = [row.literals[0]], list[str]()
    for text, literal in zip(row.texts, row.literals[1:], strict=True):
        digits = widths.get(len(text), len(text)) if re.fullmatch(GLUED, text) else len(text)
        pieces = [text[at : at + digits] for at in range(0, len(text), digits)]
        texts += pieces
        literals += [*[""] * (len(pieces) - 1), literal]
    return _Line(row.at, tuple(literals), tuple(texts))


def signed(values: Values, digits: int) -> Values:
    """Two's complement of so many hexadecimal digits."""
    top = 16.0**digits
    return np.where(values >= top / 2, values - top, values)


def _lettered(rows: list[_Line], comma: str) -> set[int]:
    """Widths of the columns that can be nothing but hexadecimal of one width."""
    found = set()
    for texts in zip(*(row.texts for row in rows), strict=True):
        width = _width(texts)
        if width >= 2 and not all(re.fullmatch(_COMMA_NUM if comma == "," else _NUM, text) for text in texts):
            found.add(width)
    return found


def _width(texts: Sequence[str]) -> int:
    """How many hexadecimal digits all texts of a column have; 0 where that differs or one is none."""
    if not all(re.fullmatch(_HEX, text) for text in texts) or len({text.isupper() for text in texts if
                                                                   re.search("[A-Fa-f]", text)}) > 1:  # fmt: skip
        return 0
    sizes = {len(re.sub("^0[xX]", "", text)) for text in texts}
    return sizes.pop() if len(sizes) == 1 else 0


def _shape(rows: list[_Line], texts: list[str], comma: str, hexed: set[int], begin: str, finish: str) -> Shape | None:
    """One set of points; None where a column is no number."""
    literals, columns = [""], list[_Column]()
    for at, column in enumerate(zip(*(row.texts for row in rows), strict=True)):
        sign = max((row.literals[at] for row in rows), key=len)
        literals[-1] += re.sub(r"[ \t]+", " ", sign)
        read = _column(column, comma, hexed)
        if read is None and len(set(column)) > 1:
            return None
        tagged = column[0] in TAGS and sign[-1:].isalpha()  # `s11` is one name, whatever stands around it
        if read is None or (len(set(column)) == 1 and (tagged or not re.search(r"\d", column[0]))):
            literals[-1] += column[0]  # a name
            continue
        columns.append(read)
        literals.append(read.suffix)
    literals[-1] += re.sub(r"[ \t]+", " ", max((row.literals[-1] for row in rows), key=len))
    if len(columns) < 2:
        return None
    names = [re.findall(r"[A-Za-z]\w*", text) for text in literals[:-1]]
    titles = tuple(words[-1] for words in names) if all(names) else _titles(texts[: rows[0].at], len(columns))
    table = np.array([column.values for column in columns]).T
    forms = [column.form for column in columns]
    for at, (before, behind) in enumerate(pairwise(literals)):
        touches = (at > 0 and not before) or (at < len(forms) - 1 and not behind)
        if touches and forms[at] == "hex":
            forms[at] = f"hex{columns[at].digits}"
    return Shape(table, tuple(literals), tuple(forms), False, begin, finish, titles)


def _column(texts: Sequence[str], comma: str, hexed: set[int]) -> _Column | None:
    """What the texts of one column are as numbers; None where they are none, or one is beyond any meaning."""
    if all(_IMAG_TEXT.fullmatch(text) for text in texts):
        return _Column("imag", np.array([float(re.sub(r"[ \tij]", "", text)) for text in texts]))
    plain = _plain(texts, comma)
    if plain is not None and not np.all(np.abs(plain.values) < LARGEST):
        return None
    if not all(re.fullmatch(_HEX, text) for text in texts):
        return plain
    counts = np.array([float(int(text, 16)) for text in texts])
    width = _width(texts)
    noughts = width >= 4 and any(
        text.startswith("0") for text in texts
    )  # decimal values are not filled up with noughts
    if plain is not None and not ((width in hexed or noughts) and not even(plain.values)):
        return plain if even(plain.values) or not even(counts) else _Column("hex", counts, digits=width)
    if even(counts):
        return _Column("hex", counts, digits=width)
    if not width:
        return None
    return _Column("hex", signed(counts, width), digits=width)


def _plain(texts: Sequence[str], comma: str) -> _Column | None:
    """Decimal numbers, with a letter for thousands or with one unit behind all of them."""
    pattern = re.compile(rf"({_COMMA_NUM if comma == ',' else _NUM})([A-Za-z]*)")
    found = [pattern.fullmatch(text) for text in texts]
    whole = [match for match in found if match is not None]
    if len(whole) < len(texts):
        return None
    units = {match.group(2) for match in whole}
    form = "comma" if any("," in text for text in texts) else ""
    if units <= {"", "k", "M", "G"} and units != {""} and not form:
        return _Column("si", np.array([number(text, "si") for text in texts]))
    if len(units) > 1:
        return None
    return _Column(form, np.array([number(match.group(1), form) for match in whole]), units.pop())


def _titles(before: Sequence[str], columns: int) -> tuple[str, ...]:
    """Words of a header line, when it has one for each column, or is words all through right above the points."""
    lines = [[word for word in re.split(r"[\s,;|]+", line) if word] for line in reversed(before[-3:])]
    lettered = [words for words in lines if words and all(re.search(r"[A-Za-z]", word) for word in words)]
    whole = next((words for words in lettered if len(words) == columns), [])
    above = lines[0] if lines[:1] == lettered[:1] and lines and columns <= len(lines[0]) <= 3 * columns else []
    return tuple(whole or above)
