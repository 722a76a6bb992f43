"""What a console tells of its frequencies: how it writes them, between which ends they lie.

Owns: ways of writing a frequency, windows of frequencies that are safe to try. Refuses: to set any (`trying`).
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from protocol.learn.dialogue import Role, Word
from protocol.learn.sweeps.setters import Setters, numbers_in
from protocol.learn.sweeps.told import RANGE
from protocol.learn.words.asides import modern
from protocol.learn.words.talk import Talk
from protocol.profiles.templates import UNITS, Field

FIELDS = {
    Role.START: "start", Role.STOP: "stop", Role.CENTRE: "centre", Role.SPAN: "span", Role.STEP: "step",
}  # fmt: skip


@dataclass(frozen=True)
class Writing:
    """How this console writes a frequency: unit and form of a profile's field."""

    unit: str = "hz"
    form: str = ""

    def field(self, name: str) -> Field:
        """The field of a frequency called `name`."""
        return Field(f"{name}_{self.unit}", 1.0, self.form)

    def template(self, name: str) -> str:
        """The field of a setting in a profile's command."""
        form = f":{self.form}" if self.form else ""
        own = {"points": "{points}", "bandwidth": "{bandwidth_hz}"}.get(name)
        return own or f"{{{name}_{self.unit}{form}}}"

    def text(self, hertz: float) -> str:
        """A frequency as a command writes it."""
        return self.field("start").text(hertz)


@dataclass
class Windows:
    """Settings of one console as far as they are found; `low_hz` to `high_hz` is where it is known to sweep."""

    setters: Setters
    status: list[str] = field(default_factory=list)
    writing: Writing = field(default_factory=Writing)
    writing_tried: Writing = field(default_factory=Writing)
    """The way of writing that is being tried."""
    unit_known: bool = False
    low_hz: float = 0.0
    high_hz: float = 0.0
    pair: tuple[Role, ...] = ()
    points: list[int] = field(default_factory=list)
    """Numbers of points that were taken as set."""
    combined_texts: list[str] = field(default_factory=list)
    combined_read: tuple[str, list[str]] = ("", [])
    """The question and the answer that showed a command for several settings."""
    evidence: dict[str, str] = field(default_factory=dict)
    verified: bool = False
    offering: set[str] = field(default_factory=set)
    """Words whose question showed the value that was set."""
    spans: dict[Writing, tuple[float, float]] = field(default_factory=dict)
    before: dict[str, list[str]] = field(default_factory=dict)
    """What the console said of a word, or to a question for all settings, before anything was set."""
    doubtful: dict[str, list[str]] = field(default_factory=dict)
    """Questions whose answers hold a number, but in the words of a refusal, and those answers."""
    refused_with: list[str] = field(default_factory=list)
    """Lines that hold a range, from answers to values that were tried."""
    counts_told: list[int] = field(default_factory=list)
    """Numbers of points that a refusal named."""
    counts_seen: list[int] = field(default_factory=list)
    """Numbers of points that held instead of the one that was set."""
    refused_counts: list[int] = field(default_factory=list)
    proved: list[int] = field(default_factory=list)
    """Numbers of points that came as they were set."""
    points_form: str = ""
    """Form of a profile's field for the number of points: "log2" where its exponent is set."""
    counted_by_data: bool = False
    """Whether only the number of points that came tells which counts are taken."""
    clamped: dict[str, float] = field(default_factory=dict)
    """Ends of the range, "low" and "high" in hertz, as values too far out were moved to them."""
    answers: dict[str, list[str]] = field(default_factory=dict)
    """The last answer to each question for settings."""
    refuses: bool = False
    """Whether a frequency out of range is refused, or moved."""
    shows: bool = False
    """Whether the reply to a setting shows the value that was taken."""
    combined: str = ""
    """Template of one command for start, stop and perhaps points."""

    @property
    def talk(self) -> Talk:
        """The conversation."""
        return self.setters.talk

    def _writings(self, words: Sequence[Word]) -> Iterator[Writing]:
        """Units and forms to try: those that the console's words name first."""
        for writing in self._ways(words):
            self.writing_tried = writing
            self.setters.unit = "" if writing.form else writing.unit
            yield writing

    def _ways(self, words: Sequence[Word]) -> Iterator[Writing]:
        told = [Writing(word.told.unit, word.told.writing) for word in words if word.told and word.told.unit]
        if told:
            self.unit_known = True
            yield told[0]
            return
        text = " ".join(f"{word.usage} {word.description}" for word in words)
        others = [word.name for word in self.setters.of(Role.BANDWIDTH, Role.AVERAGE, Role.POINTS)]
        lines = [line for line in self.setters.printed if not any(name in line for name in others)]
        everything = " ".join(lines)  # the unit of a bandwidth is not that of a frequency
        seen = set()
        for source in (text, everything):
            for writing in named_writings(source):
                if writing not in seen:
                    seen.add(writing)
                    self.unit_known = source is text  # elsewhere a unit may be that of something else
                    yield writing
            if seen and source is text:
                return
        known, self.unit_known = self.unit_known, False
        for writing in (Writing(), Writing("khz"), Writing("mhz"), Writing("10hz"), Writing("mhz", "comma")):
            if writing not in seen:
                yield writing
        self.unit_known = known

    def windows(self, writing: Writing) -> Iterator[tuple[float, float]]:
        """Ranges in which to try values: what the console names, then usual ones."""
        seen = set()
        usual = ((100e6, 160e6), (10e6, 50e6), (400e6, 500e6), (2e6, 9e6), (1e9, 1.5e9), (0.3e6, 1.8e6))
        for window in (self._named_range(writing), self._now(writing), *usual):
            for named in (*self._told(writing), *self._moved(), window):
                if named and named not in seen and named[1] > 1.2 * named[0] >= 1.2e4 and named[1] < 2e10:
                    seen.add(named)
                    yield named

    def _now(self, writing: Writing) -> tuple[float, float] | None:
        """The span that holds, by what the console says of its words."""
        if writing not in self.spans:
            values: dict[Role, float] = {}
            for role in FIELDS:
                for word in self.setters.of(role):
                    value = self._value_of(word, writing)
                    if value is not None:
                        values[role] = value
            low, high = values.get(Role.START), values.get(Role.STOP)
            if Role.CENTRE in values and Role.SPAN in values and low is None:
                half = values[Role.SPAN] / 2
                low, high = values[Role.CENTRE] - half, values[Role.CENTRE] + half
            if low is not None and high is None and Role.STEP in values:
                counts = [self._value_of(word, Writing()) for word in self.setters.of(Role.POINTS)]
                high = low + ((counts[0] if counts and counts[0] else 41) - 1) * values[Role.STEP]
            if low is None and self.setters.of(Role.RANGE):
                low, high = self._ends_of(writing)
            if low is not None and high is not None and high > low:
                self.spans[writing] = (max(low, 1e4, high / 1e4), high)
        return self.spans.get(writing)

    def _ends_of(self, writing: Writing) -> tuple[float | None, float | None]:
        """The first two numbers of the answer to a word that sets both ends."""
        for word in self.setters.of(Role.RANGE):
            for line in self.before.get(word.name, []):
                values = _frequencies(line, writing)
                if len(values) >= 2 and values[1] > values[0]:
                    return values[0], values[1]
        for lines in (self.before.get(command, []) for command in self.status):
            named = {
                name: _frequencies(line, writing)
                for line in lines
                for name in ("start", "stop")
                if name in line.lower()
            }
            if all(named.get(name) for name in ("start", "stop")):
                return named["start"][-1], named["stop"][-1]
            if len(lines) == 1 and len(_frequencies(lines[0], writing)) > 2:
                return tuple(_frequencies(lines[0], writing)[:2])  # type: ignore[return-value]
        return None, None

    def _value_of(self, word: Word, writing: Writing) -> float | None:
        lines = self.before.get(word.name, [])
        number = re.fullmatch(r"\S+ (\d+)", word.name)
        if not lines and number:  # a numbered register: the page of settings lists them in their order
            page = [line for command in self.status for line in self.before.get(command, []) if numbers_in(line)]
            lines = page[int(number.group(1)) :][:1]
        if not lines:
            name = word.name.split()[-1]
            lines = [
                line for command in self.status for line in self.before.get(command, [])
                if re.search(rf"(?<!\w){re.escape(name)}(?!\w)", line)
            ]  # fmt: skip
        values = _frequencies(lines[-1].replace(word.name, ""), writing) if lines else []
        return values[-1] if values else None

    def _moved(self) -> list[tuple[float, float]]:
        """Ranges to whose ends values were moved."""
        low, high = self.clamped.get("low"), self.clamped.get("high")
        if low and (not high or high > 1.2 * low):
            return [(low, high or 5 * low)]
        return [(high / 5, high)] if high else []

    def _told(self, writing: Writing) -> list[tuple[float, float]]:
        """Ranges that refusals told while values were tried."""
        found = []
        for line in self.refused_with:
            match = RANGE.search(line)
            values = _frequencies(line.replace("..", " "), writing)
            if match and len(values) >= 2 and values[-1] > values[-2] >= 0:
                found.append((max(values[-2], 1e4, values[-1] / 1e4), values[-1]))
        return found

    def _named_range(self, writing: Writing) -> tuple[float, float] | None:
        scale = UNITS[writing.unit]
        ranges = []
        for word in self.setters.words:
            if word.role not in (Role.START, Role.STOP, Role.CENTRE):
                continue
            hexed = re.search(r"(?<!\w)([0-9A-F]{6,8})\.\.([0-9A-F]{6,8})(?!\w)", f"{word.usage} {word.description}")
            if hexed and writing.form == "hex":
                ranges.append((float(int(hexed.group(1), 16)), float(int(hexed.group(2), 16))))
                continue
            for match in RANGE.finditer(f"{word.usage} {word.description}"):
                try:
                    low, high = (_value(match, at) * scale for at in (1, 3))
                except ValueError:
                    continue
                if high > 4 * low:
                    ranges.append((low, high))
        for line in self.setters.printed:
            banner = re.search(r"(\d+\.?\d*)\s*\.\.\s*(\d+\.?\d*)\s*(MHz|kHz|GHz)", line)
            if banner:
                size = {"kHz": 1e3, "MHz": 1e6, "GHz": 1e9}[banner.group(3)]
                ranges.append((float(banner.group(1)) * size, float(banner.group(2)) * size))
        if not ranges:
            return None
        low, high = ranges[0]
        return max(low, 1e5 if high > 5e7 else low), high

    def told_ranges(self) -> list[tuple[float, float]]:
        """Ranges of frequencies that the console told, in words or by moving values."""
        named = self._named_range(self.writing)
        return [*([named] if named else []), *self._told(self.writing)]


def _frequencies(line: str, writing: Writing) -> list[float]:
    """All numbers of a line as frequencies in hertz, in this way of writing."""
    if writing.form == "hex":
        return [float(int(text, 16)) for text in re.findall(r"(?<!\w)[0-9A-F]{6,8}(?!\w)", line)]
    scale = UNITS[writing.unit]
    return [
        value * (1.0 if text[-1:] in "kMG" else scale)
        for text, value in numbers_in(line, comma=writing.form == "comma")
    ]


def nice(hertz: float) -> float:
    """A frequency that any resolution down to 10 kHz can write, and no whole number of megahertz."""
    grain = 1e5 if hertz > 2e6 else 1e4
    nice = round(hertz / grain) * grain
    return nice + grain if nice % (10 * grain) == 0 else nice


def _value(match: re.Match[str], at: int) -> float:
    text = match.group(at).rstrip(".,").replace(",", ".")
    return float(text) * {"": 1.0, "k": 1e3, "M": 1e6, "G": 1e9}[match.group(at + 1)]


def named_writings(text: str) -> list[Writing]:
    """Units that a text names, as ways of writing."""
    found = []
    text = modern(text)
    if re.search(r"(?i)\bhex", text) and re.search(r"(?i)hz|freq", text) and re.search(r"(?i)hz,? ?\(?hex", text):
        found.append(Writing("hz", "hex"))
    if re.search(r"(?i)units? of 10 ?hz|\b10 ?hz\b", text):
        found.append(Writing("10hz"))
    for unit in ("GHz", "MHz", "kHz"):
        if unit.lower() in text.lower():
            low = unit.lower()
            commas = re.search(r"\d,\d", text) is not None
            found += [Writing(low, "comma"), Writing(low)] if commas else [Writing(low), Writing(low, "comma")]
    if (
        re.search(r"(?<![A-Za-z0-9])(?<!10 )[Hh][Zz]\b|\bHZ\b|(?<![\w.])\d+(?:\.\d+)?[kMG]\b", text)
        and Writing("10hz") not in found
    ):
        found.append(Writing())
    return found
