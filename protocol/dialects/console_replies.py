"""Replies of a text console as its profile frames them: asked, parted, and read as points.

Owns: one command and its reply, polling, the columns of the reads. Refuses: settings and their order (`console`),
ports, clocks, and any word of its own.
"""

from __future__ import annotations

import re
from collections.abc import Generator, Mapping
from dataclasses import replace
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from protocol.dialects.events import SweepReply, Waiting
from protocol.dialects.exchange import (
    NUMBER_LIMIT,
    PLAIN_LIMIT,
    Exchange,
    Step,
    Steps,
    WireError,
    plain,
    shown,
)
from protocol.dialects.frames import answered, between, counted, never, settled, until
from protocol.dialects.numbers import PointTable, complex_columns
from protocol.dialects.reply import Manner
from protocol.errors import RequestError
from protocol.profiles.consoles import Console
from protocol.profiles.profile import Profile
from protocol.profiles.templates import Template, setting_values
from protocol.sweep import SweepSettings

_Part = Generator[Step, bytes, bytes]
_Questions = Generator[Step, bytes, None]
_Columns = dict[str, NDArray[np.float64]]


class ConsoleReplies(Exchange):
    """What a console answers, by the rules of its profile."""

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

    def _last_reply(self, data: bytes) -> bytes:
        """What came behind the last prompt but the one at the end."""
        prompt = self._manner.prompt
        found = [match.end() for match in prompt.finditer(data)] if prompt is not None else []
        return data[found[-2] :] if len(found) > 1 else data

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

    def _sweep(self, settings: SweepSettings) -> Steps:
        console, columns = self._console, dict[str, NDArray[np.float64]]()
        body, waiting = b"", Waiting.REPLY
        inline = next((table for table in self._tables if table.read.command is None and not table.read.same), None)
        if console.sweep is not None:
            values = self._values(settings)
            body = yield from self._ask(console.sweep, values, Waiting.SWEEP, table=inline, points=settings.points)
            if console.poll is not None:
                yield from self._ready(console.poll)
            elif inline is None:
                waiting = Waiting.SWEEP  # nothing told when the sweep was done: the first data may come only then
        elif not console.reads_sweep:
            assert console.resume is not None and console.pause is not None
            yield from self._ask(console.resume, {})
            yield from self._ask(console.pause, {}, after_sweep=True)
        else:
            waiting = Waiting.SWEEP
        for table in self._tables:
            command = table.read.command
            if command is not None and table.read.piece:
                columns |= yield from self._in_pieces(command, waiting, table, settings.points)
                continue
            if command is not None:
                body = yield from self._data(command, waiting, table, settings.points)
            source = command if command is not None else console.sweep
            columns |= self._columns(table, body, settings.points, source)
        return _sweep_reply(columns)

    def _data(
        self,
        command: Template,
        waiting: Waiting,
        table: PointTable,
        points: int,
        values: Mapping[str, float | str] = MappingProxyType({}),
    ) -> _Part:
        """The reply to a question for data; put again while the sweep runs, where the analyzer wants it so."""
        if self._console.asks_again:
            for number in range(MOST_POLLS):
                body = yield from self._ask(
                    command, values, waiting, table=table, points=points, refusable=True, short=True, again=number > 0
                )
                if table.count(self._manner.lines(body, command.fill(values))) >= 1:
                    return body
                if self.last_time:
                    break
        body = yield from self._ask(command, values, waiting, table=table, points=points)
        return body

    def _in_pieces(
        self, command: Template, waiting: Waiting, table: PointTable, points: int
    ) -> Generator[Step, bytes, _Columns]:
        """The columns of all points, so many at a time as one question may ask for."""
        read, pieces = table.read, list[_Columns]()
        for begin in range(0, points, read.piece):
            count = min(read.piece, points - begin)
            values: dict[str, float | str] = {"first": begin + read.first, "last": begin + count - 1 + read.first}
            body = yield from self._data(command, waiting, table, count, values)
            text = command.fill(values)
            pieces.append(table.loose_columns(self._manner.lines(body, text), count, repr(text)))
            waiting = Waiting.REPLY
        return {name: np.concatenate([piece[name] for piece in pieces]) for name in pieces[0]}

    def _columns(self, table: PointTable, body: bytes, points: int, source: Template | None) -> _Columns:
        what, text = (repr(source.source), source.source) if source is not None else ("the sweep", "")
        if table.read.loose:
            lines = self._manner.lines(body, text)
            return table.loose_columns(lines, points, what, first=self._console.enough is not None)
        return table.columns(body, points, what)

    def _ready(self, poll: Template) -> _Questions:
        """Ask until the analyzer says that its sweep is done."""
        ready = self._console.ready.encode("ascii")
        for number in range(MOST_POLLS):
            lines = yield from self._lines(poll, again=number > 0)
            if ready in lines:
                return
            if self.last_time:
                break
        raise WireError(f"the answer to {poll.source!r} never became {self._console.ready!r}; sweep thrown away")

    def _lines(self, command: Template, *, again: bool = False) -> Generator[Step, bytes, list[bytes]]:
        """The lines of the reply to a question; something must come."""
        body = yield from self._ask(command, {}, must=True, again=again)
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
        again: bool = False,
    ) -> _Part:
        """Send a command, line by line, and return the body of the last reply, without remarks.

        Raises WireError when it is refused, unless it is `refusable`.
        """
        pieces, body = command.fill(values).split("\n"), b""
        for number, text in enumerate(pieces):
            data = self._console.sent(text, value=number > 0)
            if number and self._console.keys and not self._manner.lines(body, ""):
                raise WireError(
                    f"the key {pieces[0]!r} was not answered; its value was not sent, for its digits are keys"
                )
            last = number == len(pieces) - 1
            asks = self._console.keys and not last  # the question behind a key must come before its value is sent
            step = self._step_for(text, data, waiting, table if last else None, points, last, must or asks, after_sweep)
            if (short or refusable) and last and step.settle is not None:  # a refusal in unknown words is none to mind
                step = replace(step, settle=lambda buffer: (bytes(buffer), len(buffer)))
            if again and not number:
                step = replace(step, again=True)
            body = yield step
            refused = None
            if table is None or body.count(b"\n") + body.count(b"\r") < 2 * max(points, 4):  # a whole trace is none
                lines = self._manner.lines(body, text)
                refused = self._manner.refusal(lines) if table is None or len(lines) < max(points, 4) else None
            if refused is not None and not refusable:
                raise WireError(f"the analyzer refused {text!r}: {plain(refused)}", refused=True)
        if table is not None and last and self._console.enough is not None and table.read.command is None:
            prompted = not self._manner.silent
            stopped = (lambda buffer: self._manner.ended(bytes(buffer))) if prompted else None
            yield Step(
                self._stop(), never, "'enough'", settle=lambda buffer: (b"", len(buffer)), empty=not prompted,
                nearly=stopped,
            )  # fmt: skip
        return self._kept(body) if table is not None and not table.read.loose else body

    def _stop(self) -> bytes:
        assert self._console.enough is not None
        return self._console.sent(self._console.enough.source.strip(" "))

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
        if not last:
            return self._asking(text, data, limit)
        endless = table is not None and table.read.command is None and self._console.enough is not None
        tables = [table] if table is not None and table.read.loose else []
        if endless and tables:
            tables = [entry for entry in self._tables if entry.read.command is None]
        enough = counted(tables, points, self._manner, text) if tables else None
        if endless and enough is not None:
            return Step(data, until(enough), repr(text), waiting, limit, after_sweep)
        silent = self._manner.silent
        settle = settled(self._manner, text, enough, silent) if silent or self._manner.prompt is None else None
        frame = between(self._manner, echo_of(text) if self._console.echo else None)
        empty = silent and table is None and not must
        if must and enough is None and settle is not None:
            enough = answered(self._manner, text)
            settle = settled(self._manner, text, enough, silent)  # an end that closes commands may not close answers
        return Step(
            data, frame, repr(text), waiting, limit, after_sweep, settle=settle, empty=empty,
            nearly=enough if settle is not None else None,
        )  # fmt: skip

    def _asking(self, text: str, data: bytes, limit: int) -> Step:
        """One line of several: what asks back ends in its question, behind which no end stands."""

        def whole(buffer: bytearray) -> tuple[bytes, int]:
            return bytes(buffer), len(buffer)

        ended = until(lambda buffer: self._manner.ended(bytes(buffer)))
        return Step(data, ended, repr(text), limit=limit, settle=whole, nearly=answered(self._manner, text))

    def _kept(self, body: bytes) -> bytes:
        """The body of a strict read without remarks."""
        if not self._manner.remarks_in(body):
            return body
        lines = body.split(self._console.in_end)
        return self._console.in_end.join(line for line in lines if not self._manner.remark(line))


MOST_POLLS = 20_000
"""Questions whether a sweep is done, at most; how long one may take is the driver's to know (`last_time`)."""


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
        console.sums,
        console.heads,
    )


def all_of(lines: list[bytes]) -> str:
    """The lines as one, to be shown."""
    return shown(b" ".join(lines))


def echo_of(text: str) -> re.Pattern[bytes]:
    """A pattern for the line that a console gives back."""
    return re.compile(rb"(?i)" + re.escape(text.encode("ascii")) + rb"[ \t]*(?:\r\n|\n|\r)")


def _data_limit(table: PointTable, points: int) -> int:
    return 4 * points * len(table.read.line.fields) * NUMBER_LIMIT + PLAIN_LIMIT


def _sweep_reply(columns: _Columns) -> SweepReply:
    """The columns of all reads as one sweep; raw receivers become ratios to the reference."""
    index = columns.get("index")
    if index is not None and not np.array_equal(index, np.arange(index.size) + index[0]):
        raise WireError("the points did not come in their order; sweep thrown away")
    if (
        "reference_re" in columns
        or "reference_db" in columns
        or "reference_loss" in columns
        or "reference_mag" in columns
    ):
        reference = complex_columns(columns, "reference")
        if not np.all(np.abs(reference) > 0):
            raise WireError("the reference receiver reads zero: no ratio can be made; sweep thrown away")
        s11 = complex_columns(columns, "reflected") / reference
        s21 = complex_columns(columns, "through") / reference
    else:
        s11, s21 = complex_columns(columns, "s11"), complex_columns(columns, "s21")
    return SweepReply(columns.get("frequency_hz"), s11, s21)
