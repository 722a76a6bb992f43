"""Finds which of the standard's words a SCPI analyzer takes: its settings and its sweep, then its data (`data`).

Owns: the alternatives that SCPI-1999 volume 2 leaves open (SENSe and INITiate subsystems), the order in which they are
tried, the proof of each by its effect. Refuses: *RST, *SAV, *RCL, output, level and correction commands; whatever is
sent has passed the gate of `lines`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from protocol.dialects.exchange import shown
from protocol.finding.data import POINTS, DataFinder
from protocol.finding.lines import Lines
from protocol.profiles.scpi import Scpi
from protocol.profiles.templates import Template
from protocol.wire.link import Link

OFFSETS_HZ = (0.31, 0.3400123)
"""Where the trial span stands in the range; the odd digits show rounding."""
BANDWIDTHS = ("SENSe:BANDwidth:RESolution", "SENSe:BANDwidth", "SENSe:BWIDth", "SENSe:BWIDth:RESolution")


class Finder:
    """Asks one analyzer. `tell` hears how far it is; `open_leads`: nothing is connected to the leads."""

    def __init__(self, link: Link, scpi: Scpi, tell: Callable[[str], None], *, open_leads: bool = False) -> None:
        self._lines, self._open_leads = Lines(link, scpi), open_leads
        self._given, self._tell = scpi, tell
        self.low_hz, self.high_hz = 0.0, 0.0
        self.evidence: dict[str, str] = {}
        """What was seen, by the key that stands on it."""
        self.way = ""

    @property
    def identity(self) -> bytes:
        """What *IDN? was answered with."""
        return self._lines.identity

    @property
    def said(self) -> list[tuple[str, bytes]]:
        """All that was sent, and what came back."""
        return self._lines.said

    async def greet(self) -> bool:
        """Whether *IDN? is answered with an identity."""
        return await self._lines.open()

    async def value(self, question: str) -> float | None:
        """The number that a query is answered with; None when none came."""
        return await self._lines.value(question)

    async def find(self) -> Scpi | None:
        """The words that the analyzer takes; None when it does not answer *IDN?.

        Raises AnalyzerError in words when it answers but no data can be had.
        """
        if not await self.greet():
            return None
        self._tell(f"identity {shown(self._lines.identity)}; how its lines look")
        if not await self._lines.manner():
            return None
        self.evidence["error"] = "answered" if self._lines.scpi.error is not None else "the query was not answered"
        self._tell("which settings it takes")
        await self._settings()
        self._tell("how a sweep is asked for")
        await self._sweeping()
        data = DataFinder(self._lines, self._given, self._tell, self.evidence, open_leads=self._open_leads)
        found = await data.find()
        self.way = data.way
        return found

    def _set(self, **changes: object) -> None:
        self._lines.scpi = replace(self._lines.scpi, **changes)  # type: ignore[arg-type]

    def _candidates(self, key: str, usual: tuple[str, ...], field: str) -> list[Template]:
        """The file's alternatives, then its own command, then the usual ones."""
        own = self._given.alternatives.get(key, ())
        one: Template | None = getattr(self._given, key)
        rest = [Template.parse(f"{header} {{{field}}}", frozenset({field})) for header in usual]
        return list(dict.fromkeys([*own, *([one] if one else []), *rest]))

    async def _settings(self) -> None:
        ask = self._lines
        low, high = await ask.value("SENSe:FREQuency:STARt? MIN"), await ask.value("SENSe:FREQuency:STOP? MAX")
        if low is None or high is None or not low < high:
            low, high = await ask.value("SENSe:FREQuency:CENTer? MIN"), await ask.value("SENSe:FREQuency:CENTer? MAX")
        low, high = (low, high) if low is not None and high is not None and low < high else (100e6, 200e6)
        self.low_hz, self.high_hz = (round(low + part * (high - low)) for part in OFFSETS_HZ)
        await self._ends()
        for count in (POINTS, 101, 201):
            if await ask.taken(f"{self._lines.scpi.header('points').rstrip('?')} {count}"):
                self.evidence["points"] = self._seen(f"{count}")
                break
        found = None
        self.evidence["bandwidth"] = "no usual command for it was taken"
        for template in self._candidates("bandwidth", BANDWIDTHS, "bandwidth_hz"):
            header = template.source.split(" ")[0]
            taken = await ask.taken(template.fill({"bandwidth_hz": 1000.0}))
            if taken and (ask.scpi.error is not None or ask.talks or await ask.value(header + "?") is not None):
                found, self.evidence["bandwidth"] = template, self._seen("1000 Hz")
                break
        self._set(bandwidth=found)

    def _seen(self, what: str) -> str:
        """How a setting was taken; an analyzer that never complains proves nothing by silence."""
        scpi = self._lines.scpi
        tells = scpi.error is not None or self._lines.talks or scpi.acknowledge
        return f"{what} was taken".strip() if tells else f"no complaint about {what or 'it'}, but it never complains"

    async def _ends(self) -> None:
        """Start and stop, or centre and span; whether they can be read, and to how many digits."""
        ask, scpi = self._lines, self._lines.scpi
        start, stop = (self._candidates(key, (f"SENSe:FREQuency:{word}",), f"{key}_hz") for key, word in
                       (("start", "STARt"), ("stop", "STOP")))  # fmt: skip
        silent = ask.scpi.error is None and not ask.talks
        values = {"start_hz": self.low_hz, "stop_hz": self.high_hz}
        for first, second in zip(start, stop, strict=False):
            taken = await ask.taken(second.fill(values)) and await ask.taken(first.fill(values))
            read = await ask.value(first.source.split(" ")[0] + "?") if taken else None
            if taken and not (silent and read is None):
                self._set(start=first, stop=second, centre=None, span=None, queries=read is not None)
                how = self._seen("") if read is None else f"set to {self.low_hz:.0f} Hz it read {read:.0f}"
                self.evidence["start"] = self.evidence["queries"] = how
                if read is not None and read != self.low_hz:
                    await self._rounding(read)
                return
        centre = Template.parse("SENSe:FREQuency:CENTer {centre_hz}", frozenset({"centre_hz"}))
        span = Template.parse("SENSe:FREQuency:SPAN {span_hz}", frozenset({"span_hz"}))
        middle, width = (self.low_hz + self.high_hz) / 2, self.high_hz - self.low_hz
        if await ask.taken(centre.fill({"centre_hz": middle})) and await ask.taken(span.fill({"span_hz": width})):
            read = await ask.value("SENSe:FREQuency:CENTer?")
            self._set(start=None, stop=None, centre=centre, span=span, queries=read is not None)
            self.evidence["centre"] = self._seen("") if read is None else f"set to {middle:.0f} Hz it read {read:.0f}"
        else:
            self._set(start=scpi.start, stop=scpi.stop)

    async def _rounding(self, read_hz: float) -> None:
        """Whether answers are rounded, or settings: the span tells, whose digits are fewer."""
        width = await self._lines.value("SENSe:FREQuency:SPAN?")
        asked = self.high_hz - self.low_hz
        if width is None or abs(read_hz - self.low_hz) < 1.0:
            return
        for digits in range(9, 1, -1):
            if float(f"{self.low_hz:.{digits - 1}e}") == read_hz and float(f"{asked:.{digits - 1}e}") == width:
                self._set(readback_digits=digits)
                return

    async def _sweeping(self) -> None:
        ask = self._lines
        single = self._given.single
        if single is not None and not await ask.taken(single.source):
            self._set(single=None)
        if not await ask.taken("SENSe:AVERage:STATe OFF"):
            self.evidence["average"] = "refused"
        if self._given.abort is not None and not await ask.taken(self._given.abort.source):
            self._set(abort=None)
        trigger = self._given.trigger or Template.parse("INITiate:IMMediate", frozenset())
        self._set(trigger=trigger)
        await ask.ask(trigger.source, 1.0 if ask.talks else 0.1)
        done = await ask.ask("*OPC?", 2.5)
        await ask.error()
        if not any(line.strip() in (b"1", b"+1") for line in done):
            wait = Template.parse("*WAI", frozenset())
            self._set(complete=wait if await ask.taken("*WAI") else None)
            self.evidence["complete"] = "*OPC? was not answered 1"
        else:
            self._set(complete=Template.parse("*OPC?", frozenset()))
            self.evidence["complete"] = "answered 1 behind a sweep"
