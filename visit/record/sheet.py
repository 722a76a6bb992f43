"""What is typed of feeder, transmitter and receiver: from a sheet, a label, or somebody who knows.

Owns: the names with unit and sensible limits, writing one as an entry of the visit, reading the newest. Refuses: a
default; where common practice stands in for what nobody typed, whoever computes says so.
"""

from __future__ import annotations

import math
import time
from dataclasses import dataclass

from protocol.errors import RequestError
from protocol.files.harmless import harmless
from rf.repeater.cables import Cable, find_cable
from rf.values.match import UNKNOWN_CABLE, Velocity, told_velocity
from visit.record.visit_file import VisitFile

BESIDE = 0
"""The step under which these entries stand: none of the day's."""


@dataclass(frozen=True, slots=True)
class Line:
    """One thing to be typed: its name, unit ("" for words) and sensible limits."""

    name: str
    unit: str = ""
    low: float = -math.inf
    high: float = math.inf
    says: str = ""


CABLE = Line("feeder cable", says="a name of the cable table")
LENGTH = Line("feeder length", "m", 0.5, 500.0, "by the drawing or the marks on the sheath")
VELOCITY = Line("feeder velocity", "", 0.4, 1.0, "velocity factor by the sheet; else the cable table's")
FEEDER_LINES = (CABLE, LENGTH, VELOCITY)

POWER = Line("transmitter power", "W", 0.001, 2000.0, "at the transmitter's connector")
NOISE = Line("transmitter noise", "dBc/Hz", -200.0, -60.0, "at the receive frequency, by its sheet")
SENSITIVITY = Line("receiver sensitivity", "dBm", -150.0, -60.0, "for 12 dB SINAD, by its sheet or measured")
NOISE_FIGURE = Line("receiver noise figure", "dB", 0.0, 30.0, "where the sheet says it")
BLOCKING = Line("receiver blocking level", "dBm", -80.0, 30.0, "of a carrier that makes it deaf")
SITE_NOISE = Line("site noise", "dB", 0.0, 60.0, "over kT at the antenna, by a site survey or a handbook")
RADIO_LINES = (POWER, NOISE, SENSITIVITY, NOISE_FIGURE, BLOCKING, SITE_NOISE)

CAVITY_AT = Line("cavity frequency", "MHz", 1.0, 10e3, "where the cavity shall stand")
CAVITY_LOSS = Line("cavity loss", "dB", 0.05, 20.0, "that a pass cavity shall have at its frequency")
CAVITY_DEPTH = Line("cavity depth", "dB", 1.0, 60.0, "that a notch cavity shall take at its frequency")
CAVITY_LINES = (CAVITY_AT, CAVITY_LOSS, CAVITY_DEPTH)

INSTRUMENT = {
    name: Line(f"analyzer {name}", says=says)
    for name, says in (
        ("floor", "dB below a thru @ Hz of bandwidth by its sheet, e.g. 90@1000; several parted by blanks"),
        ("leak", "dB below a thru that leaks between its ports by its sheet"),
        ("points", "most points of a sweep"),
        ("point-time", "seconds a point @ Hz of bandwidth, e.g. 0.0012@1000"),
        ("overhead", "seconds that a sweep takes beside its points"),
        ("narrowest", "narrowest bandwidth in Hz"),
        ("drift", "dB a minute"),
        ("level", "level of its source in dBm"),
    )
}
"""Of the analyzer, by its data sheet, as words: `visit.day.instrument` reads them."""

LINES = {line.name: line for line in (*FEEDER_LINES, *RADIO_LINES, *INSTRUMENT.values(), *CAVITY_LINES)}


class Sheet:
    """What was typed in one visit, the newest of each name."""

    def __init__(self, visit: VisitFile) -> None:
        """Raises RecordError when the file can't be read, RequestError for a number that can't be."""
        self._visit = visit
        self._words: dict[str, str] = {}
        self._values: dict[str, float] = {}
        for name, value, words in visit.rows("select name, value, words from entry order by id"):
            self._words[str(name)] = str(words)
            if value is not None:
                self._values[str(name)] = float(str(value))

    def value(self, line: Line) -> float | None:
        """The number that was typed; None where none was, or where a file holds one that can't be."""
        value = self._values.get(line.name)
        return value if value is not None and line.low <= value <= line.high else None

    def words(self, line: Line) -> str:
        """The words that were typed; "" without any."""
        return self._words.get(line.name, "")

    @property
    def cable(self) -> Cable | None:
        """The cable of the table that was named."""
        return find_cable(self.words(CABLE))

    @property
    def velocity(self) -> Velocity:
        """Of the feeder: as typed, else the named cable's, else what feeders have."""
        typed = self.value(VELOCITY)
        if typed is not None:
            return told_velocity(typed)
        return UNKNOWN_CABLE if self.cable is None else self.cable.velocity

    @property
    def velocity_says(self) -> str:
        """Where the velocity comes from."""
        if self.value(VELOCITY) is not None:
            return "as typed"
        return "cable not known" if self.cable is None else f"{self.cable.name} by the cable table"


def typed_number(text: str, unit: str) -> float:
    """A number as it is typed, with a decimal point or comma, its unit behind it or not. Raises ValueError for anything
    else, another unit too."""
    words = text.strip()
    if unit and words.lower().endswith(unit.lower()):
        words = words[: -len(unit)].rstrip()
    return float(words.replace(",", "."))


def checked(line: Line, text: str) -> tuple[float | None, str]:
    """Number and words of what was typed. Raises RequestError for what can't be."""
    value: float | None = None
    words = text.strip()
    if line is CABLE:
        cable = find_cable(words)
        if cable is None:
            raise RequestError(
                f"{harmless(words, 40)!r} is not in the cable table (deepnotch feeder --cables); type its velocity"
            )
        words = cable.name
    elif line in INSTRUMENT.values():
        words = harmless(words, 200)
    else:
        try:
            value = typed_number(words, line.unit)
        except ValueError:
            what = line.unit or "velocity"
            raise RequestError(f"{line.name}: {harmless(words, 40)!r} is not a number of {what}") from None
        if not line.low <= value <= line.high:
            raise RequestError(
                f"{line.name}: {value:g} {line.unit} is not between {line.low:g} and {line.high:g};"
                " a slip of the finger?"
            )
    return value, words


def write(visit: VisitFile, line: Line, text: str) -> None:
    """Write one down. Raises RequestError for what can't be."""
    value, words = checked(line, text)
    with visit.writing() as connection:
        connection.execute(
            "insert into entry (at_s, step, name, value, unit, words) values (?, ?, ?, ?, ?, ?)",
            (time.time(), BESIDE, line.name, value, line.unit, words),
        )
