"""Words that are known by what a listing says of several: the thing whose ends are set, and the word that does it once.

Owns: the sweep told by the thing that the settings speak of (`near end of the field`, `plough the field once`), an end
told by its opposite, a count of whatever lies between the ends, a word that shows the settings by their names. Refuses:
to take any of these where two words could be meant, or where a word speaks of harm (`allow` has judged that before).
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from protocol.learn.dialogue import Role
from protocol.learn.words.asides import harm_in
from protocol.learn.words.lexicon import HARM_NAME, HARM_SURELY

_ENDS = (
    ("first", "second"), ("first", "last"), ("near", "far"), ("opening", "closing"), ("open", "close"),
    ("left", "right"), ("from", "to"), ("from", "until"), ("minimum", "maximum"), ("min", "max"), ("start", "finish"),
    ("bottom", "top"), ("begin", "end"), ("beginning", "end"), ("beginning", "finish"), ("lower", "upper"),
    ("low", "high"), ("lowest", "highest"), ("smallest", "largest"), ("entry", "exit"), ("earliest", "latest"),
    ("shallowest", "deepest"), ("foot", "top"), ("foot", "head"), ("nearest", "farthest"), ("opens", "closes"),
    ("smallest", "biggest"), ("slowest", "fastest"), ("darkest", "brightest"), ("begins", "ends"), ("starts", "stops"),
    ("departure", "arrival"), ("one", "other"), ("this", "that"), ("a", "b"), ("1", "2"),
)  # fmt: skip
OPPOSITES = frozenset(word for pair in _ENDS for word in pair)
"""Words for either end of a thing."""
_HERTZ = re.compile(r"(?i)(?<![a-z])[kmg]?hz\b|frequen|\bfreq\b")
_COUNT = re.compile(
    r"(?i)^(?:in(?:to)? )?(?:the )?(?:number of|how many|count of|this many|so many) (?:\w+ )?(\w+)|"
    r"^(\w+s) (?:in|per|over|across|to|between|on|along)\b|^n \w+s\b"
)
_RANGE = re.compile(r"(?<![\w.])(\d{1,3}) ?(?:\.\.+|-|to|up to|until|through) ?(\d{2,6})(?![\w.])")
_OTHERS = re.compile(
    r"(?i)averag|sweeps?\b|slot|memor|preset|cop(?:y|ies)|retr(?:y|ies)|digit|beep|baud|channel|decimal|pages?\b|second|"
    r"minute|port|times|volt|degree|decibel|\bdb|serial|user|bits?\b|lines?\b|percent|seed|label"
)
"""Things that are counted, and are no points of a sweep."""
_ONCE = re.compile(
    r"(?i)\bonce\b|\bone time\b|\b(?:one|single) (?:(?:complete|full|whole|new) )?(?P<thing>[a-z]{3,})|"
    r"^(?:one )?(?P<ran>[a-z]{3,}) run\b(?! (?:time|length|number))|"
    r"^(?:take|make|run|do|draw|carry out|perform|execute|begin|go|walk|ride|fly|sail|travel|shoot|stand|trace|record|"
    r"capture|acquire|measure|collect|hold|conduct|trigger|launch)(?:e?s)? (?:the|a|an) "
    r"(?:(?:whole|full|complete|new) )?(?P<made>[a-z]{3,})\W*$"
)
_NO_SWEEP = re.compile(
    r"(?i)\b(?:nuke|shred|melt|blank|scrub|strip|scuttle|empt(?:y|ie)|zap|bin|toss|kill|blow|sink|drown|break|smash|flush|clean|"
    r"blast|explode|shut|lock|freeze|heat|cool|jam|transmit|radiate|beam|shine|light|fire|ring|sound|beep|call|dial|drop|cut|"
    r"fill|feed|drive|excite|key|tear|undo|hide|move|swap|turn|set|change|alter|load|post|mail|sign|seal|stamp)(?:e?s|ed|ing)?\b"
)
"""Verbs of which one does a thing once that is no sweep."""
_SHOWS = re.compile(r"(?i)^(?:shows?|prints?|lists?|tells?|displays?|gives?|sends?|reports?|says?) ")
_STOPPED = frozenset(
    ("this", "that", "with", "from", "into", "line", "each", "frequency", "frequencies", "number", "points", "point",
     "reflection", "transmission", "real", "imaginary", "magnitude", "phase", "degrees", "port", "present", "settings",
     "lower", "upper", "first", "last", "between", "what", "when", "which", "through", "start", "stop", "value",
     "again", "ready", "signal", "output", "input", "power", "tells", "time")
)  # fmt: skip
_VALUES = frozenset({Role.START, Role.STOP, Role.CENTRE, Role.SPAN, Role.STEP, Role.POINTS, Role.RANGE})


@dataclass(frozen=True)
class Said:
    """A word, its arguments, what is told of it."""

    word: str
    arguments: str
    told: str

    @property
    def harmful(self) -> bool:
        """Whether anything of it speaks of harm."""
        named = (HARM_SURELY if self.told else HARM_NAME).search(self.word)
        return harm_in(f"{self.told} {self.arguments}") is not None or named is not None


def together(said: Sequence[Said], known: Sequence[tuple[Role, str]]) -> list[tuple[Role, str]]:
    """Roles of all words, with those that are known only by the others."""
    found = list(known)
    for find in (_opposite, _count, _thing, _settings):
        roles = [role for role, _ in found]
        more = find(said, roles)
        if not any(said[at].harmful for at in more):
            for at, told in more.items():
                found[at] = told
    return found


def _opposite(said: Sequence[Said], roles: Sequence[Role]) -> dict[int, tuple[Role, str]]:
    """Two ends whose descriptions differ in one word, and that is the opposite: `near end`, `far end`."""
    if {Role.START, Role.STOP} <= set(roles) and roles.count(Role.STOP) == roles.count(Role.START) == 1:
        return {}
    pairs = list[tuple[int, int]]()
    twice = {role for role in _VALUES if roles.count(role) > 1}  # then neither is sure
    open_ones = [at for at, role in enumerate(roles) if role in (Role.UNKNOWN, Role.START, Role.STOP, *twice)]
    for at in open_ones:
        for other in open_ones:
            one, two = (re.findall(r"[a-z0-9]+", _plain(said[i])) for i in (at, other))
            least = min(len(one), len(two))
            unlike = [(a, b) for a, b in zip(one, two, strict=False) if a != b]
            hertz = all(_HERTZ.search(f"{said[i].told} {said[i].arguments}") for i in (at, other))
            if at != other and least > 1 and hertz and len(unlike) == 1 and unlike[0] in _ENDS and _takes(said[other]):
                pairs.append((at, other))
    if len(pairs) != 1:
        return {}
    why = f"{said[pairs[0][0]].word!r} and {said[pairs[0][1]].word!r} are told as two ends of one thing, in hertz"
    return {pairs[0][0]: (Role.START, why), pairs[0][1]: (Role.STOP, why)}


def _count(said: Sequence[Said], roles: Sequence[Role]) -> dict[int, tuple[Role, str]]:
    """The one count of whatever a sweep is made of, where its ends are known and nothing else counts points."""
    spans = ({Role.START, Role.STOP}, {Role.CENTRE, Role.SPAN}, {Role.START, Role.STEP}, {Role.RANGE})
    if Role.POINTS in roles or not any(span <= set(roles) for span in spans):
        return {}
    mine = [
        at
        for at, one in enumerate(said)
        if roles[at] is Role.UNKNOWN and _COUNT.search(one.told) and not _OTHERS.search(one.told) and _takes(one)
        and not _HERTZ.search(one.told.split(",")[0]) and _reaches(f"{one.arguments} {one.told}")
    ]  # fmt: skip
    why = "it counts what lies between the two ends, up to as many as points of a sweep"
    return {mine[0]: (Role.POINTS, why)} if len(mine) == 1 else {}


def _thing(said: Sequence[Said], roles: Sequence[Role]) -> dict[int, tuple[Role, str]]:
    """The one word that does once what the settings and the data speak of, where no other word sweeps."""
    if Role.SWEEP in roles or not any(role in _VALUES for role in roles):
        return {}
    spoken = {
        stem for one, role in zip(said, roles, strict=True) if role in _VALUES or role is Role.DATA
        for stem in _stems(one.told)
    }  # fmt: skip
    ends = [one.word.lower() for one, role in zip(said, roles, strict=True) if role in (Role.START, Role.STOP)]
    ends = ends if len(ends) == 2 else ["\n"]
    mine = []
    for at, one in enumerate(said):
        once = _ONCE.search(one.told)
        if roles[at] is not Role.UNKNOWN or once is None or one.arguments.strip() or _NO_SWEEP.search(one.told):
            continue
        thing = once.group("thing") or once.group("ran") or once.group("made")
        things = _stems(thing) if thing else _stems(one.told)
        told = re.findall(r"[\w.-]+", one.told.lower())
        if things & spoken or all(name in told for name in ends):
            mine.append(at)
    return {mine[0]: (Role.SWEEP, "it does once what the settings are told to be of")} if len(mine) == 1 else {}


def _settings(said: Sequence[Said], roles: Sequence[Role]) -> dict[int, tuple[Role, str]]:
    """A word that shows two settings or more, which it names."""
    names = [one.word.split()[-1].lower() for one, role in zip(said, roles, strict=True) if role in _VALUES]
    found = dict[int, tuple[Role, str]]()
    for at, one in enumerate(said):
        if roles[at] is Role.UNKNOWN and _SHOWS.match(one.told) and not one.arguments.strip():
            shown = set(re.findall(r"[\w.]+", one.told.lower())) & set(names)
            if len(shown) > 1:
                found[at] = (Role.SETTINGS, f"it shows {', '.join(sorted(shown))}")
    return found


def _takes(one: Said) -> bool:
    return re.search(r"[<{\[\d]|\b[a-zA-Z]$", one.arguments) is not None


def _plain(one: Said) -> str:
    text = re.sub(r"\bup to\b", "to", f"{one.told} {one.arguments}".lower())
    return re.sub(r"\([^()]*\d[^()]*\)|,? [\d.]+ ?(?:-|to) ?[\d.]+", "", text)


def _reaches(text: str) -> bool:
    """Whether a range in it goes from few to many, or none is told."""
    told = _RANGE.search(text)
    return told is not None and int(told.group(1)) <= 101 and int(told.group(2)) >= 50


def _stems(text: str) -> set[str]:
    """The beginnings of longer words, in which one noun and its verb are alike (`examination`, `examine`)."""
    return {word[:5] for word in re.findall(r"[a-z]{4,}", text.lower()) if word not in _STOPPED}
