"""What a description says beside what its word does: the answer that it will give, a state that it only tells of.

Owns: taking such remarks out of a description before its harm is judged, and old names of units. Refuses: to take out
what speaks of a deed; where nothing else is left the description stays whole.
"""

from __future__ import annotations

import re

from protocol.learn.words.lexicon import HARM_SURELY

_OLD_UNITS = tuple(
    (re.compile(pattern), unit)
    for pattern, unit in (
        (r"(?i)\bkilo-?(?:hertz|cycles?)(?: (?:per|a) second)?\b|\b[kK][cC](?:/s|ps|s)?\b(?!\.)", "kHz"),
        (r"(?i)\bmega-?(?:hertz|cycles?)(?: (?:per|a) second)?\b|\bM[cC](?:/s|ps|s)?\b|\bmc(?:/s|ps)\b", "MHz"),
        (r"(?i)\bgiga-?(?:hertz|cycles?)(?: (?:per|a) second)?\b|\bG[cC]/s\b", "GHz"),
        (r"(?i)(?<=\d )cycles?(?: (?:per|a) second)?\b|\b(?:in )cycles? (?:per|a) second\b|(?<=\d )c/s\b", "Hz"),
    )
)
_STATE = re.compile(
    r"(?i)\b(?:and |or |also )*whether (?:(?:a|an|the|any|its) )?(?:[\w-]+ ){1,3}?(?:is|are|was|has been)"
    r" (?:in force|in use|on|off|active|applied|loaded|present|valid|done|set|running|finished|on or off)\b"
)
_SEE = re.compile(
    r"(?i)\((?:see|cf\.?) (?:the |its |also )?(?:card|manual|page|book|leaflet|label|lid|handbook)[^()]*\)"
)
"""Where more can be read."""
_AWAITED = re.compile(
    r"\b(?:[Aa]waits?|[Ww]aits? for|[Uu]ntil|(?:[Tt]hen )?(?:[Ss]ays?|[Aa]nswers?(?: with)?|[Rr]eplies(?: with)?))"
    r" (?:(?P<plain>[A-Z]{2,}(?: [A-Z]{2,}){0,2})(?![a-z])|[\"'](?P<quoted>[^\"']{2,24})[\"'])"
)
FEWEST = 3
"""Words that have to be left of a description."""


def modern(text: str) -> str:
    """A text with kilocycles and the like as kHz."""
    for pattern, unit in _OLD_UNITS:
        text = pattern.sub(unit, text)
    return text


def without_asides(told: str) -> str:
    """A description without a state that it tells of, and without the answer for which one has to wait.

    An answer that itself says that something was saved, erased and the like stays: it tells what was done.
    """
    lettered = re.search(r"[a-z]{2}", told) is not None  # all in capitals, an answer is not told from other words
    rest = _SEE.sub(" ", _STATE.sub(" ", told))
    if lettered:
        rest = _AWAITED.sub(_harmless, rest)
    return rest if len(re.findall(r"[A-Za-z]{2,}", rest)) >= FEWEST else told


def _harmless(match: re.Match[str]) -> str:
    said = match.group("plain") or match.group("quoted")
    return match.group() if HARM_SURELY.search(said) else " "
