"""The SCPI family: IEEE 488.2 common commands and SCPI-1999 subsystems over a serial line.

Owns: the order of its commands and the shape of its replies. Each command is followed by the error query (SCPI-1999
Volume 2, 21.8.8), a sweep by *OPC? (IEEE 488.2, 10.19) where it has that. Refuses: ports, clocks, and words that
are not the profile's.
"""

from __future__ import annotations

import re
from collections.abc import Generator
from functools import partial

import numpy as np
from numpy.typing import NDArray

from protocol.dialects.blocks import block_frame, block_header, block_values
from protocol.dialects.events import Accepted, IdentityReply, SettingsReply, SweepReply, Waiting
from protocol.dialects.exchange import (
    NUMBER_LIMIT,
    PLAIN_LIMIT,
    Exchange,
    Frame,
    Step,
    Steps,
    WireError,
    line_frame,
    plain,
    shown,
)
from protocol.dialects.numbers import INFINITE, number_list, pairs
from protocol.errors import RequestError
from protocol.profiles.profile import Profile
from protocol.profiles.scpi import PARAMETERS, Scpi
from protocol.profiles.templates import NUMBER, UNITS, Template
from protocol.sweep import Identity, SweepSettings

QUEUE_LIMIT = 40
"""Errors read from the queue before giving up; the standard asks for room for 2 at least, instruments keep 10 to 30."""

FEWER = (1601, 1001, 801, 501, 401, 301, 201, 101, 51, 21, 11)
"""Numbers of points that analyzers commonly end at."""

FORMAT_NAMES = {"ascii": "ASCii,0", "real32": "REAL,32", "real64": "REAL,64"}
_SIZES = {"real32": 4, "real64": 8}
_ERROR = re.compile(rb'\s*([+-]?\d{1,5})\s*,\s*"([^"]*(?:""[^"]*)*)"\s*')
_NO_ERROR = frozenset({b'0,"No error"', b'+0,"No error"'})
_READING = re.compile(rb"\s*(" + NUMBER + rb")\s*([A-Za-z]{0,4})\s*")
_COMPLETE = frozenset({b"1", b"+1"})
_READ_BACK = ("start", "stop", "centre", "span", "points", "bandwidth", "level")
_NAMES = {"points": "points", "level": "level_dbm"}
_Part = Generator[Step, bytes, bytes]


class ScpiDialect(Exchange):
    """One analyzer that speaks SCPI, as its profile describes it."""

    no_help = "a SCPI analyzer has no list of its commands to ask for"

    def __init__(self, profile: Profile) -> None:
        super().__init__()
        assert profile.scpi is not None
        self._scpi: Scpi = profile.scpi
        self._identity = b""
        self._error_query = "" if self._scpi.error is None else self._scpi.error.source
        self._questions = self._ask_for_traces()
        self._stop_hz: float | None = None
        self._asked: dict[str, float] = {}

    def missing(self, step: Step, got: bytes) -> str:
        """Says how much of a block came, where one had begun."""
        try:
            header = block_header(got) if got[:1] == b"#" else None
        except WireError:
            header = None
        if header is not None and header.length is not None:
            came = len(got) - header.offset
            if came < header.length:
                return f"the block for {step.what} stopped after {came} of {header.length} bytes; sweep thrown away"
        return super().missing(step, got)

    def abort(self) -> bytes:
        """Forget the request; ABORt (SCPI-1999, trigger system) where the analyzer has it."""
        self.forget()
        end = self._scpi.out_end
        return end + self._scpi.line(self._scpi.abort.source) if self._scpi.abort else end

    def probe(self) -> bytes:
        """Ends a half-sent line, empties the error queue, asks for the identity."""
        self.forget()
        return self._scpi.out_end + self._scpi.line("*CLS") + self._scpi.line("*IDN?")

    def proven(self, data: bytes) -> bool:
        """The identity stands at the end: all replies from before have come, for they keep their order."""
        if not data.endswith(b"\n"):
            return False
        last = data.rstrip(b"\r\n").rpartition(b"\n")[2].rstrip(b"\r")
        return last.endswith(self._identity) if self._identity else is_identity(last)

    def _identify(self) -> Steps:
        line = yield Step(b"*IDN?\n", line_frame, "*IDN?")
        if not is_identity(line):
            raise WireError(f"the reply to *IDN? is not an identity: {shown(line)}")
        self._identity = line
        fields = [plain(part) for part in line.split(b",", 3)]
        fields = [part if part != "0" else "" for part in fields] + [""] * 4  # IEEE 488.2 10.14: "0" = not known
        return IdentityReply(Identity(*fields[:4]), line)

    def _setup(self) -> Steps:
        yield from self._clear()
        scpi = self._scpi
        if scpi.single is not None:
            yield from self._command(scpi.single.source)
        if scpi.format_command is not None:
            yield from self._command(scpi.format_command.fill({"format": FORMAT_NAMES[scpi.number_format]}))
        if scpi.number_format != "ascii" and scpi.byte_order_command is not None:
            yield from self._command(scpi.byte_order_command.fill({"order": "SWAPped" if scpi.swapped else "NORMal"}))
        for template in scpi.setup:
            for index in range(2) if template.fields else (0,):
                yield from self._command(template.fill(self._trace(index)))
        return Accepted()

    def _apply(self, settings: SweepSettings) -> Steps:
        scpi = self._scpi
        if settings.level_dbm is not None and scpi.level is None:
            raise RequestError("this analyzer's level cannot be set; leave the level out")
        yield from self._clear()
        start, stop = round(settings.start_hz, 3), round(settings.stop_hz, 3)
        values: dict[str, float] = {
            "start_hz": start, "stop_hz": stop,
            "centre_hz": round((start + stop) / 2, 4), "span_hz": round(stop - start, 3),
            "points": settings.points, "bandwidth_hz": settings.bandwidth_hz,
        }  # fmt: skip
        # A start above the stop that holds would move the stop or be refused, and the other way round.
        upwards = self._stop_hz is None or settings.start_hz >= self._stop_hz
        ends = (scpi.stop, scpi.start) if upwards else (scpi.start, scpi.stop)
        commands = [*ends, scpi.centre, scpi.span, scpi.points, scpi.bandwidth]
        if settings.level_dbm is not None:
            values["level_dbm"] = settings.level_dbm
            commands.append(scpi.level)
        for template in commands:
            if template is not None and template is scpi.points:
                yield from self._count(template, values)
            elif template is not None:
                yield from self._command(template.fill(values))
        self._stop_hz, self._asked = settings.stop_hz, values
        return Accepted()

    def _count(self, template: Template, values: dict[str, float]) -> _Part:
        """Set the points; where the analyzer refuses so many, the next fewer usual number: the rest is a further tile.

        The refusal of the number that was asked for is what is raised when none is taken.
        """
        asked = values["points"]
        first: WireError | None = None
        for points in (asked, *(count for count in FEWER if count < asked)):
            try:
                yield from self._command(template.fill(values | {"points": points}))
            except WireError as error:
                if not error.fault.refused:
                    raise
                first = first or error
                continue
            values["points"] = points
            return b""
        assert first is not None
        raise first

    def _read_settings(self) -> Steps:
        values: dict[str, float] = {}
        for name in _READ_BACK:
            if name in ("start", "stop", "centre", "span") and not self._scpi.queries:
                continue
            question = self._scpi.header(name)
            if not question:
                continue
            try:
                text = yield from self._query(question, line_frame)
            except WireError as error:
                if error.fault.refused:
                    continue  # an analyzer need not tell; the setting stays unverified
                raise
            values[_NAMES.get(name, f"{name}_hz")] = self._held(_NAMES.get(name, f"{name}_hz"), reading(text, question))
        centre, span = values.pop("centre_hz", None), values.pop("span_hz", None)
        if centre is not None and span is not None and "start_hz" not in values:
            values["start_hz"], values["stop_hz"] = centre - span / 2, centre + span / 2
        if not values:
            yield from self._clear()
        self._stop_hz = values.get("stop_hz", self._stop_hz)
        return SettingsReply(values)

    def _held(self, name: str, value: float) -> float:
        """The setting that an answer stands for: what was asked for, where the answer is that, rounded."""
        asked, digits = self._asked.get(name), self._scpi.readback_digits
        if asked is not None and digits and abs(float(f"{asked:.{digits - 1}e}") - value) <= 1e-9 * abs(value):
            return asked
        return value

    def _trace(self, index: int) -> dict[str, float | str]:
        """What the fields of a trace's commands stand for."""
        return {"parameter": PARAMETERS[index], "trace": self._scpi.traces[index]}

    def _sweep(self, settings: SweepSettings) -> Steps:
        yield from self._trigger()
        s11, s21 = yield from self._traces(settings.points)
        frequency: NDArray[np.float64] | None = None
        if self._scpi.frequencies is not None:
            frame, limit = self._data_frame(settings.points)
            data = yield from self._query(self._scpi.frequencies.source, frame, limit=limit)
            frequency = self._numbers(data, "the frequencies")
            if frequency.size != settings.points:
                raise WireError(f"{frequency.size} frequencies came for {settings.points} points; sweep thrown away")
        return SweepReply(frequency, s11, s21)

    def _trigger(self) -> _Part:
        """Start a sweep, and wait for its end where the analyzer tells it."""
        complete = self._scpi.complete
        lines = [self._scpi.trigger.source] if self._scpi.trigger is not None else []
        if complete is not None and complete.source.endswith("?"):
            done = yield from self._query("\n".join([*lines, complete.source]), line_frame, Waiting.SWEEP)
            if done.strip() not in _COMPLETE:
                raise WireError(f"the reply to {complete.source} is {shown(done)} instead of 1")
            return b""
        for line in lines:
            yield from self._command(line)
        return b""

    def _traces(self, points: int) -> Generator[Step, bytes, list[NDArray[np.complex128]]]:
        """Both traces, asked for in one breath, so that the second is on its way while the first is being read."""
        frame, limit = self._data_frame(2 * points)
        question = self._questions
        told = self._scpi.complete is not None and self._scpi.complete.source.endswith("?")
        waiting = Waiting.REPLY if told else Waiting.SWEEP
        traces = []
        for parameter in PARAMETERS:
            reply = yield Step(question, partial(_with_error, frame=frame), parameter, waiting, limit)
            question = b""
            value, _, error = reply.rpartition(b"\n")
            refused = _error(error, parameter)
            if refused is not None:  # not in step: the other trace is still to come
                raise WireError(f"the analyzer refused to send {parameter}: {refused}")
            traces.append(pairs(self._numbers(value, parameter), points, parameter))
        return traces

    def _ask_for_traces(self) -> bytes:
        lines: list[str] = []
        held = self._scpi.complete
        if held is not None and not held.source.endswith("?"):
            lines.append(held.source)
        for index in range(2):
            words = [template for template in (self._scpi.select, self._scpi.data) if template is not None]
            lines += [template.fill(self._trace(index)) for template in words] + [self._error_query]
        return self._bytes(*lines)

    def _bytes(self, *commands: str) -> bytes:
        """Commands as they go over the wire, a line each."""
        return b"".join(self._scpi.line(line) for command in commands for line in command.split("\n") if line)

    def _data_frame(self, count: int) -> tuple[Frame, int]:
        """How `count` numbers are found in the stream, and the most bytes that they may take."""
        size = _SIZES.get(self._scpi.number_format)
        limit = 4 * count * (size or NUMBER_LIMIT) + PLAIN_LIMIT
        return (line_frame if size is None else partial(block_frame, expected=count * size, limit=limit)), limit

    def _numbers(self, data: bytes, what: str) -> NDArray[np.float64]:
        size = _SIZES.get(self._scpi.number_format)
        return number_list(data, what) if size is None else block_values(data, size, swapped=self._scpi.swapped)

    def _query(self, command: str, frame: Frame, waiting: Waiting = Waiting.REPLY, limit: int = PLAIN_LIMIT) -> _Part:
        """The reply to a query. Asks for errors in the same breath: a refused query gets no reply of its own."""
        data = self._bytes(command, self._error_query)
        name = command.replace("\n", " ")
        reply = yield Step(data, partial(_with_error, frame=frame), name, waiting, limit)
        value, _, error = reply.rpartition(b"\n")
        yield from self._check(error, name)
        return value

    def _command(self, command: str) -> _Part:
        """Send a command that has no reply, and ask whether it was taken."""
        error = yield Step(self._bytes(command, self._error_query), line_frame, command)
        yield from self._check(error, command)
        return b""

    def _clear(self) -> _Part:
        """Forget errors that are not ours."""
        yield Step(self._bytes("*CLS", self._error_query), line_frame, "*CLS")
        return b""

    def _check(self, reply: bytes, command: str) -> _Part:
        """Raise WireError when the error queue held something; empties the queue first."""
        first = _error(reply, command)
        if first is None:
            return b""
        for _ in range(QUEUE_LIMIT):
            line = yield Step(self._bytes(self._error_query), line_frame, self._error_query)
            if _error(line, command) is None:
                break
        else:
            raise WireError(f"the analyzer's list of errors has no end; it began with {first}")
        raise WireError(f"the analyzer refused {command!r}: {first}", refused=True)


def _error(reply: bytes, command: str) -> str | None:
    """The text of an error-queue entry; None for entry 0, "No error"."""
    if reply in _NO_ERROR:
        return None
    match = _ERROR.fullmatch(reply)
    if match is None:
        raise WireError(f"the reply to SYSTem:ERRor? after {command!r} is damaged: {shown(reply)}")
    number, text = int(match.group(1)), plain(match.group(2))
    return None if number == 0 else f"{number}, {text}"


def _with_error(buffer: bytearray, frame: Frame) -> tuple[bytes, int] | None:
    """A reply and the error entry behind it, one LF between them; the error entry alone where nothing else came."""
    if not buffer:
        return None
    blank = len(buffer) - len(buffer.lstrip(b"\r\n")) if buffer[0] in b"\r\n" else 0
    rest = buffer[blank:] if blank else buffer
    if rest and rest[0] in b"+-0123456789":
        line = line_frame(rest)
        if line is not None and b'"' in line[0][:10] and _ERROR.fullmatch(line[0]):
            return b"\n" + line[0], blank + line[1]
    value = frame(rest)
    if value is None:
        return None
    error = line_frame(rest[value[1] :])
    if error is None:
        return None
    return value[0] + b"\n" + error[0], blank + value[1] + error[1]


def is_identity(line: bytes) -> bool:
    """Whether a line may be the reply to *IDN?: at least two of the four fields of IEEE 488.2 10.14, with words."""
    return line.count(b",") >= 1 and re.search(rb"[A-Za-z]{2}", line) is not None and _ERROR.fullmatch(line) is None


def reading(text: bytes, question: str) -> float:
    """The number in an answer, in hertz where it carries a unit of frequency. Raises WireError for anything else."""
    match = _READING.fullmatch(text)
    if match is None or abs(float(match.group(1))) >= INFINITE:
        raise WireError(f"the reply to {question} is not a number: {shown(text)}")
    return float(match.group(1)) * UNITS.get(match.group(2).decode("ascii").lower(), 1.0)
