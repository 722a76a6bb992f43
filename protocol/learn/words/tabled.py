"""Tables of three columns: the verb, what it takes, what it does (`set  low=<n>  lower edge`, `go  -  one sweep`), and
lists of which each line is an object of JSON that holds one word and what is told of it.

Owns: such tables, each row a word of its own, though its verb comes in other rows as well. Refuses: a table whose
columns do not begin in the same places or of which no row leaves the middle one empty; what a word is for (`allow`).
"""

from __future__ import annotations

import json
import re
from collections import Counter
from collections.abc import Sequence

from protocol.learn.words.allow import Entry

FEWEST = 4
"""Rows that make such a table."""
_EMPTY = re.compile(r"(?i)-{1,3}|\u2014|\.{1,3}|none|\(none\)|n/a|/")
_VERB = re.compile(r"[A-Za-z][\w.:-]*")
_KEYED = re.compile(r"(?:-{1,2})?(?P<key>[A-Za-z][\w.-]*)=(?P<value><[^<>]*>|\[[^\[\]]*\]|[A-Z]+|[a-z]|\.\.\.?)")
_PLACE = re.compile(r"<[^<>]*>|\[[^\[\]]*\]|\{[^{}]*\}")
_FIXED = re.compile(r"[A-Za-z]\w*|\d{1,2}")
_TITLES = re.compile(r"(?i)(?:arg(?:ument)?|param(?:eter)?|value|option|operand|takes)s?")


def tabled_entries(lines: Sequence[str]) -> list[Entry]:
    """The words of a list in either of these ways; empty for any other."""
    return _columns(lines) or _objects(lines)


def _columns(lines: Sequence[str]) -> list[Entry]:
    """The words of a table of three columns, where one verb at least comes in several rows."""
    rows = _rows([line.expandtabs(8).rstrip() for line in lines])
    rows = [row for row in rows if not _TITLES.fullmatch(row[1])]
    empty = sum(_EMPTY.fullmatch(takes) is not None for _, takes, _ in rows)
    verbs = Counter(verb for verb, _, _ in rows)
    if len(rows) < FEWEST or empty == 0 or max(verbs.values(), default=0) < 2:
        return []
    return [_entry(verb, takes, " ".join(told.split()), alone=verbs[verb] == 1) for verb, takes, told in rows]


def _rows(lines: Sequence[str]) -> list[tuple[str, str, str]]:
    """Lines cut where the second and the third column begin in most of them; a line that does not fit is none."""
    begun = Counter(
        (cells[1], cells[2])
        for line in lines
        if len(cells := [match.start() for match in re.finditer(r"(?:(?<=\s\s)|^)\S", line)]) == 3
    )
    places, times = max(begun.items(), key=lambda item: item[1], default=((0, 0), 0))
    if times < FEWEST or times < 0.5 * len(lines):
        return []
    second, third = places
    cut = [(line[:second], line[second:third], line[third:]) for line in lines if len(line) > third]
    return [
        (verb.strip(), takes.strip(), told)
        for verb, takes, told in cut
        if verb[-1:].isspace() and takes[-1:].isspace() and not told[:1].isspace() and _VERB.fullmatch(verb.strip())
    ]


def _entry(verb: str, takes: str, told: str, *, alone: bool) -> Entry:
    """One row as a word; `alone`: its verb comes in no other."""
    if _EMPTY.fullmatch(takes):
        return Entry(verb, verb, told)
    keyed = _KEYED.fullmatch(takes)
    if keyed:
        name = f"{verb} {takes[: keyed.end('key')]}"
        return Entry(name, f"{name}=<{keyed['key']}>", told, form=f"{name}={{v}}")
    if _PLACE.fullmatch(takes) or (alone and _FIXED.fullmatch(takes) and not re.search(r"\d", takes)):
        return Entry(verb, f"{verb} <{takes.strip('<>[]{}')}>", told)
    if _FIXED.fullmatch(takes):
        return Entry(f"{verb} {takes}", f"{verb} {takes}", told)
    return Entry(verb, f"{verb} {takes}", told)


def _objects(lines: Sequence[str]) -> list[Entry]:
    """The words of lines such as `{"word": "low <kHz>", "about": "lower edge"}`: two texts under the same two keys, the
    word first."""
    objects = [one for line in lines if isinstance(one := _parsed(line), dict) and len(one) > 1]
    texts = [one for one in objects if all(isinstance(value, str) for value in one.values())]
    keys = Counter(tuple(one) for one in texts)
    common, times = max(keys.items(), key=lambda item: item[1], default=((), 0))
    if times < FEWEST or times < 0.8 * len(objects):
        return []
    found = []
    for one in texts:
        if tuple(one) != common:
            continue
        usage, *told = (" ".join(text.split()) for text in one.values())
        place = re.fullmatch(rf"([A-Za-z][\w.-]*(?: [A-Za-z][\w.-]*)?)( |=| = )({_PLACE.pattern})", usage)
        if place:
            form = f"{place[1]}{place[2]}{{v}}"
            found.append(Entry(place[1], f"{place[1]}{place[2]}<{place[3][1:-1]}>", " ".join(told), form=form))
        elif re.fullmatch(r"[A-Za-z?*][\w.?:-]*(?: [A-Za-z0-9][\w.-]*){0,2}", usage):
            found.append(Entry(usage, usage, " ".join(told)))
    return found


def _parsed(line: str) -> object:
    """What a line of JSON holds; None where it is none."""
    try:
        return json.loads(line) if line.strip().startswith("{") else None
    except (ValueError, RecursionError):  # brackets without end
        return None
