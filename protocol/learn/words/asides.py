"""What a description says beside what its word does: the answer that it will give, a state that it only tells of.

Owns: taking such remarks out of a description before its harm is judged, and old names of units. Refuses: to take out
what speaks of a deed; where nothing else is left the description stays whole.
"""

# ruff: noqa: E501 - a pattern is read in one piece
from __future__ import annotations

import re

from protocol.learn.words.lexicon import HARM, HARM_SURELY

_OLD_UNITS = tuple(
    (re.compile(pattern), unit)
    for pattern, unit in (
        (r"(?i)\bkilo-?(?:hertz|cycles?)(?: (?:per|a) second)?\b|\b[kK][cC](?:/s|ps|s)?\b(?!\.\w)", "kHz"),
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
_SAYS = re.compile(
    r"(?i)(?<=\w)[,;.] (?:and |then |it )*(?:answers|replies|says)(?: with)? (?P<plain>\w+(?: \w+)?)(?P<quoted>)\W*$"
)
"""The same at the end of a text, in whatever letters."""
_TRACE = r"(?:s ?[12][12]|reflections?|transmissions?|data|values|readings?|traces?|results?|sweep|points?)\b"
_NOUNS = (
    r"(?:serial(?: (?:number|no\.?))?|firmware(?: version)?|temperatures?|batter(?:y|ies)(?: voltage| state| level)?|"
    r"supply(?: voltage)?|(?:state of (?:the )?)?(?:correction|calibration)(?: (?:state|status|date|info))?|clock|owner|"
    r"licen[cs]e|power-?on (?:count|hours))"
)
_SHOWN = re.compile(
    r"(?i)^(?:(?:show|print|list|tell|display|give|report|read|say|send)s? )?(?:out )?(?:the |all |its |present |current )*"
    r"(?:settings|parameters|set-?up|version|firmware version|model|maker|name|who (?:made|built) it)\b[^.;]*"
)
_BESIDE = re.compile(rf"(?i)(?:,| and| with|, and) (?:the |its )?{_NOUNS}(?=[.,;]| and|$)")
"""What is shown beside the settings."""
_REMARKS = tuple(
    re.compile(rf"(?i){pattern}")
    for pattern in (
        # what holds as long as nothing is set, and where it is held
        r"[(;,]?\s*(?:factory )?defaults?(?: value)?(?: is|:| =|=)? ?[-+]?\d[\d.]*(?: ?[kmg]?hz)?\)?(?=[\s.,;)]|$)",
        r"(?<=\d)(?: ?[kmg]?hz)? (?:at|after|on) (?:power|switch|start)(?:-| )?(?:on|up)\b",
        r"[(,;]? ?\b(?:is |are )?(?:not|never) (?:stored|saved|kept|remembered|permanent)\b\)?",
        r"[(,;]? ?\b(?:is |are )?lost (?:at|after|with) (?:power|switch)(?:-| )?off\b\)?",
        # what was done to data that are told
        rf"\b(?:un|error[- ]|fully[- ])?(?:corrected|calibrated|normali[sz]ed) (?={_TRACE})",
        r"(?<=s11|s21|ion|ata|ace|lts|ngs|ues),? \(?(?:un)?(?:corrected|calibrated|normali[sz]ed)\)?(?=[,.;:]|$)",
        rf"(?<=the )stored (?={_TRACE})|(?<=prints )stored (?={_TRACE})|(?<=lists )stored (?={_TRACE})",
        r"(?<=sweep )(?:that is |held |kept )?in (?:the )?memory\b",
        r"(?:the )?(?:results?|data|traces?|readings|values) (?:stays?|remains?|(?:is|are) (?:kept|held)) in (?:the )?memory\b",
        # against what, and of what
        r"(?:relative|referred|with respect|as seen) (?:to|from|at) (?:the |a )?reference(?: plane)?\b|at the reference plane\b",
        r"\bvoltage(?= (?:reflection|transmission|ratio|gain))|(?<=reflected )power|(?<=transmitted )power|(?<=received )power",
        r"\bpower(?= (?:ratio|reflection|transmission))",
        r"\b(?:device|duplexer|filter|part|object|thing|whatever is|dut) (?:that is |now )?connected\b",
        r"(?:the )?(?:generator|output|source) is (?:switched )?off (?:afterwards|again|after (?:it|that))\b",
    )
)
_LIMITS = re.compile(
    r"(?i)(?:(?:^|(?<=[.,;(]))\s*|,? and )(?:the |its )?(?:bottom|lowest|least|smallest|minimum|top|highest|largest|greatest|"
    r"maximum|most)(?: one| value)?(?: is|:| =) ?\d[\d.]*(?: ?[kmg]?hz)?(?=[\s.,;)]|$)[.,;]?"
)
"""How far a value may go, told in words that also name the ends of a sweep."""
FEWEST = 1
"""Words that have to be left of a description; what is left has to say what the word is for."""


def modern(text: str) -> str:
    """A text with kilocycles and the like as kHz, without an `I` before its verb and without the limits of its value."""
    for pattern, unit in _OLD_UNITS:
        text = pattern.sub(unit, text)
    rest = _LIMITS.sub(" ", text)
    text = rest if re.search(r"[A-Za-z]{2}", rest) else text
    return re.sub(r"^I (?=[a-z])", "", text)  # the console speaks of itself


def without_asides(told: str) -> str:
    """A description without a state that it tells of, and without the answer for which one has to wait.

    An answer that itself says that something was saved, erased and the like stays: it tells what was done.
    """
    lettered = re.search(r"[a-z]{2}", told) is not None  # all in capitals, an answer is not told from other words
    rest = _SEE.sub(" ", _STATE.sub(" ", told))
    for remark in _REMARKS:
        rest = remark.sub(" ", rest)
    shown = _SHOWN.match(rest)
    if shown:
        rest = f"{_BESIDE.sub(' ', shown.group())}{rest[shown.end() :]}"
    rest = _SAYS.sub(_harmless, _AWAITED.sub(_harmless, rest) if lettered else rest)
    return rest if len(re.findall(r"[A-Za-z]\w", rest)) >= FEWEST else told


def harm_in(told: str) -> re.Match[str] | None:
    """What of a description speaks of harm; None where nothing does, but for what is beside the matter."""
    return HARM.search(without_asides(told))


def _harmless(match: re.Match[str]) -> str:
    said = match.group("plain") or match.group("quoted")
    return match.group() if HARM_SURELY.search(said) else " "
