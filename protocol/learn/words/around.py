"""What stands around a word in its listing and is told of it: lines that go on, headings above it, notes below.

Owns: adding that to the descriptions of a reading. Refuses: to part lines into words and what they are (`lines`,
`tokens`, `general`), and to take anything from a description: what is added can only forbid.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace

from protocol.learn.words.allow import Entry
from protocol.learn.words.lexicon import HARM

_GAP = re.compile(r"\S(?:\s{2,}|\t|\s+[-:=|]+\s+|:\s)\S")
_MARKS = re.compile(r"^[\s\-*#>•|+.)\d]*")
_NO_TEXT = re.compile(r"[<>\[\]{}=@$|]|:\s*$|^\W*\w+\W*$")
"""A line that holds a place for a value, a heading, a word alone: it goes on with nothing."""
_HEADING = re.compile(r"\s*(?:[\[=\-*_#~]+\s*)?(?P<text>[A-Za-z][A-Za-z' ]*?)\s*(?:[\]=\-*_#~]+|:)?\s*")
_FENCED = re.compile(r"\s*(?:\[.*\]|[=\-*_#~]{2,}.*|.*:)\s*")
_FOR_OTHERS = re.compile(
    r"(?i)\bleave\b|careful|servic|maint|factory|authori|expert|\bnot for\b|do ?n[o']t\b|beacon|exciter|tone\b|once in|"
    r"for good|chang(?:es?|ing) the|line test|\btest(?:s|ing)?\b.{0,12}\b(?:only|line)|installer|technician|maker|dealer"
)
"""A heading that keeps users off the words below it, or tells that they send something out."""
_NOTE = re.compile(r"\s*(?P<mark>[*!#+§†]{1,3}|\(\d\)|[A-Z](?= ))\s*[-:=]?\s+(?P<told>[a-z].*)")


def warned(entries: Sequence[Entry], lines: Sequence[str]) -> list[Entry]:
    """The entries, each with what is told of it around its own line."""
    if sum(_GAP.search(line) is not None for line in lines) < 0.5 * len(lines):
        return list(entries)  # no columns: nothing tells a line that goes on from a word
    notes = _notes(lines)
    found, heading, last = {entry.name: entry for entry in entries}, "", ""
    for line in lines:
        row = _row(line, entries)
        if not row and _heads(line):
            heading, last = line.strip(), ""
        elif row:
            last = row
            if HARM.search(heading) or _FOR_OTHERS.search(heading):
                found[row] = _with(found[row], f"(danger: below {heading!r})")
            for mark, told in notes.items():
                if mark in line:
                    found[row] = _with(found[row], f"(danger: {told})" if HARM.search(told) else told)
        elif last and _goes_on(line):
            found[last] = _with(found[last], line.strip())
        else:
            last = ""
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


def _goes_on(line: str) -> bool:
    """Whether a line is text alone that goes on with the line before it."""
    plain = _GAP.search(line.strip()) is None and _NO_TEXT.search(line) is None
    return plain and (line.startswith(" ") or line[:1].islower())


def _heads(line: str) -> bool:
    """Whether a line is a heading: fenced, or plain words with a capital."""
    match = _HEADING.fullmatch(line)
    fenced = _FENCED.fullmatch(line) is not None
    return match is not None and (fenced or match.group("text")[:1].isupper())


def _notes(lines: Sequence[str]) -> dict[str, str]:
    """Marks with what a line below says of the words that bear them."""
    found = {}
    for number, line in enumerate(lines):
        match = _NOTE.fullmatch(line)
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
