"""Any listing read as a person reads it: columns of text, what is typed in them, what may stand there, what it is.

Owns: which words are typed as they stand and which stand for a value, by what the whole listing does: in which letters
its words are written, what repeats. Refuses: where on a line they stand (`lines`), layouts of one console (`tokens`,
`wrapped` know some), and to judge what a word is for (`allow`).
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

from protocol.learn.dialogue import Role
from protocol.learn.words.allow import Entry, judged
from protocol.learn.words.arguments import argued
from protocol.learn.words.asides import harm_in
from protocol.learn.words.grammar import Grammar, grammar_of
from protocol.learn.words.lines import FEWEST, NAME, NUMBER, RESERVED, UNIT, rows_of

MOST_LITERALS = 3
"""Words that are typed as they stand, at most; more are a sentence."""
MOST_TYPED = 44
"""Signs of a text that is typed, at most, where no bracket says more."""
_BRACKET = r"\((?:[kmgKMG]?[hH][zZ]|n|value|number|count|\d[\d.]*(?:-|\.\.| to )\d+)\)"
"""A unit or a range between round brackets."""
_TOKEN = re.compile(rf"<[^<>]*>|{_BRACKET}|\{{[^{{}}]*\}}|\[[^\[\]]*\]|[^\s<\[{{,=]+|[,=]")
_PLACE = re.compile(
    r"(?i)values?|val|v|n|nn+|x+|f|k|y|hz|khz|mhz|ghz|freq|frequency|count|number|num|unit|int|float|rate|baud|bd|arg\w*|name"
)
"""Words that stand where something else is to be typed."""
_CHOICE = re.compile(r"[\w.]+(?:[|/][\w.]+)+")
_COLUMNS = re.compile(r"\S(?:\s{2,}|\s+\.{3,}\s+)\S")
"""A gap or a row of dots: the line has columns."""
_FIELD_SET = re.compile(r"(?<![\w.=])([A-Za-z]?)(\d{1,2})( ?[=:] ?)\d+(?:[.,]\d+)?(?![\w=])")
"""A field of a form, set by its number, behind the letter of its column where it has one."""
_PLAIN = frozenset({Role.SWEEP, Role.DATA, Role.SETTINGS, Role.IDENTITY, Role.NEVER})
"""What two plain words may say by themselves: `run sweep`, `print settings`, `delete calibration`."""
_TRACES = frozenset({"s11", "s21"})
_EITHER = re.compile(r"\s+(?:\||/|or)\s+|,\s+")


@dataclass(frozen=True)
class Style:
    """How the words of one listing are written: "upper", "lower" or "" for both; which numbers name traces."""

    case: str = ""
    numbered: frozenset[tuple[str, str]] = frozenset()
    """Words, each with the number of a trace behind it."""
    mixed: bool = False
    """Whether capitals stand in its words: `lowF <MHz>`, or `readA` beside `readB`."""
    letters: bool = False
    """Whether single letters stand for values: a word has two of them."""


def general_entries(lines: Sequence[str]) -> list[Entry]:
    """All words of a listing in whatever layout; empty where too few lines look like it."""
    if sum(re.sub(r"\([^()]*\)", "", line).count("; ") > 1 for line in lines if not _COLUMNS.search(line)) > 1:
        return []  # sentences, whose words stand anywhere
    rows = rows_of(lines)
    fields = _fields(lines)
    grammar = grammar_of([line.strip() for line in lines], [row.typed for row in rows])
    style = _style([row.typed for row in rows])
    found = list[Entry]()
    for row in rows:
        for typed in _several(row.typed, style):
            told = f"{row.told} (danger: {row.heading})" if RESERVED.search(row.heading) else row.told
            entry = entry_of(typed, told, style)
            if entry is not None:
                found += _spoken(entry, row.heading, grammar)
    best = {entry.name: entry for entry in fields}
    for entry in found:
        held = best.get(entry.name)
        if held is None or (bool(entry.description), len(entry.usage)) > (bool(held.description), len(held.usage)):
            best[entry.name] = entry
    for entry in found:  # what is told of a word's harm anywhere holds
        harm, kept = harm_in(entry.description), best[entry.name]
        if harm and not harm_in(kept.description):
            best[entry.name] = replace(kept, description=f"{kept.description} ({harm.group().strip()})".strip())
    return _asked([argued(entry) for entry in best.values()]) if len(best) >= FEWEST else []


def _asked(entries: Sequence[Entry]) -> list[Entry]:
    """`GET X` beside `SET X` is the question for it, no word of its own."""
    halves = {entry.name: entry.name.partition(" ") for entry in entries}
    asks = {
        rest: name
        for name, (verb, _, rest) in halves.items()
        if rest and verb.lower() in ("get", "read", "ask", "query") and not re.fullmatch(r"(?i)s[12][12]", rest)
    }
    sets = {rest for verb, _, rest in halves.values() if verb.lower() in ("set", "put", "let", "write")}
    found = list[Entry]()
    for entry in entries:
        verb, _, rest = halves[entry.name]
        if verb.lower() in ("set", "put", "let", "write") and rest in asks:
            found.append(replace(entry, question=asks[rest]))
        elif not (rest in sets and asks.get(rest) == entry.name):
            found.append(entry)
    return found


def _fields(lines: Sequence[str]) -> list[Entry]:
    """Fields of a form that are set by their numbers, where an example shows how: `3=100`; those of a sheet by a column
    and their number, `B3=100`."""
    example = next(filter(None, map(_FIELD_SET.search, lines)), None)
    rows = [match for line in lines if (match := re.fullmatch(r"\s*(\d{1,2})[.):]?\s{1,4}([A-Za-z].*)", line))]
    if example is None or len(rows) < FEWEST:
        return []
    column, number, joint = example.groups()
    if column and number not in {row.group(1) for row in rows}:
        return []  # an example of something else
    return [
        Entry(
            f"{column}{row.group(1)}",
            f"{column}{row.group(1)}{joint}<value>",
            " ".join(re.sub(r"\.{3,}", "  ", row.group(2)).split()),
        )
        for row in rows
    ]


def _style(typed: Sequence[str]) -> Style:
    """Letters in which the words of a listing are written, and whether the same word stands before 11 and before 21."""
    firsts = [match.group() for text in typed if (match := re.match(r"[A-Z]+(?![a-z])|[A-Z]?[a-z]+", text.strip()))]
    lower, upper = sum(word.islower() for word in firsts), sum(word.isupper() for word in firsts)
    case = "lower" if lower >= 0.8 * len(firsts) else "upper" if upper >= 0.7 * len(firsts) else ""
    lone = any(len(re.findall(r"(?<=[\w,] )[a-zA-Z](?=[ ,]|$)|(?<=\w [a-z],)[a-z]\b", text)) > 1 for text in typed)
    before = {
        at: {text.rpartition(" ")[0] for text in typed if text.endswith(f" {at}")} for at in ("11", "21", "0", "1", "2")
    }
    for at, fronts in before.items():
        fronts.update(text.removesuffix(at) for text in typed if text.endswith(f",{at}"))
    pairs = (("11", "21"), ("1", "2"), ("0", "1"))
    heads = {(head, at) for one, two in pairs for head in before[one] & before[two] for at in (one, two)}
    capped = [text for text in typed if re.match(r"[a-z]+[A-Z](?![A-Z])", text)]
    begun = [text[:2] for text in capped if re.fullmatch(r"[a-z]+[A-Z]", text)]
    mixed = any(re.match(r"[a-z]+[A-Z]\w* ?[<\[=]", text) for text in capped) or len(set(begun)) < len(begun)
    return Style(case, frozenset(heads), mixed, lone)


def _several(typed: str, style: Style) -> list[str]:
    """A text that names several words at once (`start f, stop f`, `source on | source off`) as so many texts.

    `GET A / B`: where the first is a verb and its object, the others are objects of that verb.
    """
    chosen = re.fullmatch(r"(\S+(?: \S+)?) <?([\w.-]+(?:[|/][\w.-]+)+)>?", typed)
    if chosen and {one.lower() for one in re.split(r"[|/]", chosen.group(2))} >= _TRACES:
        return [f"{chosen.group(1)} {one}" for one in re.split(r"[|/]", chosen.group(2))]
    verb = re.fullmatch(r"(set|get|put|let|read) (\w+(?: ?<[^>]*>)?(?:\|\w+(?: ?<[^>]*>)?)+)", typed)
    if verb:
        return [f"{verb.group(1)} {part}" for part in verb.group(2).split("|")]
    parts = [part.strip() for part in _EITHER.split(typed)]
    if len(parts) < 2 or not all(NAME.match(part) for part in parts):
        return [typed]
    heads = [_literals(part, style) for part in parts]
    if len(heads[0]) == 2 and all(len(head) == 1 for head in heads[1:]):
        return [parts[0], *(f"{heads[0][0]} {part}" for part in parts[1:])]
    if all(head and len(part.split()) <= MOST_LITERALS for head, part in zip(heads, parts, strict=True)):
        return parts
    return [typed]


def _literals(typed: str, style: Style) -> list[str]:
    """Words at the beginning that are typed as they stand."""
    found = list[str]()
    for match in _TOKEN.finditer(typed):
        behind = typed[match.end() :].split(" ", maxsplit=1)[0]
        traces = bool(found) and (re.match(r"(?i)s[12][12]\b", behind) or (f"{found[-1]},", behind) in style.numbered)
        if match.group() == "," and traces:
            found[-1] += ","
            continue
        named = len(found) == 1 and found[0].lower() in ("set", "put", "let") and match.group().isalpha()
        if named and typed[match.end() :].strip():
            found.append(match.group())  # `set n <points>`: the name of what is set
            continue
        if match.group() in ",=" or _place(match.group(), style, " ".join(found)):
            break
        if found and found[-1].endswith(","):
            found[-1] += match.group()
        else:
            found.append(match.group())
    return found


def _place(token: str, style: Style, before: str) -> bool:
    """Whether something else is to be typed where a token stands, behind the words `before`."""
    if token[0] in "<{[(":
        return True
    if not before or token.startswith("-") or (before, token) in style.numbered:
        return False
    if NUMBER.fullmatch(token) or (style.letters and len(token) == 1 and token.isalpha()) or UNIT.fullmatch(token):
        return True
    other = (style.case == "lower" and token.isupper() and token.isalpha()) or (
        style.case == "upper" and token.islower()
    )
    if other and not re.fullmatch(r"(?i)s[12][12]", token):
        return True
    return _PLACE.fullmatch(token) is not None


def entry_of(typed: str, told: str, style: Style) -> Entry | None:
    """What is typed as a word, its arguments marked: `set start 10 MHz` is `set start`, `set start <10> MHz`."""
    typed = re.sub(r"(?<!\.)\.$", "", typed.strip(" ;'\"`"))
    glued = re.match(r"([a-z]{1,3})([A-Z])(?: (.*))?$", typed) if style.case == "lower" else None
    if glued and not style.mixed:
        return Entry(glued.group(1), f"{glued.group(1)}<{glued.group(2)}>", f"{glued.group(3) or ''} {told}".strip())
    head = _literals(typed, style)
    if not head or not NAME.fullmatch(head[0]) or len(head) > MOST_LITERALS:
        return None
    if head[0].lower() == "help" and len(head) > 1:
        return None  # it tells more of a word, and sets none
    bare = re.sub(rf"<[^<>]*>|{_BRACKET}|\[[^\[\]]*\]|\{{[^{{}}]*\}}|--?\w+", "", typed)
    if len(bare) > MOST_TYPED or re.search(r"(?<!\.)[.!?:] |[;\"]|\)$", bare[len(head[0]) :]):
        return None
    if not all(
        NAME.fullmatch(word)
        or (" ".join(head[:at]), word) in style.numbered
        or word.startswith("-")
        or _CHOICE.fullmatch(word)
        for at, word in enumerate(head)
    ):
        return None
    name = " ".join(head)
    usage = name + _marked(typed, name, style)
    if len(head) > 1 and head[-1].lower() == "from" and re.search(r"(?i) from <\w+> to <\w+>$", usage):
        head, name = head[:-1], " ".join(head[:-1])  # between which points; nothing of the word
    asks = head[0].lower() in ("get", "read", "query", "ask") and len(head) == 2
    if (
        len(head) > 1
        and not told
        and usage == name
        and not asks
        and not re.fullmatch(r"(?i)s[12][12]|on|off", head[-1])
        and (len(head) > 2 or judged(Entry(name, name))[0] not in _PLAIN)
    ):
        return None  # a heading, a remark
    bare = head[1] if len(head) == 2 and head[0].lower() in ("set", "put", "let") else ""
    return Entry(name, usage, told, bare)


def _marked(typed: str, name: str, style: Style) -> str:
    """What stands behind the words, each place for something else between angle brackets; units stay."""
    position, parts = 0, list[str]()
    rest = re.sub(r"^" + r"\s+".join(map(re.escape, name.split())), "", typed)
    tokens = list(_TOKEN.finditer(rest))
    for number, match in enumerate(tokens):
        token = match.group()
        parts.append(rest[position : match.start()])
        position = match.end()
        value = number and parts[-2:-1] and re.search(r"[\d>]$", "".join(parts).rstrip())
        if UNIT.fullmatch(token) and value:
            parts.append(token)
        elif token.lower() in ("unit", "<unit>") and value:
            parts.append("HZ" if style.case == "upper" else "Hz")
        elif rest[position : position + 1] == "=":
            parts.append(token)
        elif _place(token, style, name) and token[0] not in "<{[":
            parts.append(f"<{token.strip('()')}>")
        else:
            parts.append(token)
    return "".join(parts) + rest[position:]


def _spoken(entry: Entry, heading: str, grammar: Grammar) -> list[Entry]:
    """An entry as the console wants it said: a name alone goes behind the verb for names of its kind."""
    return grammar.applied(entry, heading)


MOST_TOPICS = 12
_NO_TOPICS = frozenset(("and", "for", "the", "this", "lists", "list", "gives", "shows", "page", "text", "with", "here"))
_TOPICS = re.compile(r"(?i)\b(?:topics?|groups?|sections?|chapters?|subjects?)\b[^:]{0,30}: *([a-z][\w, ]*\w)")
_TOLD_OF = r"(?i)\b{word} (?:<\w+>|and (?:the |a |one )?(?:topic|group|word|section)|(?:topic|group|section)\b)"


def topics_of(lines: Sequence[str], word: str) -> list[str]:
    """What the word of help may be asked about, where its own text says that it tells more of topics or groups."""
    text = " ".join(" ".join(line.split()) for line in lines)
    listed = _TOPICS.search(text)
    names = [part.strip() for part in listed.group(1).split(",")] if listed else []
    if listed is None or len(names) < 2:
        told = re.search(_TOLD_OF.format(word=re.escape(word)), text)
        names = [row.typed for row in rows_of(lines)] if told else []
        named = dict.fromkeys(re.findall(rf"(?i)\b{re.escape(word)} ([A-Za-z]\w{{2,14}})\b", text))
        spoken = [name for name in named if name.lower() not in _NO_TOPICS]
        names = names or (spoken if len(spoken) > 1 else [])
    return [name for name in names if re.fullmatch(r"[A-Za-z][\w.-]{0,15}", name)][:MOST_TOPICS]
