"""Listings whose words are not sent bare: between brackets, as an object of JSON, behind a verb.

Owns: these layouts, each as entries whose names are what a line begins with, and the verbs that go before names.
Refuses: to part a listing that is not written so throughout; what a word is for (`allow`).
"""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

from protocol.learn.dialogue import Role
from protocol.learn.words.allow import Entry, judged
from protocol.learn.words.arguments import argued
from protocol.learn.words.lexicon import HARM, HARM_NAME
from protocol.learn.words.paired import short_for_first, short_for_last

FEWEST = 3
"""Words that make such a listing."""

MOST_VERBS = 4
"""Verbs that a column of them holds at most."""

NAMING = ("name", "id", "ident", "version", "model")
"""Nodes whose reading tells what it is."""

_ITEM = re.compile(r"\(([A-Za-z][\w.-]*)((?: +(?:[A-Z]\w*|[a-z](?!\w)))*)\)")
_GROUP = re.compile(r"((?:[A-Za-z]\w{0,11} )+)\(([^()]{1,40})\)(?=\s{2,}|\s*$|,)")
_QUOTED = re.compile(r"'([a-z]\w{0,11})' ([a-z][^;]{4,60})")
_SAID = re.compile(r"(?<!\w)'([a-z][\w .-]{0,40})'(?!\w)")
_CALL = re.compile(r"\s*(?:[-*] )?([A-Za-z_]\w*(?:\.\w+)?)\(([^()]*)\)(?:\s{2,}|\s+[-:=#]+\s+|\s*\.{2,}\s*)(\S.*)")
_STACKED = re.compile(r"\s*(?P<name>\S{1,16})\s+\(\s*(?P<takes>[^()]*?)\s*--[^()]*\)\s*(?P<told>.*)")
_PLACED = re.compile(
    r"\s*(?:(?P<takes><[^<>]*>(?: <[^<>]*>)*) )?(?P<name>[A-Za-z.][\w.-]{0,15})(?:\s{2,}|\t|\s+[-:=]\s+)(?P<told>\S.*)"
)
_FOR_ME = re.compile(
    r"(?i)^(?:and |then )*(?:in order )?to (?:(?:make|let|have|get|cause) (?:me|it|us) (?:to )?)?(?=\w)"
)
_JOINED = re.compile(r"(?i)[\s,]*(?:or|and|either|,)?[\s,]*")
_NODE = re.compile(r"\s*(/?[a-z][\w.-]*(?:/[\w.-]+)+|/[a-z][\w.-]*)(?:\s+(\S.*?))?\s*")
READING = frozenset(
    ("get", "see", "read", "show", "cat", "look", "tell", "print", "type", "peek", "view", "ask", "query")
)
SETTING = frozenset(("put", "set", "let", "make", "enter", "change", "alter", "assign", "give", "write"))
"""Verbs that mean reading a node and setting it; `del` and `burn` stand before nodes as well."""
DOING = frozenset(("run", "do", "go", "start", "call"))
"""Verbs that mean doing what a node is named for."""
OPERATIONS = re.compile(
    r"(?i)set|put|let|conf(?:ig(?:ure)?)?|cfg|(?:set_?)?(?:sweep|span|range|scan|window|band|freq(?:uency|uencies)?|stim\w*)"
)
"""Operations with values of their own that are for a sweep; `cal` has a start and a stop as well."""
_METHODS = re.compile(r"\b(?P<read>GET)\b\W+(?:or |and )?(?P<write>PUT)\b")  # RFC 9110: GET changes nothing


_BRANCH = re.compile(
    r"(?i)(?:sw(?:ee)?p|scan|freq|range|span|stim|sens|meas|acq|data|trace|trc|res|out|read|par|set|conf|cfg|rec|rx|vna|na|"
    r"info|id|sys|dev|inst|ch|port|s|p|if|bw|avg|ctl|ctrl|ana|net|refl|trans|point|axis|x|y|z|n)[a-z]*\d*|"
)
"""A branch of the tree that may be of a sweep; a beacon has a start, too."""


@dataclass(frozen=True)
class Verbs:
    """The word that reads a node and the one that writes it."""

    read: str
    write: str


def wrapped_entries(lines: Sequence[str], said: Sequence[str] = ()) -> list[Entry]:
    """All words of a listing that is written in one of these ways; empty for any other. `said` are refusals."""
    return (
        _nodes(lines, verbs_of([*lines, *said]))
        or _objects(lines)
        or _calls(lines)
        or _behind_values(lines)
        or _bracketed(lines)
        or _grouped(lines)
        or _spoken(lines)
    )


_READS = re.compile(
    r"\s*([a-z]{2,8}) ([A-Z]{2,8})\s+(?:contents?|show|shows|read|reads|print|prints|tell|tells|value)\b.*"
)
_WRITES = re.compile(r"\s*([a-z]{2,8}) ([A-Z]{2,8}) [A-Z]{1,8}\s+(?:change|changes|set|sets|write|writes|put|puts)\b.*")


def verbs_of(lines: Sequence[str]) -> Verbs | None:
    """The verbs that go before every name, where the console tells them, on one line or on a line each."""
    shows, puts = ([m for line in lines if (m := one.fullmatch(line))] for one in (_READS, _WRITES))
    told = len(shows) == len(puts) == 1 and shows[0].group(2) == puts[0].group(2)
    if told and shows[0].group(1) in READING and puts[0].group(1) in SETTING:
        return Verbs(shows[0].group(1), puts[0].group(1))
    for line in lines:
        for match in _METHODS.finditer(line):
            return Verbs(match.group("read"), match.group("write"))
        for node in re.findall(r"(?<!\S)[a-z]{2,6} ([A-Z]{2,8})\b", line):
            reads = [
                verb for verb in re.findall(rf"(?<!\S)([a-z]{{2,6}}) {node}(?! [A-Z]{{2}})\b", line) if verb in READING
            ]
            writes = [verb for verb in re.findall(rf"(?<!\S)([a-z]{{2,6}}) {node} [A-Z]+\b", line) if verb in SETTING]
            if len(set(reads)) == len(set(writes)) == 1:
                return Verbs(reads[0], writes[0])
    return None


def _nodes(lines: Sequence[str], verbs: Verbs | None) -> list[Entry]:
    """Paths of a tree, each a word behind the verb that fits what it is for."""
    rows = [match for line in lines if (match := _NODE.fullmatch(line))]
    if verbs is None or len(rows) < FEWEST:
        return []
    column = _verb_column([row.group(2) or "" for row in rows], verbs)
    found = []
    for row in rows:
        node, told = row.group(1), row.group(2) or ""
        if column:
            verb, *rest = told.split(None, 1)
            known = verb in (verbs.read, verbs.write, *DOING)
            found.append(_behind(node, verb, _warned(node, " ".join(rest), known=known)))
            continue
        last = node.rpartition("/")[2]
        role, _ = judged(Entry(node, f"{node} {told}".strip(), told))
        if role is Role.UNKNOWN and told:
            told = f"{last} {told}"
        told = _warned(node, told)
        takes = not re.search(r"[;,]|\bsweeps\b", told) and bool(row.group(2))
        verb = verbs.write if takes else verbs.read
        usage = f"{verb} {node} <{row.group(2)}>" if takes else f"{verb} {node}"
        word = last if takes else "identity" if last in NAMING and not told.strip() else node.replace("/", " ").strip()
        found.append(Entry(f"{verb} {node}", usage, told, word))
    return found


def _calls(lines: Sequence[str]) -> list[Entry]:
    """`begin(hz)  lower edge`: functions, called with their values between brackets and asked without any."""
    rows = [match for line in lines if (match := _CALL.fullmatch(line.rstrip()))]
    if len(rows) < FEWEST or len(rows) < 0.6 * len(lines) or not any(not row.group(2).strip() for row in rows):
        return []
    found = []
    for row in rows:
        name, inner, told = row.group(1), row.group(2).strip(), " ".join(row.group(3).split())
        places = [part.strip().partition("=")[0] for part in inner.split(",") if part.strip()]
        if not places or re.fullmatch(r"['\"]?[sS]?[12][12]['\"]?", inner):
            call = f"{name}({inner})"
            found.append(Entry(call, call, told, f"{name} {inner}".strip(" '\"")))
            continue
        usage = f"{name}({', '.join(f'<{place}>' for place in places)})"
        if len(places) == 1:
            found.append(Entry(name, usage, told, form=f"{name}({{v}})", question=f"{name}()"))
            continue
        whole = argued(Entry(name, f"{name} {' '.join(f'<{place}>' for place in places)}", told)).form
        fields = re.findall(r"\{\w+\}", whole)
        form = f"{name}({', '.join(fields)})" if len(fields) == len(places) else ""
        found.append(Entry(name, usage, told, form=form, question=f"{name}()" if form else ""))
    return found


def _behind_values(lines: Sequence[str]) -> list[Entry]:
    """`low ( kHz -- ) lower edge`, `<kHz> low  lower edge`: words that stand behind their values, in stack notation or
    with the place for the value before each word that takes one."""
    rows = [match for line in lines if (match := _STACKED.fullmatch(line.rstrip()))]
    if len(rows) < FEWEST:
        rows = [match for line in lines if (match := _PLACED.fullmatch(line.rstrip()))]
        if sum(bool(row.group("takes")) for row in rows) < FEWEST - 1 or len(rows) < 0.6 * len(lines):
            return []
    found = []
    for row in rows:
        name, told = row.group("name"), " ".join(row.group("told").split())
        places = [place.strip("<>") for place in (row.group("takes") or "").split() if place.strip("<>")]
        if not places:
            found.append(Entry(name, name, told, name.strip(".!:@")))
            continue
        usage = f"{name} {' '.join(f'<{place}>' for place in places)}"
        whole = argued(Entry(name, usage, told)).form
        fields = re.findall(r"\{\w+\}", whole) if len(places) > 1 else ["{v}"]
        form = f"{' '.join(fields)} {name}" if len(fields) == len(places) else ""
        found.append(Entry(name, usage, told, form=form))
    return found


def _warned(node: str, told: str, *, known: bool = True) -> str:
    """What is told of a node; where its path or a verb that is not known may do harm, that as well."""
    path = any(
        HARM_NAME.search(part) or HARM.search(part) or not _BRANCH.fullmatch(part) for part in node.split("/")[:-1]
    )
    return f"{told} (danger: its {'path' if path else 'verb'})".strip() if path or not known else told


def _verb_column(told: Sequence[str], verbs: Verbs) -> bool:
    """Whether a verb stands beside each node, that which goes before it."""
    firsts = [(text.split() or [""])[0] for text in told]
    return (
        verbs.write in firsts
        and len(set(firsts)) <= MOST_VERBS
        and all(re.fullmatch(r"[a-z]{2,8}", one) for one in firsts)
    )


def _behind(node: str, verb: str, told: str = "") -> Entry:
    """A node behind its own verb; one that is told to be set takes a value."""
    last = node.rpartition("/")[2]
    takes = verb in SETTING
    word = "identity" if last in NAMING and not told else node.replace("/", " ").strip()
    return Entry(
        f"{verb} {node}", f"{verb} {node} <{told}>" if takes else f"{verb} {node}", told, last if takes else word
    )


def _objects(lines: Sequence[str]) -> list[Entry]:
    """`{"ops": {"set": {"f0": "Hz"}, "who": ""}}`: names of operations, some with values of their own."""
    try:
        whole = json.loads(" ".join(lines))
    except ValueError:
        return []
    if not isinstance(whole, dict) or len(whole) != 1:
        return []
    (key, table), found = next(iter(whole.items())), list[Entry]()
    if not isinstance(table, dict) or not key.endswith("s"):
        return []
    key = key[:-1]
    for name, told in table.items():
        if isinstance(told, dict):
            for inner, unit in told.items():
                front = f'{{"{key}":"{name}","{inner}":'
                word = inner if OPERATIONS.fullmatch(name) else name
                found.append(Entry(front, f"{front}<{unit}>}}", str(unit), word))
        else:
            found.append(Entry(f'{{"{key}":"{name}"}}', f'{{"{key}":"{name}"}}', str(told), name))
    return found if len(found) >= FEWEST else []


def _bracketed(lines: Sequence[str]) -> list[Entry]:
    """`(low HZ) (sweep) ; gives ...`: each command stands between brackets, remarks behind a semicolon."""
    found, rest = list[Entry](), ""
    for line in lines:
        text, *others = re.split(r";|(?<=\))\s{2,}(?=[A-Za-z])", line, maxsplit=1)
        remark = others[0] if others else ""
        items = list(_ITEM.finditer(text))
        rest += _ITEM.sub("", text)
        for item in items:
            name, arguments = item.group(1), item.group(2).strip()
            harmful = HARM.search(remark) is not None  # then of whichever: of all
            told = remark.strip() if item is items[-1] or harmful else ""
            front = f"({name}" if arguments else f"({name})"
            found.append(Entry(front, item.group(), told, name))
    return found if len(found) >= FEWEST and not re.search(r"\w", rest) else []


def _spoken(lines: Sequence[str]) -> list[Entry]:
    """Sentences that quote their words: `Say 'tell through' and I sweep`. A word is described by what stands behind it
    up to the next, or before it where nothing does; joined by `or` and the like they share it. A sentence without a
    word of its own speaks of the words before it as well.

    A quoted example with numbers is a command for several settings, when the words before its numbers name them.
    """
    text = _in_single_quotes(" ".join(line.strip() for line in lines))
    found, last = list[Entry](), 0
    for sentence in re.split(r"(?<=[.!])\s+(?=['\"]?[A-Za-z])", text):
        pieces = _SAID.split(sentence)
        words, between = pieces[1::2], pieces[2::2]
        if not words and HARM.search(sentence):
            found[last:] = [replace(entry, description=f"{entry.description} {sentence}") for entry in found[last:]]
        last = len(found) if words else last
        for at, word in enumerate(words):
            behind = next((part for part in between[at:] if not _JOINED.fullmatch(part)), "")
            told = _FOR_ME.sub("", " ".join((behind if re.search(r"\w{2}", behind) else pieces[0]).split()))
            told = re.sub(r"(?i)[\s,;]+(?:and|or|then|nor)$", "", told.strip(" ,;"))
            if HARM.search(sentence) and not HARM.search(told) and len(words) == 1:
                told = " ".join(sentence.split())
            usage = _example(word) or _one_value(word)
            name = usage.partition(" <")[0] if usage.count("<") == 1 else word.split()[0] if usage else word
            if usage or not re.search(r"\d", word):
                found.append(Entry(name, usage or word, told))
    enough = len(found) >= FEWEST and len("".join(entry.name for entry in found)) < 0.5 * len(text)
    return found if enough and any(entry.usage != entry.name for entry in found) else []


def _in_single_quotes(text: str) -> str:
    """A text whose words stand between double quotes or accents, with those between single quotes."""
    for sign in ('"', "`"):
        if text.count(sign) >= 2 * FEWEST and len(_SAID.findall(text)) < FEWEST:
            return re.sub(
                rf"{sign}([^{sign}]{{1,41}}){sign}", lambda match: f"'{match.group(1)}'", text.replace("'", " ")
            )
    return text


def _one_value(text: str) -> str:
    """`begin at 100 MHz` as `begin at <100> MHz`: plain words, one value, its unit; "" for anything else."""
    match = re.fullmatch(r"([a-z]+(?: [a-z]+){0,2}) (\d+(?:\.\d+)?)( ?(?:[kMG]?Hz|points?|pts))?", text)
    return f"{match.group(1)} <{match.group(2)}>{match.group(3) or ''}" if match else ""


def _example(text: str) -> str:
    """`from 10 to 50 with 21 points` as `from <start> to <stop> with <points> points`; "" for anything else."""
    parts = re.split(r"(\d+(?:\.\d+)?)", text)
    names = list[str]()
    for at in range(1, len(parts), 2):
        before = (parts[at - 1].split() or [""])[-1]
        after = (parts[at + 1].split() or [""])[0]
        count = re.match(r"points?\b|pts\b|dots\b", after) or re.fullmatch(r"points?|pts|dots", before)
        name = "points" if count else "start" if short_for_first(before) else "stop" if short_for_last(before) else ""
        if not name or name in names:
            return ""
        names.append(name)
        parts[at] = f"<{name}>"
    return "".join(parts) if {"start", "stop"} <= set(names) else ""


def _grouped(lines: Sequence[str]) -> list[Entry]:
    """`f1 f2 (Hz)  n (2..1001)`: names and, between brackets behind them, what they take; `'go' sweeps`."""
    found = list[Entry]()
    for line in lines:
        groups = list(_GROUP.finditer(re.sub(r"^\W*(?:keys|words|commands): ", "", line)))
        if len(groups) > 2:
            found += [Entry(name, name, match.group(2)) for match in groups for name in match.group(1).split()]
    if len(found) < FEWEST:
        return []
    return found + [
        Entry(match.group(1), match.group(1), match.group(2)) for match in _QUOTED.finditer(" ".join(lines))
    ]
