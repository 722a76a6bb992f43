"""The family of prompt-ended text consoles. Every word, prompt and shape comes from the profile.

Owns: the order of questions and the checks of their answers. Refuses: ports, clocks, and any word of its own.
A reply is what stands between the echo of the command (where the console echoes) and the prompt.
"""

from __future__ import annotations

import re
from collections.abc import Generator, Mapping

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
from protocol.dialects.numbers import PointTable, complex_columns
from protocol.errors import RequestError
from protocol.profiles.profile import Console, Profile
from protocol.profiles.templates import Template, setting_values
from protocol.sweep import Identity, SweepSettings

_Part = Generator[Step, bytes, bytes]
_Columns = dict[str, NDArray[np.float64]]


class ConsoleDialect(Exchange):
    """One analyzer with a text console, as its profile describes it."""

    def __init__(self, profile: Profile) -> None:
        super().__init__()
        assert profile.console is not None
        self._console: Console = profile.console
        self._bandwidths = profile.limits.bandwidths_hz
        self._tables = tuple(PointTable.of(read, self._console.in_end) for read in self._console.reads)
        self._identity = b""
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
        """Says when only the echo or only the prompt is missing."""
        command = step.what.strip("'")
        begun = command.encode().startswith(got.strip())
        if got and self._console.echo and not begun and _echo(command).search(got) is None:
            return f"{step.what} was not echoed; {shown(got)} came instead"
        if got:
            return f"the reply to {step.what} stopped after {len(got)} bytes, before the prompt: {shown(got[-40:])}"
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
        """The identity and the prompt stand at the end, and nothing behind them."""
        if not data.endswith(self._console.prompt):
            return False
        body = data.removesuffix(self._console.prompt)
        if self._identity:
            return _masked(body).endswith(self._identity)
        return body.endswith(self._console.in_end) and self._identity_text(body.strip()) != b""

    def _identify(self) -> Steps:
        body = yield from self._ask(self._console.identify, {})
        text = self._identity_text(body)
        if not re.search(rb"[A-Za-z]{2}", text):
            raise WireError(f"the reply to {self._console.identify.source!r} is not an identity: {shown(body)}")
        self._identity = _masked(body)
        return IdentityReply(Identity(model=plain(text)), body)

    def _identity_text(self, body: bytes) -> bytes:
        prefix = self._console.identity_line.encode("ascii")
        for line in self._lines(body):
            if line.startswith(prefix):
                return line.removeprefix(prefix).lstrip(b" \t:=") if prefix else body
        return b""

    def _setup(self) -> Steps:
        yield from self._ask(self._console.identify, {})
        return Accepted()

    def _help(self, command: Template) -> Steps:
        body = yield from self._ask(command, {})
        return TextReply(tuple(plain(line, 400) for line in self._lines(body) if line.strip()))

    def _apply(self, settings: SweepSettings) -> Steps:
        console = self._console
        if settings.level_dbm is not None and console.level is None and not self._sweep_says("level_dbm"):
            raise RequestError("this analyzer's level cannot be set; leave the level out")
        values = self._values(settings)
        # A start above the stop that holds would move the stop or be refused, and the other way round.
        upwards = self._stop_hz is None or settings.start_hz >= self._stop_hz
        ends = (console.stop, console.start) if upwards else (console.start, console.stop)
        for command in (console.span, *ends, console.points, console.bandwidth, console.level, console.average):
            if command is not None and command.bases <= values.keys():
                yield from self._ask(command, values)
        self._stop_hz = settings.stop_hz
        if console.span is None and console.start is None:
            yield from self._ask(console.identify, {})  # all settings travel with the sweep command
        return Accepted()

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
            body = yield from self._ask(entry.command, {})
            lines = self._lines(body)
            for template in entry.lines:
                found = [read for read in (template.read(line) for line in lines) if read is not None]
                if len(found) != 1:
                    what = "has no line" if not found else "has more than one line"
                    raise WireError(f"the reply to {entry.command.source!r} {what} {template.source!r}: {shown(body)}")
                values |= found[0]
        if not self._console.readback:
            yield from self._ask(self._console.identify, {})
        reply = SettingsReply(self._settings(values))
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
        centre, span = known.pop("centre_hz", None), known.pop("span_hz", None)
        if centre is not None and span is not None:
            known |= {"start_hz": centre - span / 2, "stop_hz": centre + span / 2}
        wanted = ("start_hz", "stop_hz", "points", "bandwidth_hz", "level_dbm")
        return {name: known[name] for name in wanted if name in known}

    def _sweep(self, settings: SweepSettings) -> Steps:
        console, columns = self._console, dict[str, NDArray[np.float64]]()
        if console.sweep is not None:
            inline = next((table for table in self._tables if table.read.command is None), None)
            limit = _data_limit(inline, settings.points) if inline else PLAIN_LIMIT
            body = yield from self._ask(console.sweep, self._values(settings), Waiting.SWEEP, limit)
            if inline is not None:
                columns |= inline.columns(body, settings.points, repr(console.sweep.source))
        else:
            assert console.resume is not None and console.pause is not None
            yield from self._ask(console.resume, {})
            yield from self._ask(console.pause, {}, after_sweep=True)
        for table in self._tables:
            command = table.read.command
            if command is not None:
                body = yield from self._ask(command, {}, limit=_data_limit(table, settings.points))
                columns |= table.columns(body, settings.points, repr(command.source))
        return _sweep_reply(columns)

    def _ask(
        self,
        command: Template,
        values: Mapping[str, float | str],
        waiting: Waiting = Waiting.REPLY,
        limit: int = PLAIN_LIMIT,
        *,
        after_sweep: bool = False,
    ) -> _Part:
        """Send a command and return the body of its reply, without remarks. Raises WireError when it is refused."""
        text = command.fill(values)
        data = text.encode("ascii") + self._console.out_end
        body = yield Step(data, self._frame(text), repr(text), waiting, limit, after_sweep)
        chatter = self._console.chatter_prefix.encode("ascii")
        if chatter and chatter in body:
            lines = body.split(self._console.in_end)
            body = self._console.in_end.join(line for line in lines if not line.startswith(chatter))
        error = self._console.error_prefix.encode("ascii")
        if error and error in body:
            for line in self._lines(body):
                if line.startswith(error):
                    raise WireError(f"the analyzer refused {text!r}: {plain(line)}", refused=True)
        return body

    def _lines(self, body: bytes) -> list[bytes]:
        return body.removesuffix(self._console.in_end).split(self._console.in_end) if body else []

    def _frame(self, text: str) -> Frame:
        """Finds the body between echo and prompt. The prompt counts only at the start of a line."""
        prompt, echo = self._console.prompt, _echo(text) if self._console.echo else None
        later = self._console.in_end[-1:] + prompt
        begin, scanned = (None if echo else 0), 0

        def frame(buffer: bytearray) -> tuple[bytes, int] | None:
            nonlocal begin, scanned
            if begin is None and echo is not None:
                found = echo.search(buffer)
                if found is None:
                    return None
                begin = scanned = found.end()
            assert begin is not None
            first = begin + (1 if buffer[begin : begin + 1] == b"\n" else 0)  # the LF of an echo cut behind its CR
            if buffer.startswith(prompt, first):
                return b"", first + len(prompt)
            place = buffer.find(later, max(first, scanned - len(later)))
            if place < 0:
                scanned = len(buffer)
                return None
            return bytes(buffer[first : place + 1]), place + len(later)

        return frame


def _masked(body: bytes) -> bytes:
    """The text with its numbers blotted out: an identity may tell the uptime or the temperature."""
    return re.sub(rb"[0-9]+", b"#", body)


def _echo(text: str) -> re.Pattern[bytes]:
    return re.compile(re.escape(text.encode("ascii")) + rb"[ \t]*(?:\r\n|\n|\r)")


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
