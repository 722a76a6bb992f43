"""The small template language of profiles: commands with fields to fill in, reply lines with fields to read.

A template is plain text with fields in braces: `span {start_hz} {stop_hz} {points}`. Owns: which fields exist,
how a number is written into a command, and the strict pattern that a reply line must match. Refuses: I/O, and
any number that is not written out in full (no empty text, no `nan`, no hexadecimal, no digit separators).
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

from protocol.sweep import SweepSettings

UNITS: Mapping[str, float] = {"hz": 1.0, "khz": 1e3, "mhz": 1e6, "ghz": 1e9}
"""Frequency units by the ending of a field name, and their size in hertz."""

_FREQUENCY_NAMES = ("start", "stop", "centre", "span", "step", "bandwidth")
SETTING_FIELDS = frozenset(
    {f"{name}_{unit}" for name in _FREQUENCY_NAMES for unit in UNITS}
    | {"points", "bandwidth_code", "level_dbm", "count", "parameter", "skip"}
)
"""Fields of commands and of read-back lines. `bandwidth_code` stands for an entry of the profile's code list,
`count` for the analyzer's own averaging, `parameter` for S11 or S21, `skip` for a number of no interest."""

COMMAND_FIELDS = SETTING_FIELDS - {"parameter", "skip", "count"}
"""Fields of a command that carries several settings at once."""

WORD_FIELDS = frozenset({"bandwidth_code", "parameter", "trace", "format", "order"})
"""Fields that are words, not numbers."""

_PAIRS = ("s11", "s21", "reference", "reflected", "through")
DATA_FIELDS = frozenset(
    {f"frequency_{unit}" for unit in UNITS}
    | {f"{name}_{part}" for name in _PAIRS for part in ("re", "im", "db", "mag", "deg", "rad")}
    | {"index", "skip"}
)
"""Fields of data lines. `reference`, `reflected` and `through` are raw receivers: S11 = reflected/reference,
S21 = through/reference."""

NUMBER = rb"[+-]?+(?:[0-9]++(?:\.[0-9]*+)?+|\.[0-9]++)(?:[eE][+-]?+[0-9]{1,3}+)?+"
"""One decimal number written out in full (IEEE 488.2 NRf and what text consoles print); never backtracks."""

_SPLIT = re.compile(r"\{([^{}]*)\}")


@dataclass(frozen=True, slots=True)
class Field:
    """One field of a template: its full name, its base name and the size of its unit (1 where it has none)."""

    name: str

    @property
    def base(self) -> str:
        """The name without a frequency unit: `start_khz` gives `start_hz`."""
        head, _, tail = self.name.rpartition("_")
        return f"{head}_hz" if head and tail in UNITS else self.name

    @property
    def scale(self) -> float:
        """Hertz per unit of the field; 1 for fields without a frequency unit."""
        head, _, tail = self.name.rpartition("_")
        return UNITS[tail] if head and tail in UNITS else 1.0


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
        if any("{" in text or "}" in text for text in literals):
            raise ValueError("has a brace without its partner")
        if any(ord(char) < 0x20 or ord(char) > 0x7E for char in source):
            raise ValueError("must be one line of printable ASCII")
        for name in names:
            if name not in allowed:
                near = ", ".join(sorted(field for field in allowed if field[:3] == name[:3])) or "see the manual page"
                raise ValueError(f"has the unknown field {{{name}}}; known here: {near}")
        if sum(name in WORD_FIELDS for name in names) > 2:
            raise ValueError("has more than two words to read; a reply could be parted in endlessly many ways")
        return cls(source, tuple(literals), tuple(Field(name) for name in names))

    @property
    def bases(self) -> frozenset[str]:
        """The base names of all fields."""
        return frozenset(field.base for field in self.fields)

    def fill(self, values: Mapping[str, float | str]) -> str:
        """The text with each field written from `values`, which is keyed by base name (frequencies in hertz)."""
        parts = [self.literals[0]]
        for field, literal in zip(self.fields, self.literals[1:], strict=True):
            value = values[field.base]
            parts.append(value if isinstance(value, str) else decimal_text(value / field.scale))
            parts.append(literal)
        return "".join(parts)

    @cached_property
    def core_pattern(self) -> bytes:
        """A regular expression for the text from the first to the last sign that is not blank, a group per field.

        A run of blanks in the template stands for one blank or more (also tabs), all else stands for itself.
        """
        last = len(self.literals) - 1
        parts = []
        for index, literal in enumerate(self.literals):
            text = literal.lstrip() if index == 0 else literal
            pieces = re.split(r"[ \t]+", text.rstrip() if index == last else text)
            parts.append(rb"[ \t]++".join(re.escape(piece.encode("ascii")) for piece in pieces))
            if index < last:
                word = self.fields[index].name in WORD_FIELDS
                parts.append(b"(" + (rb"[!-~]{1,40}?" if word else NUMBER) + b")")
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
            if field.name == "skip":
                continue
            word = text.decode("ascii")
            values[field.base] = word if field.name in WORD_FIELDS else float(word) * field.scale
        return values


def decimal_text(value: float) -> str:
    """A number in plain decimals, as short as it can be without losing a thousandth of a hertz in gigahertz."""
    if value == int(value) and abs(value) < 1e15:
        return str(int(value))
    return f"{value:.12f}".rstrip("0").rstrip(".")


def setting_values(
    settings: SweepSettings, *, resolution_hz: float, bandwidth_code: str = "", count: int = 1, parameter: str = ""
) -> dict[str, float | str]:
    """What the fields of a command stand for, by base name; start and stop rounded to the wire's resolution."""
    start = round(settings.start_hz / resolution_hz) * resolution_hz
    stop = round(settings.stop_hz / resolution_hz) * resolution_hz
    values: dict[str, float | str] = {
        "start_hz": start,
        "stop_hz": stop,
        "centre_hz": (start + stop) / 2,
        "span_hz": stop - start,
        "step_hz": (stop - start) / (settings.points - 1),
        "points": settings.points,
        "bandwidth_hz": settings.bandwidth_hz,
        "bandwidth_code": bandwidth_code,
        "count": count,
        "parameter": parameter,
    }
    if settings.level_dbm is not None:
        values["level_dbm"] = settings.level_dbm
    return values
