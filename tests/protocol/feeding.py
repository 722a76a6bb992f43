"""One helper for all parser tests: the same bytes whole, byte by byte, and with foreign bytes behind them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from protocol.dialects.events import Dialect, Event, Fault, Reply, Request, Send, SweepReply

TRAILING = b"12."
Talk = Sequence[tuple[bytes, bytes]]
"""What must be sent and what is answered, in turn."""


def run_talk(dialect: Dialect, request: Request, talk: Talk, size: int, trailing: bytes = b"") -> Reply | Fault:
    """Carry a request through `talk`, feeding `size` bytes at a time. Every sent text must be right and used."""
    sent = dialect.start(request)
    for number, (expected, answer) in enumerate(talk, 1):
        assert sent == expected
        last = number == len(talk)
        data = answer + (trailing if last else b"")
        events: list[Event] = []
        for place in range(0, len(data), size):
            piece = dialect.receive(data[place : place + size])
            assert not (piece and events), "something followed from bytes behind the end"
            events += piece
        assert len(events) == 1, f"step {number} of {len(talk)} gave {events}"
        event = events[0]
        if not isinstance(event, Send):
            assert last, f"over after step {number} of {len(talk)}: {event}"
            return event
        sent = event.data
    raise AssertionError(f"not over; it would send {sent!r}")


def check_talk(make: Callable[[], Dialect], request: Request, talk: Talk) -> Reply | Fault:
    """Run a talk in three deliveries; all must give the same, and strange bytes behind must be left unread."""
    whole = make()
    expected = run_talk(whole, request, talk, 1 << 20)
    if not isinstance(expected, Fault):  # a fault may be seen before the end has come
        assert whole.unread == b""
    assert same(run_talk(make(), request, talk, 1), expected)
    tail = make()
    assert same(run_talk(tail, request, talk, 1 << 20, TRAILING), expected)
    if not isinstance(expected, Fault):
        assert tail.unread == TRAILING
    return expected


def same(first: Any, second: Any) -> bool:
    """Equality that looks into arrays. Faults need only begin alike: what they show depends on how much had come."""
    if isinstance(first, Fault) and isinstance(second, Fault):
        return first.message[:24] == second.message[:24] and first.refused == second.refused
    if isinstance(first, SweepReply) and isinstance(second, SweepReply):
        pairs = ((first.frequency_hz, second.frequency_hz), (first.s11, second.s11), (first.s21, second.s21))
        return all(_equal(*pair) for pair in pairs)
    return bool(first == second)


def _equal(first: Any, second: Any) -> bool:
    if first is None or second is None:
        return first is second
    return bool(np.array_equal(first, second))


def definite_block(values: NDArray[np.float64], size: int) -> bytes:
    """A definite block (IEEE 488.2 8.7.9) of `values` as numbers of `size` bytes, high byte first, without line end."""
    data = values.astype(f">f{size}").tobytes()
    length = str(len(data))
    return f"#{len(length)}{length}".encode("ascii") + data
