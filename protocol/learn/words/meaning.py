"""What a described word is for, read as a person reads it: several plain words that only together mean one thing.

Owns: that reading. A lower end of hertz is where a sweep starts, a count of records is a number of points. Refuses: to
judge by one word alone, to read where a second thing is spoken of, and harm (`allow` has looked for that before).
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from protocol.learn.dialogue import Role

_LOWER = re.compile(
    r"(?:start|starts|starting|begin|begins|beginning|first|low|lower|lowest|bottom|origin|left|western|initial|from|min|minimum|"
    r"smallest|anfang|anfangsfrequenz|startfrequenz|unter(?:e|er|ste))"
)
_UPPER = re.compile(
    r"(?:stop|stops|end|ends|ending|last|high|higher|upper|highest|top|right|eastern|final|finish|finishes|until|max|maximum|largest|"
    r"ende|endfrequenz|stoppfrequenz|ober(?:e|er|ste))"
)
_MIDDLE = re.compile(r"(?:cent(?:re|er)|middle|mid|midpoint|mitte|mittenfrequenz)")
_WIDE = re.compile(r"(?:span|wide|width|sweepwidth)")
_BETWEEN = re.compile(r"(?:step|spacing|increment|between|distance|schrittweite)")
_EXTREME = re.compile(r"(?:min|minimum|max|maximum|smallest|largest)")
"""Ends only where a value stands behind them: a limit is told in the same words."""
_COUNTED = re.compile(
    r"(?:points?|pts|records?|samples?|dots?|steps|stops|readings|bins|rows|stations|places|measurements|punkte|messpunkte)"
)
_PASSED = re.compile(r"(?:filter|resolution|selectivity|bandwidth|bandbreite|rbw|ifbw|bw)")
SPENT = re.compile(
    r"(?:signal|pulse|oscillator|osc|offset|tone|subtone|carrier|marker|intermediate|mixer|alarm|test|synth\w*|beacon|beep\w*|pll|vco|"
    r"dds|nco|loop|lo|clock|clk|pilot|squelch|deviation|cutoff|pass|trap|notch|doppler|beat|image|spur\w*|sync|trigger|gate|"
    r"sends?|emits?|emission|drives?|single|constant|fixed|steady|continuous(?:ly)?|without|ever|"
    r"mains|hum|output|source|generator|exciter|modulat\w*|dac|adc|sampler|sampling)"
)
"""Other things that count hertz."""
_TOLD_SO = frozenset(("signal", "send", "sends", "pass", "gate", "image", "loop"))
"""Those of them that may stand in a word for data as well."""
_PASS = re.compile(r"(?i)(?<=last |this |each |next )pass\b|(?<=one )pass\b")
"""One pass through all frequencies is a sweep; a filter's pass is none."""
_HERTZ = re.compile(r"(?i)(?<![a-z])[kmg]?hz\b|hertz|frequen[cz]\w*|\bfreq\b|[a-z]frequenz\b")
_UNIT = re.compile(r"(?i)(?<![a-z])[kmg]?hz\b|hertz")
_BACK = re.compile(
    r"(?i)\breflect(?:ion|ed)\b|\breturn(?:ed|ing)\b(?! to)|\bs ?11\b|\bport (?:1|one|a) (?:back|reflected)\b|"
    r"\b(?:comes?|came) back\b|\b(?:port|socket|input|connector) (?:1|one|a) (?:returns?|echo)\b|"
    r"\breturn(?:s|ed) to (?:the )?(?:port|socket|input|connector) (?:1|one|a)\b|"
    r"\breturns? (?:of|at|from) (?:the )?(?:port|socket|input|connector)\b|\breturn loss\b|"
    r"\becho(?:es)?\b|\breflexion\b|\b(?:bounced|mirrored|thrown|sent) back\b"
)
_THROUGH = re.compile(
    r"(?i)\btransmi(?:ssion|tted)\b|\bs ?21\b|\bpassage\b|\bthrough\b|"
    r"\b(?:port )?(?:1|one|a) ?(?:->|to|into) ?(?:port )?(?:2|two|b)\b|\breceived\b|"
    r"\barriv(?:es?|ed|ing) at\b|\b(?:got|gets|goes|went|passe[sd]) through\b|\btransfer\b|"
    r"\bwhat (?:passes|crosses|crossed|gets? across|reache[sd])\b|\bforward\b|\bthru\b|\binsertion (?:loss|gain)\b|"
    r"\bgain and phase\b|\bcomes? (?:out|across)\b"
)
_TELLS = re.compile(
    r"(?i)^(?:the )?(?:print|list|show|output|give|send|read|dump|return|report|get|tell|transmit|fetch)(?:e?s)?\b|"
    r"^(?:writes?|types?|reads?|prints?|punch(?:es)?|spells?) (?:down|out|back)\b|"
    r"^(?:type|deliver|download|upload|supply|provide|present|recite|publish|hand over|"
    r"see|look at|view|hear)(?:e?s)?\b|"
    r"^what (?:is|was|comes?|came|gets?|got|goes|went|returns?|passes)\b|"
    r"ausgeben\b|drucken\b|"
    r"^(?:the |all )?(?:results?|readings?|values?|data|figures|numbers|measurements?|samples)\b|"
    r"^same\b|^point k\b|\b(?:of|from) (?:the )?(?:last|latest) (?:sweep|scan|measurement)\b|"
    r"^(?:reflect|transmi)\w+$|\btrace\b"
)
_ONCE = re.compile(
    r"(?i)^(?:(?:run|take|make|do|doe|start)s? )?(?:one |1 |a |single )?(?:sweep|scan|measurement|measure|measuring)s?"
    r"(?:,| now| once| one time|$)|^(?:sweep|measure|scan)s? (?:(?:all |the )+\w+ )?(?:now|once|one time)"
)
_COUNT_OF = re.compile(r"(?i)\b(?:anzahl|number of|how many|count of|quantity of|amount of)\b|\bper (?:sweep|scan)\b")
_MADE_OF = (
    r"(?:points?|frequenc(?:y|ies)|stops?|steps?|samples?|readings?|records?|dots?|bins?|rows?|lines?|places?|stations?|"
    r"measurements?|values?)\b"
)
_MANY = re.compile(
    r"(?i)^(?:the )?(?:number of|how many|count of) (?:the )?(?:\w+ )?"
    + _MADE_OF
    + r"(?!.*\b(?:averag|mean\b|[kmg]?hz\b))"
)
"""A description that counts what a sweep is made of."""
_WALKS = re.compile(
    r"(?i)^(?:walk|go|run|step|pass|move|sweep|scan|hop)(?:e?s)? (?:once )?(?:through|over|across|along) "
    r"(?:all|every|each|the whole|the full)\b.*\bmeasur(?:e|es|ing)\b"
)
_EACH = re.compile(
    r"(?i)^(?:measure|sample|record|collect|acquire|scan|read)s? (?:at )?(?:all|every|each)"
    r"(?: (?:the|of the|one of the))? " + _MADE_OF + r"(?: once| one time| now)?\W*(?:[,;(].*)?$"
)
"""What is measured is all that a sweep is made of."""
MOST_PLAIN = 4
"""Words of a description that says no more than what is counted."""
_WHOLE = re.compile(r"\W*(?:[nN]|\d{1,3} ?(?:\.\.+|-|to|until|bis) ?\d{2,6})\W*")
"""An argument that is a whole number."""


def read_role(name: str, arguments: str, description: str) -> tuple[Role, str] | None:
    """The one role that a word's name, arguments and description mean together; None where they mean none, or two.

    A setting needs an argument or a unit beside the words that tell it; a trace needs a word that tells or names one.
    """
    beside = re.sub(r"\b(?:from|to|until)\b", " ", f"{arguments} {description}")  # a preposition is no end
    words = re.findall(r"[a-z]+", f"{_parted(name)} {beside}".lower())
    words = [word for word in words if word != "pass"] if _PASS.search(beside) else words
    if not re.search(r"[<{\[]|\d|\b[nfxv]\b", arguments):
        words = [word for word in words if not _EXTREME.fullmatch(word)]
    description = _PASS.sub("sweep", description)
    told = f"{arguments} {description}"
    spent = [word for word in words if SPENT.fullmatch(word)]
    if spent == ["lo"] and _one(words, _LOWER):
        spent = []  # where something begins it is short for low, no oscillator
    telling = _TELLS.search(description) or _TELLS.search(name)
    if telling and not _HERTZ.search(told) and all(word in _TOLD_SO for word in spent):
        spent = []  # it sends what it tells
    if spent or ("if" in words and not _one(words, _PASSED)):
        return None
    found = list[tuple[Role, str]]()
    if _MANY.match(description) and _counts(_parted(name).lower(), arguments, description):
        found = [(Role.POINTS, "it counts what a sweep is made of")]  # how many frequencies, and no frequency
    elif not arguments.strip() and (_WALKS.search(description) or _EACH.search(description)):
        found = [(Role.SWEEP, f"its description says so: {description[:50]!r}")]
    elif _HERTZ.search(told):
        found = _of_hertz(words)
        if not found and not _UNIT.search(told) and _counts(_parted(name).lower(), arguments, description):
            found = [(Role.POINTS, "it counts what a sweep is made of")]
    elif _counts(_parted(name).lower(), arguments, description):
        found = [(Role.POINTS, "it counts what a sweep is made of")]
    elif not re.search(r"[<{\[]|\b[nkvx]\b", arguments) or re.search(r"(?i)\b(?:point|record) k\b", description):
        found = _of_traces(_parted(name), description)
    return found[0] if len(found) == 1 else None


def _of_hertz(words: Sequence[str]) -> list[tuple[Role, str]]:
    received = any(re.fullmatch(r"receiver|rx|detector|listens?|hears?", word) for word in words) and _one(words, _WIDE)
    if _one(words, _PASSED) or received:
        return [(Role.BANDWIDTH, "it is a width of a filter, in hertz")]
    readings = (
        (_LOWER, Role.START, "it is a lower end, in hertz"),
        (_UPPER, Role.STOP, "it is an upper end, in hertz"),
        (_MIDDLE, Role.CENTRE, "it is a middle, in hertz"),
        (_WIDE, Role.SPAN, "it is a width, in hertz"),
        (_BETWEEN, Role.STEP, "it is what lies between two points, in hertz"),
    )
    found = [(role, why) for pattern, role, why in readings if _one(words, pattern)]
    if {role for role, _ in found} == {Role.CENTRE, Role.SPAN}:  # the centre of the span, or a span about the centre
        first = next(word for word in words if _MIDDLE.fullmatch(word) or _WIDE.fullmatch(word))
        return found[:1] if _MIDDLE.fullmatch(first) else found[1:]
    return [one for one in found if one[0] is not Role.SPAN] if len(found) == 2 else found


def _counts(name: str, arguments: str, description: str) -> bool:
    """Whether it is a number of points: named so, or described so in two words, with a whole number beside it."""
    parts = re.findall(r"[a-z]+", name)
    named = any(_COUNTED.fullmatch(word) or word in ("num", "steps", "count") for word in parts)
    named = named or parts[1:] in (["n"], ["pts"], ["npts"], ["np"])  # `sweep.n`
    example = re.fullmatch(r"\W*<(\d+)>\W*", arguments)
    if example and re.search(
        rf"(?i)\b{example.group(1)} (?:points|pts|samples|steps|dots|readings|places|frequencies|spots|stops)\b",
        description,
    ):
        return True
    if re.fullmatch(r"(?i)\W*<(?:number of |no\. of |nr of )?(?:points|pts|samples)\b[^<>]*>\W*", arguments):
        return True
    told = [word for word in re.findall(r"[a-z]+", description.lower()) if _COUNTED.fullmatch(word)]
    whole = any(_WHOLE.fullmatch(part) for part in re.split(r"[,(]\s*", description) if part.strip())
    plain = len(re.findall(r"[a-z]{2,}", description.lower())) <= MOST_PLAIN and re.search(r"[<{\[]", arguments)
    if not arguments.strip() and re.fullmatch(r"(?i)\d{1,4} (?:points|pts|samples|dots)\W*", description):
        return True  # the value that holds, as of all others
    if told and whole and plain and "points" in told:
        return True  # `with N points (5..300)`
    if _WHOLE.fullmatch(arguments):
        return named or bool(told and _COUNT_OF.search(description))
    if _MANY.match(description) and (whole or re.search(r"[<{\[]|\d", arguments)):
        return True
    return ((named or bool(told)) and bool(_COUNT_OF.search(description))) or (named and whole)


def _of_traces(name: str, description: str) -> list[tuple[Role, str]]:
    told = description.strip()
    if _WALKS.search(told) or _EACH.search(told):
        return [(Role.SWEEP, f"its description says so: {told[:50]!r}")]
    back, through = _BACK.search(told), _THROUGH.search(told)
    if (back or through) and (_TELLS.search(told) or _TELLS.search(name)):
        return [(Role.DATA, f"its description names a trace: {told[:50]!r}")]
    if not (back or through) and _ONCE.search(told):
        return [(Role.SWEEP, f"its description says so: {told[:50]!r}")]
    return []


def _one(words: Sequence[str], pattern: re.Pattern[str]) -> bool:
    return any(pattern.fullmatch(word) for word in words)


def _parted(name: str) -> str:
    return re.sub(r"([a-z])([A-Z])", r"\1 \2", name)
