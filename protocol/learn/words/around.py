"""What stands around a word in its listing and is told of it: lines that go on, headings above it, notes below.

Owns: adding that to the descriptions of a reading. Refuses: to part lines into words and what they are (`lines`,
`tokens`, `general`), and to take anything from a description: what is added can only forbid.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence
from dataclasses import replace

from protocol.learn.words.allow import Entry
from protocol.learn.words.lexicon import HARM
from protocol.learn.words.lines import RESERVED

_GAP = re.compile(r"\S(?:\s{2,}|\t|\s+[-:=|]+\s+|:\s)\S")
_MARKS = re.compile(r"^[\s\-*#>•|+.)\d]*")
_BINDS = re.compile(
    r"(?:and|then|which|that|who|of|for|as|with|to|into|by|from|at|in|on|until|till|or|but|so|making|where|when|while|"
    r"after|before|kept|held|becomes?|is|are)\b"
)
"""A beginning that goes on with the line before it."""
_OPEN = re.compile(r"(?:[,&-]|\b(?:and|or|then|to|the|a|an|of|as|into|with|from|by|for|which))\s*$")
_NO_TEXT = re.compile(r"[<>\[\]{}=@$|]|:\s*$|^\W*\w+\W*$")
"""A line that holds a place for a value, a heading, a word alone: it goes on with nothing."""
_HEADING = re.compile(r"\s*(?:[\[=\-*_#~]+\s*)?(?P<text>[A-Za-z][A-Za-z', ]*?)\s*(?:[\]=\-*_#~!.]+|:)?\s*")
_FENCED = re.compile(r"\s*(?:\[.*\]|[=\-*_#~]{2,}.*|.*:)\s*")
_FOR_OTHERS = re.compile(
    r"(?i)beacon|exciter|\btone\b|once in|for good|chang(?:es?|ing) the|line test|"
    r"\btest(?:s|ing)?\b.{0,12}\b(?:only|line)|"
    r"installer|technician|dealer|\blasting"
)
"""A heading above words that send something out, or that no user types; `RESERVED` knows others."""
_SAYS = re.compile(
    r"(?i)\s*(?:note|nb|n\.b\.|careful|caution|warning)?\W*(?P<word>\S+) "
    r"(?P<told>(?:is|are|was|will|may|also|then|erases|stores|saves|keeps|overwrites|replaces|changes|clears|resets|burns)\b.*)"
)
"""A sentence below a listing that speaks of one of its words."""
_MARKED = re.compile(
    r"(?i)\s*(?:words|those|all|rows|commands)? ?(?:with|marked|bearing)(?: by| with)? (?:an? )?"
    r"(?P<mark>[*!#+]{1,3}) (?P<told>.*)"
)
_NOTE = re.compile(r"\s*(?P<mark>[*!#+§†]{1,3}|\(\d\)|[A-Z](?= ))\s*[-:=]?\s+(?P<told>[a-z].*)")


def warned(entries: Sequence[Entry], lines: Sequence[str]) -> list[Entry]:
    """The entries, each with what is told of it around its own line."""
    if sum(_GAP.search(line) is not None for line in lines) < 0.5 * len(lines):
        return list(entries)  # no columns: nothing tells a line that goes on from a word
    notes = _notes(lines)
    names: dict[str, list[str]] = {}
    for entry in entries:
        names.setdefault(entry.word, []).append(entry.name)
    firsts = {line.split()[0].lower() for line in lines if _GAP.search(line)}
    found, heading, last, before = {entry.name: entry for entry in entries}, "", "", ""
    small = sum(first.islower() for first in (line.split()[0] for line in lines if _GAP.search(line)))
    for line in lines:
        loud = small > 0.5 * len(names) and line.strip().isupper() and _GAP.search(line) is None
        row = "" if loud else _row(line, entries)
        if not row and _heads(line):
            heading, last = line.strip(), ""
        elif row:
            last = row
            if HARM.search(heading) or RESERVED.search(heading) or _FOR_OTHERS.search(heading):
                found[row] = _with(found[row], f"(danger: below {heading!r})")
            for mark, told in notes.items():
                if mark in line:
                    found[row] = _with(found[row], f"(danger: {told})" if HARM.search(told) else told)
        elif (said := _SAYS.fullmatch(line)) and said.group("word") in names and HARM.search(said.group("told")):
            for name in names[said.group("word")]:
                found[name] = _with(found[name], f"(danger: {said.group('told')})")
        elif last and _goes_on(line, before, firsts):
            found[last] = _with(found[last], line.strip())
        else:
            last = ""
        before = line if row or not last else before
    return [found[entry.name] for entry in entries]


def _row(line: str, entries: Sequence[Entry]) -> str:
    """The name of the entry that a line is about; "" where it is about none."""
    text = _MARKS.sub("", line) or line.strip()
    if _GAP.search(line) is None and _NO_TEXT.search(line) is None:
        return ""
    names = [
        entry.name
        for entry in entries
        if any(re.match(rf"{re.escape(one)}(?![A-Za-z0-9])", text) for one in {entry.name, entry.word})
    ]
    return max(names, key=len, default="")


def _goes_on(line: str, row: str, firsts: Collection[str]) -> bool:
    """Whether a line is text alone that goes on with what a row tells: below that, or behind a word that binds."""
    text, indent = line.strip(), len(line) - len(line.lstrip())
    if _GAP.search(text) or _NO_TEXT.search(line) or text.startswith("("):
        return False
    gap = _GAP.search(row)
    if gap is not None and gap.end() - 2 <= indent:
        return True
    if re.split(r"[\s,;]", text.lower())[0] in firsts:
        return False  # it speaks of another word
    binds = _BINDS.match(text) is not None or _OPEN.search(row) is not None
    return text[:1].islower() and (binds or indent > len(row) - len(row.lstrip()))


def _heads(line: str) -> bool:
    """Whether a line is a heading: fenced, plain words with a capital, or what keeps users off."""
    match = _HEADING.fullmatch(line)
    if match is None:
        return False
    capital = match.group("text")[:1].isupper()
    return capital or _FENCED.fullmatch(line) is not None or RESERVED.search(line) is not None


def _notes(lines: Sequence[str]) -> dict[str, str]:
    """Marks with what a line below says of the words that bear them."""
    found = {}
    for number, line in enumerate(lines):
        match = _NOTE.fullmatch(line) or _MARKED.fullmatch(line)
        above = lines[:number]
        if match is None or len(match.group("told").split()) < 2:
            continue
        mark = match.group("mark")
        borne = [one for one in above if mark in one and not one.strip().startswith(f"{mark} ")]
        if borne and not mark.isalpha() and len(borne) < 0.8 * len(above):
            found[mark] = match.group("told")
    return found


def _with(entry: Entry, told: str) -> Entry:
    """An entry with more told of it, unless its description holds that."""
    bare = told.strip("()")
    if bare in entry.description:
        return entry
    return replace(entry, description=f"{entry.description} {told}".strip())
