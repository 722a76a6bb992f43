"""Where a console's reply begins and ends: between echo and prompt; where no prompt tells it, at so many points, at an
answer at all, or at silence.

Owns: these ends as frames. Refuses: clocks; the driver says when it is silent.
"""

from __future__ import annotations

import re
from collections.abc import Callable

from protocol.dialects.exchange import Frame, WireError, plain
from protocol.dialects.numbers import PointTable
from protocol.dialects.reply import Manner, cleaned


def never(_: bytearray) -> None:
    """No end but silence."""


def until(enough: Callable[[bytearray], bool]) -> Frame:
    """All that came, as soon as it is enough."""
    return lambda buffer: (bytes(buffer), len(buffer)) if enough(buffer) else None


def answered(manner: Manner, text: str) -> Callable[[bytearray], bool]:
    """Whether more than an echo has come."""
    return lambda buffer: bool(manner.lines(bytes(buffer), text))


def counted(tables: list[PointTable], points: int, manner: Manner, text: str) -> Callable[[bytearray], bool]:
    """Whether so many points have come. Lines are counted first: that is quick."""

    def enough(buffer: bytearray) -> bool:
        if not buffer.endswith((b"\n", b"\r")):
            return False
        if tables[0].read.points_per_line == 1 and buffer.count(b"\n") + buffer.count(b"\r") < points:
            return False
        lines = manner.lines(bytes(buffer), text)
        return all(table.count(lines) >= points for table in tables)

    return enough


def settled(manner: Manner, text: str, enough: Callable[[bytearray], bool] | None, silent: bool) -> Frame:
    """What silence makes of the buffer: the reply where only silence ends one, else a refusal or nothing."""

    def settle(buffer: bytearray) -> tuple[bytes, int] | None:
        lines = manner.lines(bytes(buffer), text)
        if enough is not None and not enough(buffer):
            refused = manner.refusal(lines)
            if refused is not None:
                raise WireError(f"the analyzer refused {text!r}: {plain(refused)}", refused=True)
            return None
        if not silent and enough is None:
            if not lines:
                return None
            raise WireError(f"the analyzer did not take {text!r}: {plain(lines[-1])}", refused=True)
        return bytes(buffer), len(buffer)

    return settle


def between(manner: Manner, echo: re.Pattern[bytes] | None) -> Frame:
    """Finds the body between echo and prompt (or the line that ends replies), each at the start of a line."""
    end = manner.prompt or manner.end
    begin, scanned = (None if echo else 0), 0
    longest = 2 + max((len(text) for text in (*manner.prompts, *manner.ends)), default=0) + 16

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
            since = max(first, scanned - longest)
            match = end.match(view, first)
            if match is None and manner.may_end(view, since):
                match = end.search(view, since)
            if match is not None:
                break
            scanned = len(view)
        if view is not buffer:
            begin, scanned = (None if echo else 0), 0
        if match is None:
            return None
        return bytes(view[first : match.start()]), match.end() if view is buffer else len(buffer)

    return frame
