"""A console that sends sweeps from power-on: its own words tell how to stop it.

Owns: asking it with a sign that is no word, and the word that its answer names for stopping. Refuses: to stop it by any
word that it did not name so.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence

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


async def hushed(talk: Talk, ends: Sequence[bytes]) -> str:
    """The word that stopped it; "" where nothing names one, or it goes on."""
    for end in ends:
        got = await talk.raw(b"*" + end, ANSWER_S, ANSWER_S)
        lines = [line.strip() for line in LINE_END.split(cleaned(got))]
        told = [line.decode("ascii", "replace") for line in lines if line and _shape(line).count(b"#") < 2]
        for word in words_that_stop(told):
            talk.permit(word)
            talk.out_end = end
            asks(await talk.raw(word.encode("ascii") + end, ANSWER_S, ANSWER_S), word)
            if not streamed(await talk.listen(ANSWER_S)):
                return word
    return ""
