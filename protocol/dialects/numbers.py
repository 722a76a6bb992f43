"""From text to numbers, strictly: every byte of a reply is accounted for before one number is believed.

Owns: number lists and tables of points, and the standard's codes for "not a number" and "infinite". Refuses: to
drop, repair or bridge anything.

Two ways. The quick one takes the digits out: what is left must be the separators of a whole reply, byte for byte; then
NumPy must find a number in every place between them. Whatever it does not take (a blank too many, damage) a pattern
decides, slower, and names the place of the damage.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from protocol.dialects.exchange import WireError, shown
from protocol.profiles.consoles import Read
from protocol.profiles.templates import GLUED, NUMBER

INFINITE = 9.9e37
"""SCPI-1999 Volume 1, 7.2.1.4 and 5: stands for infinity, with a minus sign for negative infinity; 9.91e37 above it
stands for NaN."""

_LIST = re.compile(rb"[ \t]*+" + NUMBER + rb"[ \t]*+(?:,[ \t]*+" + NUMBER + rb"[ \t]*+)*+")
_FAST_LITERAL = re.compile(r"[^0-9+\-.eE]+")
_SIGNS = {"hex": b"A-Fa-fxX", **dict.fromkeys(GLUED, b"A-Fa-f"), "si": b"kKmMgGhHzZ", "imag": b"ij"}
"""Letters that numbers of a form may have."""
_DIGITS = b"0123456789+-.eE"
_TO_BLANK = bytes(byte if chr(byte) in "0123456789+-.eE" else 0x20 for byte in range(256))


def _quick(text: bytes, left: bytes, count: int, separator: str) -> NDArray[np.float64] | None:
    """`count` numbers, when nothing but `left` stands between them; None when that is not sure."""
    if text.translate(None, _DIGITS) != left:
        return None
    plain = text.translate(_TO_BLANK) if separator == " " else text
    try:
        values = np.fromstring(plain, dtype=np.float64, sep=separator)
    except (ValueError, DeprecationWarning):  # it met what is no number; before NumPy 2.3 a warning
        return None
    sure = values.size == count and bool(np.isfinite(values).all())  # two blanks are one to it; 1e9999 is infinite
    return values if sure else None


def number_list(line: bytes, what: str) -> NDArray[np.float64]:
    """A comma-separated list, shape (values,). Raises WireError when it is anything else."""
    commas = line.count(b",")
    values = _quick(line, b"," * commas, commas + 1, ",")
    if values is not None:
        return values
    if _LIST.fullmatch(line) is None:
        for index, item in enumerate(line.split(b","), 1):
            if re.fullmatch(NUMBER, item.strip(b" \t")) is None:
                raise WireError(f"number {index} in the reply to {what} is damaged: {shown(item)}")
    return np.fromstring(line, dtype=np.float64, sep=",")


def check_finite(values: NDArray[np.float64], per_point: int, what: str) -> None:
    """Raise WireError, naming the first point, when a value is NaN, infinite or a code for them."""
    if not np.abs(values).max(initial=0.0) < INFINITE * 0.999:  # a NaN fails every comparison
        index = int(np.flatnonzero(~(np.abs(values) < INFINITE * 0.999))[0])
        point = index // per_point + 1
        raise WireError(
            f"the analyzer has no valid value at point {point} (it sent {values[index]:.3g} for {what}); "
            "lower the level or check for overload"
        )


def pairs(values: NDArray[np.float64], points: int, what: str) -> NDArray[np.complex128]:
    """Real and imaginary parts in turn as complex numbers, shape (points,). Raises WireError for a wrong count."""
    if values.size != 2 * points:
        raise WireError(
            f"{what} came with {values.size} numbers, but {points} points have {2 * points}; sweep thrown away"
        )
    check_finite(values, 2, what)
    return np.ascontiguousarray(values).view(np.complex128)


@dataclass(frozen=True)
class PointTable:
    """Reads the reply to one `Read` of a profile; patterns are compiled once."""

    read: Read
    pattern: re.Pattern[bytes]
    point: re.Pattern[bytes]
    end: bytes
    fast: bool
    spread: re.Pattern[bytes]
    """One point wherever it stands; blanks in the template may be line ends."""
    strange: re.Pattern[bytes] | None = None
    """A sign that no line of a stream of points has: a line with it is a remark. None where any may stand."""

    @classmethod
    def of(cls, read: Read, end: bytes) -> PointTable:
        """The reader for `read`, whose lines end with `end`."""
        core = re.sub(rb"(?<!\\)\((?!\?)", rb"(?:", read.line.core_pattern)  # no groups: all is matched at once
        blank = rb"[ \t]*+"
        if read.points_per_line == 1:
            whole = rb"(?:" + blank + core + blank + re.escape(end) + rb")++"
        else:
            between = re.escape(read.separator.strip().encode("ascii"))
            joint = blank + between + blank if between else rb"[ \t]++"
            last = blank + rb"(?:" + between + rb")?+" + blank
            whole = blank + core + rb"(?:" + joint + core + rb")*+" + last + re.escape(end)
        inner = read.line.literals[1:-1]
        outer = read.line.literals[0] + read.line.literals[-1] + read.separator
        fast = (
            all(entry.plain for entry in read.line.fields)
            and all(_FAST_LITERAL.fullmatch(text) for text in inner)
            and not re.search(r"[0-9+\-.eE]", outer)
        )
        line = read.line.padded_pattern if read.loose else read.line.core_pattern
        spread = line.replace(rb"[ \t]++", rb"\s++").replace(rb"[ \t]*+", rb"\s*+")
        forms = {entry.form for entry in read.line.fields}
        if not (read.line.literals[0].strip() or forms & GLUED.keys()):
            spread = rb"(?<![\w.+-])" + spread  # a number in the middle of a word is none
        signs = b"".join(_SIGNS.get(form, b"") for form in forms)
        own = re.escape("".join(read.line.literals).encode("ascii"))
        bounded = read.begin or read.finish
        strange = None if bounded else re.compile(rb"[^0-9+\-.,eE\s" + signs + own + rb"]")
        point = re.compile(blank + line + blank)
        return cls(read, re.compile(whole), point, end, fast, re.compile(spread), strange)

    def columns(self, body: bytes, points: int, what: str) -> dict[str, NDArray[np.float64]]:
        """Columns by field name (frequencies in hertz), each of shape (points,). Raises WireError."""
        body = self._unwrapped(body, points, what)
        fields = self.read.line.fields
        values = _quick(body, self._left(points), points * len(fields), " ") if self.fast else None
        if values is None:
            if self.pattern.fullmatch(body) is None:
                raise self._damage(body, what)
            values = self._values(body)
        if values.size != points * len(fields):
            count = values.size / len(fields)
            raise WireError(
                f"the reply to {what} holds {count:g} points, but {points} were asked for; sweep thrown away"
            )
        table = values.reshape(points, len(fields))
        check_finite(values, len(fields), what)
        return {
            field.base: table[:, column] * field.scale if field.scale != 1 else table[:, column]
            for column, field in enumerate(fields)
            if field.base != "skip"
        }

    def count(self, lines: list[bytes]) -> int:
        """How many points stand in the lines of a loose reply."""
        return sum(1 for _ in self._found(lines))

    @cached_property
    def _marks(self) -> tuple[re.Pattern[bytes] | None, ...]:
        """What stands before and behind the points; {n} in it is any number. None where nothing does."""
        found = []
        for text in (self.read.begin, self.read.finish):
            pieces = [re.escape(piece.encode("ascii")) for piece in text.split("{n}")]
            found.append(re.compile(rb"[0-9]+".join(pieces)) if text else None)
        return tuple(found)

    def _found(self, lines: list[bytes]) -> Iterator[tuple[bytes, ...]]:
        """The texts of each point's fields. A begin or finish that is asked for bounds them."""
        begin, finish = self._marks
        if self.read.points_per_line == 0:
            text = b"\n".join(line for line in lines if self.strange is None or self.strange.search(line) is None)
            if begin is not None:
                mark = begin.search(text)
                text = text[mark.end() :] if mark else b""
            if finish is not None:
                text = finish.split(text, maxsplit=1)[0]
            yield from (found.groups() for found in self.spread.finditer(text))
            return
        inside = begin is None
        for line in lines:
            if inside and finish is not None and finish.search(line):
                return
            match = self.point.fullmatch(line) if inside else None
            if match is not None:
                yield match.groups()
            inside = inside or (begin is not None and begin.search(line) is not None)

    def loose_columns(
        self, lines: list[bytes], points: int, what: str, *, first: bool = False
    ) -> dict[str, NDArray[np.float64]]:
        """Columns as `columns` gives them, from lines among which others may stand; `first`: more may follow.

        Raises WireError when the number of points is not the one asked for.
        """
        fields = self.read.line.fields
        found = list(self._found(lines))
        if not found and lines:
            raise WireError(f"the reply to {what} holds no point; it begins with {shown(lines[0])}")
        if len(found) != points and not (first and len(found) > points):
            raise WireError(
                f"the reply to {what} holds {len(found)} points, but {points} were asked for; sweep thrown away"
            )
        values = np.array(
            [[entry.number(text) for entry, text in zip(fields, texts, strict=True)] for texts in found[:points]]
        )
        check_finite(values.ravel(), len(fields), what)
        return {
            entry.base: values[:, column] for column, entry in enumerate(fields) if entry.base not in ("skip", "code")
        }

    def _left(self, points: int) -> bytes:
        """What is left of the reply without the digits, when it is written as the profile writes it."""
        line = "".join(self.read.line.literals).encode("ascii")
        if self.read.points_per_line == 1:
            return (line + self.end) * points
        return self.read.separator.encode("ascii").join([line] * points) + self.end

    def _values(self, body: bytes) -> NDArray[np.float64]:
        if self.fast:
            return np.fromstring(body.translate(_TO_BLANK), dtype=np.float64, sep=" ")
        return np.array([found.groups() for found in self.point.finditer(body)], dtype=np.float64).ravel()

    def _unwrapped(self, body: bytes, points: int, what: str) -> bytes:
        """The body without its heading and ending lines, which must be there and must be right."""
        for template, first in ((self.read.heading, True), (self.read.ending, False)):
            if template is None:
                continue
            if first:
                line, _, body = body.partition(self.end)
            else:
                rest, _, line = body[: -len(self.end)].rpartition(self.end)
                body = rest + self.end if rest else b""
            values = template.read(line)
            if values is None:
                place = "starts" if first else "ends"
                raise WireError(f"the reply to {what} {place} with {shown(line)} instead of {template.source!r}")
            if values.get("points", points) != points:
                raise WireError(
                    f"the reply to {what} announces {values['points']:g} points, but {points} were asked for; "
                    "sweep thrown away"
                )
        return body

    def _damage(self, body: bytes, what: str) -> WireError:
        """The error for a body that does not match, pointing at the first line (or point) that is wrong."""
        if not body.strip():
            return WireError(f"the reply to {what} is empty")
        if self.read.points_per_line == 1:
            kind, parts = "line", body.removesuffix(self.end).split(self.end)
        else:
            kind, parts = "point", body.removesuffix(self.end).split(self.read.separator.encode("ascii"))
        for number, part in enumerate(parts, 1):
            if self.point.fullmatch(part) is None:
                return WireError(f"{kind} {number} of the reply to {what} is damaged: {shown(part)}")
        return WireError(f"the reply to {what} ends in the middle of a line: {shown(body[-20:])}")


def complex_columns(columns: dict[str, NDArray[np.float64]], name: str) -> NDArray[np.complex128]:
    """One S-parameter or receiver from its two columns, rectangular or polar, shape (K,)."""
    if f"{name}_re" in columns:
        return columns[f"{name}_re"] + 1j * columns[f"{name}_im"]
    decibels = columns.get(f"{name}_db")
    if f"{name}_loss" in columns:  # decibels of loss: return loss, insertion loss
        decibels = -columns[f"{name}_loss"]
    magnitude = columns[f"{name}_mag"] if decibels is None else np.power(10.0, decibels / 20)
    if f"{name}_deg" in columns:
        angle = np.deg2rad(columns[f"{name}_deg"])
    elif f"{name}_turn" in columns:
        angle = 2 * np.pi * columns[f"{name}_turn"]
    else:
        angle = columns[f"{name}_rad"]
    return np.asarray(magnitude * np.exp(1j * angle), dtype=np.complex128)
