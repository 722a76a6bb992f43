"""A sum behind each line, as some consoles want it and send it: the sign before it and how it is made.

Owns: making, checking and taking off a sum. Refuses: to take off one that is not right; such a line was damaged.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from functools import reduce

KINDS: Mapping[str, Callable[[bytes], bytes]] = {
    "sum100": lambda text: b"%02d" % (sum(text) % 100),
    "sum1000": lambda text: b"%03d" % (sum(text) % 1000),
    "sum256": lambda text: b"%02X" % (sum(text) % 256),
    "sum256d": lambda text: b"%03d" % (sum(text) % 256),
    "neg256": lambda text: b"%02X" % (-sum(text) % 256),
    "xor": lambda text: b"%02X" % reduce(lambda one, other: one ^ other, text, 0),
}
"""Ways to make a sum of a line's bytes, by their names in a profile."""


def with_sum(line: bytes, kind: str, sign: bytes) -> bytes:
    """A line with its sum behind it."""
    return line + sign + KINDS[kind](line)


def without_sum(line: bytes, kind: str, sign: bytes) -> bytes:
    """A line without its sum where that is right; any other line as it is."""
    text, found, told = line.rpartition(sign)
    return text if found and told.upper() == KINDS[kind](text) else line


def kind_of(pairs: Mapping[bytes, bytes]) -> tuple[str, bytes] | None:
    """The one kind of sum, and its sign, that explains each line (key) and what stood behind it (value)."""
    if len(pairs) < 2:
        return None
    signs = {match.group(1) for text in pairs.values() if (match := re.match(rb"([^\w\s])[0-9A-Fa-f]{2,3}", text))}
    fitting = [
        (kind, sign)
        for kind, made in KINDS.items()
        for sign in signs
        if all(text[1:].upper().startswith(made(line)) and text[:1] == sign for line, text in pairs.items())
    ]
    return fitting[0] if len(fitting) == 1 else None
