"""Where a console's reply ends when no prompt tells it: so many points, an answer at all, or silence.

Owns: these ends as frames. Refuses: clocks; the driver says when it is silent.
"""

from __future__ import annotations

from collections.abc import Callable

from protocol.dialects.exchange import Frame, WireError, plain
from protocol.dialects.numbers import PointTable
from protocol.dialects.reply import Manner


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
