"""What the program knows about one kind of analyzer: its dialect, its limits, its pace. Read from a TOML file.

Owns: the frozen types of a profile and `load_profile`, which checks all of it. Refuses: to talk to an analyzer,
and to guess: a key that is unknown, missing or out of range is one RequestError naming file, line and key.
"""

from __future__ import annotations

import importlib.resources
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from protocol.errors import RequestError
from protocol.files.strict_toml import Table
from protocol.profiles.consoles import Console, parsed, read_console, template_of
from protocol.profiles.registers import Registers, read_registers
from protocol.profiles.templates import Template
from protocol.sweep import Limits

SCHEMA = 1
FAMILIES = ("scpi", "console", "registers")
"""Families of dialect."""


@dataclass(frozen=True, slots=True)
class SerialSettings:
    """How the port is opened: 8 data bits, no parity, 1 stop bit. USB ports ignore `baud`."""

    baud: int = 115200
    rtscts: bool = False
    xonxoff: bool = False


@dataclass(frozen=True, slots=True)
class Timing:
    """How long things take. A sweep lasts points x (settling + bandwidth_factor / bandwidth) + overhead."""

    settling_s: float
    bandwidth_factor: float
    overhead_s: float
    margin: float
    """A sweep may take this many times the expected time before it counts as lost."""
    reply_s: float
    """Longest silence before and within the reply to a plain command."""
    quiet_s: float
    """Silence after which nothing more is to come."""
    ready_s: float
    """How long an analyzer may take to answer after it was plugged in."""

    def sweep_s(self, points: int, bandwidth_hz: float) -> float:
        """Expected time of one sweep in seconds."""
        return points * (self.settling_s + self.bandwidth_factor / bandwidth_hz) + self.overhead_s


@dataclass(frozen=True, slots=True)
class Scpi:
    """Choices within the SCPI family; the defaults are the standard's own words (SCPI-1999).

    `setup`, `select` and `data` may name the {parameter} (S11, S21). None: the analyzer has no such command.
    """

    number_format: str
    """"ascii", "real32" or "real64"."""
    swapped: bool
    """True for FORMat:BORDer SWAPped: the least significant byte first."""
    setup: tuple[Template, ...]
    """Sent once after opening: define the traces, switch averaging off. One with {parameter} is sent for each."""
    select: Template | None
    """Makes one S-parameter the subject of `data`."""
    data: Template
    """Asks for the complex data of one trace: 2 numbers per point."""
    frequencies: Template | None
    level: Template | None
    abort: Template | None


@dataclass(frozen=True, slots=True)
class Profile:
    """All that is known about one kind of analyzer before it is asked."""

    name: str
    family: str
    limits: Limits
    timing: Timing
    serial: SerialSettings
    corrects_itself: bool
    """True when the analyzer applies a calibration of its own before it sends its data."""
    conjugate: bool
    """True when the analyzer's sign of time is the other one, so that its phases turn the wrong way."""
    console: Console | None = None
    scpi: Scpi | None = None
    registers: Registers | None = None
    notes: str = ""
    source: str = field(default="", compare=False)
    """The file that this was read from."""


def profile_names() -> tuple[str, ...]:
    """Names of the profiles that ship with the program."""
    folder = importlib.resources.files("fixtures") / "profiles"
    return tuple(sorted(entry.name.removesuffix(".toml") for entry in folder.iterdir() if entry.name.endswith(".toml")))


def load_profile(name_or_path: str | Path) -> Profile:
    """Read and check a profile: the name of a shipped one, or the path of a TOML file.

    Raises RequestError, one line that names file, line and key, when anything is wrong with it.
    """
    text = str(name_or_path)
    path = Path(text).expanduser()
    if "/" not in text and not text.endswith(".toml"):
        names = profile_names()
        if text not in names:
            raise RequestError(f"no profile is called {text!r}; there are: {', '.join(names)}, or give a .toml file")
        path = Path(str(importlib.resources.files("fixtures") / "profiles" / f"{text}.toml"))
    return read_profile(Table.load(path), str(path))


def parse_profile(text: str, source: str = "profile") -> Profile:
    """Check a profile given as TOML text; `source` is the name used in errors."""
    return read_profile(Table.parse(text, source), source)


def read_profile(top: Table, source: str) -> Profile:
    """Check a profile whose TOML has been read. Raises RequestError as `load_profile` does."""
    schema = top.integer("schema", low=0, high=10**6)
    if schema != SCHEMA:
        raise top.error("schema", f"is {schema}, but this program reads schema {SCHEMA}")
    family = top.choice("family", FAMILIES)
    name, notes = top.text("name"), top.text("notes", "")
    corrects_itself = top.boolean("corrects_itself")
    conjugate = top.boolean("conjugate", default=False)
    limits = _limits(top.table("limits"))
    timing = _timing(top.table("timing"))
    serial = _serial(top.table("serial", required=False))
    console = read_console(top.table("console"), limits) if family == "console" else None
    scpi = _scpi(top.table("scpi", required=False)) if family == "scpi" else None
    registers = read_registers(top.table("registers"), limits) if family == "registers" else None
    top.done()
    return Profile(
        name, family, limits, timing, serial, corrects_itself, conjugate, console, scpi, registers, notes, source
    )  # fmt: skip


def _limits(table: Table) -> Limits:
    start, stop = (table.number(key, low=1.0, high=1e12) for key in ("start_hz", "stop_hz"))
    if stop <= start:
        raise table.error("stop_hz", "must lie above start_hz")
    low = table.integer("min_points", low=2, high=10**6)
    high = table.integer("max_points", low=2, high=10**6)
    if high < low:
        raise table.error("max_points", "must not be below min_points")
    listed = table.numbers("bandwidths_hz", (), low=1e-3, high=1e9)
    bandwidths = tuple(sorted(listed))
    if bandwidths:
        if len(set(bandwidths)) != len(bandwidths) or listed != bandwidths:
            raise table.error("bandwidths_hz", "must be in rising order, each value once")
        narrow, wide = bandwidths[0], bandwidths[-1]
    else:
        narrow = table.number("min_bandwidth_hz", low=1e-3, high=1e9)
        wide = table.number("max_bandwidth_hz", low=narrow, high=1e9)
    listed_points = tuple(round(count) for count in table.numbers("points", (), low=1, high=1e6))
    levels = table.numbers("level_dbm", (), low=-200, high=100)
    if levels and (len(levels) != 2 or levels[1] < levels[0]):
        raise table.error("level_dbm", "must be two numbers, the lowest and the highest level")
    table.done()
    lowest, highest = levels or (None, None)
    return Limits(start, stop, low, high, narrow, wide, bandwidths, lowest, highest, listed_points)


def _timing(table: Table) -> Timing:
    timing = Timing(
        settling_s=table.number("settling_s", low=0, high=10),
        bandwidth_factor=table.number("bandwidth_factor", low=0, high=1000),
        overhead_s=table.number("overhead_s", low=0, high=60),
        margin=table.number("margin", 4.0, low=1, high=100),
        reply_s=table.number("reply_s", 1.0, low=0.01, high=60),
        quiet_s=table.number("quiet_s", 0.1, low=0.001, high=10),
        ready_s=table.number("ready_s", 15.0, low=0, high=120),
    )
    table.done()
    return timing


def _serial(table: Table) -> SerialSettings:
    serial = SerialSettings(
        table.integer("baud", 115200, low=50, high=50_000_000),
        table.boolean("rtscts", default=False),
        table.boolean("xonxoff", default=False),
    )
    table.done()
    return serial


_SCPI_SETUP = ('CALCulate:PARameter:DEFine "{parameter}",{parameter}', "SENSe:AVERage:STATe OFF")
_PARAMETER = frozenset({"parameter"})
_SCPI_WORDS: Mapping[str, tuple[str, frozenset[str]]] = {
    "select": ('CALCulate:PARameter:SELect "{parameter}"', _PARAMETER),
    "data": ("CALCulate:DATA? SDATA", _PARAMETER),
    "frequencies": ("", frozenset()),
    "level": ("SOURce:POWer {level_dbm}", frozenset({"level_dbm"})),
    "abort": ("ABORt", frozenset()),
}
"""Key, default command, fields that it may have."""


def _scpi(table: Table) -> Scpi:
    setup = tuple(parsed(table, "setup", line, _PARAMETER) for line in table.texts("setup", _SCPI_SETUP))
    number_format = table.choice("format", ("ascii", "real32", "real64"), "real64")
    swapped = table.choice("byte_order", ("normal", "swapped"), "normal") == "swapped"
    words = {key: template_of(table, key, fields, default) for key, (default, fields) in _SCPI_WORDS.items()}
    data = words.pop("data")
    if data is None:
        raise table.error("data", "must not be empty")
    table.done()
    return Scpi(number_format, swapped, setup, data=data, **words)
