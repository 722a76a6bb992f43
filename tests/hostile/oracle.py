"""What may come of any input: it is taken, or refused in one line. Used by the tests and by scripts/fuzz.py."""

from __future__ import annotations

import tracemalloc
from collections.abc import Callable

from protocol.errors import AnalyzerError, RequestError

LONGEST_LINE = 1500
"""Letters of a message for people; a path and a shortened value fit."""


def outcome(call: Callable[[], object]) -> str:
    """Run it; "" when the input was taken, else the line by which it was refused. Any other exception is a fault."""
    try:
        call()
    except (RequestError, AnalyzerError) as error:
        line = str(error)
        assert line.strip(), "refused without a word"
        assert len(line) <= LONGEST_LINE, f"a line of {len(line)} letters: {line[:80]}"
        return line
    return ""


def memory_for(call: Callable[[], object]) -> int:
    """Bytes that Python took at most at one time while it ran."""
    tracemalloc.start()
    try:
        outcome(call)
        return tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
