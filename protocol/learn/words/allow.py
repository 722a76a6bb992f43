"""May a word be sent? Only on evidence that it is a question, or sets or gives what a sweep needs.

Owns: the decision, with its reason in words. Refuses: to take a stem, a guess or the lack of a warning for evidence.
The lexicon of harm is a veto on top of it, never the permission.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

from protocol.learn.dialogue import ONE_VALUE, Correction, Role, Told, Word
from protocol.learn.words.asides import modern, without_asides
from protocol.learn.words.lexicon import DESCRIPTIONS, HARM, HARM_NAME, HARM_SURELY, NAMES, speaking_of
from protocol.learn.words.meaning import SPENT, read_role
from protocol.learn.words.paired import paired, short_for_first, short_for_last
from protocol.learn.words.together import OPPOSITES, Said, together
from protocol.learn.words.wholly import strange

_DESCRIPTIONS = tuple((role, re.compile(pattern, re.IGNORECASE)) for role, pattern in DESCRIPTIONS)
_NAMES = tuple((role, re.compile(pattern, re.IGNORECASE)) for role, pattern in NAMES)
_VERB = re.compile(r"^(?:set|get|put|read)[ _]?(?=[A-Za-z])", re.IGNORECASE)
_BARE = re.compile(r"(?:[\d.,:;|/ ()\[\]<>{}=+-]|(?<=\d)[kMG]\b)*")

SETTERS = ("set", "put", "let", "make", "write", "store", "clear", "cal", "save")
"""Verbs before the name of a trace that do not ask for it."""
_ENDS = frozenset({Role.START, Role.STOP})
_BEFORE = ("set", "put", "let", "sweep", "swp", "freq", "scan")
"""Words before the name of a setting that leave it one; `print from a to b` sets nothing."""
_SWEPT = re.compile(r"(?i)sw(?:ee)?p|scan|freq|range|span|band|window|limits|ends|edges|stim|set(?![a-z])|^f\b")
"""Speaks of a sweep or of its frequencies."""
_LIMIT = re.compile(
    r"(?i)\W*(?:max(?:imum)?|at most|up to|not more than)\.? \d+ (?:points|records|lines)(?: at once)?\W*"
)
"""A description that says how much comes at once, and nothing of what."""
_REFERS = re.compile(r"(?i)(?:see|cf\.?|as for|look under) (?:also |under )?[\w.]+(?:(?:,| and| or) [\w.]+)*")
"""A description that names another word."""
_WAITS = re.compile(r"(?i)(?:it |and |then )*waits? (?:until|till|for)\b")
_SHOWING = re.compile(r"(?i)(?:show|print|list|tell|display|read|give)[ ._-](?:all|settings?|values|parameters|setup)")
FEWEST_PLACES = 2
"""Settings with a place for their value that show how a listing is written."""
_FEW = 3
"""Words of a description that says nothing of its own: `do it`, `once`, `now`."""
_ANSWERS = re.compile(
    r"(?<=\w)[;,.]?\s+\(?(?:and |then |please )*"
    r"(?:(?i:waits? (?:for|until)|answers?|repl(?:y|ies)|says?|reports?|comes back with))"
    r"(?: with)? [\"']?[A-Z][A-Z0-9]*(?: [A-Z0-9]+)*[\"']?\)?\W*$"
)
"""The end of a description that names what comes back, in capitals."""
_READ_LEVEL = re.compile(r"(?i)^((?:print|show|list|display|report|tell|dump)s? (?:the )?(?:\w+ )?)levels?\b")
"""A level that is told is measured; one that is set, or switched, drives something."""
_EXAMPLE = re.compile(
    r"(?i)\(?(?:e\.? ?g\.?|example|for example|for instance|as in)[,:]? \S*[ =]?\d\S*\)?[,;:]?\s+(?=\w)"
)
"""How it is typed, before what it is."""
_BOTH = re.compile(r"(?i)\b(?:ends|limits|edges|lower and upper|start and stop|first and last) (?:of|end|freq)")
"""Says of two words at once what they are."""
_MANY_OF = re.compile(r"^(?:the )?(?:number of|how many|count of|this many|so many)? ?(\w+)")
"""What is counted, in small letters."""
_MEMORY = r"(?:in)?to (?:the |its )?(?:memory|buffer|ram)"
_INTO_MEMORY = re.compile(
    r"(?i)(?:(?:take|make|run|do|record|start)s? )?(?:one |a |a single |single )(?:sweep|scan|measurement|run)s? "
    + _MEMORY
)
_OF_MEMORY = re.compile(
    r"(?i)(?:print|list|show|output|give|send|tell|display|type)s? (?:out )?(?:the |its |all (?:of )?(?:the )?)?"
    r"(?:contents? of (?:the )?)?(?:memory|buffer|ram)(?: contents?)?"
)

_USES_MEMORY = re.compile(
    r"(?i)\b(?:less|minus|differen\w+|divi\w+|subtract\w*|compar\w*|ratio|relative|math\w*|versus|against|normali\w*|over|"
    r"beside|with|and)\b.*\b(?:memory|buffer|ram)\b|\b(?:memory|buffer|ram)\b.*\b(?:subtract|divi|compar|screen|shown)"
)
"""What is in the memory is used for something."""

SAID = "the technician says so"
SENT = frozenset(Role) - {Role.NEVER, Role.UNKNOWN}
"""Roles whose words may be sent."""


@dataclass(frozen=True)
class Entry:
    """One word as the console writes it: `usage` with its arguments, `description` as far as it has one of its own."""

    name: str
    usage: str = ""
    description: str = ""
    bare: str = ""
    """The word itself, where it is sent behind or between other signs; "" where `name` is the word."""
    form: str = ""
    """The whole command, {v} for its value, where the listing tells it; {start}, {stop}, {points} for several."""
    question: str = ""
    """The question for its value, where the listing tells it."""

    @property
    def word(self) -> str:
        """What it is called."""
        return self.bare or self.name


def judged(entry: Entry, but: frozenset[Role] = frozenset(), terms: frozenset[str] = frozenset()) -> tuple[Role, str]:
    """The role of one word by itself, and why; never one of `but`, and none where not all that is told of it is
    understood. `terms` are the console's own words for a sweep."""
    role, why = _for(entry, but)
    told = modern(_ANSWERS.sub("", without_asides(entry.description.strip())))
    if told != entry.description.strip():  # what was taken away may have stood behind an `and`
        told = re.sub(r"(?i)[\s,;]+(?:and|then|please)\W*$", "", told)
    odd = strange(role, told, f"{_arguments(entry)} {' '.join(terms)}") if role in SENT else ""
    return (Role.UNKNOWN, f"its description may mean a second thing: {odd!r}") if odd else (role, why)


def _for(entry: Entry, but: frozenset[Role]) -> tuple[Role, str]:
    """What a word by itself seems to be for, and why; never one of `but`."""
    if _REFERS.fullmatch(entry.description.strip(" .")):
        return Role.UNKNOWN, "it refers to another word"
    shown = _EXAMPLE.match(entry.description)
    if shown and entry.word.lower() in shown.group().lower():
        entry = replace(entry, description=entry.description[shown.end() :])
    told = without_asides(entry.description.strip())
    arguments = _arguments(entry)
    harm = HARM.search(_READ_LEVEL.sub(r"\1amplitude", told))
    if harm:
        return Role.NEVER, f"its description says {speaking_of(harm)!r}"
    if entry.form and ("{start}" in entry.form or "{centre}" in entry.form):
        bad = next(filter(None, map(HARM_NAME.search, entry.word.split())), None)
        if bad:
            return Role.NEVER, f"its name holds {bad.group()!r}"
        if _of_a_sweep(entry, f"{arguments} {entry.form}"):
            return Role.RANGE, "it takes both ends of a sweep"
        return Role.UNKNOWN, "it takes two ends, and nothing says that they are those of a sweep"
    told = re.sub(r"'[^']* [^']*'", "", told)  # what it says is not what it does
    told = modern(_ANSWERS.sub("", told).strip())
    if told and not _BARE.fullmatch(told):
        return _described(replace(entry, description=modern(entry.description)), told, modern(arguments), but)
    return _undescribed(entry, arguments)


def _described(entry: Entry, told: str, arguments: str, but: frozenset[Role]) -> tuple[Role, str]:
    """The role of a word of which something is told, `told` without what is beside the matter."""
    role = next((role for role, pattern in _DESCRIPTIONS if role not in but and pattern.search(told)), None)
    read = _read(entry, arguments) if role in (None, Role.FREQUENCIES) else None
    read = None if read and read[0] in but else read
    own = _by_name(entry, arguments)
    if read and not (own and own[0] in ONE_VALUE and re.search(rf"(?i)\b{own[0].name}\b", told)):
        return read
    if role is None:
        return (
            _by_usage(entry, arguments)
            or _by_name(entry, arguments)
            or (Role.UNKNOWN, "its description does not say what it is for")
        )
    bad = HARM_SURELY.search(entry.word) or next(filter(None, map(HARM_NAME.search, entry.word.split()[:-1])), None)
    if bad and not _named(entry.word):
        return Role.NEVER, f"its name holds {bad.group()!r}"
    if role in _ENDS and _BOTH.search(told):
        short = Role.START if short_for_first(entry.word) else Role.STOP if short_for_last(entry.word) else role
        own = own or (short, "it is named so of two that are told together")
    elif own and not (role in ONE_VALUE and own[0] in ONE_VALUE and re.search(rf"(?i)\b{own[0].name}\b", told)):
        own = None
    return own or (role, f"its description says so: {told[:50]!r}")


def _undescribed(entry: Entry, arguments: str) -> tuple[Role, str]:
    """The role of a word by its name and its arguments alone."""
    if HARM.search(arguments):
        return Role.NEVER, "its arguments speak of harm"
    found = _by_usage(entry, arguments)
    if found:
        return found
    named = _named(entry.word)
    if named:
        return named, "its name says so"
    read = _read(entry, arguments)
    if read:
        return read
    bad = HARM_NAME.search(entry.word)
    if bad:
        return Role.NEVER, f"its name holds {bad.group()!r}"
    return Role.UNKNOWN, "nothing says what it is for"


def _read(entry: Entry, arguments: str) -> tuple[Role, str] | None:
    """What name, arguments and description mean together, unless any of them speaks of harm."""
    described = HARM_SURELY if entry.description else HARM_NAME
    if HARM.search(arguments) or described.search(entry.word):
        return None
    return read_role(entry.word, arguments, entry.description)


def _by_name(entry: Entry, arguments: str) -> tuple[Role, str] | None:
    """A word that is named for a setting and takes a value, or is named for a trace, whatever else is told of it."""
    role = _named(entry.word)
    parts = re.split(r"[ ./,]+", entry.word.strip("/"))
    last = _named(parts[-1])
    named = not re.search(r" ", entry.word.strip()) or parts[0].lower() in (
        "set",
        "put",
        "let",
        "sweep",
        "swp",
        "freq",
        "scan",
    )
    if role is None and len(parts) > 1 and last in ONE_VALUE and named:
        role = last
    if role is None and len(parts) > 1 and parts[0].lower() not in SETTERS and last is Role.DATA:
        role = last
    if any(HARM_NAME.search(part) for part in parts) or role is None:
        return None
    takes = re.search(r"[<{\[]", arguments) or entry.form or re.match(r"[-+]?\d", entry.description)
    if role in ONE_VALUE and takes:
        return role, "its name says so, and it takes a value"
    if role is Role.SWEEP and len(re.findall(r"[A-Za-z]+", entry.description)) <= _FEW and not arguments.strip():
        return role, "its name says so, and little else is told of it"
    if role is Role.SWEEP and _WAITS.match(entry.description) and not arguments.strip():
        return role, "its name says so, and one has to wait for it"
    if role is Role.SETTINGS and _SHOWING.fullmatch(entry.word) and not arguments.strip():
        return role, "its name says so"
    trace = re.fullmatch(r"(?i)s[12][12]", parts[-1]) is not None
    limit = _LIMIT.fullmatch(entry.description) is not None and entry.word.count(" ") == 1
    return (role, "its name says so") if role is Role.DATA and (trace or limit) else None


def _by_usage(entry: Entry, arguments: str) -> tuple[Role, str] | None:
    """A word whose arguments are named start and stop sets both."""
    both = re.search(
        r"(?i)(?<![a-z])start(?![a-z]).{1,12}?(?<![a-z])stop(?![a-z])|(?<![a-z])f_?1(?!\w)\W{1,4}f_?2(?!\w)", arguments
    )
    if both and not HARM_NAME.search(entry.name) and _of_a_sweep(entry, arguments):
        return Role.RANGE, f"its arguments are named so: {arguments.strip()[:40]!r}"
    return None


def _of_a_sweep(entry: Entry, arguments: str) -> bool:
    """Whether a word that takes two ends says that they are those of a sweep; a beacon has a start and a stop, too."""
    return _SWEPT.search(f"{entry.name} {entry.description}") is not None or (
        "points" in arguments and re.search(r"(?i)\b(?:from|to|between|with|in)\b", arguments) is not None
    )


def _named(name: str) -> Role | None:
    bare = _VERB.sub("", name).strip()
    for text in (name, bare, name.lstrip("@/.:$%"), name.replace(" ", "_")):
        role = next((role for role, pattern in _NAMES if pattern.fullmatch(text)), None)
        if role is not None:
            return role
    return None


def words_of(entries: Sequence[Entry]) -> list[Word]:
    """All words with their roles; a unit is none. One that adds a sign to another's name is never sent undescribed."""
    entries = [entry for entry in entries if not _is_unit(entry)]
    names = {entry.name.lower() for entry in entries}
    found = []
    known = [judged(entry) for entry in entries]
    terms = frozenset(entry.word for entry, (role, _) in zip(entries, known, strict=True) if role is Role.SWEEP)
    terms |= frozenset() if _ENDS & {role for role, _ in known} else _theme(entries)
    known = [
        judged(entry, terms=terms) if one[0] is Role.UNKNOWN else one for entry, one in zip(entries, known, strict=True)
    ]
    said = [Said(entry.word, _arguments(entry), entry.description) for entry in entries]
    judgements = _by_memory(entries, _with_pairs(entries, _by_places(entries, known)))
    judgements = _understood(said, judgements, together(said, judgements))
    for number, (entry, judgement) in enumerate(zip(entries, judgements, strict=True), 1):
        role, reason = judgement
        near = _neighbour(entry, names)
        if near and role in SENT and not entry.description:
            role, reason = Role.NEVER, f"it is nearly the word {near!r}, and nothing tells what the difference does"
        found.append(
            Word(
                number,
                entry.name,
                entry.usage,
                entry.description,
                role,
                reason,
                form=entry.form,
                question=entry.question,
            )
        )
    return found


def _by_places(entries: Sequence[Entry], known: list[tuple[Role, str]]) -> list[tuple[Role, str]]:
    """Where the listing shows a place behind words that take a value, one without a place that gives data or takes a
    sweep by what is told of it does that: the number of points, say, stands in what is told of its answer."""
    places = [re.search(r"[<\[{\d]", _arguments(entry)) is not None or bool(entry.form) for entry in entries]
    taking = sum(place and role in ONE_VALUE for place, (role, _) in zip(places, known, strict=True))
    if taking < FEWEST_PLACES:
        return known
    found = list(known)
    for at, (entry, place) in enumerate(zip(entries, places, strict=True)):
        if known[at][0] in ONE_VALUE and not place:
            other = judged(entry, ONE_VALUE)
            found[at] = other if other[0] in (Role.DATA, Role.SWEEP) else known[at]
    return found


_MADE = re.compile(r"(?i)\b(?:one|single|a whole|a full|the) ([a-z]{3,})(?= once\b|\W*$|[,;.])")
_THING = re.compile(
    r"(?i)\b(?:of|in|per|across|over|along) (?:(?:the|a|an|each|one) )?([a-z]{3,})|"
    r"\bthe ([a-z]{3,}) (?:begin|end|start|stop|finish|depart|arrive|leave)(?:e?s)?\b|"
    r"\b(?:begin|end|start|stop)s? ([a-z]{3,}) at\b"
)


def _theme(entries: Sequence[Entry]) -> frozenset[str]:
    """What a console calls a sweep: the thing of which both ends are told to be, and points are counted or one is made
    (`where the brew begins`, `cuts per brew`, `make one brew`), unless that speaks of harm.

    Of a quartz or an exciter two ends may be told as well; none is made, and nothing else has ends then.
    """
    ends: dict[Role, set[str]] = {}
    for entry in entries:
        found = {"".join(found).lower() for found in _THING.findall(entry.description)}
        ends.setdefault(_for(entry, frozenset())[0], set()).update(found)
    made = {match.group(1).lower() for entry in entries for match in _MADE.finditer(entry.description)}
    both = ends.get(Role.START, set()) & ends.get(Role.STOP, set())
    return frozenset(
        thing
        for thing in both & (made | ends.get(Role.POINTS, set()))
        if not HARM.search(thing) and not SPENT.fullmatch(thing)
    )


def _understood(
    said: Sequence[Said], before: Sequence[tuple[Role, str]], after: Sequence[tuple[Role, str]]
) -> list[tuple[Role, str]]:
    """Roles that words have by each other, of those that say nothing beside what they say together."""
    spoken = Counter(
        word for one, (role, _) in zip(said, after, strict=True) if role in SENT
        for word in set(re.findall(r"[a-z]+", one.told.lower()))
    )  # fmt: skip
    shared = {word for word, times in spoken.items() if times > 1}
    found = list(before)
    for at, (one, told) in enumerate(zip(said, after, strict=True)):
        if told == before[at]:
            continue
        own = set(shared)
        if told[0] in _ENDS:
            own |= OPPOSITES
        elif told[0] is Role.SWEEP:  # `plough the field once`, `one glide from aa to bb`
            own |= {other.word.lower() for other in said} - {one.word.lower()}
            first = re.match(r"(?:one )?([a-z]+)", one.told.lower())
            own |= {first.group(1)} if first else set()
        elif told[0] is Role.POINTS:
            own |= set(_MANY_OF.findall(one.told.lower()))
        elif told[0] is Role.SETTINGS:
            own |= {other.word.lower() for other in said}
        if not strange(told[0], modern(without_asides(one.told)), f"{one.arguments} {' '.join(own)}"):
            found[at] = told
    return found


def _is_unit(entry: Entry) -> bool:
    """Whether the name is a unit that stands in a listing, and not a word that gives data and happens to read so."""
    unit = re.fullmatch(r"(?i)[kmg]?hz|db|deg", entry.name) is not None
    return unit and not (entry.description and judged(entry)[0] is Role.DATA)


def _with_pairs(entries: Sequence[Entry], known: list[tuple[Role, str]]) -> list[tuple[Role, str]]:
    """Words that are not known by themselves may be known by each other."""
    roles = {role for role, _ in known}
    others = bool(roles & {Role.CENTRE, Role.SPAN, Role.STEP, Role.RANGE}) or {Role.START, Role.STOP} <= roles
    open_ones = [at for at, (role, _) in enumerate(known) if role in (Role.UNKNOWN, Role.START, Role.STOP)]
    rows = [(entries[at].word, _arguments(entries[at]), entries[at].description) for at in open_ones]
    found = {
        open_ones[at]: told
        for at, told in paired(rows, known=others).items()
        if told[0] not in roles and not strange(told[0], rows[at][2], rows[at][1])
    }
    return [one if one[0] is not Role.UNKNOWN else found.get(at, one) for at, one in enumerate(known)]


def _by_memory(entries: Sequence[Entry], known: list[tuple[Role, str]]) -> list[tuple[Role, str]]:
    """A sweep into memory and a word that prints that memory, where nothing else sweeps or gives data.

    Then the memory is where a sweep goes, and nothing that somebody keeps: it has no number and no name.
    """
    found, mine = list(known), list[int]()
    for role, pattern in ((Role.SWEEP, _INTO_MEMORY), (Role.DATA, _OF_MEMORY)):
        at = [one for one, entry in enumerate(entries) if pattern.fullmatch(entry.description.strip(" .;"))]
        if len(at) != 1 or _arguments(entries[at[0]]).strip() or HARM_NAME.search(entries[at[0]].word):
            return known
        mine += at
        found[at[0]] = (role, "sweeps go to a memory that has no number, and nothing else gives data")
    others = {role for at, (role, _) in enumerate(known) if at not in mine}
    if any(_USES_MEMORY.search(entry.description) for at, entry in enumerate(entries) if at not in mine):
        return known  # other sweeps are compared with it: somebody may have left one there
    return known if others & {Role.SWEEP, Role.DATA} else found


def _arguments(entry: Entry) -> str:
    return entry.usage[len(entry.name) :] if entry.usage.startswith(entry.name) else entry.usage


def _neighbour(entry: Entry, names: set[str]) -> str:
    """Another word that this one only adds a sign or two to."""
    name = entry.name.lower()
    shorter = {name[:-1], name[:-2], name[1:], name.rstrip("!")} - {name, ""}
    return next((text for text in shorter if len(text) > 2 and text in names), "")


def corrected(words: Sequence[Word], corrections: Sequence[Correction]) -> list[Word]:
    """The words with the technician's corrections, words that he typed behind them.

    He outranks everything but a word's own harm, which `corrections` refuses to take.
    """
    found = list(words)
    for one in corrections:
        if one.told is not None and one.told.question:
            continue
        if one.number:
            found = [
                replace(word, role=one.role, reason=SAID, told=one.told or Told(one.role))
                if word.number == one.number
                else word
                for word in found
            ]
        else:
            found = [word for word in found if word.name != one.name]
            found.append(Word(_next(found), one.name, "", "", one.role, SAID, one.told or Told(one.role)))
    for one in corrections:
        if one.told is not None and one.told.question:
            found = _asked(found, one.role, one.told)
    return found


def _next(words: Sequence[Word]) -> int:
    return max((word.number for word in words), default=0) + 1


def _asked(words: Sequence[Word], role: Role, told: Told) -> list[Word]:
    """A question for a setting goes with the words that set it, those that the technician named first."""
    mine = [word for word in words if word.role is role and word.told] or [word for word in words if word.role is role]
    numbers = {word.number for word in mine}
    return [
        replace(word, told=replace(word.told or Told(role), question=told.question)) if word.number in numbers else word
        for word in words
    ]
