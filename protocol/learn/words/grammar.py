"""How a console says that its names are used: `put NAME VALUE`, `get NAME`, `do ACTION`, `field TO value`.

Owns: finding such sentences in what it printed, and putting a name where they say. Refuses: verbs that mean neither
setting, reading nor doing.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

from protocol.learn.dialogue import ONE_VALUE, Role
from protocol.learn.words.allow import Entry, judged

READING = frozenset(
    ("get", "see", "read", "show", "cat", "look", "tell", "print", "type", "peek", "view", "ask", "query", "display",
     "list", "out", "give", "dump", "fetch", "send", "report")
)  # fmt: skip
SETTING = frozenset(
    (
        "put",
        "set",
        "let",
        "make",
        "enter",
        "change",
        "alter",
        "assign",
        "give",
        "write",
        "adjust",
        "edit",
        "modify",
        "param",
    )
)
DOING = frozenset(("run", "do", "go", "start", "call", "act", "exec", "execute", "perform", "take"))
_NAMES = (
    r"(?:names?|tags?|fields?|param(?:eter)?s?|pars?|items?|keys?|words?|settings?|var(?:iable)?s?|reg(?:ister)?s?|cells?|"
    r"nodes?|ids?|propert(?:y|ies)|props?|attr\w*|entr(?:y|ies)|symbols?|actions?|acts?|ops?|operations?|functions?|fn|"
    r"traces?|channels?|data|results?|quantit(?:y|ies)|objects?)"
)
_VALUES = r"(?:values?|vals?|v|numbers?|num|n|new|x|args?)"
_SET = re.compile(
    rf"(?i)(?<![\w.])(?P<verb>[a-z]{{2,8}}) [<\[{{(]?(?P<name>{_NAMES})[>\]}})]?(?P<join> ?:?= ?| |:|,| to | as )"
    rf"[<\[{{(]?{_VALUES}[>\]}})]?(?![\w.])"
)
_ONE = re.compile(rf"(?i)(?<![\w.])(?P<verb>[a-z]{{2,8}}) [<\[{{(]?(?P<name>{_NAMES})[>\]}})]?(?![\w.])")


_WITH = re.compile(
    r"(?i)\b(?P<what>set|read|get|run|done?|called|shown?|printed|queried|changed)\b"
    rf"[^'\"]{{0,12}}\b(?:with|by|as|using)\b:? *['\"]?(?P<verb>[a-z]{{1,8}}) [<\[]?(?P<name>{_NAMES})[>\]]?"
    rf"(?P<value>(?P<join>[ =:,])[<\[]?{_VALUES}[>\]]?)?(?![\w.])"
)


@dataclass(frozen=True)
class Use:
    """One verb, the kind of names that stand behind it, and what stands between name and value ("" for no value)."""

    verb: str
    kind: str
    join: str = ""

    def takes(self, heading: str) -> bool:
        """Whether names under a heading are of its kind."""
        words = re.sub(r"\(.*", "", heading).split()
        return bool(words) and _stem(words[-1]) == _stem(self.kind)


@dataclass(frozen=True)
class Grammar:
    """How names are set, read and done; None where nothing tells."""

    sets: Use | None = None
    others: tuple[Use, ...] = ()

    def applied(self, entry: Entry, heading: str) -> list[Entry]:
        """An entry with the verb that it needs; a word that is a verb itself, or has one, as it is."""
        verbs = {use.verb.lower() for use in (self.sets, *self.others) if use is not None}
        if self.sets is None or " " in entry.name or entry.name.lower() in verbs:
            return [entry]
        role, _ = judged(entry)
        mine = [use for use in self.others if use.takes(heading)]
        setting = self.sets.takes(heading) or (not mine and role in ONE_VALUE)
        if setting:
            told = f"{entry.usage[len(entry.name) :].strip()} {entry.description}".strip()
            name = f"{self.sets.verb} {entry.name}"
            asks = next((use for use in self.others if _stem(use.kind) == _stem(self.sets.kind)), None)
            question = f"{asks.verb} {entry.name}" if asks is not None else ""
            form = f"{name}{self.sets.join}{{v}}"
            return [Entry(name, name, told, entry.word, form=form, question=question)]
        if not mine:
            wanted = READING if role in (Role.DATA, Role.STATUS, Role.IDENTITY, Role.SETTINGS) else DOING
            mine = [use for use in self.others if use.verb.lower() in wanted and role is not Role.UNKNOWN][:1]
        return [replace(entry, name=f"{use.verb} {entry.name}", usage=f"{use.verb} {entry.usage}", bare=entry.word)
                for use in mine] or [entry]  # fmt: skip


def grammar_of(lines: Sequence[str], typed: Sequence[str] = ()) -> Grammar:
    """What the lines say of the use of names; an empty grammar where none tells how one is set."""
    sets, others = None, dict[str, Use]()
    for line in lines:
        for match in _SET.finditer(line):
            if match.group("verb").lower() in SETTING and sets is None:
                sets = Use(match.group("verb"), match.group("name"), match.group("join"))
    for match in (found for line in lines for found in _WITH.finditer(line)):
        if match.group("value") and match.group("what").lower() in ("set", "changed") and sets is None:
            sets = Use(match.group("verb"), _kind(match, lines), match.group("join"))
        elif not match.group("value") and match.group("what").lower() not in ("set", "changed"):
            others.setdefault(
                f"{match.group('what')} {match.group('verb')}", Use(match.group("verb"), _kind(match, lines))
            )
    if sets is None:
        return Grammar()
    for line in (*typed, *lines):
        for match in _ONE.finditer(_SET.sub(" ", line)):
            verb = match.group("verb")
            if verb.lower() in READING | DOING and verb not in others:
                others[verb] = Use(verb, match.group("name"))
    return Grammar(sets, tuple(others.values()))


def _kind(match: re.Match[str], lines: Sequence[str]) -> str:
    """The heading that a sentence stands beside, or the kind of names that it speaks of."""
    for line in lines:
        head = re.match(r"([A-Za-z]+)[^A-Za-z]", line)
        if head and match.group() in line:
            return head.group(1)
    return match.group("name")


def _stem(word: str) -> str:
    """A kind of names without its plural, in small letters."""
    low = word.lower().strip(":()<>")
    low = re.sub(r"ies$", "y", low)
    low = re.sub(r"s$", "", low)
    return {"variable": "var", "parameter": "param", "register": "reg"}.get(low, low)
