"""Finds how a SCPI analyzer is asked for S11 and S21, and what form the numbers have.

Owns: the alternatives of the CALCulate, TRACe, SENSe and FORMat subsystems that SCPI-1999 volume 2 leaves open, the
order in which they are tried, the proof of each by what it brings. Refuses: to take one and the same trace for two.
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
from protocol.finding.order import order_of
from protocol.profiles.scpi import BOTH, PARAMETERS, Scpi
from protocol.profiles.templates import Template

POINTS = 51
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

    @property
    def named(self) -> bool:
        """Whether S11 and S21 are asked for by these names."""
        return any("{parameter}" in text for text in (self.data, self.select, *self.setup)) or (
            tuple(name.upper() for name in self.traces) == PARAMETERS
        )


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


class DataFinder:
    """Asks one analyzer, whose settings are found, for its data. `evidence` takes what was seen, by key."""

    def __init__(
        self, lines: Lines, given: Scpi, tell: Callable[[str], None], evidence: dict[str, str], *, open_leads: bool
    ) -> None:
        self._lines, self._given, self._tell = lines, given, tell
        self._evidence, self._open_leads = evidence, open_leads
        self.answers: list[str] = []
        """What data queries brought that was of no use, for the message."""
        self.way = ""

    def _set(self, **changes: object) -> None:
        self._lines.scpi = replace(self._lines.scpi, **changes)  # type: ignore[arg-type]

    async def find(self) -> Scpi:
        """The words for both traces. Raises AnalyzerError in words when none brings complex numbers."""
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
            f"{self._lines.link.name}: {shown(self._lines.identity)} speaks SCPI, but gave no complex S11 and S21:"
            f" {said[:400]}"
        )

    async def _names(self) -> tuple[str, str] | None:
        lines = await self._lines.ask("TRACe:CATalog?", 0.2)
        await self._lines.error()
        names = re.findall(r"[A-Za-z]\w*", lines[-1].decode("ascii", "replace")) if lines else []
        if {"S11", "S21"} <= {name.upper() for name in names}:
            names.sort(key=lambda name: name.upper() not in PARAMETERS or PARAMETERS.index(name.upper()))
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
        self._evidence["data"] = f"brought both traces with the {count} points that were set"
        way, layout, assumed = self._in_order(way, values, layout, count)
        setup = (*(way.setup), *(() if "average" in self._evidence else ("SENSe:AVERage:STATe OFF",)))
        self._set(
            number_format=form, swapped=swapped, layout=layout, data=Template.parse(way.data, allowed),
            setup=tuple(Template.parse(line, allowed) for line in setup),
            select=Template.parse(way.select, allowed) if way.select else None,
            select_phase=Template.parse(way.select_phase, allowed) if way.select_phase else None, traces=way.traces,
            traces_assumed=assumed, find=False, alternatives={},
        )  # fmt: skip
        if form == "ascii" and self._lines.scpi.byte_order_command is not None and asked != "ascii":
            self._set(format_command=None)
        return self._lines.scpi

    def _in_order(self, way: Way, values: list[NDArray[np.float64]], layout: str, count: int) -> tuple[Way, str, bool]:
        """The way and layout with S11 first, and whether that is only assumed."""
        if way.named and layout not in BOTH:  # one that sends both at any name has not heard the name
            self._evidence["traces"] = "S11 and S21 are asked for by name"
            return way, layout, False
        try:
            first, second = arranged(values, layout, count)
        except WireError:  # a value that is none; the sweeps through the ordinary path say more
            return way, layout, True
        order = order_of(first, second, open_leads=self._open_leads)
        self._evidence["traces"] = order.why
        if order.turned and layout in BOTH:
            layout += " turned"
        elif order.turned:
            way = replace(way, traces=way.traces[::-1])
        return way, layout, order.assumed

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
    return min(BOTH, key=lambda layout: sum(_rough(trace) for trace in arranged([values[0]], layout, count)))


def _angles(values: NDArray[np.float64]) -> bool:
    return bool(np.ptp(values) > 5 and np.abs(values).max() <= 360)


def _distinct(traces: list[NDArray[np.complex128]]) -> bool:
    """Two queries that bring one and the same trace have not chosen any."""
    return not np.allclose(traces[0], traces[1], rtol=1e-2, atol=1e-6)


def _rough(trace: NDArray[np.complex128]) -> float:
    """How far a trace jumps from point to point in all. Not against its size: a trace of noise alone is small."""
    return float(np.sum(np.abs(np.diff(trace))))
