"""The family of text consoles. Every word, prompt and shape comes from the profile.

Owns: the order of questions and the checks of their answers. Refuses: ports, clocks, and any word of its own.
A reply is what stands between the echo of the command (where the console echoes) and the prompt, the line that ends
replies, or silence, whichever the console has (`reply`).
"""

from __future__ import annotations

import re
from collections.abc import Generator, Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from protocol.dialects.events import (
    Accepted,
    Apply,
    Identify,
    IdentityReply,
    ReadHelp,
    ReadSettings,
    Request,
    SettingsReply,
    Setup,
    SweepReply,
    TakeSweep,
    TextReply,
    Waiting,
)
from protocol.dialects.exchange import (
    NUMBER_LIMIT,
    PLAIN_LIMIT,
    Exchange,
    Frame,
    Step,
    Steps,
    WireError,
    plain,
    shown,
)
from protocol.dialects.frames import answered, counted, never, settled, until
from protocol.dialects.numbers import PointTable, complex_columns
from protocol.dialects.reply import Manner, cleaned
from protocol.errors import RequestError
from protocol.profiles.consoles import Console
from protocol.profiles.profile import Profile
from protocol.profiles.templates import Template, setting_values
from protocol.sweep import Identity, SweepSettings

_Part = Generator[Step, bytes, bytes]
_Questions = Generator[Step, bytes, None]
_Columns = dict[str, NDArray[np.float64]]


class ConsoleDialect(Exchange):
    """One analyzer with a text console, as its profile describes it."""

    def __init__(self, profile: Profile) -> None:
        super().__init__()
        assert profile.console is not None
        self._console: Console = profile.console
        self._bandwidths = profile.limits.bandwidths_hz
        self._tables = tuple(PointTable.of(read, self._console.in_end) for read in self._console.reads)
        self._manner = manner_of(self._console)
        self._points = profile.limits.points
        self._identity: tuple[bytes, ...] = ()
        self._sent: dict[str, float] = {}
        self._stop_hz: float | None = None

    def steps(self, request: Request) -> Steps:
        """The steps of a request."""
        match request:
            case Identify():
                return self._identify()
            case Setup():
                return self._setup()
            case Apply(settings):
                return self._apply(settings)
            case ReadSettings():
                return self._read_settings()
            case TakeSweep(settings):
                if settings.level_dbm is None and self._sweep_says("level_dbm"):
                    raise RequestError("this analyzer's sweep command needs a level; set one")
                return self._sweep(settings)
            case ReadHelp():
                if self._console.help is None:
                    raise RequestError("this analyzer's profile has no command for a list of commands")
                return self._help(self._console.help)

    def missing(self, step: Step, got: bytes) -> str:
        """Says when only the echo or only the end is missing."""
        command = step.what.strip("'")
        begun = command.encode().startswith(got.strip())
        if got and self._console.echo and not begun and _echo(command).search(cleaned(got)) is None:
            return f"{step.what} was not echoed; {shown(got)} came instead"
        if got:
            end = "prompt" if self._console.prompts else "end"
            return f"the reply to {step.what} stopped after {len(got)} bytes, before the {end}: {shown(got[-40:])}"
        return super().missing(step, got)

    def abort(self) -> bytes:
        """Forget the request; the profile's word for it where there is one."""
        self.forget()
        abort = self._console.abort
        return abort.source.encode("ascii") + self._console.out_end if abort else b""

    def probe(self) -> bytes:
        """Asks for the identity, which no sweep's reply can be taken for."""
        self.forget()
        return self._console.identify.source.encode("ascii") + self._console.out_end

    def proven(self, data: bytes) -> bool:
        """The identity and the end of its reply stand at the end, and nothing behind them."""
        if not self._manner.silent and not self._manner.ended(data):
            return False
        lines = self._manner.lines(self._last_reply(data), self._console.identify.source)
        tail = _masked(lines[-len(self._identity) :]) if self._identity else ()
        return tail == self._identity if self._identity else self._identity_text(lines) != ""

    def _last_reply(self, data: bytes) -> bytes:
        """What came behind the last prompt but the one at the end."""
        prompt = self._manner.prompt
        found = [match.end() for match in prompt.finditer(data)] if prompt is not None else []
        return data[found[-2] :] if len(found) > 1 else data

    def _identify(self) -> Steps:
        if self._console.wake is not None:
            yield from self._ask(self._console.wake, {}, refusable=True)
        lines = yield from self._lines(self._console.identify)
        text = self._identity_text(lines)
        if not re.search(r"[A-Za-z0-9]", text):
            raise WireError(f"the reply to {self._console.identify.source!r} is not an identity: {_all(lines)}")
        self._identity = _masked(lines)
        return IdentityReply(Identity(model=text), b"\n".join(lines))

    def _identity_text(self, lines: list[bytes]) -> str:
        prefix = self._console.identity_line.encode("ascii")
        for line in lines:
            if line.startswith(prefix):
                return plain(line.removeprefix(prefix).lstrip(b" \t:=") if prefix else b" ".join(lines))
        return ""

    def _setup(self) -> Steps:
        yield from self._ask(self._console.identify, {})
        return Accepted()

    def _help(self, command: Template) -> Steps:
        lines = yield from self._lines(command)
        return TextReply(tuple(plain(line, 400) for line in lines))

    def _apply(self, settings: SweepSettings) -> Steps:
        console = self._console
        if settings.level_dbm is not None and console.level is None and not self._sweep_says("level_dbm"):
            raise RequestError("this analyzer's level cannot be set; leave the level out")
        if self._points and settings.points not in self._points:
            known = ", ".join(map(str, self._points))
            raise RequestError(f"{settings.points} points cannot be set on this analyzer; it takes {known}")
        values = self._values(settings)
        # A start above the stop that holds would move the stop or be refused, and the other way round.
        upwards = self._stop_hz is None or settings.start_hz >= self._stop_hz
        ends = [console.stop, console.start] if upwards else [console.start, console.stop]
        if self._stop_hz is None and not console.readback and console.stop is not None and console.start is not None:
            ends.insert(0, console.start)  # what holds is not known: the first may be refused, or moved by the second
        if console.width is not None and console.centre is not None:
            # A wide span would not fit around a centre near the edge: narrow first, then move, then widen.
            yield from self._ask(console.width, values | {"span_hz": console.resolution_hz}, refusable=True)
        if len(ends) == 3:
            first = ends.pop(0)
            assert first is not None
            yield from self._ask(first, values, refusable=True)
        for command in (
            console.span, console.centre, console.width, *ends, console.points, console.step, console.bandwidth,
            console.level, console.average,
        ):  # fmt: skip
            if command is not None and command.bases <= values.keys():
                yield from self._ask(command, values)
        self._stop_hz = settings.stop_hz
        self._sent = self._derived(values)
        if all(command is None for command in console.setters):
            yield from self._ask(console.identify, {})  # all settings travel with the sweep command
        return Accepted()

    def _derived(self, values: Mapping[str, float | str]) -> dict[str, float]:
        """Start and stop as the commands in use leave them, rounding included."""
        number = {name: float(value) for name, value in values.items() if not isinstance(value, str)}
        used = frozenset().union(*(command.bases for command in self._console.setters if command is not None))
        if {"centre_hz", "span_hz"} <= used:
            centre, half = number["centre_hz"], number["span_hz"] / 2
            return {"start_hz": centre - half, "stop_hz": centre + half}
        if "step_hz" in used and "stop_hz" not in used:
            start = number["start_hz"]
            return {"start_hz": start, "stop_hz": start + number["step_hz"] * (number["points"] - 1)}
        return {}

    def _sweep_says(self, field: str) -> bool:
        return self._console.sweep is not None and field in self._console.sweep.bases

    def _values(self, settings: SweepSettings) -> dict[str, float | str]:
        code = ""
        if self._console.bandwidth_codes:
            if settings.bandwidth_hz not in self._bandwidths:
                known = ", ".join(f"{value:g}" for value in self._bandwidths)
                raise RequestError(f"bandwidth {settings.bandwidth_hz:g} Hz is not one of this analyzer's: {known} Hz")
            code = self._console.bandwidth_codes[self._bandwidths.index(settings.bandwidth_hz)]
        return setting_values(settings, resolution_hz=self._console.resolution_hz, bandwidth_code=code)

    def _read_settings(self) -> Steps:
        values: dict[str, float | str] = {}
        for entry in self._console.readback:
            lines = yield from self._lines(entry.command)
            for template in entry.lines:
                found = [read for read in (template.read(line) for line in lines) if read is not None]
                if len(found) != 1:
                    what = "has no line" if not found else "has more than one line"
                    raise WireError(f"the reply to {entry.command.source!r} {what} {template.source!r}: {_all(lines)}")
                values |= found[0]
        if not self._console.readback:
            yield from self._ask(self._console.identify, {})
        reply = SettingsReply(self._settings(values), self._sent)
        self._stop_hz = reply.values.get("stop_hz", self._stop_hz)
        return reply

    def _settings(self, values: Mapping[str, float | str]) -> dict[str, float]:
        """Read-back fields as settings: codes looked up, centre and span turned into start and stop."""
        code = values.get("bandwidth_code")
        if code is not None and code not in self._console.bandwidth_codes:
            raise WireError(f"the analyzer names a bandwidth that its profile does not know: {str(code)[:40]!r}")
        known = {name: float(value) for name, value in values.items() if not isinstance(value, str)}
        if self._console.sweep is not None:  # what travels with the sweep command does not hold yet
            known = {name: value for name, value in known.items() if name not in self._console.sweep.bases}
        if isinstance(code, str):
            known["bandwidth_hz"] = self._bandwidths[self._console.bandwidth_codes.index(code)]
        centre, span, step = (known.pop(name, None) for name in ("centre_hz", "span_hz", "step_hz"))
        if centre is not None and span is not None:
            known |= {"start_hz": centre - span / 2, "stop_hz": centre + span / 2}
        if step is not None and {"start_hz", "points"} <= known.keys() and "stop_hz" not in known:
            known["stop_hz"] = known["start_hz"] + step * (known["points"] - 1)
        wanted = ("start_hz", "stop_hz", "points", "bandwidth_hz", "level_dbm")
        return {name: known[name] for name in wanted if name in known}

    def _sweep(self, settings: SweepSettings) -> Steps:
        console, columns = self._console, dict[str, NDArray[np.float64]]()
        body, waiting = b"", Waiting.REPLY
        inline = next((table for table in self._tables if table.read.command is None and not table.read.same), None)
        if console.sweep is not None:
            values = self._values(settings)
            body = yield from self._ask(console.sweep, values, Waiting.SWEEP, table=inline, points=settings.points)
            if console.poll is not None:
                yield from self._ready(console.poll)
            elif self._manner.silent:
                waiting = Waiting.SWEEP  # nothing told when the sweep was done
        elif not console.reads_sweep:
            assert console.resume is not None and console.pause is not None
            yield from self._ask(console.resume, {})
            yield from self._ask(console.pause, {}, after_sweep=True)
        else:
            waiting = Waiting.SWEEP
        for table in self._tables:
            command = table.read.command
            if command is not None:
                body = yield from self._data(command, waiting, table, settings.points)
            source = command if command is not None else console.sweep
            columns |= self._columns(table, body, settings.points, source)
        return _sweep_reply(columns)

    def _data(self, command: Template, waiting: Waiting, table: PointTable, points: int) -> _Part:
        """The reply to a question for data; put again while the sweep runs, where the analyzer wants it so."""
        if self._console.asks_again:
            for _ in range(self._most_polls):
                body = yield from self._ask(
                    command, {}, waiting, table=table, points=points, refusable=True, short=True
                )
                if table.count(self._manner.lines(body, command.source)) >= 1:
                    return body
        body = yield from self._ask(command, {}, waiting, table=table, points=points)
        return body

    def _columns(self, table: PointTable, body: bytes, points: int, source: Template | None) -> _Columns:
        what, text = (repr(source.source), source.source) if source is not None else ("the sweep", "")
        if table.read.loose:
            lines = self._manner.lines(body, text)
            return table.loose_columns(lines, points, what, first=self._console.enough is not None)
        return table.columns(body, points, what)

    @property
    def _most_polls(self) -> int:
        """Questions whether a sweep is done before it counts as lost; where silence ends an answer each takes long."""
        return FEW_POLLS if self._manner.silent else MOST_POLLS

    def _ready(self, poll: Template) -> _Questions:
        """Ask until the analyzer says that its sweep is done."""
        ready = self._console.ready.encode("ascii")
        for _ in range(self._most_polls):
            lines = yield from self._lines(poll)
            if ready in lines:
                return
        raise WireError(f"the answer to {poll.source!r} never became {self._console.ready!r}; sweep thrown away")

    def _lines(self, command: Template) -> Generator[Step, bytes, list[bytes]]:
        """The lines of the reply to a question; something must come."""
        body = yield from self._ask(command, {}, must=True)
        return self._manner.lines(body, command.source)

    def _ask(
        self,
        command: Template,
        values: Mapping[str, float | str],
        waiting: Waiting = Waiting.REPLY,
        table: PointTable | None = None,
        points: int = 0,
        *,
        after_sweep: bool = False,
        refusable: bool = False,
        must: bool = False,
        short: bool = False,
    ) -> _Part:
        """Send a command, line by line, and return the body of the last reply, without remarks.

        Raises WireError when it is refused, unless it is `refusable`.
        """
        pieces, body = command.fill(values).split("\n"), b""
        for number, text in enumerate(pieces):
            data = text.encode("ascii") + self._console.out_end
            last = number == len(pieces) - 1
            step = self._step_for(text, data, waiting, table if last else None, points, last, must, after_sweep)
            if short and last and step.settle is not None:
                step = replace(step, settle=lambda buffer: (bytes(buffer), len(buffer)))
            body = yield step
            lines = self._manner.lines(body, text)
            refused = self._manner.refusal(lines) if table is None or len(lines) < max(points, 4) else None
            if refused is not None and not refusable:
                raise WireError(f"the analyzer refused {text!r}: {plain(refused)}", refused=True)
        if table is not None and last and self._console.enough is not None and table.read.command is None:
            yield Step(self._stop(), never, "'enough'", settle=lambda buffer: (b"", len(buffer)), empty=True)
        return self._kept(body) if table is not None and not table.read.loose else body

    def _stop(self) -> bytes:
        assert self._console.enough is not None
        return self._console.enough.source.encode("ascii").strip(b" ") + self._console.out_end

    def _step_for(
        self,
        text: str,
        data: bytes,
        waiting: Waiting,
        table: PointTable | None,
        points: int,
        last: bool,
        must: bool,
        after_sweep: bool,
    ) -> Step:
        """The step that sends `text` and knows how its reply ends."""
        limit = _data_limit(table, points) if table is not None else PLAIN_LIMIT
        endless = table is not None and table.read.command is None and self._console.enough is not None
        tables = [table] if table is not None and table.read.loose else []
        if endless and tables:
            tables = [entry for entry in self._tables if entry.read.command is None]
        enough = counted(tables, points, self._manner, text) if tables else None
        if endless and enough is not None:
            return Step(data, until(enough), repr(text), waiting, limit, after_sweep)
        silent = self._manner.silent or not last
        settle = settled(self._manner, text, enough, silent) if silent or self._manner.prompt is None else None
        frame = self._frame(text) if last else never
        empty = silent and table is None and not must
        if silent and must and enough is None:
            enough = answered(self._manner, text)
        return Step(data, frame, repr(text), waiting, limit, after_sweep, settle, empty, enough if silent else None)

    def _kept(self, body: bytes) -> bytes:
        """The body of a strict read without remarks."""
        lines = body.split(self._console.in_end)
        return self._console.in_end.join(line for line in lines if not self._manner.remark(line))

    def _frame(self, text: str) -> Frame:
        """Finds the body between echo and prompt (or the line that ends replies), each at the start of a line."""
        echo = _echo(text) if self._console.echo else None
        end = self._manner.prompt or self._manner.end
        begin, scanned = (None if echo else 0), 0
        longest = 2 + max((len(text) for text in (*self._manner.prompts, *self._manner.ends)), default=0) + 16

        def frame(buffer: bytearray) -> tuple[bytes, int] | None:
            nonlocal begin, scanned
            if end is None:
                return None
            view: bytes | bytearray = buffer
            match = None
            for text_now in (buffer, cleaned(bytes(buffer)) if b"\x1b" in buffer or b"\x08" in buffer else None):
                if text_now is None:
                    break
                if text_now is not buffer or scanned > len(text_now):
                    begin, scanned = (None if echo else 0), 0
                view = text_now
                if begin is None and echo is not None:
                    found = echo.search(view)
                    if found is None:
                        continue
                    begin = scanned = found.end()
                assert begin is not None
                first = begin + (1 if view[begin : begin + 1] == b"\n" else 0)  # the LF of an echo cut behind its CR
                match = end.match(view, first) or end.search(view, max(first, scanned - longest))
                if match is not None:
                    break
                scanned = len(view)
            if view is not buffer:
                begin, scanned = (None if echo else 0), 0
            if match is None:
                return None
            return bytes(view[first : match.start()]), match.end() if view is buffer else len(buffer)

        return frame


MOST_POLLS, FEW_POLLS = 20_000, 300


def manner_of(console: Console) -> Manner:
    """How a console frames its replies."""
    return Manner(
        console.prompts,
        console.echo,
        console.ends,
        console.error_prefix,
        console.refusals,
        console.chatter,
        console.counts,
    )


def _masked(lines: list[bytes]) -> tuple[bytes, ...]:
    """The lines with their numbers blotted out: an identity may tell the uptime or the temperature."""
    return tuple(re.sub(rb"[0-9]+", b"#", line) for line in lines)


def _all(lines: list[bytes]) -> str:
    return shown(b" ".join(lines))


def _echo(text: str) -> re.Pattern[bytes]:
    return re.compile(rb"(?i)" + re.escape(text.encode("ascii")) + rb"[ \t]*(?:\r\n|\n|\r)")


def _data_limit(table: PointTable, points: int) -> int:
    return 4 * points * len(table.read.line.fields) * NUMBER_LIMIT + PLAIN_LIMIT


def _sweep_reply(columns: _Columns) -> SweepReply:
    """The columns of all reads as one sweep; raw receivers become ratios to the reference."""
    index = columns.get("index")
    if index is not None and not np.array_equal(index, np.arange(index.size) + index[0]):
        raise WireError("the points did not come in their order; sweep thrown away")
    if "reference_re" in columns or "reference_db" in columns or "reference_mag" in columns:
        reference = complex_columns(columns, "reference")
        if not np.all(np.abs(reference) > 0):
            raise WireError("the reference receiver reads zero: no ratio can be made; sweep thrown away")
        s11 = complex_columns(columns, "reflected") / reference
        s21 = complex_columns(columns, "through") / reference
    else:
        s11, s21 = complex_columns(columns, "s11"), complex_columns(columns, "s21")
    return SweepReply(columns.get("frequency_hz"), s11, s21)
