"""SCPI analyzers whose lines deviate: echo, prompt, acknowledgement, errors in words, other line ends.

Owns: the finding of the answer among the lines between a command and the identity that follows it. Refuses: ports and
clocks. Every command is followed by *IDN? (IEEE 488.2, 10.14), which all of them answer: what comes before the identity
belongs to the command, so neither silence nor a guess is needed to know that an answer stays away.
"""

from __future__ import annotations

import re
from collections.abc import Generator
from functools import partial

import numpy as np
from numpy.typing import NDArray

from protocol.dialects.blocks import block_header, block_values
from protocol.dialects.events import IdentityReply, Waiting
from protocol.dialects.exchange import PLAIN_LIMIT, Frame, Step, Steps, WireError, plain, shown
from protocol.dialects.numbers import check_finite, number_list, pairs
from protocol.dialects.scpi import ScpiDialect
from protocol.profiles.scpi import BOTH, PARAMETERS
from protocol.sweep import Identity

ENDS = re.compile(rb"[\r\n]")
ENTRY = re.compile(rb"\s*([+-]?\d{1,5})\s*(?:,\s*(.*))?")
_Part = Generator[Step, bytes, bytes]


class StepwiseScpiDialect(ScpiDialect):
    """One SCPI analyzer, a command at a time."""

    def proven(self, data: bytes) -> bool:
        """The identity stands at the end."""
        lines = [line for line in ENDS.split(data) if line.strip()]
        wanted = self._identity
        return bool(lines and data[-1:] in (b"\r", b"\n") and lines[-1].rstrip().endswith(wanted)) and (
            bool(wanted) or lines[-1].strip() != b"*IDN?"
        )

    def _identify(self) -> Steps:
        sent = self._bytes("*IDN?")
        line = yield Step(sent, partial(self._first, sent=sent), "*IDN?")
        self._identity = line
        fields = [plain(part) for part in line.split(b",", 3)]
        return IdentityReply(Identity(*(fields + [""] * 4)[:4]), line)

    def _first(self, buffer: bytearray, sent: bytes) -> tuple[bytes, int] | None:
        """The first line with words that is neither echo nor acknowledgement."""
        whole = buffer.rfind(b"\n" if b"\n" in buffer else b"\r")
        for line in self._lines(bytes(buffer[: whole + 1]), sent):
            if re.search(rb"[A-Za-z]{2}", line) and ENTRY.fullmatch(line) is None:
                return line, whole + 1
        return None

    def _value(self, buffer: bytearray, sent: bytes) -> tuple[bytes, int] | None:
        """The first line that is neither echo nor acknowledgement, or a block with its header."""
        begin = self._block_begin(buffer)
        if begin is not None:
            end = self._block_end(buffer, begin)
            behind = None if end is None else ENDS.match(buffer, end)
            return None if end is None or behind is None else (bytes(buffer[begin:end]), behind.end())
        whole = max(buffer.rfind(b"\n"), buffer.rfind(b"\r"))
        lines = self._lines(bytes(buffer[: whole + 1]), sent)
        return (lines[0], whole + 1) if lines else None

    def _block_begin(self, buffer: bytearray) -> int | None:
        """Where a block begins: at the begin of a line, behind the prompt."""
        found = re.search(rb"(?:\A|[\r\n])" + re.escape(self._scpi.prompt.encode("ascii")) + rb"(#[0-9])", buffer)
        return None if found is None else found.start(1)

    @staticmethod
    def _block_end(buffer: bytearray, begin: int) -> int | None:
        """Where a definite block ends; None while more must come."""
        header = block_header(buffer[begin:])
        if header is None or header.length is None:
            return None
        end = begin + header.offset + header.length
        return end if len(buffer) >= end else None

    def _lines(self, data: bytes, sent: bytes) -> list[bytes]:
        echoes = {line.strip() for line in ENDS.split(sent)}
        prompt, taken = self._scpi.prompt.encode("ascii"), self._scpi.acknowledge.encode("ascii")
        lines = [line.removeprefix(prompt).strip() for line in ENDS.split(data)]
        return [line for line in lines if line and line != taken and not (self._scpi.echo and line in echoes)]

    def _until_identity(self, buffer: bytearray, sent: bytes) -> tuple[bytes, int] | None:
        """All that came before the identity, the lines cleaned and LF apart; a block stands first with its header."""
        prompt = self._scpi.prompt.encode("ascii")
        at, block = 0, b""
        begin = self._block_begin(buffer)
        ident = buffer.find(self._identity)
        if begin is not None and (ident < 0 or begin < ident):
            end_of_block = self._block_end(buffer, begin)
            if end_of_block is None:
                return None
            at, block = end_of_block, bytes(buffer[begin:end_of_block])
        ident = buffer.find(self._identity, at)
        if ident < 0:
            return None
        end = ENDS.search(buffer, ident + len(self._identity))
        if end is None:
            return None
        rest = self._lines(bytes(buffer[at:ident]), sent)
        rest = [line for line in rest if line != prompt.strip()]
        # The number of a block's bytes precedes it, so that line ends within it part nothing.
        return b"%d\n%b%b" % (len(block), block, b"\n".join(rest)), end.end()

    def _ask(
        self, command: str, waiting: Waiting, limit: int
    ) -> Generator[Step, bytes, tuple[bytes, list[bytes], str]]:
        """Send a command: (block, lines, what the error query said or "")."""
        if (
            self._scpi.pause_s and waiting is Waiting.SWEEP
        ):  # what follows would come while it is deaf behind its answer
            alone = self._bytes(command)
            line = yield Step(alone, partial(self._value, sent=alone), command, waiting, limit)
            return (line, [], "") if line[:1] == b"#" else (b"", [line], "")
        sent = self._bytes(command, self._error_query, "*IDN?")
        got = yield Step(sent, partial(self._until_identity, sent=sent), command, waiting, limit)
        size, _, rest = got.partition(b"\n")
        block, text = rest[: int(size)], rest[int(size) :]
        lines = [line for line in text.split(b"\n") if line]
        error = ""
        if self._error_query and lines and (entry := ENTRY.fullmatch(lines[-1])) is not None:
            if int(entry.group(1)) != 0:
                error = plain(lines[-1])
                yield Step(self._bytes("*CLS", "*IDN?"), partial(self._until_identity, sent=sent), "*CLS")
            lines.pop()
        return block, lines, error

    def _query(self, command: str, frame: Frame, waiting: Waiting = Waiting.REPLY, limit: int = PLAIN_LIMIT) -> _Part:
        block, lines, error = yield from self._ask(command, waiting, limit)
        if block:
            return block
        values = [line for line in lines if line[:1] in b"+-.0123456789"]
        if error or len(values) != 1:
            said = error or (shown(b" / ".join(lines)) if lines else "no answer, though it answers *IDN? behind it")
            raise WireError(f"the analyzer refused {command!r}: {said}", refused=True)
        return values[0]

    def _command(self, command: str) -> _Part:
        _, lines, error = yield from self._ask(command, Waiting.REPLY, PLAIN_LIMIT)
        if error or lines:
            raise WireError(f"the analyzer refused {command!r}: {error or shown(b' / '.join(lines))}", refused=True)
        return b""

    def _clear(self) -> _Part:
        sent = self._bytes("*CLS", "*IDN?")
        yield Step(sent, partial(self._until_identity, sent=sent), "*CLS")
        return b""

    def _traces(self, points: int) -> Generator[Step, bytes, list[NDArray[np.complex128]]]:
        scpi = self._scpi
        told = scpi.complete is not None and scpi.complete.source.endswith("?")
        held = "" if scpi.complete is None or told else scpi.complete.source
        waiting, first = (Waiting.REPLY if told else Waiting.SWEEP), held
        _, limit = self._data_frame(4 * points)
        got: list[NDArray[np.float64]] = []
        for index in range(1 if scpi.layout.startswith(BOTH) else 2):
            for select in (scpi.select, scpi.select_phase) if scpi.layout.startswith("polar") else (scpi.select,):
                words = [
                    word for word in (first, select.fill(self._trace(index)) if select is not None else "") if word
                ]
                first = ""
                for word in words:
                    yield from self._command(word)
                data = yield from self._query(scpi.data.fill(self._trace(index)), self._no_frame, waiting, limit)
                got.append(self._numbers(data, PARAMETERS[index]))
        return arranged(got, scpi.layout, points)

    def _no_frame(self, buffer: bytearray) -> None:
        """Never called: the identity behind an answer ends it."""

    def _numbers(self, data: bytes, what: str) -> NDArray[np.float64]:
        if data[:1] != b"#":
            return number_list(data.replace(b" ", b""), what)
        header = block_header(data)
        assert header is not None
        size = {"real32": 4, "real64": 8}.get(self._scpi.number_format, 8)
        return block_values(data[header.offset :], size, swapped=self._scpi.swapped)


def arranged(got: list[NDArray[np.float64]], layout: str, points: int) -> list[NDArray[np.complex128]]:
    """S11 and S21, each of shape (points,), from the numbers of all queries. Raises WireError for a wrong count."""
    if layout == "pairs":
        return [pairs(values, points, name) for values, name in zip(got, PARAMETERS, strict=True)]
    if layout.startswith(BOTH):
        whole = pairs(got[0], 2 * points, "S11 and S21")
        parts = whole.reshape(points, 2).T if layout.startswith("interleaved") else whole.reshape(2, points)
        return [np.ascontiguousarray(part) for part in (parts[::-1] if layout.endswith("turned") else parts)]
    for values in got:
        if values.size != points:
            raise WireError(f"{values.size} numbers came for {points} points; sweep thrown away")
        check_finite(values, 1, "a trace")
    sizes = [10 ** (values / 20) if layout == "polar db" else values for values in got[::2]]
    return [
        np.asarray(size * np.exp(1j * np.deg2rad(angle)), np.complex128)
        for size, angle in zip(sizes, got[1::2], strict=True)
    ]
