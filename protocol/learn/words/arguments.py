"""One word that takes several values: which place is the start, which the stop, which counts the points.

Owns: that reading, from the names of the places, from keys and flags before them, from what is told of them, and the
whole command made of it. Refuses: a word of whose places one that is no bandwidth stays unknown.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

from protocol.learn.words.allow import Entry
from protocol.learn.words.grammar import READING
from protocol.learn.words.paired import COUNTS, short_for_first, short_for_last

_SLOT = re.compile(r"(?P<key>(?:--?)?[A-Za-z]\w*(?:=| +|:))?(?P<slot><[^<>]*>|\{[^{}]*\}|\.\.\.?)")
_FIRST = re.compile(r"(?i)f?_?(?:start|begin|first|from|lower|low|lo|min|left)(?:_?[kmg]?hz|_?f(?:req)?)?|f_?1|fa")
_LAST = re.compile(r"(?i)f?_?(?:stop|end|last|to|upper|high|hi|max|right)(?:_?[kmg]?hz|_?f(?:req)?)?|f_?2|fb")
_MIDDLE = re.compile(r"(?i)f?_?(?:centre|center|mid(?:dle)?|cf|fc)(?:_?[kmg]?hz|_?f(?:req)?)?")
_WIDE = re.compile(r"(?i)f?_?(?:span|width)(?:_?[kmg]?hz)?")
_PASSED = re.compile(r"(?i)(?:if|r|rx)?_?(?:bw|bandwidth|filter|rbw|res)(?:_?k?hz)?")
_RANGED = re.compile(
    r"(?i)(?:set_?)?(?:range|band|sweep|swp|freqs?|frequenc(?:y|ies)|window|limits|edges|ends|scan|span|from[-_]?to|between)"
)
_COUNTING = re.compile(r"(?i)hz\b|hertz")


@dataclass(frozen=True)
class _Place:
    """One place for a value: the key before it with its sign ("" for none), the name in it."""

    key: str
    name: str
    text: str


def argued(entry: Entry) -> Entry:
    """The entry with its whole command where it takes both ends of a sweep at once; any other entry as it is."""
    rest = entry.usage[len(entry.name) :]
    head, rest = _head(entry.name, rest)
    places = [
        _Place((match.group("key") or "").strip(), match.group("slot").strip("<>{}"), match.group())
        for match in _SLOT.finditer(rest)
    ]
    verb, _, object_ = head.lower().partition(" ")
    if len(places) < 2 or entry.form or (object_ and verb in READING):  # what is read between two points sets nothing
        return entry
    fields = _fields(entry, places)
    values = [field for field in fields if field not in ("", "bandwidth")]
    spans = ({"start", "stop"}, {"centre", "span"})
    if len(set(values)) != len(values) or not any(pair <= set(values) for pair in spans):
        return entry
    keyed = all(place.key for place in places)
    form = head
    for place, field in zip(places, fields, strict=True):
        if field in ("", "bandwidth"):
            if keyed:
                continue  # what has a key may be left out
            told = _listed(entry.description, place.name)
            if field != "bandwidth" or not told:
                return entry
            form += f" {told}"
            continue
        joint = "" if form.endswith(("=", ":")) else _joint(rest, place)
        form += f"{joint}{place.key}{'' if not place.key or place.key[-1] in '=:' else ' '}{{{field}}}"
    return replace(entry, name=head, usage=entry.usage, form=form)


def _head(name: str, rest: str) -> tuple[str, str]:
    """The word without a first flag or key that was taken for a part of it."""
    parts = name.split()
    if len(parts) > 1 and (parts[-1].startswith("-") or rest.startswith("=")):
        return " ".join(parts[:-1]), f" {parts[-1]}{rest}"
    return name, rest


def _joint(rest: str, place: _Place) -> str:
    """What stands before a place: a comma, a blank."""
    before = rest[: rest.index(place.text)].rstrip()
    return "," if before.endswith(",") else ";" if before.endswith(";") else " "


def _fields(entry: Entry, places: Sequence[_Place]) -> list[str]:
    """What each place is for; "" where nothing tells."""
    found = [_field(place.key.strip("-=:")) or _field(place.name) for place in places]
    if all(found):
        return found
    found = [field or _told(place, entry.description) for field, place in zip(found, places, strict=True)]
    ranged = _RANGED.fullmatch(entry.word.split()[-1]) is not None
    hertz = _COUNTING.search(f"{entry.usage} {entry.description}") is not None
    if not any(found) and ranged and hertz and len(places) == 2:
        return ["start", "stop"]
    return found


def _field(name: str) -> str:
    """What the name of a place says; "" for nothing."""
    name = re.sub(r"\W", "", name)
    for pattern, field in (
        (_FIRST, "start"),
        (_LAST, "stop"),
        (_MIDDLE, "centre"),
        (_WIDE, "span"),
        (_PASSED, "bandwidth"),
    ):
        if pattern.fullmatch(name):
            return field
    if name.lower() in COUNTS and name.lower() not in ("no", "nr", "number"):
        return "points"
    if len(name) > 2:
        return "start" if short_for_first(name) else "stop" if short_for_last(name) else ""
    return ""


def _told(place: _Place, description: str) -> str:
    """What the description says of a place that it names: `from a kHz to b kHz in n points`."""
    name = re.escape(place.name)
    match = re.search(rf"(?i)(\w*)\W{{1,2}}(?<!\w){name}(?!\w)(?:\W{{1,3}}(\w+))?", f" {description}")
    if not place.name or match is None:
        return ""
    before, after = (match.group(1) or "").lower(), (match.group(2) or "").lower()
    if re.fullmatch(r"points?|pts|samples?|records?|dots|steps", after):
        return "points"
    return "start" if before in ("from", "between", "start") else "stop" if before in ("to", "until", "stop") else ""


def _listed(description: str, name: str) -> str:
    """The value nearest to 1 kHz of those that a description lists for a place."""
    match = re.search(rf"(?<!\w){re.escape(name)}\b[^.;]*", description)
    values = re.findall(r"(?<![\w.])\d{2,6}(?![\w.])", match.group()) if match else []
    return min(values, key=lambda text: abs(float(text) - 1000.0), default="")
