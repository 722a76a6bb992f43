"""The SCPI family of a profile: which of the standard's words an analyzer takes, and how its lines look.

Owns: its types, the standard's own words as defaults (SCPI-1999 volume 2; IEEE 488.2 chapter 10) and the check of the
table [scpi]. Refuses: to talk, and to choose between alternatives: that is done at the analyzer, when it is opened.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field

from protocol.files.strict_toml import Table
from protocol.profiles.templates import Template

FORMATS = ("ascii", "real32", "real64")
LAYOUTS = ("pairs", "interleaved", "in turn", "interleaved turned", "in turn turned", "polar", "polar db")
"""`pairs`: one trace per query, real and imaginary part in turn. `interleaved`: both in one query, point by point.
`in turn`: both in one query, all of S11 first. `turned`: S21 comes first. `polar` and `polar db`: size and degrees by
two queries."""
BOTH = ("interleaved", "in turn")
"""How the layouts with both traces in one query begin."""
FORMS = ("mixed", "short", "long")
LINE_ENDS = ("\n", "\r", "\r\n")
PARAMETERS = ("S11", "S21")

_AS_IT_STANDS = re.compile(r'("[^"]*"|\{[^}]*\})')
"""What stands in quotes is a name, what stands in braces a field: neither has a short or long form."""
_TRACE = frozenset({"parameter", "trace"})
_SETUP = ('CALCulate:PARameter:DEFine "{parameter}",{parameter}', "SENSe:AVERage:STATe OFF")
WORDS: Mapping[str, tuple[str, frozenset[str]]] = {
    "start": ("SENSe:FREQuency:STARt {start_hz}", frozenset({"start_hz"})),
    "stop": ("SENSe:FREQuency:STOP {stop_hz}", frozenset({"stop_hz"})),
    "centre": ("", frozenset({"centre_hz"})),
    "span": ("", frozenset({"span_hz"})),
    "points": ("SENSe:SWEep:POINts {points}", frozenset({"points"})),
    "bandwidth": ("SENSe:BANDwidth:RESolution {bandwidth_hz}", frozenset({"bandwidth_hz"})),
    "single": ("INITiate:CONTinuous OFF", frozenset()),
    "trigger": ("INITiate:IMMediate", frozenset()),
    "complete": ("*OPC?", frozenset()),
    "error": ("SYSTem:ERRor?", frozenset()),
    "format_command": ("FORMat:DATA {format}", frozenset({"format"})),
    "byte_order_command": ("FORMat:BORDer {order}", frozenset({"order"})),
    "select": ('CALCulate:PARameter:SELect "{parameter}"', _TRACE),
    "data": ("CALCulate:DATA? SDATA", _TRACE),
    "select_phase": ("", _TRACE),
    "frequencies": ("", frozenset()),
    "level": ("SOURce:POWer {level_dbm}", frozenset({"level_dbm"})),
    "abort": ("ABORt", frozenset()),
}
"""Key, the standard's command, the fields that it may have."""


@dataclass(frozen=True, slots=True)
class Scpi:
    """Choices within the SCPI family. A command that is None does not exist on the analyzer."""

    number_format: str
    """"ascii", "real32" or "real64"."""
    swapped: bool
    """True when the least significant byte of a number comes first (FORMat:BORDer SWAPped)."""
    setup: tuple[Template, ...]
    """Sent once after opening. One with {parameter} is sent for each trace."""
    data: Template
    """Asks for the data of one trace, or of both (`layout`)."""
    start: Template | None
    stop: Template | None
    centre: Template | None
    span: Template | None
    points: Template | None
    bandwidth: Template | None
    """None: the bandwidth cannot be set."""
    single: Template | None
    trigger: Template | None
    complete: Template | None
    """*OPC? (IEEE 488.2, 10.19) answers 1 at the end of a sweep; *WAI (10.39) holds the query behind it back; None:
    the data query itself waits."""
    error: Template | None
    format_command: Template | None
    byte_order_command: Template | None
    select: Template | None
    select_phase: Template | None
    frequencies: Template | None
    level: Template | None
    abort: Template | None
    layout: str = "pairs"
    traces: tuple[str, str] = ("1", "2")
    """What {trace} stands for, first for S11, then for S21."""
    traces_assumed: bool = False
    """True: nothing but their order tells S11 from S21, and nobody has proved it yet."""
    out_end: bytes = b"\n"
    prompt: str = ""
    """Stands before each answer."""
    acknowledge: str = ""
    """Answers each command that was taken."""
    forms: str = "mixed"
    colon: bool = False
    """True: each header begins with a colon."""
    echo: bool = False
    stepwise: bool = False
    """True: each command is followed by *IDN?, whose answer proves that the lines before it belong to the command."""
    pause_s: float = 0.0
    """Silence after each line that is sent."""
    queries: bool = True
    """False: the frequencies can be set but not asked for."""
    readback_digits: int = 0
    """Digits to which answers are rounded; 0: not rounded."""
    find: bool = False
    """True: what fails at opening is looked for among the alternatives and the usual deviations."""
    alternatives: Mapping[str, tuple[Template, ...]] = field(default_factory=dict)
    """Commands of which the file gives several, in the order in which they are tried."""

    def word(self, command: str) -> str:
        """A command in the spelling that the analyzer takes (SCPI-1999 volume 1, 6.2.1: short and long forms)."""
        parts = _AS_IT_STANDS.split(command)
        if self.forms == "short":
            parts[::2] = ["".join(char for char in part if not char.islower()) for part in parts[::2]]
        elif self.forms == "long":
            parts[::2] = [part.upper() for part in parts[::2]]
        text = "".join(parts)
        return f":{text}" if self.colon and text[:1] not in (":", "*") else text

    def line(self, command: str) -> bytes:
        """A command as it goes over the wire."""
        return self.word(command).encode("ascii") + self.out_end

    def header(self, name: str) -> str:
        """The query of a setting: the header of its command with a question mark; empty where there is none."""
        template: Template | None = getattr(self, name)
        return "" if template is None else template.source.split(" ")[0] + "?"

    @property
    def usual(self) -> bool:
        """Whether lines look as the standard wants, so that errors can be asked for in the same breath."""
        return not (self.stepwise or self.pause_s or self.echo or self.prompt or self.acknowledge) and (
            self.error is not None and self.out_end == b"\n" and self.layout == "pairs"
        )


def read_scpi(table: Table) -> Scpi:
    """Check the table [scpi]. Raises RequestError that names file, line and key."""
    several: dict[str, tuple[Template, ...]] = {}
    words: dict[str, Template | None] = {}
    for key, (default, fields) in WORDS.items():
        found = _templates(table, key, default, fields)
        words[key] = found[0] if found else None
        if len(found) > 1:
            several[key] = found
    setup = tuple(_parsed(table, "setup", line, _TRACE) for line in table.texts("setup", _SETUP))
    data = words.pop("data")
    if data is None:
        raise table.error("data", "must not be empty")
    if words["centre"] is None or words["span"] is None:
        for key in ("start", "stop"):
            if words[key] is None:
                raise table.error(key, "is missing; give start and stop, or centre and span")
    traces = table.texts("traces", ("1", "2"))
    if len(traces) != 2:
        raise table.error("traces", "must be two names, that of S11 and that of S21")
    layout = table.choice("layout", LAYOUTS, "pairs")
    if layout.startswith("polar") and (words["select"] is None or words["select_phase"] is None):
        raise table.error("select_phase", "is missing; polar data need select for the size and select_phase")
    scpi = Scpi(
        number_format=table.choice("format", FORMATS, "real64"),
        swapped=table.choice("byte_order", ("normal", "swapped"), "normal") == "swapped",
        setup=setup,
        data=data,
        **words,
        layout=layout,
        traces=(traces[0], traces[1]),
        traces_assumed=table.boolean("traces_assumed", default=False),
        out_end=table.choice("out_end", LINE_ENDS, "\n").encode("ascii"),
        prompt=table.text("prompt", "", empty=True),
        acknowledge=table.text("acknowledge", "", empty=True),
        forms=table.choice("forms", FORMS, "mixed"),
        colon=table.boolean("colon", default=False),
        echo=table.boolean("echo", default=False),
        stepwise=table.boolean("stepwise", default=False),
        pause_s=table.number("pause_s", 0.0, low=0.0, high=5.0),
        queries=table.boolean("queries", default=True),
        readback_digits=table.integer("readback_digits", 0, low=0, high=15),
        find=table.boolean("find", default=False) or bool(several),
        alternatives=several,
    )
    table.done()
    return scpi


def _templates(table: Table, key: str, default: str, fields: frozenset[str]) -> tuple[Template, ...]:
    """One command or several alternatives; none when the text is empty."""
    if table.is_list(key):
        return tuple(_parsed(table, key, text, fields) for text in table.texts(key))
    text = table.text(key, default, empty=True)
    return (_parsed(table, key, text, fields),) if text else ()


def _parsed(table: Table, key: str, source: str, allowed: frozenset[str]) -> Template:
    try:
        template = Template.parse(source, allowed)
    except ValueError as error:
        raise table.error(key, str(error)) from error
    if not harmless(source):
        raise table.error(key, f"{source!r} may change more than a sweep; this family never sends it")
    if key != "level" and not searchable(source):
        raise table.error(key, f"{source!r} sets the level; that stands under the key level alone")
    return template


SAFE_HEADERS = frozenset(
    [
        "SENS",
        "FREQ",
        "STAR",
        "STOP",
        "CENT",
        "SPAN",
        "SWE",
        "POIN",
        "BAND",
        "BWID",
        "RES",
        "AVER",
        "STAT",
        "COUN",
        "INIT",
        "CONT",
        "IMM",
        "FORM",
        "DATA",
        "BORD",
        "CALC",
        "PAR",
        "DEF",
        "SEL",
        "FEED",
        "TRAC",
        "CAT",
        "AXIS",
        "SOUR",
        "POW",
        "LEV",
        "AMPL",
        "ABOR",
        "SYST",
        "ERR",
        "NEXT",
        "XFR",
        "FUNC",
        "ALL",
        "TRIG",
        "SOURCE",
        "ON",
        "X",
    ]
)
SAFE_COMMON = frozenset({"*IDN?", "*OPC?", "*WAI", "*CLS"})
"""*CLS (IEEE 488.2, 10.3) empties the list of errors and touches nothing else, so it may be sent at any time."""
_LEVEL = re.compile(r"(?i):?sour(?:ce)?[0-9]*(?::|$)|(?:.*:)?pow(?:er)?[0-9]*(?::|$)")
"""Headers that set the level; the same words as a query only ask."""


def harmless(command: str) -> bool:
    """Whether each node of a command's header is on the list of nodes that set sweeps or ask for data.

    Nodes are compared by their short form (SCPI-1999 volume 1, 6.2.1): the capitals, or the whole word.
    """
    for unit in command.split(";"):
        header = unit.strip().split(" ")[0]
        if header.startswith("*"):
            if header.upper() not in SAFE_COMMON:
                return False
            continue
        for node in header.lstrip(":").rstrip("?").split(":"):
            word = node.split("{")[0].rstrip("0123456789")
            capitals = "".join(char for char in word if char.isupper())
            if not ({capitals, word.upper()} & SAFE_HEADERS or any(_spells(word, safe) for safe in SAFE_HEADERS)):
                return False
    return True


def searchable(line: str) -> bool:
    """Whether a line may be sent while nothing is known yet: harmless, and it does not set the level."""
    for unit in line.split(";"):
        header = unit.strip().split(" ")[0]
        if not header.endswith("?") and _LEVEL.match(header.lstrip(":")):
            return False
    return line == "" or harmless(line)


def _spells(word: str, short: str) -> bool:
    return len(short) > 2 and word.upper() in _LONG.get(short, ())


_LONG = {
    "SENS": ("SENSE",), "FREQ": ("FREQUENCY",), "STAR": ("START",), "CENT": ("CENTER",), "SWE": ("SWEEP",),
    "POIN": ("POINTS",), "BAND": ("BANDWIDTH",), "BWID": ("BWIDTH",), "RES": ("RESOLUTION",), "AVER": ("AVERAGE",),
    "STAT": ("STATE",), "COUN": ("COUNT",), "INIT": ("INITIATE",), "CONT": ("CONTINUOUS",), "IMM": ("IMMEDIATE",),
    "FORM": ("FORMAT",), "BORD": ("BORDER",), "CALC": ("CALCULATE",), "PAR": ("PARAMETER",), "DEF": ("DEFINE",),
    "SEL": ("SELECT",), "TRAC": ("TRACE",), "CAT": ("CATALOG",), "SOUR": ("SOURCE",), "POW": ("POWER",),
    "LEV": ("LEVEL",), "AMPL": ("AMPLITUDE",), "ABOR": ("ABORT",), "SYST": ("SYSTEM",), "ERR": ("ERROR",),
    "FUNC": ("FUNCTION",), "TRIG": ("TRIGGER",),
}  # fmt: skip
