"""The site file: what stands on the hill and what it must reach. TOML, validated with the key and the line named.

Owns: reading and checking the file, the channel frequencies of each side, the goals. Refuses: to fill in a frequency
or a goal that the owner did not write, except the goals of common practice that `Goals` states as such.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

from protocol.errors import RequestError
from protocol.files.harmless import harmless
from protocol.files.small_files import read_text, toml_table
from protocol.files.strict_toml import finite, shown
from visit.site.hookup import Side

T = TypeVar("T")

PRESELECTOR, SINGLE_CAVITY = "preselector", "single-cavity"
KINDS = ("band-reject", "pass-reject", "band-pass", PRESELECTOR, SINGLE_CAVITY)
BENCH_HOOKUPS = {PRESELECTOR: "part", SINGLE_CAVITY: "cavity"}
"""Of kinds without a third port: both ends on the leads."""


@dataclass(frozen=True, slots=True)
class Goals:
    """What the duplexer must reach, in dB. Defaults are common practice for a large unit (study, part 1)."""

    rejection_db: float = 90.0
    loss_db: float = 2.0
    return_loss_db: float = 15.0


@dataclass(frozen=True, slots=True)
class Site:
    """One repeater site. Frequencies in hertz; `transmit` is the side on which the transmitter works."""

    name: str
    low_hz: float
    high_hz: float
    transmit: Side
    kind: str = "band-reject"
    cavities: int | None = None
    cross: tuple[int, int] | None = None
    """Two resonators of a band-pass side, counted from its own port, that one more coupling joins."""
    goals: Goals = field(default_factory=Goals)
    temperature_c: float | None = None
    call_sign: str = ""
    notes: str = ""
    load_return_loss_db: float | None = None
    """What is known of the load that ends the third port; None: nothing."""
    source: str = ""

    @property
    def first_hookup(self) -> str:
        """How its leads hang first."""
        return BENCH_HOOKUPS.get(self.kind, "A>L")

    @property
    def own_side(self) -> Side | None:
        """The side whose channel a preselector passes, the receiver's; None of any other kind."""
        return self.transmit.other if self.kind == PRESELECTOR else None

    def pass_hz(self, side: Side) -> float:
        """The channel that `side` must let through."""
        return self.low_hz if side is Side.LOW else self.high_hz

    def reject_hz(self, side: Side) -> float:
        """The channel that `side` must hold back."""
        return self.high_hz if side is Side.LOW else self.low_hz


_BARE = re.compile(r"^\s*(name|call_sign|transmit|kind|notes)\s*=\s*([^\s\"'#][^\"'#]*?)\s*(?:#.*)?$")
_MHZ = re.compile(r"^\s*(low_hz|high_hz)\s*=\s*([0-9]+)[.,]?([0-9]*)\s*(?:[Mm][Hh][Zz])?\s*(?:#.*)?$")


def _hint(lines: list[str]) -> str:
    """What to write instead, where a habit of the hand explains that a file is no TOML."""
    for number, line in enumerate(lines, 1):
        bare, mhz = _BARE.match(line), _MHZ.match(line)
        if bare:
            return f'line {number}: text needs quotes, write {bare.group(1)} = "{harmless(bare.group(2), 40)}"'
        if mhz and any(letter in line.partition("#")[0] for letter in ",Mm"):
            part = f".{mhz.group(3)}" if mhz.group(3) else ""
            return f"line {number}: hertz and no unit, write {mhz.group(1)} = {mhz.group(2)}{part}e6"
    return "correct that line"


class _Reader:
    """Takes values out of the parsed file one by one and remembers where each key stands."""

    def __init__(self, path: Path, text: str) -> None:
        self.path, self.lines = path, text.splitlines()
        try:
            self.table: Mapping[str, Any] = toml_table(text)
        except ValueError as error:
            raise RequestError(f"{path}: not readable as TOML: {error}; {_hint(self.lines)}") from None

    def line_of(self, key: str) -> int:
        name = key.rsplit(".", maxsplit=1)[-1]
        pattern = re.compile(rf"^\s*(\[\s*)?[\"']?{re.escape(name)}[\"']?\s*[=\]]")
        return next((number for number, line in enumerate(self.lines, 1) if pattern.match(line)), 0)

    def fault(self, key: str, what: str) -> RequestError:
        line = self.line_of(key)
        where = f"{self.path}, line {line}" if line else f"{self.path}"
        return RequestError(f"{where}: {key} {what}")

    def number(self, table: Mapping[str, Any], key: str, low: float, high: float, default: T) -> float | T:
        name = key.rsplit(".", maxsplit=1)[-1]
        if name not in table:
            return default
        value = table[name]
        if isinstance(value, bool) or not isinstance(value, int | float) or not finite(value):
            raise self.fault(key, f"must be a number, not {shown(value)}")
        if not low <= value <= high:
            meant = (
                f": write {key} = {value:g}e6 for {value:g} MHz" if key.endswith("_hz") and 1 <= value <= 1e4 else ""
            )
            raise self.fault(key, f"must lie in {low:g}..{high:g}, not {shown(value)}{meant}")
        return float(value)

    def text(self, key: str, default: str) -> str:
        value = self.table.get(key, default)
        if not isinstance(value, str):
            raise self.fault(key, f"must be text in quotes, not {shown(value)}")
        return value

    def unknown(self, table: Mapping[str, Any], known: set[str], prefix: str = "") -> None:
        for key in table:
            if key not in known:
                raise self.fault(prefix + key, f"is not a key of a site file; known here: {', '.join(sorted(known))}")


KEYS = {
    "name",
    "call_sign",
    "low_hz",
    "high_hz",
    "transmit",
    "kind",
    "cavities",
    "cross",
    "goals",
    "temperature_c",
    "load_return_loss_db",
    "notes",
}
GOAL_KEYS = {"rejection_db", "loss_db", "return_loss_db"}


def load_site(path: Path) -> Site:
    """Read and check a site file. Raises RequestError naming the file, the line and the key."""
    return parse_site(read_text(path, "a site file"), path)


def parse_site(text: str, path: Path) -> Site:
    """Check the text of a site file; `path` only names it in messages. Raises RequestError."""
    reader = _Reader(path, text)
    table = reader.table
    reader.unknown(table, KEYS)
    for key in ("name", "low_hz", "high_hz", "transmit"):
        if key not in table:
            raise RequestError(f"{path}: {key} is missing; a site file needs name, low_hz, high_hz and transmit")
    low = reader.number(table, "low_hz", 1e6, 10e9, None)
    high = reader.number(table, "high_hz", 1e6, 10e9, None)
    assert low is not None and high is not None
    if low >= high:
        raise reader.fault("low_hz", f"must lie below high_hz, but {low:.0f} >= {high:.0f}: are the two exchanged?")
    transmit = reader.text("transmit", "")
    if transmit not in ("low", "high"):
        raise reader.fault(
            "transmit", f'must be "low" or "high" (the side the transmitter is on), not {shown(transmit)}'
        )
    kind = reader.text("kind", "band-reject")
    if kind not in KINDS:
        raise reader.fault("kind", f"must be one of {', '.join(KINDS)}, not {shown(kind)}")
    cavities = reader.number(table, "cavities", 1, 8, None)
    if cavities is not None and cavities != int(cavities):
        raise reader.fault("cavities", "must be a whole number (cavities of one side)")
    goals_table = table.get("goals", {})
    if not isinstance(goals_table, dict):
        raise reader.fault("goals", "must be a table: [goals]")
    reader.unknown(goals_table, GOAL_KEYS, "goals.")
    default = Goals()
    goals = Goals(
        rejection_db=reader.number(goals_table, "goals.rejection_db", 1, 150, default.rejection_db),
        loss_db=reader.number(goals_table, "goals.loss_db", 0.05, 20, default.loss_db),
        return_loss_db=reader.number(goals_table, "goals.return_loss_db", 1, 60, default.return_loss_db),
    )
    return Site(
        name=reader.text("name", ""),
        low_hz=low,
        high_hz=high,
        transmit=Side.LOW if transmit == "low" else Side.HIGH,
        kind=kind,
        cavities=None if cavities is None else int(cavities),
        cross=_cross(reader, cavities),
        goals=goals,
        temperature_c=reader.number(table, "temperature_c", -60, 80, None),
        call_sign=reader.text("call_sign", ""),
        notes=reader.text("notes", ""),
        load_return_loss_db=reader.number(table, "load_return_loss_db", 3, 80, None),
        source=text,
    )


def _cross(reader: _Reader, cavities: float | None) -> tuple[int, int] | None:
    """Two resonators past one or two others, e.g. "1-4"."""
    words = reader.text("cross", "")
    if not words:
        return None
    first, _, second = words.partition("-")
    pair = (int(first), int(second)) if first.isdecimal() and second.isdecimal() else (0, 0)
    if pair[0] < 1 or pair[1] - pair[0] not in (2, 3) or (cavities is not None and pair[1] > cavities):
        raise reader.fault("cross", f'must be two resonators past one or two others, e.g. "1-4", not {shown(words)}')
    return pair
