"""The shape of a data reply: which lines hold points, what stands between the numbers, what each column is.

Owns: finding the template of a reply from the reply itself, and naming its columns by hints and by consistency.
Refuses: to name a column for which neither speaks; it stays unnamed and the learner asks.
"""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from protocol.learn.talk import words_of
from protocol.learn.vocabulary import REFLECTION, TRANSMISSION

NUMBER = re.compile(r"(?<![A-Za-z_])[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d{1,3})?")
FEWEST_POINTS = 5
UNITS = (("hz", 1.0), ("khz", 1e3), ("mhz", 1e6), ("ghz", 1e9))
RECEIVERS = ("s11", "s21", "reference", "reflected", "through")


@dataclass
class Block:
    """The points of one reply: `columns` (K, n), the literals around n numbers of a point, and what stands around."""

    columns: NDArray[np.float64]
    literals: tuple[str, ...]
    points_per_line: int
    separator: str
    heading: str | None = None
    ending: str | None = None
    names: list[str] = field(default_factory=list)

    @property
    def points(self) -> int:
        """How many points came."""
        return int(self.columns.shape[0])

    def line(self) -> str:
        """The template of one point, with the columns' names as fields."""
        names = self.names or ["skip"] * self.columns.shape[1]
        text = self.literals[0]
        for name, literal in zip(names, self.literals[1:], strict=True):
            text += "{" + name + "}" + literal
        return text.strip()


def find_block(lines: Sequence[str], points: int | None = None) -> Block | None:
    """The points in a reply; `points` is how many are expected, where a single line leaves it open. None: no data."""
    rows = [(line, _split(line)) for line in lines]
    many = [(line, parts) for line, parts in rows if parts is not None and len(parts[1]) > 2 * FEWEST_POINTS]
    if len(many) == 1 and len([1 for _, parts in rows if parts is not None]) <= 3:
        return _one_line(lines, many[0][0], points)
    signatures = Counter((parts[0], len(parts[1])) for _, parts in rows if parts is not None)
    if not signatures:
        return None
    (signature, width), count = signatures.most_common(1)[0]
    if count < FEWEST_POINTS:
        return None
    good = [index for index, (_, parts) in enumerate(rows) if parts is not None and parts[0] == signature]
    first, last = good[0], good[-1]
    if last - first + 1 != count or first > 1 or len(lines) - 1 - last > 1:
        return None  # something else stands among the points
    columns = np.array([[float(number) for number in rows[index][1][1]] for index in good])  # type: ignore[index]
    if columns.shape[1] != width:
        return None
    heading = lines[first - 1] if first else None
    ending = lines[last + 1] if last + 1 < len(lines) else None
    return Block(
        columns, signature, 1, " ",
        _counted(heading, count) if heading is not None else None,
        _counted(ending, count) if ending is not None else None,
    )  # fmt: skip


def _counted(line: str, points: int) -> str:
    """A heading or ending with the number of points in it made a field."""
    return re.sub(rf"(?<![\d.]){points}(?![\d.])", "{points}", line.strip().replace("{", "(").replace("}", ")"))


def _split(line: str) -> tuple[tuple[str, ...], list[str]] | None:
    """The literals around the numbers (blanks squeezed) and the numbers; None without a number."""
    numbers, literals, at = [], [], 0
    for match in NUMBER.finditer(line):
        numbers.append(match.group())
        literals.append(_squeezed(line[at : match.start()]))
        at = match.end()
    if not numbers:
        return None
    literals.append(_squeezed(line[at:]))
    literals[0], literals[-1] = literals[0].lstrip(), literals[-1].rstrip()
    return tuple(literals), numbers


def _squeezed(text: str) -> str:
    return re.sub(r"[ \t]+", " ", text)


def _one_line(lines: Sequence[str], line: str, points: int | None) -> Block | None:
    """All points on one line: the literals between the numbers repeat with the point."""
    parts = _split(line)
    assert parts is not None
    literals, numbers = list(parts[0]), parts[1]
    between = literals[1:-1]
    period = next(
        (
            size
            for size in range(1, 13)
            if len(numbers) % size == 0
            and len(numbers) // size >= FEWEST_POINTS
            and all(between[i] == between[i % size] for i in range(len(between)))
            and (points is None or len(numbers) == size * points)
        ),
        None,
    )
    if period is None:
        return None
    separator = between[period - 1] if period <= len(between) else " "
    inner = tuple(between[: period - 1])
    columns = np.array([float(number) for number in numbers]).reshape(-1, period)
    at = lines.index(line)
    heading = _counted(lines[at - 1], columns.shape[0]) if at else None
    ending = _counted(lines[at + 1], columns.shape[0]) if at + 1 < len(lines) else None
    # What opens and closes each point stands in the separator: "(1,2);(3,4)".
    head, tail = literals[0], literals[-1]
    if head and separator.endswith(head):
        separator = separator[: -len(head)]
    else:
        head = ""
    if tail and separator.startswith(tail):
        separator = separator[len(tail) :]
    else:
        tail = ""
    return Block(columns, (head, *inner, tail), 0, separator, heading, ending)


# What the columns are


def axis_columns(block: Block, start_hz: float, stop_hz: float) -> tuple[list[str], str]:
    """Names of index and frequency columns ("" for the others), and what is wrong with the frequencies ("" if nothing).

    A column is a frequency when it rises evenly; its unit follows from the span that was set.
    """
    names, fault = [""] * block.columns.shape[1], ""
    for number, column in enumerate(block.columns.T):
        steps = np.diff(column)
        if column.size < FEWEST_POINTS or not np.all(steps > 0):
            continue
        if np.allclose(steps, 1.0) and column[0] in (0.0, 1.0) and np.all(column == np.round(column)):
            names[number] = "index"
            continue
        if np.ptp(steps) > 0.2 * float(steps.mean()) + 2.0 * 10.0 ** -_decimals(column):
            continue
        for unit, scale in UNITS:
            slack = 0.51 * float(steps.mean()) * scale
            if abs(column[0] * scale - start_hz) <= slack and abs(column[-1] * scale - stop_hz) <= slack:
                names[number] = f"frequency_{unit}"
        if not names[number] and column[0] > 0 and column[-1] / column[0] < 1e4 and column[-1] > 10.0:
            names[number] = "skip"
            fault = f"frequencies run from {column[0]:g} to {column[-1]:g}, which is not the span that was set"
    return names, fault


def _decimals(column: NDArray[np.float64]) -> int:
    return max((len(f"{value:.6f}".rstrip("0").partition(".")[2]) for value in column[:8]), default=0)


def pair_form(first: NDArray[np.float64], second: NDArray[np.float64], hints: Sequence[str]) -> tuple[str, str, str]:
    """How two columns make a complex number: (part, part, evidence). Parts are re, im, db, mag, deg, rad."""
    words = set(hints)
    said = _said(words)
    if said is not None:
        if said != ("re", "im") and _looks_like_degrees(first) and not _looks_like_degrees(second):
            return said[1], said[0], "named so, angle first"
        return (*said, "named so by the instrument")
    wide_first, wide_second = _looks_like_degrees(first), _looks_like_degrees(second)
    if wide_first != wide_second:
        size = second if wide_first else first
        kind = "mag" if size.min() >= 0.0 else "db"
        order = ("deg", kind) if wide_first else (kind, "deg")
        return (*order, "one column runs over hundreds, as degrees do")
    radius = float(np.hypot(first, second).max())
    if first.min() < -4.0 and abs(second).max() <= math.pi + 1e-3:
        return "db", "rad", "one column falls below -4, the other stays within pi"
    if first.min() >= 0.0 and radius > 1.5 and abs(second).max() <= math.pi + 1e-3:
        return "mag", "rad", "one column is never negative, the other stays within pi"
    return (
        "re",
        "im",
        f"both columns stay within {max(abs(first).max(), abs(second).max()):.2g}, as parts of |S| <= 1 do",
    )


def _said(words: set[str]) -> tuple[str, str] | None:
    angle = "rad" if words & {"rad", "radian", "radians"} else "deg"
    if words & {"re", "real", "im", "imag", "imaginary", "ri"}:
        return "re", "im"
    if words & {"db", "logmag", "decibel", "decibels"}:
        return "db", angle
    if words & {"mag", "magnitude", "abs", "lin", "linear", "ma"} and words & {
        "phase", "deg", "degrees", "degree", "rad", "angle", "ang", "arg", "ma", "radians", "radian",
    }:  # fmt: skip
        return "mag", angle
    return None


def _looks_like_degrees(column: NDArray[np.float64]) -> bool:
    return bool(abs(column).max() <= 360.5 and np.ptp(column) > 20.0 and column.max() > 4.0)


def complex_of(block: Block, columns: tuple[int, int], parts: tuple[str, str]) -> NDArray[np.complex128]:
    """The complex values of two columns."""
    values = {part: block.columns[:, column] for column, part in zip(columns, parts, strict=True)}
    if "re" in values:
        return np.asarray(values["re"] + 1j * values["im"], np.complex128)
    size = values["mag"] if "mag" in values else 10.0 ** (values["db"] / 20.0)
    angle = np.deg2rad(values["deg"]) if "deg" in values else values["rad"]
    return np.asarray(size * np.exp(1j * angle), np.complex128)


def order_from_words(hints: Sequence[str]) -> tuple[str, ...]:
    """S11 and S21 in the order in which the hints name them; only those that are named."""
    found = []
    for word in hints:
        name = "s11" if word in REFLECTION else "s21" if word in TRANSMISSION else ""
        if name and name not in found:
            found.append(name)
    return tuple(found)


def hints_of(*texts: str) -> list[str]:
    """The words of several texts in their order."""
    return [word for text in texts for word in words_of(text)]


def noisy_share(sweeps: Sequence[NDArray[np.complex128]]) -> float:
    """Share of the samples (K,) that scatter from sweep to sweep as much as they measure: those lie in the noise."""
    block = np.array(sweeps)
    scatter = np.abs(block - block.mean(axis=0)).max(axis=0)
    return float((scatter > 0.5 * np.abs(block).max(axis=0)).mean())
