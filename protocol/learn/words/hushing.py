"""A console that sends sweeps from power-on: its own words tell how to stop it.

Owns: asking it with a sign that is no word, and the word that its answer, or its list of words, names for stopping.
Refuses: to stop it by any word that it did not name so, and letters where a sign acts without a line end.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Sequence

from protocol.dialects.reply import LINE_END, cleaned
from protocol.learn.words.lexicon import HARM
from protocol.learn.words.talk import Talk, asks

MOST_UNASKED = 4
"""Lines of numbers alike that come unasked, from which on it is a sweep that runs."""
ANSWER_S = 1.2
"""An answer among the data comes within this."""
HUSHES = re.compile(
    r"(?i)stop|halt|hold|pause|quiet|silen(?:t|ce)|hush|mute|cease|calm|still|idle|freeze|wait|peace|shh?"
)
"""Words that mean nothing but being quiet."""
_STOPS = re.compile(
    r"(?i)['\"<]?\b(?P<word>[a-z]{2,12})\b['\">]? (?:stops|ends|halts|pauses|holds|silences) (?:the |this |my |all )?"
    r"(?:stream|talk\w*|data|output|flow|sweep\w*|sending)"
)

_ROW = re.compile(r"\W{0,4}(?P<word>[A-Za-z]{2,12})(?:\s{2,}|\s*\t\s*|\s*\.{2,}\s*|\s*[-:=]+\s+)(?P<told>\S.*)")
"""A word of a list without arguments, and what it does."""
_ENDS_DATA = re.compile(
    r"(?i)(?:to )?(?:stop|end|halt|pause|hold|silence|cease|interrupt|freeze)(?:s|es|p?ing)? (?:the |this |my |all )*"
    r"(?:stream|talk|data|output|flow|sweep|sending|lines|print|run|measur)\w*(?! (?:freq|at\b|edge|limit|in\b))"
)
"""What a list tells of a word that stops what comes by itself."""
HELPS = ("?", "help")
"""Words that mean nothing but help, asked for where the answer names none."""


def streamed(got: bytes) -> str:
    """A line of the data that come by themselves, "" where none do: lines that differ in their numbers alone."""
    lines = [line.strip() for line in LINE_END.split(cleaned(got)) if line.strip()]
    kinds = Counter(shape for line in lines if (shape := _shape(line)).count(b"#") >= 2)
    if not kinds or kinds.most_common(1)[0][1] < MOST_UNASKED:
        return ""
    most = kinds.most_common(1)[0][0]
    alike = [line for line in lines if _shape(line) == most]
    return alike[len(alike) // 2].decode("ascii", "replace")[:60]


def _shape(line: bytes) -> bytes:
    return re.sub(rb"[-+]?[0-9]+(?:\.[0-9]+)?", b"#", line).strip()


def words_that_stop(lines: Sequence[str]) -> list[str]:
    """Words that lines name for stopping what comes by itself, of those that mean it: `wipe` ends all data, too."""
    found = []
    for line in lines:
        for match in _STOPS.finditer(line):
            word = match.group("word")
            if HUSHES.fullmatch(word) and not HARM.search(line):
                found.append(word)
    return found


def listed_to_stop(lines: Sequence[str]) -> list[str]:
    """The same of a list of words, each with what it does behind it: `quiet  stops the data`."""
    rows = [match for line in lines if (match := _ROW.fullmatch(line.strip())) and not HARM.search(line)]
    return [
        row.group("word") for row in rows if HUSHES.fullmatch(row.group("word")) and _ENDS_DATA.match(row.group("told"))
    ]


async def hushed(talk: Talk, ends: Sequence[bytes], hinted: Callable[[Sequence[str]], list[str]]) -> str:
    """The word that stopped it; "" where nothing names one, or it goes on.

    `hinted` gives the words of help that an answer names.
    """
    for end in ends:
        told = _told(await talk.raw(b"*" + end, ANSWER_S, ANSWER_S))
        word = await _stopped(talk, words_that_stop(told), end)
        if word:
            return word
        if not told or not await _takes_lines(talk, end):
            continue
        for question in dict.fromkeys((*hinted(told), *HELPS)):
            talk.permit(question)
            got = await talk.raw(question.encode("ascii") + end, ANSWER_S, ANSWER_S)
            word = await _stopped(talk, listed_to_stop(_told(got)), end)
            if word:
                return word
    return ""


def _told(got: bytes) -> list[str]:
    """The lines of an answer without the data among which it came."""
    lines = [line.strip() for line in LINE_END.split(cleaned(got))]
    return [line.decode("ascii", "replace") for line in lines if line and _shape(line).count(b"#") < 2]


async def _takes_lines(talk: Talk, end: bytes) -> bool:
    """Whether a sign is answered when its line ends, and not before; then letters are no keys."""
    usual = {_shape(line.encode("ascii", "replace")) for line in _told(await talk.listen(ANSWER_S))}
    early = _told(await talk.raw(b"*", ANSWER_S, ANSWER_S))
    late = _told(await talk.raw(end, ANSWER_S, ANSWER_S))
    new = [[one for one in said if _shape(one.encode("ascii", "replace")) not in usual] for said in (early, late)]
    return not [one for one in new[0] if one.strip("*")] and bool(new[1])


async def _stopped(talk: Talk, words: Sequence[str], end: bytes) -> str:
    """The first of the words after which nothing comes by itself; "" where none does."""
    for word in words:
        talk.permit(word)
        talk.out_end = end
        asks(await talk.raw(word.encode("ascii") + end, ANSWER_S, ANSWER_S), word)
        if not streamed(await talk.listen(ANSWER_S)):
            return word
    return ""
