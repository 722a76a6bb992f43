"""A list of words written as sentences: `the word lowest, followed by kilohertz, sets where the sweep starts`.

Owns: which words a letter speaks of, what it says of each, the examples that show their values. Refuses: words between
quotes in telegram style (`wrapped`), and to clear a word of harm that its own sentence speaks of.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from protocol.learn.words.allow import Entry
from protocol.learn.words.lexicon import HARM

FEWEST = 4
"""Words of which a letter speaks."""
_KIND = r"(?:word|command|keyword|instruction|verb|term)"
_SAYS = r"(?:type|write|enter|send|say|give|key in|issue|input)"
_TOKEN = r"[\"'`<]?(?P<name>[A-Za-z][\w.-]{0,15})[\"'`>]?"
_NAMED = re.compile(rf"(?i)(?:\b(?:please )?{_SAYS} )?(?:\b(?:the|by|with) )*\b{_KIND} {_TOKEN}(?![\w.-]*\w)")
"""`the word go`, `please write the command go`."""
_TOLD_TO = re.compile(rf"(?i)\b(?:please )?{_SAYS} {_TOKEN}(?![\w.-]*\w)")
"""`type go`, where a sentence speaks of no word by that name."""
_NO_WORDS = frozenset(
    [
        "a",
        "an",
        "the",
        "this",
        "that",
        "these",
        "those",
        "it",
        "its",
        "in",
        "on",
        "by",
        "to",
        "of",
        "or",
        "and",
        "is",
        "are",
        "as",
        "at",
        "be",
        "you",
        "your",
        "me",
        "my",
        "us",
        "we",
        "one",
        "two",
        "any",
        "all",
        "with",
        "for",
        "from",
        "what",
        "which",
        "who",
        "how",
        "when",
        "where",
        "value",
        "values",
        "number",
        "numbers",
        "line",
        "lines",
        "here",
        "there",
        "only",
        "not",
        "no",
        "out",
        "help",
    ]
)
_DOES = re.compile(
    r"(?i)[\s,]*(?:then |also |which |that |will |may |can |again )*(?:set|choose|select|give|show|tell|list|print|"
    r"carr(?:y|ie)|make|take|start|run|do|send|output|read|return|store|erase|clear|replace|leave|begin|determine|fix|hold|measure|"
    r"sweep|perform|display|report|define|stop|end|turn|switch|save|forget|keep|write|delete|restore|reset|put|change|"
    r"count|limit|is|are|sits|means|stands)(?:e?s)?\b"
)
"""What goes on so says what the word before it does."""
_EXAMPLE = re.compile(
    r"(?i)(?::|\b(?:for example|for instance|e\.g\.|such as|like|as in|thus)[:,]?)\s+[\"'`]?"
    r"(?P<name>[A-Za-z][\w.-]{0,15})(?P<join> ?= ?| |: ?)(?P<value>\d+(?:[.,]\d+)?)[\"'`]?(?![\w.])"
)
_OFF = re.compile(r"(?i)\bnot to\b|\bdo ?n[o']t\b|\bnever\b|\bavoid|\brefrain|\bunless\b|\bkeep (?:off|away)")
_BETWEEN = re.compile(r"(?i)\bbetween (\d[\d.,]*) and (\d)")
_OF_IT = re.compile(r"(?i)(?:it|this|that|these|they|both|then|afterwards|so|the (?:result|sweep|data|trace)s?)\b")
_PROVIDED = re.compile(
    r"(?i)\W*(?:if|should|for|after|before|when|whenever|where|once|to|with|in order|provided|having|as)\b"
)
_JOINS = re.compile(r"(?i)[\s,;]+(?:and|or|but|while|whereas)(?: the)?\s*$")
"""What joins what is said of one word to the next."""
_UNTIL = re.compile(r"(?i)[;,]? (?:please )?(?:wait|have patience)\b.*$")


@dataclass(frozen=True)
class _Mention:
    name: str
    begin: int
    end: int


def prose_entries(lines: Sequence[str]) -> list[Entry]:
    """All words of a letter; empty where the lines are no sentences that speak of words."""
    found = dict[str, list[str]]()
    examples, last = dict[str, str](), list[str]()
    for sentence in _sentences(lines):
        for match in _EXAMPLE.finditer(sentence):
            joint = match.group("join")
            examples.setdefault(match.group("name"), f"{match.group('name')}{joint}<{match.group('value')}>")
        told = _BETWEEN.sub(r"\1 to \2", _EXAMPLE.sub(" ", sentence))
        mentions = _mentions(told)
        said = _NAMED.sub(" ", told)  # `please write the word` writes nothing
        whole = " (danger)" if HARM.search(said) or _OFF.search(said) else ""
        if not mentions and (_OF_IT.match(told) or whole):  # it goes on with the word before
            for name in last:
                found[name].append(told.rstrip(". ") + whole)
        first = told[: mentions[0].begin] if len(mentions) == 1 else ""
        first = first.strip(" ,") if _PROVIDED.match(first) else ""
        last = [one.name for one in mentions] or last
        for at, one in enumerate(mentions):
            text = _about(told, mentions, at)
            text = _JOINS.sub("", text) if at + 1 < len(mentions) else text
            text = text if first in text else f"{text}, {first}"
            found.setdefault(one.name, []).append(text + ("" if not whole or HARM.search(text) else whole))
    if len(found) < FEWEST:
        return []
    entries = [
        Entry(name, examples.get(name, name), " ".join("; ".join(texts).split())) for name, texts in found.items()
    ]
    return entries if any(entry.usage != entry.name for entry in entries) else []


def _sentences(lines: Sequence[str]) -> list[str]:
    """Sentences, each whole on one line; a line that begins with a capital after an example begins one, too."""
    text = ""
    for line in lines:
        bare = line.strip()
        new = re.match(r"[A-Z][a-z]", bare) and re.search(r"\d$|[.!:]$", text)
        text += ("\n" if new else " ") + bare
    return [part.strip() for part in re.split(r"\n|(?<=[.!])\s+(?=[A-Z])", text) if part.strip()]


def _mentions(sentence: str) -> list[_Mention]:
    """Words that a sentence speaks of; a name that a sentence gives to no word of its own counts where it says to type
    it."""
    for pattern in (_NAMED, _TOLD_TO):
        found = [
            _Mention(match.group("name"), match.start(), match.end())
            for match in pattern.finditer(sentence)
            if match.group("name").lower() not in _NO_WORDS
        ]
        if found:
            return found
    return []


def _about(sentence: str, mentions: Sequence[_Mention], at: int) -> str:
    """What a sentence says of one of its words: what follows where that is a verb, else what goes before as well."""
    one = mentions[at]
    before = sentence[mentions[at - 1].end if at else 0 : one.begin]
    behind = sentence[one.end : mentions[at + 1].begin if at + 1 < len(mentions) else len(sentence)]
    behind = _UNTIL.sub("", behind)
    text = behind if _DOES.match(behind) else f"{before} {behind}"
    text = re.sub(r"(?i)^[\s,]*(?:in order )?to (?=\w)|^[\s,]*(?:which |that |will |then |also )+", "", text)
    return re.sub(r"(?i)[\s,;]+(?:and|or|then|nor)$", "", text.strip(" ,.;:"))
