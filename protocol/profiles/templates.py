"""The small template language of profiles: commands with fields to fill in, reply lines with fields to read.

A template is plain text with fields in braces: `span {start_hz} {stop_hz} {points}`. A field may carry a divisor and
a form: `{s11_re/32767}` is a number that counts in 1/32767, `{start_hz:hex}` is written in hexadecimal. Forms:

| form | written and read as |
|---|---|
| (none) | a decimal number written out in full |
| `hex` | hexadecimal, capitals; values of traces are two's complement of as many bits as there are digits |
| `hex3` to `hex8` | the same with so many digits, where no sign stands between two numbers |
| `comma` | a decimal comma instead of the point |
| `si` | a number with k, M or G behind it: `430.5M`; read with a decimal comma, too |
| `log2` | the exponent: 8 stands for 256 |
| `imag` | an imaginary part with its j, or with a blank behind its sign: `+ j0.25`, `- 0.25` |

Owns: which fields exist, how a number is written into a command, and the strict pattern that a reply line must match.
Refuses: I/O, and any number that is not written out in full (no empty text, no `nan`, no digit separators).
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

from protocol.sweep import SweepSettings

UNITS: Mapping[str, float] = {"hz": 1.0, "10hz": 10.0, "100hz": 100.0, "khz": 1e3, "10khz": 1e4, "mhz": 1e6, "ghz": 1e9}
"""Frequency units by the ending of a field name, and their size in hertz."""

_FREQUENCY_NAMES = ("start", "stop", "centre", "span", "step", "bandwidth")
SETTING_FIELDS = frozenset(
    {f"{name}_{unit}" for name in _FREQUENCY_NAMES for unit in UNITS}
    | {"points", "bandwidth_code", "level_dbm", "count", "parameter", "skip", "word", "rest"}
)
"""Fields of commands and of read-back lines. `bandwidth_code` stands for an entry of the profile's code list,
`count` for the analyzer's own averaging, `parameter` for S11 or S21, `skip` for a number of no interest, `word` for a
word of no interest (`hold`, then `run`), `rest` for all that follows."""

UNREAD: Mapping[str, bytes] = {"word": rb"[^ \t]{1,40}+", "rest": rb"[ -~\t]*+"}
"""Fields that are no numbers and that nobody reads; neither backtracks."""

COMMAND_FIELDS = SETTING_FIELDS - {"parameter", "skip", "count", *UNREAD}
"""Fields of a command that carries several settings at once."""

WORD_FIELDS = frozenset({"bandwidth_code", "parameter", "trace", "format", "order"})
"""Fields that are words, not numbers."""

_PAIRS = ("s11", "s21", "reference", "reflected", "through")
DATA_FIELDS = frozenset(
    {f"frequency_{unit}" for unit in UNITS}
    | {f"{name}_{part}" for name in _PAIRS for part in ("re", "im", "db", "loss", "mag", "deg", "rad", "turn")}
    | {"index", "skip", "code"}
)
"""Fields of data lines. `loss` is in decibels, positive where less comes back or through. `reference`, `reflected`
and `through` are raw receivers: S11 = reflected/reference, S21 = through/reference."""

_COUNTED = frozenset({"index", "skip", "code"})
"""Fields of data lines that have no sign."""

NUMBER = rb"[+-]?+(?:[0-9]++(?:\.[0-9]*+)?+|\.[0-9]++)(?:[eE][+-]?+[0-9]{1,3}+)?+"
"""One decimal number written out in full (IEEE 488.2 NRf and what text consoles print); never backtracks."""

HEX = rb"(?:0[xX])?+[0-9A-Fa-f]{1,16}+"
COMMA = rb"[+-]?+(?:[0-9]++(?:[.,][0-9]*+)?+|[.,][0-9]++)(?:[eE][+-]?+[0-9]{1,3}+)?+"
SUFFIXED = COMMA + rb" ?+[kKmMgG]?+(?:[hH][zZ])?+"
SUFFIXED_BEFORE_COMMA = rb"(?:" + COMMA + rb" ?+[kKmMgG](?:[hH][zZ])?+|" + NUMBER + rb"(?: ?+[hH][zZ])?+)"
"""The same where a comma parts it from what follows: within a number a comma is a point only if its suffix is there."""
GLUED: Mapping[str, bytes] = {f"hex{digits}": rb"[0-9A-Fa-f]{%d}" % digits for digits in range(3, 9)}
"""Hexadecimal numbers of so many digits, which no sign needs to part from the next."""
IMAGINARY = rb"[+-][ \t]*+[ij]?+[ \t]*+(?:[0-9]++(?:\.[0-9]*+)?+|\.[0-9]++)(?:[eE][+-]?+[0-9]{1,3}+)?+"
PATTERNS: Mapping[str, bytes] = {
    "": NUMBER, "hex": HEX, **GLUED, "comma": COMMA, "si": SUFFIXED, "log2": NUMBER, "imag": IMAGINARY,
}  # fmt: skip
"""How a field looks by its form."""

PARTS = (",", ";", ":", "=", "|")
"""Signs that part numbers; where numbers stand in columns, blanks beside them may be there or not."""

_SUFFIX = {"": 1.0, "k": 1e3, "m": 1e6, "g": 1e9}
_SPLIT = re.compile(r"\{([A-Za-z][^{}]*)\}")
_FIELD = re.compile(r"([a-z0-9_]+)(?:/([0-9.]+(?:e[0-9]+)?))?(?::([a-z0-9]+))?")


@dataclass(frozen=True, slots=True)
class Field:
    """One field of a template: its name, what it is divided by, its form; base name and size of its unit."""

    name: str
    divisor: float = 1.0
    form: str = ""

    @classmethod
    def parse(cls, text: str) -> Field:
        """Take `name/divisor:form` apart. Raises ValueError in words."""
        match = _FIELD.fullmatch(text)
        if match is None:
            raise ValueError(f"has the unknown field {{{text}}}; it must be a name, name/divisor or name:form")
        name, divisor, form = match.group(1), match.group(2), match.group(3) or ""
        if form not in PATTERNS:
            raise ValueError(f"has the unknown form {form!r}; known: {', '.join(filter(None, PATTERNS))}")
        if divisor and not float(divisor) > 0:
            raise ValueError(f"divides {name} by zero")
        return cls(name, float(divisor or 1), form)

    @property
    def plain(self) -> bool:
        """Whether it is a decimal number in its unit."""
        return self.divisor == 1 and not self.form

    @property
    def pattern(self) -> bytes:
        """What it looks like in a reply."""
        return UNREAD.get(self.name) or PATTERNS[self.form]

    def number(self, text: bytes) -> float:
        """The value of its text, in the base unit."""
        word = text.decode("ascii")
        match "hex" if self.form in GLUED else self.form:
            case "hex":
                digits = word.lower().removeprefix("0x")
                value = int(digits, 16)
                signed = self.name in DATA_FIELDS - _COUNTED and not self.name.startswith("frequency")
                if signed and value >> (4 * len(digits) - 1):
                    value -= 1 << (4 * len(digits))
                return value * self.scale
            case "comma":
                return float(word.replace(",", ".")) * self.scale
            case "si":
                body = re.sub(r"(?i)hz$", "", word).strip().replace(",", ".")
                suffix = body[-1].lower() if body[-1:].isalpha() else ""
                return float(body[: len(body) - len(suffix)]) * _SUFFIX[suffix] * self.scale
            case "imag":
                return float(re.sub(r"[ \tij]", "", word)) * self.scale
            case "log2":
                return float(2.0 ** float(word))
        return float(word) * self.scale

    def text(self, value: float) -> str:
        """A value in the base unit as a command writes it."""
        scaled = value / self.scale
        match self.form:
            case "hex":
                return f"{round(scaled):X}"
            case form if form in GLUED:
                return f"{round(scaled):0{form[3:]}X}"
            case "comma":
                return decimal_text(scaled).replace(".", ",")
            case "si":
                size, suffix = (1e6, "M") if abs(scaled) >= 1e6 else (1e3, "k") if abs(scaled) >= 1e3 else (1.0, "")
                return decimal_text(scaled / size) + suffix
            case "log2":
                return decimal_text(math.log2(scaled))
        return decimal_text(scaled)

    @property
    def base(self) -> str:
        """The name without a frequency unit: `start_khz` gives `start_hz`."""
        head, _, tail = self.name.rpartition("_")
        return f"{head}_hz" if head and tail in UNITS else self.name

    @property
    def scale(self) -> float:
        """Hertz per unit of the field (1 for fields without a frequency unit), by its divisor."""
        head, _, tail = self.name.rpartition("_")
        return (UNITS[tail] if head and tail in UNITS else 1.0) / self.divisor


@dataclass(frozen=True)
class Template:
    """A parsed template: `literals` has one entry more than `fields`, the text before, between and after them.

    Raises ValueError, with a message for the profile's writer, when a field is unknown or a brace is left over.
    """

    source: str
    literals: tuple[str, ...]
    fields: tuple[Field, ...]

    @classmethod
    def parse(cls, source: str, allowed: frozenset[str]) -> Template:
        """Take `source` apart; only fields in `allowed` may occur."""
        pieces = _SPLIT.split(source)
        literals, names = pieces[0::2], pieces[1::2]
        if not jsonlike(source) and any("{" in text or "}" in text for text in literals):
            raise ValueError("has a brace without its partner")
        if any(ord(char) < 0x20 or ord(char) > 0x7E for char in source.replace("\n", "").replace("\t", "")):
            raise ValueError("must be printable ASCII")
        fields = tuple(Field.parse(name) for name in names)
        for name in (field.name for field in fields):
            if name not in allowed:
                near = ", ".join(sorted(field for field in allowed if field[:3] == name[:3])) or "see the manual page"
                raise ValueError(f"has the unknown field {{{name}}}; known here: {near}")
        if sum(field.name in WORD_FIELDS for field in fields) > 2:
            raise ValueError("has more than two words to read; a reply could be parted in endlessly many ways")
        return cls(source, tuple(literals), fields)

    @property
    def bases(self) -> frozenset[str]:
        """The base names of all fields."""
        return frozenset(field.base for field in self.fields)

    def fill(self, values: Mapping[str, float | str]) -> str:
        """The text with each field written from `values`, which is keyed by base name (frequencies in hertz)."""
        parts = [self.literals[0]]
        for field, literal in zip(self.fields, self.literals[1:], strict=True):
            value = values[field.base]
            parts.append(value if isinstance(value, str) else field.text(value))
            parts.append(literal)
        return "".join(parts)

    @cached_property
    def core_pattern(self) -> bytes:
        """A regular expression for the text from the first to the last sign that is not blank, a group per field.

        A run of blanks in the template stands for one blank or more (also tabs), all else stands for itself.
        """
        return self._core(padded=False)

    @cached_property
    def padded_pattern(self) -> bytes:
        """`core_pattern` for points in columns: blanks beside a sign that parts numbers may be there or not."""
        return self._core(padded=True)

    def _core(self, *, padded: bool) -> bytes:
        last = len(self.literals) - 1
        parts = []
        for index, literal in enumerate(self.literals):
            text = literal.lstrip() if index == 0 else literal
            pieces = re.split(r"[ \t]+", text.rstrip() if index == last else text)
            parts.append(_blanks_between(pieces, padded=padded))
            if index < last:
                word = self.fields[index].name in WORD_FIELDS
                number = self.fields[index].pattern
                if self.fields[index].form == "si" and self.literals[index + 1].startswith(","):
                    number = SUFFIXED_BEFORE_COMMA
                if self.literals[index + 1].startswith((".", ",")):  # a sentence's full stop is no decimal point
                    number = number.replace(rb"\.[0-9]*+", rb"\.[0-9]++").replace(rb"[.,][0-9]*+", rb"[.,][0-9]++")
                parts.append(b"(" + (rb"[!-~]{1,40}?" if word else number) + b")")
        return b"".join(parts)

    @cached_property
    def line_pattern(self) -> bytes:
        """`core_pattern` with blanks allowed before and behind: one whole reply line."""
        return rb"[ \t]*+" + self.core_pattern + rb"[ \t]*+"

    def read(self, line: bytes) -> dict[str, float | str] | None:
        """The values of one reply line by base name (frequencies in hertz), or None when it does not match."""
        match = re.fullmatch(self.line_pattern, line)
        if match is None:
            return None
        values: dict[str, float | str] = {}
        for field, text in zip(self.fields, match.groups(), strict=True):
            if field.name == "skip" or field.name in UNREAD:
                continue
            values[field.base] = text.decode("ascii") if field.name in WORD_FIELDS else field.number(text)
        return values


def _blanks_between(pieces: list[str], *, padded: bool) -> bytes:
    """The pattern of pieces with blanks between them."""
    out = re.escape(pieces[0].encode("ascii"))
    for before, behind in pairwise(pieces):
        parted = padded and (before.endswith(PARTS) or behind.startswith(PARTS))
        out += (rb"[ \t]*+" if parted else rb"[ \t]++") + re.escape(behind.encode("ascii"))
    return out


def jsonlike(source: str) -> bool:
    """Whether braces in a template are the dialect's own (an object in JSON)."""
    return '"' in source


def decimal_text(value: float) -> str:
    """A number in plain decimals, as short as it can be without losing a thousandth of a hertz in gigahertz."""
    if value == int(value) and abs(value) < 1e15:
        return str(int(value))
    return f"{value:.12f}".rstrip("0").rstrip(".")


def rounded(value_hz: float, resolution_hz: float) -> float:
    """A frequency as the wire can carry it."""
    return round(value_hz / resolution_hz) * resolution_hz


def setting_values(
    settings: SweepSettings, *, resolution_hz: float, bandwidth_code: str = "", count: int = 1, parameter: str = ""
) -> dict[str, float | str]:
    """What the fields of a command stand for, by base name; frequencies rounded to the wire's resolution."""
    start, stop = rounded(settings.start_hz, resolution_hz), rounded(settings.stop_hz, resolution_hz)
    values: dict[str, float | str] = {
        "start_hz": start,
        "stop_hz": stop,
        "centre_hz": rounded((start + stop) / 2, resolution_hz),
        "span_hz": stop - start,
        "step_hz": rounded((stop - start) / (settings.points - 1), resolution_hz),
        "points": settings.points,
        "bandwidth_hz": settings.bandwidth_hz,
        "bandwidth_code": bandwidth_code,
        "count": count,
        "parameter": parameter,
    }
    if settings.level_dbm is not None:
        values["level_dbm"] = settings.level_dbm
    return values
