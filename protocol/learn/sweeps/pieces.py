"""Points that a console gives by their numbers, so many at a time.

Owns: which words give them so, and the questions one after the other. Refuses: to read the points (`shapes`).
"""

from __future__ import annotations

import re
import time
from dataclasses import dataclass, field

from protocol.learn.dialogue import Word
from protocol.learn.words.talk import SWEEP_S, Talk
from protocol.profiles.templates import Template

AGAIN_S = 6.0
"""Data may be refused so long while a sweep runs."""
BETWEEN_S = 0.1
"""An instrument that is asked again is given so long; some answer at once, thousands of times."""
MOST = re.compile(r"(?i)\b(?:max(?:imum)?|at most|up to|no more than)\W{0,3}(\d{1,4})\b")
"""How many points may be asked for at once."""


def in_pieces(word: Word) -> tuple[str, int] | None:
    """The command for points by their numbers, with {first} and perhaps {last}, and the most that it gives at once (0:
    not told); None for a word whose arguments are no numbers of points."""
    rest = word.usage[len(word.name) :] if word.usage.startswith(word.name) else ""
    slot = r"(?:<[^<>]+>|[A-Za-z])"
    two = re.fullmatch(rf"(\s*(?:from\s+)?)({slot})(\s*,\s*|\s+to\s+|\s+)({slot})", rest, re.IGNORECASE)
    one = re.fullmatch(rf"(\s*)({slot})", rest)
    if two and re.search(
        r"(?i)\bpoints?\b|\brecords?\b|^same\b|\bfrom\b.{1,12}\bto\b",
        f"{word.description}{two.group(1)}a{two.group(3)}",
    ):
        most = MOST.search(word.description)
        return f"{word.name}{two.group(1)}{{first}}{two.group(3)}{{last}}", int(most.group(1)) if most else 0
    if one is None:
        return None
    numbered = rf"(?i)\b(?:point|record) (?:number )?{re.escape(one.group(2).strip('<>'))}\b"
    return (f"{word.name}{one.group(1)}{{first}}", 1) if re.search(numbered, word.description) else None


@dataclass
class Fetched:
    """What came of all pieces: their lines, none where one was refused; the most that a refusal named (0: none);
    whether some were refused for a while, as while a sweep runs."""

    lines: list[str] = field(default_factory=list)
    most: int = 0
    again: bool = False


async def fetched(talk: Talk, command: str, piece: int, numbers: range) -> Fetched:
    """Ask for the points with these numbers, `piece` at a time. What is refused ends it."""
    found, lines = Fetched(), list[str]()
    for begin in range(numbers.start, numbers.stop, piece):
        values = {"first": begin, "last": min(begin + piece, numbers.stop) - 1}
        line = Template.parse(command, frozenset(values)).fill(values)
        if not talk.may(line):
            return found
        reply, until = await talk.ask(line, SWEEP_S), time.monotonic() + AGAIN_S
        while talk.turned_down(reply) and not MOST.search(" ".join(reply)) and time.monotonic() < until:
            found.again = True  # the sweep may still run
            await talk.listen(BETWEEN_S)
            reply = await talk.ask(line, SWEEP_S)
        most = MOST.search(" ".join(reply))
        if talk.turned_down(reply) or (len(reply) == 1 and most):
            found.most = int(most.group(1)) if most else 0
            return found
        lines += reply
    found.lines = lines
    return found
