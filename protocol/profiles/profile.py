"""What the program knows about one kind of analyzer: its dialect, its limits, its pace. Read from a TOML file.

Owns: the frozen types of a profile and `load_profile`, which checks all of it. Refuses: to talk to an analyzer,
and to guess: a key that is unknown, missing or out of range is one RequestError naming file, line and key.
"""

from __future__ import annotations

import importlib.resources
from dataclasses import dataclass, field
from pathlib import Path

from protocol.errors import RequestError
from protocol.files.strict_toml import Table
from protocol.profiles.registers import Registers, read_registers
from protocol.profiles.scpi import Scpi, read_scpi
from protocol.profiles.templates import COMMAND_FIELDS, DATA_FIELDS, SETTING_FIELDS, Template
from protocol.sweep import Limits

SCHEMA = 1
FAMILIES = ("scpi", "console", "registers")
"""Families of dialect."""

_LINE_ENDS = ("\r\n", "\n", "\r")


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
class Read:
    """One way to fetch data after a sweep.

    `command` is empty when the data come in the reply of the sweep command itself. `line` is one point;
    `points_per_line` 0 means that all points stand on one line, `separator` apart. `heading` and `ending` are
    lines that must stand before and after the points; a {points} in them must be right.
    """

    command: Template | None
    line: Template
    points_per_line: int
    separator: str
    heading: Template | None
    ending: Template | None


@dataclass(frozen=True, slots=True)
class ReadBack:
    """One way to ask for the settings that hold: each of `lines` must be found once in the reply."""

    command: Template
    lines: tuple[Template, ...]


@dataclass(frozen=True, slots=True)
class Console:
    """The dialect of a prompt-ended text console. Commands that the analyzer does not have are None."""

    prompt: bytes
    """Stands at the start of a line when the analyzer waits for a command."""
    echo: bool
    """Whether the analyzer repeats each command as the first line of its reply."""
    out_end: bytes
    """Ends each line that we send."""
    in_end: bytes
    """Ends each line that the analyzer sends."""
    error_prefix: str
    """A reply line that begins so is a refusal; empty when the analyzer never refuses in words."""
    chatter_prefix: str
    """Reply lines that begin so are remarks and are dropped; empty when there are none."""
    resolution_hz: float
    """Frequencies are rounded to this before they are sent."""
    bandwidth_codes: tuple[str, ...]
    """What {bandwidth_code} stands for, one entry per value of limits.bandwidths_hz."""
    identify: Template
    identity_line: str
    """The reply line that holds the identity begins so; empty when the whole reply is the identity."""
    span: Template | None
    """Sets start and stop (or centre and width) and perhaps points in one command."""
    start: Template | None
    stop: Template | None
    points: Template | None
    bandwidth: Template | None
    level: Template | None
    average: Template | None
    sweep: Template | None
    """Takes one sweep; None when the analyzer sweeps by itself all the time."""
    resume: Template | None
    """Lets a free-running analyzer sweep."""
    pause: Template | None
    """Stops a free-running analyzer, so that its data stand still while they are read."""
    abort: Template | None
    help: Template | None
    reads: tuple[Read, ...]
    readback: tuple[ReadBack, ...]


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

    @property
    def sets_bandwidth(self) -> bool:
        """Whether any command or register sets the bandwidth."""
        if self.scpi is not None:
            return self.scpi.bandwidth is not None
        if self.registers is not None:
            return "bandwidth" in self.registers.registers
        assert self.console is not None
        used = (self.console.bandwidth, self.console.span, self.console.sweep)
        return any(base.startswith("bandwidth") for one in used if one is not None for base in one.bases)


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
    console = _console(top.table("console"), limits) if family == "console" else None
    scpi = read_scpi(top.table("scpi", required=False)) if family == "scpi" else None
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
    levels = table.numbers("level_dbm", (), low=-200, high=100)
    if levels and (len(levels) != 2 or levels[1] < levels[0]):
        raise table.error("level_dbm", "must be two numbers, the lowest and the highest level")
    table.done()
    lowest, highest = levels or (None, None)
    return Limits(start, stop, low, high, narrow, wide, bandwidths, lowest, highest)


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


def _template(table: Table, key: str, allowed: frozenset[str], default: str = "") -> Template | None:
    source = table.text(key, default, empty=True)
    return _parsed(table, key, source, allowed) if source else None


def _parsed(table: Table, key: str, source: str, allowed: frozenset[str]) -> Template:
    try:
        return Template.parse(source, allowed)
    except ValueError as error:
        raise table.error(key, str(error)) from error


def _required(table: Table, key: str, allowed: frozenset[str]) -> Template:
    return _parsed(table, key, table.text(key), allowed)


def _ascii(table: Table, key: str, default: str | None = None) -> str:
    value = table.text(key, default)
    if not value.isascii():
        raise table.error(key, "must be ASCII")
    return value


def _console(table: Table, limits: Limits) -> Console:
    words = table.table("commands")
    only = {
        "span": COMMAND_FIELDS - {"level_dbm"},
        "start": frozenset(f for f in SETTING_FIELDS if f.startswith("start_")),
        "stop": frozenset(f for f in SETTING_FIELDS if f.startswith("stop_")),
        "points": frozenset({"points"}),
        "bandwidth": frozenset(f for f in SETTING_FIELDS if f.startswith("bandwidth_")),
        "level": frozenset({"level_dbm"}),
        "average": frozenset({"count"}),
        "sweep": COMMAND_FIELDS,
    }
    nothing: frozenset[str] = frozenset()
    commands = {key: _template(words, key, only.get(key, nothing)) for key in _CONSOLE_COMMANDS}
    codes = table.texts("bandwidth_codes", ())
    if not all(code.isascii() and code.isprintable() and code and " " not in code for code in codes):
        raise table.error("bandwidth_codes", "must be words of printable ASCII without blanks")
    if len(set(codes)) != len(codes):
        raise table.error("bandwidth_codes", "must all be different")
    console = Console(
        prompt=_ascii(table, "prompt").encode("ascii"),
        echo=table.boolean("echo"),
        out_end=table.choice("out_end", _LINE_ENDS).encode("ascii"),
        in_end=table.choice("in_end", _LINE_ENDS).encode("ascii"),
        error_prefix=_ascii(table, "error_prefix", ""),
        chatter_prefix=_ascii(table, "chatter_prefix", ""),
        resolution_hz=table.number("resolution_hz", 1.0, low=1e-6, high=1e6),
        bandwidth_codes=codes,
        identify=_required(words, "identify", nothing),
        identity_line=_ascii(table, "identity_line", ""),
        reads=tuple(_read(entry) for entry in table.tables("reads")),
        readback=tuple(_readback(entry) for entry in table.tables("readback", required=False)),
        **commands,
    )
    words.done()
    _check_console(table, words, console, limits)
    table.done()
    return console


_CONSOLE_COMMANDS = (
    "span", "start", "stop", "points", "bandwidth", "level", "average", "sweep", "resume", "pause", "abort", "help",
)  # fmt: skip


def _check_console(table: Table, words: Table, console: Console, limits: Limits) -> None:
    """What must hold between the keys of a console profile."""
    used: frozenset[str] = frozenset().union(
        *(
            command.bases
            for command in (console.span, console.start, console.stop, console.points, console.bandwidth, console.sweep)
            if command is not None
        )
    )
    if not ({"start_hz", "stop_hz"} <= used or {"centre_hz", "span_hz"} <= used):
        raise words.error("span", "no command sets start and stop (or centre and span)")
    if not used & {"points", "step_hz"}:
        raise words.error("points", "no command sets the number of points")
    if "bandwidth_code" in used and len(console.bandwidth_codes) != len(limits.bandwidths_hz):
        raise table.error("bandwidth_codes", "must have one entry per value of limits.bandwidths_hz")
    if console.sweep is None and (console.pause is None or console.resume is None):
        raise words.error("sweep", "is missing; an analyzer that sweeps by itself needs pause and resume instead")
    if limits.min_level_dbm is not None and console.level is None:
        raise words.error("level", "is missing although limits.level_dbm is given")
    inline = [read for read in console.reads if read.command is None]
    if len(inline) > 1 or (inline and console.sweep is None):
        raise table.error("reads", "one entry at most may be without a command, and only where sweep has one")
    fields = [name.base for read in console.reads for name in read.line.fields if name.base not in ("skip", "index")]
    if len(set(fields)) != len(fields):
        raise table.error("reads", "a field is read twice")
    _check_pairs(table, frozenset(fields))


def _check_pairs(table: Table, fields: frozenset[str]) -> None:
    def complete(name: str) -> bool:
        mine = {entry.removeprefix(name + "_") for entry in fields if entry.startswith(name + "_")}
        if not mine:
            return False
        if mine == {"re", "im"} or (len(mine) == 2 and len(mine & {"db", "mag"}) == len(mine & {"deg", "rad"}) == 1):
            return True
        raise table.error("reads", f"{name} needs re and im, or one of db and mag with one of deg and rad")

    ratios = complete("s11") and complete("s21")
    raw = complete("reference") and complete("reflected") and complete("through")
    if ratios == raw:
        raise table.error("reads", "must give s11 and s21, or else the receivers reference, reflected and through")


def _read(table: Table) -> Read:
    points_only = frozenset({"points"})
    read = Read(
        command=_template(table, "command", frozenset()),
        line=_required(table, "line", DATA_FIELDS),
        points_per_line=table.integer("points_per_line", 1, low=0, high=1),
        separator=_ascii(table, "separator", " "),
        heading=_template(table, "heading", points_only),
        ending=_template(table, "ending", points_only),
    )
    if not read.line.fields:
        raise table.error("line", "has no field")
    table.done()
    return read


def _readback(table: Table) -> ReadBack:
    command = _required(table, "command", frozenset())
    lines = tuple(_parsed(table, "lines", line, SETTING_FIELDS) for line in table.texts("lines"))
    if not any(line.fields for line in lines):
        raise table.error("lines", "has no field")
    table.done()
    return ReadBack(command, lines)
