"""Takes an instrument's own list of commands apart: words, arguments, descriptions, whatever layout it has.

Owns: the layouts (a command a line, words in a row). Refuses: to know what the words mean; see `vocabulary`.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace

from protocol.learn.vocabulary import Argument, Entry

_WORD = re.compile(r"\?$|[A-Za-z*:][A-Za-z0-9_:.*\-]*\??$")
_NESTED = r"\[(?:[^\[\]]|\[[^\]]*\])*\]|<[^>]*>|\{(?:[^{}]|\{[^}]*\})*\}|\((?:[^()]|\([^()]*\))*\)"
_BRACKETED = re.compile(_NESTED)
_PART = re.compile(r"\s+(?:-{1,2}|:|=|\u2013)\s+|\t+|\s{2,}|:\s+|\s*;\s*")
_HEADLINE = re.compile(r"(?i)^(?:commands?|available|usage|help|known|there are|type|words?|list)\b.*:?\s*$")


def parse_listing(lines: Sequence[str]) -> list[Entry]:
    """Entries of a listing in its order; each word once, the fullest entry counts."""
    text = [line.strip() for line in lines if line.strip()]
    if _in_a_row(text):
        entries = [Entry(word, shown=False) for line in text for word in _row(line)]
    else:
        entries = [entry for line in text for entry in _line(line)]
    found: dict[str, Entry] = {}
    for entry in entries:
        known = found.get(entry.word)
        if known is None or len(entry.arguments) > len(known.arguments):
            found[entry.word] = entry
    return list(found.values())


def _in_a_row(lines: Sequence[str]) -> bool:
    """Words only, several a line: no descriptions, no arguments."""
    if not lines:
        return False
    if any(head and not _HEADLINE.match(head) for head, colon, _ in (line.partition(":") for line in lines) if colon):
        return False
    rows = [_row(line) for line in lines]
    words = sum(len(row) for row in rows)
    tokens = sum(len(re.split(r"[\s,;|]+", (line.partition(":")[2] or line).strip())) for line in lines)
    bare = not any(_BRACKETED.search(line) for line in lines)
    return (
        bare
        and words >= 3 * len(lines)
        and words >= 0.85 * tokens
        and len(lines) <= max(4, words // 4)
        and not any(re.search(r"\s{2,}|\s-\s", line.strip()) for line in lines)
    )


def _row(line: str) -> list[str]:
    head, colon, rest = line.partition(":")
    body = rest if colon and (len(head.split()) <= 3) and rest.strip() else line
    return [token for token in re.split(r"[\s,;|]+", body) if _WORD.match(token)]


def _line(line: str) -> list[Entry]:
    """One command of a line of its own, perhaps with several spellings (`sweep, scan  start a sweep`)."""
    line = re.sub(r"^[\s>*\u2022#-]+", "", line)
    if _HEADLINE.match(line) and not _BRACKETED.search(line) and line.endswith(":"):
        return []
    match = re.match(r"([A-Za-z*:][A-Za-z0-9_:.*\-]*[A-Za-z0-9_*]\??|[A-Za-z?])(?=[\s,;:=(<\[{|]|$)", line)
    if match is None:
        return []
    word, rest = match.group(1).rstrip(":"), line[match.end() :]
    arguments, description = _arguments(rest)
    return [Entry(word, arguments, description, comma=len(arguments) > 1 and _parted_by_commas(rest))]


def _parted_by_commas(rest: str) -> bool:
    """Whether a comma stands between the first two arguments."""
    return re.match(rf"\s*(?:{_NESTED}|[A-Z][A-Z0-9_]*(?:\([A-Za-z]+\))?)\s*,", rest) is not None


def _arguments(rest: str) -> tuple[tuple[Argument, ...], str]:
    """Arguments and description behind a command's word."""
    found: list[Argument] = []
    at = 0
    part = re.compile(
        rf"(?:\s*({_NESTED})"
        r"|\s?((?!S\d\d)[A-Z][A-Z0-9_]*(?:_[A-Za-z]+)?(?:\([A-Za-z]+\))?)(?=[\s\],;:]|$)"
        r"|\s*([A-Za-z0-9.\-+]+(?:\|[A-Za-z0-9.\-+]+)+)|\s*([0-9.]+\.\.[0-9.]+)),?"
    )
    while True:
        match = part.match(rest, at)
        if match is None:
            break
        text = match.group(0).strip().rstrip(",")
        if match.group(1) and text.startswith("(") and not _argument_like(text):
            break
        unit = re.match(r" ?([kMG]?Hz|dBm)\b(?=\s|$)", rest[match.end() :])
        pieces = _argument(text)
        if unit and pieces:
            pieces[-1] = replace(pieces[-1], suffix=rest[match.end() : match.end() + unit.end()])
        found += pieces
        at = match.end() + (unit.end() if unit else 0)
    tail = rest[at:]
    description = re.sub(r"^[\s:=\-\u2013;,]+", "", tail).strip()
    if not found:
        # Arguments may stand in the description: "sweep start stop points".
        bare = _PART.split(rest.strip(), maxsplit=1)
        first = bare[0].split() if bare else []
        arguments = [Argument(token.strip(",")) for token in first]
        if first and len(bare) > 1 and all(argument.role for argument in arguments):
            return tuple(arguments), bare[1].strip()
    return tuple(found), description


def _argument_like(text: str) -> bool:
    inner = text[1:-1]
    return "|" in inner or len(inner.split()) <= 2


def _argument(text: str) -> list[Argument]:
    """One bracketed piece; brackets in brackets mark optional ones (`{start} [{stop} [{points}]]`)."""
    optional = text.startswith("[")
    inner = text.strip("[]<>{}()").strip()
    inner = re.sub(r"[\[\]<>{}]", " ", inner).strip()
    choices = (
        tuple(choice.strip() for choice in re.split(r"\||/(?=\w)", inner) if choice.strip())
        if "|" in inner or re.fullmatch(r"\w+(?:/\w+)+", inner)
        else ()
    )
    if not choices and "," in inner and len(inner.split(",")) > 1:
        pieces = [piece.strip() for piece in inner.split(",")]
        if all(re.fullmatch(r"[0-9.]+[kM]?", piece) for piece in pieces):
            choices = tuple(pieces)
    words = inner.split()
    if not choices and len(words) > 1 and all(Argument(word).role for word in words):
        return [Argument(word, (), optional) for word in words]
    return [Argument(inner, choices, optional)]
