"""Which of several readings of one listing makes the best plan: a span, its data, a sweep, the number of points.

Owns: the rank of readings, and that no word is sent that another reading knows as harmful. Refuses: to read (`tokens`,
`wrapped`, `general`) and to try (`sweeps`).
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

from protocol.learn.dialogue import Role, Word
from protocol.learn.words.allow import SENT, Entry, words_of
from protocol.learn.words.asides import harm_in

A_SPAN = 4.0
"""Worth of a plan that can set a span; less than this sets none."""
_LISTS = re.compile(r"(?i)\b(?:list|print|show|give|output|send|table|result)s?\b|s ?[12]1\b")
"""A description of a sweep that gives its data at once."""
_SPANS = (frozenset({Role.START, Role.STOP}), frozenset({Role.CENTRE, Role.SPAN}), frozenset({Role.START, Role.STEP}))
_ONCE_EACH = (Role.START, Role.STOP, Role.CENTRE, Role.SPAN, Role.STEP, Role.POINTS)


def ranked(readings: Sequence[Sequence[Entry]]) -> list[list[Word]]:
    """The words of each reading that differs from those before it, the best plan first."""
    found = list[list[Word]]()
    for entries in readings:
        words = words_of(_vetoed(entries, readings))
        if words and not any(_sent(words) == _sent(other) for other in found):
            found.append(words)
    return sorted(found, key=worth, reverse=True)  # of equal worth the first stays first


def worth(words: Sequence[Word]) -> float:
    """How much of what a sweep needs is there; words that compete for one role lower it."""
    count = Counter(word.role for word in words)
    span = any(pair <= count.keys() for pair in _SPANS) or any(
        word.role is Role.RANGE and (word.form or word.usage != word.name) for word in words
    )
    data = count[Role.DATA] >= 1 or any(word.role is Role.SWEEP and _LISTS.search(word.description) for word in words)
    twice = sum(count[role] - 1 for role in _ONCE_EACH if count[role] > 1)
    beside = sum(role in count for role in (Role.POINTS, Role.SWEEP, Role.BANDWIDTH, Role.SETTINGS, Role.IDENTITY))
    taking = sum(word.usage != word.name or bool(word.form) for word in words if word.role in (*_ONCE_EACH, Role.RANGE))
    whole = any(word.role is Role.RANGE and word.form for word in words)
    described = sum(bool(word.description) for word in words) / max(len(words), 1)
    traces = min(count[Role.DATA], 2)
    return (
        A_SPAN * span
        + 3.0 * data
        + 0.5 * traces
        + 0.5 * beside
        + 0.1 * (min(taking, 3) + whole)
        + 0.4 * described
        - 0.4 * twice
    )


def _sent(words: Sequence[Word]) -> frozenset[tuple[str, Role, str, str]]:
    return frozenset((word.name, word.role, word.usage, word.form) for word in words if word.role in SENT)


def _vetoed(entries: Sequence[Entry], readings: Sequence[Sequence[Entry]]) -> list[Entry]:
    """Entries with what other readings tell of their harm, unless that is told of another word here."""
    found = list[Entry]()
    for entry in entries:
        harm = ""
        for other in (
            one for reading in readings for one in reading if one.name == entry.name and reading is not entries
        ):
            said = harm_in(other.description)
            if said is None or harm_in(entry.description):
                continue
            words = said.string[said.start() : said.start() + 24].split()[:2]
            elsewhere = any(
                words and words[0] in f"{one.usage} {one.description}" for one in entries if one.name != entry.name
            )
            if not elsewhere:
                harm = said.group()
        found.append(replace(entry, description=f"{entry.description} ({harm})") if harm else entry)
    return found
