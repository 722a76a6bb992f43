"""Replays a wire log: each line that was sent, with what came back for it and nothing else.

Owns: the breaths of a log (all that went out before something came), the parting of what came into answers, the
giving of each answer to one line. Refuses: to share an answer between lines: where a breath held several lines and
the log does not tell whose an answer is, none of them gets it, and that is said.
"""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass

from protocol.dialects.blocks import block_header
from protocol.dialects.console_replies import manner_of
from protocol.dialects.exchange import WireError
from protocol.dialects.reply import LINE_END
from protocol.profiles.profile import Profile
from protocol.profiles.scpi import Scpi
from protocol.wire.wire_log import SENT

_BLOCK = re.compile(rb"[^\r\n#]{0,16}(#[1-9])")
"""A block, perhaps behind a prompt."""
ENTRY = re.compile(rb'\s*[+-]?\d{1,5}\s*(?:,\s*"?[A-Za-z].*)?')
"""An entry of the error queue (SCPI-1999 volume 2, 21.8), with or without quotes, or its bare number."""


@dataclass(frozen=True, slots=True)
class Exchange:
    """A line that was sent. `came`: the lines and blocks that came for it; `error`: what the error query then said.

    `among` counts the lines of whose answers one is this line's, where that can't be told apart; `ended` is False when
    a console's prompt did not come.
    """

    line: bytes
    came: tuple[bytes, ...] = ()
    error: bytes = b""
    among: int = 1
    ended: bool = True


def exchanges(profile: Profile, log: Iterable[tuple[str, bytes]]) -> list[Exchange]:
    """All lines of a log in their order, each with its own answers."""
    found: list[Exchange] = []
    for sent, came in breaths(log):
        lines = [line for line in LINE_END.split(sent) if line.strip()]
        if not lines:
            continue
        if profile.scpi is not None:
            found += _scpi(profile.scpi, lines, came)
        else:
            found += _console(profile, lines, came)
    return found


def breaths(log: Iterable[tuple[str, bytes]]) -> list[tuple[bytes, bytes]]:
    """What was sent until something came, and all that came until the next sending. Bytes before the first are idle."""
    found: list[tuple[bytes, bytes]] = []
    sent: list[bytes] = []
    came: list[bytes] = []
    for direction, data in log:
        if direction == SENT and came:
            found.append((b"".join(sent), b"".join(came)))
            sent, came = [], []
        (sent if direction == SENT else came).append(data)
    return [*found, (b"".join(sent), b"".join(came))]


def answers(came: bytes) -> list[bytes]:
    """Lines without their ends and empty ones; a block (IEEE 488.2, 8.7.9) is one answer, whatever bytes it holds."""
    found: list[bytes] = []
    at = 0
    while at < len(came):
        block = _BLOCK.match(came, at)
        length = _block_length(came[block.start(1) : block.start(1) + 12]) if block is not None else None
        if block is not None and length is not None:
            end = block.start(1) + length
            found.append(came[block.start(1) : end])
            at = end
            continue
        ending = LINE_END.search(came, at)
        line = came[at : ending.start() if ending is not None else len(came)].strip()
        if line:
            found.append(line)
        at = ending.end() if ending is not None else len(came)
    return found


def _block_length(begin: bytes) -> int | None:
    """Bytes of a definite block with its header; None where it is none."""
    try:
        header = block_header(begin)
    except WireError:
        return None
    return None if header is None or header.length is None else header.offset + header.length


def _scpi(scpi: Scpi, lines: list[bytes], came: bytes) -> list[Exchange]:
    """Answers keep the order of the queries (IEEE 488.2, 6.1.10); the error query tells which query has none."""
    prompt, echoes = scpi.prompt.encode("ascii"), {line.strip() for line in lines} if scpi.echo else set[bytes]()
    rest = [answer.removeprefix(prompt).strip() if answer[:1] != b"#" else answer for answer in answers(came)]
    rest = [answer for answer in rest if answer and answer not in echoes and answer != prompt.strip()]
    error = scpi.word(scpi.error.source).encode("ascii").upper() if scpi.error is not None else b""
    shared = tuple(rest)
    if len(lines) == 1:
        return [Exchange(lines[0], shared)]
    given: list[list[bytes]] = []
    queries = [line for line in lines if b"?" in line]
    taken = scpi.acknowledge.encode("ascii")
    if not taken and len(rest) == len(queries):
        left = iter(rest)
        given = [[next(left)] if b"?" in line else [] for line in lines]
    elif (told := _by_kind(lines, rest, error, taken)) is not None:
        given = told
    else:
        return [Exchange(line, shared, among=len(lines)) for line in lines]
    if any(
        is_identity_query(line) and came[:1] and came[0][:1] == b"#" for line, came in zip(lines, given, strict=True)
    ):
        return [Exchange(line, shared, among=len(lines)) for line in lines]  # a block that came late
    return _with_errors(lines, given, error)


def _by_kind(lines: list[bytes], rest: list[bytes], error: bytes, taken: bytes) -> list[list[bytes]] | None:
    """Answers by what they look like: an entry of the error queue is only that query's, and it has no other answer.

    None when something is left over or an error query went without its answer.
    """
    given: list[list[bytes]] = []
    left = deque(rest)
    for line in lines:
        entry = bool(left) and ENTRY.fullmatch(left[0]) is not None and b"," in left[0]
        if error and line.strip().upper() == error:
            if not entry:
                return None
            wanted = True
        elif b"?" in line:
            wanted = bool(left) and not (error and entry)
        else:
            wanted = bool(taken and left) and left[0] == taken
        given.append([left.popleft()] if wanted else [])
    return given if not left else None


def _with_errors(lines: list[bytes], given: list[list[bytes]], error: bytes) -> list[Exchange]:
    """The entry of an error query is for the line before it; for each since the query before, where there are more."""
    found: list[Exchange] = []
    waiting: list[Exchange] = []
    for line, came in zip(lines, given, strict=True):
        if not (error and line.strip().upper() == error):
            waiting.append(Exchange(line, tuple(came)))
            continue
        entry = came[0] if came else b""
        bad = bool(entry) and not no_error(entry)
        silent = sum(not one.came for one in waiting)
        for one in waiting:
            if bad and not one.came:
                found.append(Exchange(one.line, one.came, entry, silent))
            else:
                found.append(Exchange(one.line, one.came, b"" if bad else entry))
        waiting = []
        found.append(Exchange(line, tuple(came)))
    return found + waiting


def is_identity_query(line: bytes) -> bool:
    """Whether a line asks for the identity (IEEE 488.2, 10.14)."""
    return line.strip().upper() == b"*IDN?"


def no_error(entry: bytes) -> bool:
    """Whether an entry of the error queue says that there is none."""
    return re.match(rb"\s*[+-]?0+\s*(?:,|$)", entry) is not None


def _console(profile: Profile, lines: list[bytes], came: bytes) -> list[Exchange]:
    """The console's own rule parts the answers; lines sent in one breath share one answer where it can't be told."""
    assert profile.console is not None
    manner = manner_of(profile.console)
    ended = manner.silent or manner.ended(came)
    if len(lines) > 1:
        return [Exchange(line, tuple(manner.lines(came)), among=len(lines), ended=ended) for line in lines]
    return [Exchange(line, tuple(manner.lines(came, line.decode("latin-1").strip())), ended=ended) for line in lines]
