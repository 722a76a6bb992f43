"""What a profile says about a text console: words, ends of replies, shapes of data. Read from the [console] table.

Owns: the frozen types of a console and the checks between its keys. Refuses: to talk, and to guess.

Keys of [console]:

| key | says |
|---|---|
| `prompt` | stands at the start of a line when it waits; a list of several; `{n}` is any number; "" for none |
| `echo` | true when each command comes back as the first line of its reply |
| `out_end` | ends each line that we send |
| `keys` | true when it acts on single keys: a command of one sign is sent without `out_end` |
| `in_end` | ends each line of the analyzer's (only strict reads mind) |
| `ends` | lines that end a reply, such as "OK"; `{n}` is any number, `{h}` one in hexadecimal, `{x}` any word |
| `error_prefix` | a reply line that begins so is a refusal |
| `refusals` | whole lines that are refusals; `{word}` is the part that changes |
| `chatter_prefix`, `remarks` | lines that begin so come unasked and are dropped |
| `sums` | a sum stands behind each line: the sign before it and its kind, such as "~sum100" (`sums`) |
| `heads` | lines of which one begins every good reply, such as "200" |
| `counts` | lines that only say how many lines a reply has, such as "{n} lines" |
| `resolution_hz` | frequencies are rounded to this before they are sent |
| `bandwidth_codes` | what `{bandwidth_code}` stands for |
| `reads_sweep` | true when asking for data takes the sweep; no sweep command is needed then |
| `asks_again` | true when data are refused while a sweep runs, and are to be asked for again |
| `ready` | the answer to `poll` that says that the sweep is done |
| `axis` | how the frequencies were confirmed: column, list, read-back, phase slope, technician, unconfirmed |

Keys of [console.commands], each a line with fields, or several lines parted by a line feed where the analyzer asks
back: `identify`, `help`, `unlock` (a secret) and `wake` (both once, after opening), `span` (several settings in one
line), `start`, `stop`,
`centre`, `width` (the span alone), `step`, `points`, `bandwidth`, `level`, `average`, `sweep`, `poll`, `resume`,
`pause`, `enough` (ends a stream of sweeps), `abort`.

Keys of each [[console.reads]]: `command` (none: the data come in the sweep's own reply), `same` (true: they stand in
the reply of the read before), `line` (one point), `points_per_line` (0: the points follow each other anyhow),
`piece` (the most points that one question may ask for: `command` then holds {first}, and {last} where it wants it),
`first` (the number of the first point, 0 or 1),
`separator`, `heading`, `ending`, `loose` (true: lines that are no points may stand between), `begin` and `finish`
(texts between which the points stand; {n} in one is any number). Keys of each [[console.readback]]: `command`, `lines`.
"""

from __future__ import annotations

from dataclasses import dataclass

from protocol.files.strict_toml import Table
from protocol.profiles.sums import KINDS, with_sum
from protocol.profiles.templates import COMMAND_FIELDS, DATA_FIELDS, SETTING_FIELDS, Template
from protocol.sweep import Limits

AXES = ("column", "list", "read-back", "phase slope", "technician", "unconfirmed")
"""Ways in which the frequencies of an analyzer's points are known to be those that were asked for."""

_LINE_ENDS = ("\r\n", "\n", "\r")


@dataclass(frozen=True, slots=True)
class Read:
    """One way to fetch data after a sweep.

    `command` is empty when the data come in the reply of the sweep command itself. `line` is one point;
    `points_per_line` 0 means that the points follow each other, `separator` apart. `heading` and `ending` are
    lines that must stand before and after the points; a {points} in them must be right. A `loose` read drops lines
    that are no points, and minds the number of points all the more. `same` reads look at the reply of the read before.
    """

    command: Template | None
    line: Template
    points_per_line: int
    separator: str
    heading: Template | None
    ending: Template | None
    loose: bool = False
    same: bool = False
    begin: str = ""
    finish: str = ""
    piece: int = 0
    """Points that one question fetches at most; 0 where one question fetches all."""
    first: int = 0
    """Number of the first point, for a read in pieces."""


@dataclass(frozen=True, slots=True)
class ReadBack:
    """One way to ask for the settings that hold: each of `lines` must be found once in the reply."""

    command: Template
    lines: tuple[Template, ...]


@dataclass(frozen=True, slots=True)
class Console:
    """The dialect of a text console; the module's table says what each key means. Words that it has not are None."""

    prompts: tuple[str, ...]
    """Stand at the start of a line when the analyzer waits for a command; empty when nothing does."""
    echo: bool
    out_end: bytes
    keys: bool
    """Whether it acts on single keys: a command of one sign has no line end, a value has."""
    in_end: bytes
    ends: tuple[str, ...]
    error_prefix: str
    refusals: tuple[str, ...]
    chatter: tuple[str, ...]
    counts: tuple[str, ...]
    sums: str
    heads: tuple[str, ...]
    resolution_hz: float
    bandwidth_codes: tuple[str, ...]
    identify: Template
    identity_line: str
    """The reply line that holds the identity begins so; empty when the whole reply is the identity."""
    unlock: Template | None
    """A line that opens the console, kept by the owner's wish; never written to a wire log in clear."""
    wake: Template | None
    span: Template | None
    start: Template | None
    stop: Template | None
    centre: Template | None
    width: Template | None
    step: Template | None
    points: Template | None
    bandwidth: Template | None
    level: Template | None
    average: Template | None
    sweep: Template | None
    """Takes one sweep; None when the analyzer sweeps by itself, or when its data are asked for."""
    poll: Template | None
    ready: str
    resume: Template | None
    pause: Template | None
    enough: Template | None
    abort: Template | None
    help: Template | None
    reads_sweep: bool
    asks_again: bool
    axis: str
    reads: tuple[Read, ...]
    readback: tuple[ReadBack, ...]

    def sent(self, text: str, *, value: bool = False) -> bytes:
        """One line as it goes over the wire; `value`: it answers a question for a value."""
        line = text.encode("ascii")
        if self.sums:
            line = with_sum(line, self.sums[1:], self.sums[:1].encode())
        return line + (b"" if self.keys and len(text) == 1 and not value else self.out_end)

    @property
    def setters(self) -> tuple[Template | None, ...]:
        """All words that set something of the sweep's frequencies or points."""
        return (self.span, self.centre, self.width, self.start, self.stop, self.step, self.points)


def template_of(table: Table, key: str, allowed: frozenset[str], default: str = "") -> Template | None:
    """The template under `key`, None when it is empty or not there."""
    source = table.text(key, default, empty=True)
    return parsed(table, key, source, allowed) if source else None


def parsed(table: Table, key: str, source: str, allowed: frozenset[str]) -> Template:
    """A template, or the one-line error that names file, line and key."""
    try:
        return Template.parse(source, allowed)
    except ValueError as error:
        raise table.error(key, str(error)) from error


def _required(table: Table, key: str, allowed: frozenset[str]) -> Template:
    return parsed(table, key, table.text(key), allowed)


def _ascii(table: Table, key: str, default: str | None = None) -> str:
    value = table.text(key, default, empty=default == "")
    if not value.isascii():
        raise table.error(key, "must be ASCII")
    return value


def _several(table: Table, key: str) -> tuple[str, ...]:
    values = table.texts(key, ())
    if not all(value.isascii() and value.strip() for value in values):
        raise table.error(key, "must be texts of ASCII, none of them empty")
    return values


_NOTHING: frozenset[str] = frozenset()


def _of(*names: str) -> frozenset[str]:
    return frozenset(entry for entry in SETTING_FIELDS if entry.startswith(names))


_COMMANDS = {
    "unlock": _NOTHING, "wake": _NOTHING,
    "span": COMMAND_FIELDS - {"level_dbm"}, "start": _of("start_"), "stop": _of("stop_"),
    "centre": _of("centre_"), "width": _of("span_"), "step": _of("step_"), "points": frozenset({"points"}),
    "bandwidth": _of("bandwidth_"), "level": frozenset({"level_dbm"}), "average": frozenset({"count"}),
    "sweep": COMMAND_FIELDS, "poll": _NOTHING, "resume": _NOTHING, "pause": _NOTHING, "enough": _NOTHING,
    "abort": _NOTHING, "help": _NOTHING,
}  # fmt: skip
"""Commands and the fields that each may carry."""


def read_console(table: Table, limits: Limits) -> Console:
    """Check the [console] table. Raises RequestError naming file, line and key."""
    words = table.table("commands")
    commands = {key: template_of(words, key, allowed) for key, allowed in _COMMANDS.items()}
    codes = table.texts("bandwidth_codes", ())
    if not all(code.isascii() and code.isprintable() and code and " " not in code for code in codes):
        raise table.error("bandwidth_codes", "must be words of printable ASCII without blanks")
    if len(set(codes)) != len(codes):
        raise table.error("bandwidth_codes", "must all be different")
    chatter = _ascii(table, "chatter_prefix", "")
    console = Console(
        prompts=_prompts(table),
        echo=table.boolean("echo"),
        out_end=table.choice("out_end", _LINE_ENDS).encode("ascii"),
        keys=table.boolean("keys", default=False),
        in_end=table.choice("in_end", _LINE_ENDS, "\r\n").encode("ascii"),
        ends=_several(table, "ends"),
        error_prefix=_ascii(table, "error_prefix", ""),
        refusals=_several(table, "refusals"),
        chatter=tuple(filter(None, (chatter, *_several(table, "remarks")))),
        counts=_several(table, "counts"),
        sums=_sums(table),
        heads=_several(table, "heads"),
        resolution_hz=table.number("resolution_hz", 1.0, low=1e-6, high=1e6),
        bandwidth_codes=codes,
        identify=_required(words, "identify", _NOTHING),
        identity_line=_ascii(table, "identity_line", ""),
        ready=_ascii(table, "ready", ""),
        asks_again=table.boolean("asks_again", default=False),
        reads_sweep=table.boolean("reads_sweep", default=False),
        axis=table.choice("axis", AXES, "unconfirmed"),
        reads=tuple(_read(entry) for entry in table.tables("reads")),
        readback=tuple(_readback(entry) for entry in table.tables("readback", required=False)),
        **commands,
    )
    words.done()
    _check(table, words, console, limits)
    table.done()
    return console


def _prompts(table: Table) -> tuple[str, ...]:
    """One prompt or a list of them; "" for none."""
    if table.is_list("prompt"):
        return _several(table, "prompt")
    prompt = _ascii(table, "prompt", "")
    return (prompt,) if prompt else ()


def _sums(table: Table) -> str:
    text = _ascii(table, "sums", "")
    if text and text[1:] not in KINDS:
        raise table.error("sums", f"must be a sign and one of {', '.join(KINDS)}, such as ~sum100")
    return text


def _check(table: Table, words: Table, console: Console, limits: Limits) -> None:
    """What must hold between the keys of a console profile."""
    used: frozenset[str] = frozenset().union(
        *(command.bases for command in (*console.setters, console.bandwidth, console.sweep) if command is not None)
    )
    pairs = ({"start_hz", "stop_hz"}, {"centre_hz", "span_hz"}, {"start_hz", "step_hz"}, {"start_hz", "span_hz"})
    if not any(pair <= used for pair in pairs):
        raise words.error("span", "no command sets start and stop (or centre and span, or start and step)")
    if not used & {"points", "step_hz"} and limits.min_points != limits.max_points:
        raise words.error("points", "no command sets the number of points")
    if "bandwidth_code" in used and len(console.bandwidth_codes) != len(limits.bandwidths_hz):
        raise table.error("bandwidth_codes", "must have one entry per value of limits.bandwidths_hz")
    by_itself = console.pause is not None and console.resume is not None
    if console.sweep is None and not by_itself and not console.reads_sweep:
        raise words.error(
            "sweep",
            "is missing; an analyzer that sweeps by itself needs pause and resume instead, one that sweeps when its"
            " data are asked for needs reads_sweep = true",
        )
    if limits.min_level_dbm is not None and console.level is None:
        raise words.error("level", "is missing although limits.level_dbm is given")
    if (console.poll is None) != (not console.ready):
        raise table.error("ready", "and the command poll belong together")
    inline = [read for read in console.reads if read.command is None and not read.same]
    if len(inline) > 1 or (inline and console.sweep is None):
        raise table.error("reads", "one entry at most may be without a command, and only where sweep has one")
    if console.reads[0].same:
        raise table.error("reads", "the first entry has none before it whose reply it could look at")
    fields = [name.base for read in console.reads for name in read.line.fields]
    fields = [name for name in fields if name not in ("skip", "index", "frequency_hz", "code")]
    if len(set(fields)) != len(fields):
        raise table.error("reads", "a field is read twice")
    _check_pairs(table, frozenset(fields))


def _check_pairs(table: Table, fields: frozenset[str]) -> None:
    def complete(name: str) -> bool:
        mine = {entry.removeprefix(name + "_") for entry in fields if entry.startswith(name + "_")}
        if not mine:
            return False
        angles = len(mine & {"deg", "rad", "turn"})
        if mine == {"re", "im"} or (len(mine) == 2 and len(mine & {"db", "loss", "mag"}) == angles == 1):
            return True
        raise table.error("reads", f"{name} needs re and im, or one of db, loss and mag with one of deg, rad and turn")

    ratios = complete("s11") and complete("s21")
    raw = complete("reference") and complete("reflected") and complete("through")
    if ratios == raw:
        raise table.error("reads", "must give s11 and s21, or else the receivers reference, reflected and through")


def _read(table: Table) -> Read:
    points_only = frozenset({"points"})
    read = Read(
        command=template_of(table, "command", frozenset({"first", "last"})),
        line=_required(table, "line", DATA_FIELDS),
        points_per_line=table.integer("points_per_line", 1, low=0, high=1),
        separator=_ascii(table, "separator", " "),
        heading=template_of(table, "heading", points_only),
        ending=template_of(table, "ending", points_only),
        loose=table.boolean("loose", default=False),
        same=table.boolean("same", default=False),
        begin=_ascii(table, "begin", ""),
        finish=_ascii(table, "finish", ""),
        piece=table.integer("piece", 0, low=0, high=10_000),
        first=table.integer("first", 0, low=0, high=1),
    )
    asked = read.command.bases if read.command is not None else frozenset()
    if ("first" in asked) != (read.piece > 0) or (read.piece > 1 and "last" not in asked):
        raise table.error("piece", "goes with a command that holds {first}, and {last} where it is more than one")
    if read.piece and not read.loose:
        raise table.error("piece", "needs loose = true")
    if not read.line.fields:
        raise table.error("line", "has no field")
    if not read.loose and not all(entry.plain for entry in read.line.fields):
        raise table.error("line", "has divisors or forms, which need loose = true")
    if not read.loose and (read.begin or read.finish):
        raise table.error("begin", "and finish need loose = true")
    table.done()
    return read


def _readback(table: Table) -> ReadBack:
    command = _required(table, "command", _NOTHING)
    lines = tuple(parsed(table, "lines", line, SETTING_FIELDS) for line in table.texts("lines"))
    if not any(line.fields for line in lines):
        raise table.error("lines", "has no field")
    table.done()
    return ReadBack(command, lines)
