"""Finds which of the standard's words a SCPI analyzer takes: settings, sweep, data query, number format.

Owns: the alternatives that SCPI-1999 volume 2 leaves open (SENSe, INITiate, CALCulate, TRACe, FORMat subsystems), the
order in which they are tried, the proof of each by its effect. Refuses: *RST, *SAV, *RCL, output, level and correction
commands; whatever is sent has passed `harmless`.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from protocol.dialects.blocks import block_header
from protocol.dialects.exchange import WireError, shown
from protocol.dialects.numbers import number_list
from protocol.dialects.scpi_stepwise import arranged
from protocol.errors import AnalyzerError
from protocol.finding.lines import Lines
from protocol.profiles.scpi import Scpi
from protocol.profiles.templates import Template
from protocol.wire.link import Link

POINTS = 51
OFFSETS_HZ = (0.31, 0.3400123)
"""Where the trial span stands in the range; the odd digits show rounding."""
BANDWIDTHS = ("SENSe:BANDwidth:RESolution", "SENSe:BANDwidth", "SENSe:BWIDth", "SENSe:BWIDth:RESolution")
SDATA = "CALCulate:DATA? SDATA"
PLAUSIBLE = (1e-9, 20.0)


@dataclass(frozen=True, slots=True)
class Way:
    """One way to ask for both traces."""

    name: str
    data: str
    setup: tuple[str, ...] = ()
    select: str = ""
    select_phase: str = ""
    traces: tuple[str, str] = ("1", "2")


WAYS = (
    Way("define and select a parameter", SDATA, ('CALCulate:PARameter:DEFine "{parameter}",{parameter}',),
        'CALCulate:PARameter:SELect "{parameter}"'),
    Way("select a parameter", SDATA, (), 'CALCulate:PARameter:SELect "{parameter}"'),
    Way("numbered CALCulate blocks, SDATA", "CALCulate{trace}:DATA? SDATA"),
    Way("numbered CALCulate traces", "CALCulate:TRACe{trace}:DATA?"),
    Way("traces by their names", "TRACe:DATA? {trace}"),
    Way("traces by parameter", "TRACe:DATA? {parameter}"),
    Way("SENSe:DATA? by function", 'SENSe:DATA? "XFRequency:POWer:{parameter}"'),
    Way("SENSe:DATA? by short function", 'SENSe:DATA? "XFR:POW:{parameter}"'),
    Way("SENSe:DATA? by parameter", 'SENSe:DATA? "{parameter}"'),
    Way("CALCulate:FEED by function", "CALCulate:DATA?", (), 'CALCulate:FEED "XFR:POW:{parameter}"'),
    Way("CALCulate:DATA? by parameter", "CALCulate:DATA? {parameter}"),
    Way("both traces from CALCulate:DATA?", "CALCulate:DATA?"),
    Way("both traces from TRACe:DATA?", "TRACe:DATA?"),
    Way("both traces from TRACe:DATA:ALL?", "TRACe:DATA:ALL?"),
    Way("size and phase by CALCulate:FORMat", "CALCulate{trace}:DATA?", (), "CALCulate{trace}:FORMat MLOGarithmic",
        "CALCulate{trace}:FORMat PHASe"),
    Way("size only, numbered CALCulate blocks", "CALCulate{trace}:DATA?"),
)  # fmt: skip
"""Ways that the CALCulate, TRACe and SENSe subsystems of SCPI-1999 leave open, the usual ones first."""


class Finder:
    """Asks one analyzer. `tell` hears how far it is."""

    def __init__(self, link: Link, scpi: Scpi, tell: Callable[[str], None]) -> None:
        self._lines = Lines(link, scpi)
        self._given, self._tell = scpi, tell
        self.low_hz, self.high_hz = 0.0, 0.0
        self.evidence: dict[str, str] = {}
        self.answers: list[str] = []
        """What data queries brought that was of no use, for the message."""
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
        self._tell("which settings it takes")
        await self._settings()
        self._tell("how a sweep is asked for")
        await self._sweeping()
        return await self._data()

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
                break
        found = None
        for template in self._candidates("bandwidth", BANDWIDTHS, "bandwidth_hz"):
            header = template.source.split(" ")[0]
            taken = await ask.taken(template.fill({"bandwidth_hz": 1000.0}))
            if taken and (ask.scpi.error is not None or ask.talks or await ask.value(header + "?") is not None):
                found = template
                break
        self._set(bandwidth=found)

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
                if read is not None and read != self.low_hz:
                    await self._rounding(read)
                return
        centre = Template.parse("SENSe:FREQuency:CENTer {centre_hz}", frozenset({"centre_hz"}))
        span = Template.parse("SENSe:FREQuency:SPAN {span_hz}", frozenset({"span_hz"}))
        middle, width = (self.low_hz + self.high_hz) / 2, self.high_hz - self.low_hz
        if await ask.taken(centre.fill({"centre_hz": middle})) and await ask.taken(span.fill({"span_hz": width})):
            read = await ask.value("SENSe:FREQuency:CENTer?")
            self._set(start=None, stop=None, centre=centre, span=span, queries=read is not None)
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
        else:
            self._set(complete=Template.parse("*OPC?", frozenset()))

    async def _data(self) -> Scpi:
        own = Way("as the profile says", self._given.data.source, tuple(line.source for line in self._given.setup
                  if line.fields), self._given.select.source if self._given.select else "",
                  self._given.select_phase.source if self._given.select_phase else "", self._given.traces)  # fmt: skip
        names = await self._names()
        formats = await self._formats()
        for way in (own, *WAYS):
            named = replace(way, traces=names) if names and way.data == "TRACe:DATA? {trace}" else way
            self._tell(f"data: {named.name}")
            found = await self._try(named, formats)
            if found is not None:
                self.way = named.name
                return found
        said = "; ".join(dict.fromkeys(self.answers)) or "every data query was left unanswered"
        raise AnalyzerError(
            f"{self._lines.link.name}: {shown(self.identity)} speaks SCPI, but gave no complex S11 and S21:"
            f" {said[:400]}"
        )

    async def _names(self) -> tuple[str, str] | None:
        lines = await self._lines.ask("TRACe:CATalog?", 0.2)
        await self._lines.error()
        names = re.findall(r"[A-Za-z]\w*", lines[-1].decode("ascii", "replace")) if lines else []
        return (names[0], names[1]) if len(names) >= 2 and b"," in lines[-1] else None

    async def _formats(self) -> str:
        """Ask for the finest numbers that are taken; what comes is looked at, whatever was said."""
        odd = self._lines.scpi.stepwise or self._lines.scpi.echo or self._lines.scpi.prompt
        for spelling, name in (("ASCii,0", "ascii"), ("REAL,64", "real64"), ("REAL,32", "real32"), ("ASCii", "ascii"))[
            0 if odd else 1 :
        ]:
            if await self._lines.taken(f"FORMat:DATA {spelling}"):
                if name != "ascii" and not await self._lines.taken("FORMat:BORDer NORMal"):
                    self._set(byte_order_command=None)
                if spelling == "ASCii":
                    self._set(format_command=Template.parse("FORMat:DATA ASCii", frozenset()))
                return name
        self._set(format_command=None, byte_order_command=None)
        return "ascii"

    async def _try(self, way: Way, asked: str) -> Scpi | None:
        allowed = frozenset({"parameter", "trace"})
        for line in way.setup:
            for index in range(2):
                if not await self._lines.taken(Template.parse(line, allowed).fill(_trace(way, index))):
                    return None
        await self._lines.ask(self._lines.scpi.trigger.source if self._lines.scpi.trigger else "*WAI", 0.02)
        if self._lines.scpi.complete is not None and self._lines.scpi.complete.source == "*OPC?":
            await self._lines.ask("*OPC?", 3.0)
        raw: list[bytes] = []
        for index in range(2):
            for select in (way.select, way.select_phase)[: 2 if way.select_phase else 1]:
                if select and not await self._lines.taken(Template.parse(select, allowed).fill(_trace(way, index))):
                    return None
                got = await self._answer(Template.parse(way.data, allowed).fill(_trace(way, index)))
                if got is None:
                    return None
                raw.append(got)
        read = _numbers(raw, asked)
        count = int(await self._lines.value("SENSe:SWEep:POINts?") or POINTS)
        if read is None:
            self.answers.append(f"{way.data} gave {shown(raw[0][:40])}, which is no list of numbers")
            return None
        values, form, swapped = read
        layout = _layout(values, count, way)
        if layout is None:
            self._why(way, values, count)
            return None
        setup = (*(way.setup), *(() if "average" in self.evidence else ("SENSe:AVERage:STATe OFF",)))
        self._set(
            number_format=form, swapped=swapped, layout=layout, data=Template.parse(way.data, allowed),
            setup=tuple(Template.parse(line, allowed) for line in setup),
            select=Template.parse(way.select, allowed) if way.select else None,
            select_phase=Template.parse(way.select_phase, allowed) if way.select_phase else None, traces=way.traces,
            find=False, alternatives={},
        )  # fmt: skip
        if form == "ascii" and self._lines.scpi.byte_order_command is not None and asked != "ascii":
            self._set(format_command=None)
        return self._lines.scpi

    def _why(self, way: Way, values: list[NDArray[np.float64]], count: int) -> None:
        sizes = {value.size for value in values}
        if sizes == {count}:
            self.answers.append(
                f"{way.data} gave {count} single numbers for {count} points (median {np.median(values[0]):.1f}): sizes"
                " without phase; complex data are needed"
            )
        else:
            self.answers.append(f"{way.data} gave {sorted(sizes)} numbers for {count} points")

    async def _answer(self, query: str) -> bytes | None:
        """The data behind a query, a block with its header; None when it was refused."""
        got = await self._lines.raw(self._lines.scpi.line(query), 1.0 if self._lines.scpi.error is None else 0.6, 0.25)
        at = re.search(rb"#[1-9]", got)
        header = block_header(got[at.start() :]) if at is not None else None
        if at is not None and header is not None and header.length is not None:
            return got[at.start() : at.start() + header.offset + header.length]
        lines = self._lines.cleaned(query, got)
        error = await self._lines.error()
        good = [line for line in lines if b"," in line and line[:1] in b"+-.0123456789"]
        if not good or error:
            said = error or (shown(lines[-1]) if lines else "")
            if said and "-113" not in said and "ndefined header" not in said:
                self.answers.append(f"{query} was answered {said}")
            return None
        return good[-1]


def _trace(way: Way, index: int) -> dict[str, float | str]:
    return {"parameter": ("S11", "S21")[index], "trace": way.traces[index]}


def _numbers(raw: list[bytes], asked: str) -> tuple[list[NDArray[np.float64]], str, bool] | None:
    """Numbers of all answers, their format and whether bytes are swapped, by which reading makes sense."""
    if not raw[0].startswith(b"#"):
        try:
            return [number_list(line.replace(b" ", b""), "data") for line in raw], "ascii", False
        except WireError:
            return None
    bodies = []
    for data in raw:
        header = block_header(data)
        if header is None:
            return None
        bodies.append(data[header.offset :])
    for size in (8, 4) if asked == "real64" else (4, 8):
        for swapped in (False, True):
            if any(len(body) % size for body in bodies):
                continue
            kind = f"{'<' if swapped else '>'}f{size}"
            with np.errstate(all="ignore"):
                values = [np.frombuffer(body, kind).astype(np.float64) for body in bodies]
                sizes = np.abs(np.concatenate(values))
            if (
                np.isfinite(sizes).all()
                and sizes.max() < 400
                and PLAUSIBLE[0] < np.median(sizes)
                and np.mean(sizes < 1e-12) < 0.1
            ):
                return values, f"real{8 * size}", swapped
    return None


def _layout(values: list[NDArray[np.float64]], count: int, way: Way) -> str | None:
    """How the numbers of both traces are arranged; None when they are no two traces of `count` points."""
    sizes = {value.size for value in values}
    if way.select_phase:
        return "polar db" if sizes == {count} and _angles(values[1]) else None
    if sizes == {2 * count}:
        whole = [np.ascontiguousarray(value).view(np.complex128) for value in values]
        return "pairs" if _distinct(whole) else None
    if sizes != {4 * count}:
        return None
    layouts = ("interleaved", "in turn")
    return min(layouts, key=lambda layout: sum(_rough(trace) for trace in arranged([values[0]], layout, count)))


def _angles(values: NDArray[np.float64]) -> bool:
    return bool(np.ptp(values) > 5 and np.abs(values).max() <= 360)


def _distinct(traces: list[NDArray[np.complex128]]) -> bool:
    """Two queries that bring one and the same trace have not chosen any."""
    return not np.allclose(traces[0], traces[1], rtol=1e-2, atol=1e-6)


def _rough(trace: NDArray[np.complex128]) -> float:
    """How far a trace jumps from point to point in all. Not against its size: a trace of noise alone is small."""
    return float(np.sum(np.abs(np.diff(trace))))
