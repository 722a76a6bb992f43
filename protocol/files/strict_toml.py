"""Strict reading of TOML files: every value is taken by name and type, and a leftover key is an error.

Owns: `Table`, a dictionary that remembers where it stands in its file, so that an error names file, key and
line. Refuses: defaults that hide a typing error, and any knowledge of what the keys mean.
"""

from __future__ import annotations

import math
import re
from pathlib import Path
from typing import Any

from protocol.errors import RequestError
from protocol.files.harmless import harmless
from protocol.files.small_files import read_text, toml_table

_HEADER = re.compile(r"^\s*(\[\[?)\s*([^\]]+?)\s*\]\]?\s*(?:#.*)?$")
_KEY = re.compile(r"^\s*([A-Za-z0-9_\-\"']+)\s*=")


class Table:
    """One TOML table under strict reading. Each getter takes the key away; `done` refuses what is left over."""

    def __init__(self, values: dict[str, Any], where: tuple[str, ...], file: str, text: str) -> None:
        self._values = dict(values)
        self._where = where
        self._file = file
        self._text = text

    @classmethod
    def load(cls, path: Path) -> Table:
        """The top table of a file. Raises RequestError when it cannot be read or is not TOML."""
        return cls.parse(read_text(path, "a profile"), str(path))

    @classmethod
    def parse(cls, text: str, file: str) -> Table:
        """The top table of `text`; `file` is the name used in errors."""
        try:
            values = toml_table(text)
        except ValueError as error:
            raise RequestError(f"{file}: not valid TOML: {error}") from None
        return cls(values, (), file, text)

    def error(self, key: str, what: str) -> RequestError:
        """A RequestError that names file, line and key."""
        path = (*self._where, key) if key else self._where
        line = _line_of(self._text, path)
        place = f"{self._file}, line {line}" if line else self._file
        return RequestError(f"{place}: {'.'.join(path) or 'file'}: {what}")

    def __contains__(self, key: str) -> bool:
        return key in self._values

    def _take(self, key: str, kind: str, default: Any) -> Any:
        if key in self._values:
            return self._values.pop(key)
        if default is _REQUIRED:
            raise self.error(key, f"is missing; give {kind}")
        return default

    def text(self, key: str, default: str | None = None, *, empty: bool = False) -> str:
        """A string; `empty` allows "" in the file."""
        value = self._take(key, "a text", _REQUIRED if default is None else default)
        if not isinstance(value, str):
            raise self.error(key, f"must be a text in quotes, not {shown(value)}")
        if value == "" and not empty and default != "":
            raise self.error(key, "must not be empty")
        return value

    def boolean(self, key: str, default: bool | None = None) -> bool:
        """True or false."""
        value = self._take(key, "true or false", _REQUIRED if default is None else default)
        if not isinstance(value, bool):
            raise self.error(key, f"must be true or false, not {shown(value)}")
        return value

    def number(self, key: str, default: float | None = None, *, low: float, high: float) -> float:
        """A finite number within `low`..`high`."""
        value = self._take(key, "a number", _REQUIRED if default is None else default)
        return self._number(key, value, low, high)

    def integer(self, key: str, default: int | None = None, *, low: int, high: int) -> int:
        """A whole number within `low`..`high`."""
        value = self.number(key, default, low=low, high=high)
        if value != int(value):
            raise self.error(key, f"must be a whole number, not {shown(value)}")
        return int(value)

    def numbers(
        self, key: str, default: tuple[float, ...] | None = None, *, low: float, high: float
    ) -> tuple[float, ...]:
        """A list of finite numbers, each within `low`..`high`."""
        values = self._take(key, "a list of numbers", _REQUIRED if default is None else default)
        if not isinstance(values, (list, tuple)):
            raise self.error(key, f"must be a list of numbers, not {shown(values)}")
        return tuple(self._number(key, value, low, high) for value in values)

    def texts(self, key: str, default: tuple[str, ...] | None = None) -> tuple[str, ...]:
        """A list of strings."""
        values = self._take(key, "a list of texts", _REQUIRED if default is None else default)
        if not isinstance(values, (list, tuple)) or not all(isinstance(value, str) for value in values):
            raise self.error(key, f"must be a list of texts, not {shown(values)}")
        return tuple(values)

    def is_list(self, key: str) -> bool:
        """Whether a key is there and holds a list."""
        return isinstance(self._values.get(key), list)

    def choice(self, key: str, choices: tuple[str, ...], default: str | None = None) -> str:
        """One of `choices`."""
        listed = ", ".join(repr(choice) for choice in choices)
        value = self._take(key, f"one of {listed}", _REQUIRED if default is None else default)
        if value not in choices:
            raise self.error(key, f"must be one of {listed}, not {shown(value)}")
        return str(value)

    def table(self, key: str, *, required: bool = True) -> Table:
        """A sub-table; an absent one reads as empty when not `required`."""
        value = self._take(key, f"a table [{'.'.join((*self._where, key))}]", _REQUIRED if required else {})
        if not isinstance(value, dict):
            raise self.error(key, "must be a table")
        return Table(value, (*self._where, key), self._file, self._text)

    def tables(self, key: str, *, required: bool = True) -> tuple[Table, ...]:
        """A list of tables ([[key]])."""
        values = self._take(key, f"a list of tables [[{'.'.join((*self._where, key))}]]", _REQUIRED if required else [])
        if not isinstance(values, list) or not all(isinstance(value, dict) for value in values):
            raise self.error(key, "must be a list of tables")
        return tuple(
            Table(value, (*self._where, f"{key}[{index}]"), self._file, self._text)
            for index, value in enumerate(values)
        )

    def done(self) -> None:
        """Refuse keys that nobody asked for."""
        for key in self._values:
            raise self.error(key, "is not a known key here; check the spelling")

    def _number(self, key: str, value: Any, low: float, high: float) -> float:
        if isinstance(value, bool) or not isinstance(value, (int, float)) or not finite(value):
            raise self.error(key, f"must be a number, not {shown(value)}")
        if not low <= value <= high:
            raise self.error(key, f"must lie within {low:g} to {high:g}, not {shown(value)}")
        return float(value)


_REQUIRED: Any = object()
SHOWN = 80
"""Letters of a wrong value that a message shows."""


def finite(value: float) -> bool:
    """False also for a whole number that no floating-point number holds."""
    try:
        return math.isfinite(value)
    except OverflowError:
        return False


def shown(value: object) -> str:
    """A wrong value for a message, shortened."""
    return harmless(repr(value), SHOWN)


def _line_of(text: str, path: tuple[str, ...]) -> int:
    """Line (from 1) of the key, else of its table, else 0. Reads headers and keys only; TOML itself was parsed."""
    section: tuple[str, ...] = ()
    counts: dict[str, int] = {}
    best = 0
    for number, line in enumerate(text.splitlines(), 1):
        header = _HEADER.match(line)
        if header:
            name = header.group(2)
            parts = tuple(part.strip().strip("\"'") for part in name.split("."))
            if header.group(1) == "[[":
                counts[name] = counts.get(name, -1) + 1
                parts = (*parts[:-1], f"{parts[-1]}[{counts[name]}]")
            section = parts
            if section == path[: len(section)] or section == path:
                best = number
            continue
        key = _KEY.match(line)
        if key and (*section, key.group(1).strip("\"'")) == path:
            return number
    return best
