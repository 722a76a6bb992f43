"""Finds how a word of known role sets a value and how it is read back, by setting two values and looking.

Owns: the ways in which consoles write a setting. Refuses: to send an argument to a word whose role is not known.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from protocol.learn.dialogue import Role, Word
from protocol.learn.sweeps.shape import LARGEST
from protocol.learn.words.talk import Talk
from protocol.learn.words.tokens import cells_of, hints_of
from protocol.learn.words.wrapped import verbs_of

NUMBER = re.compile(r"[-+]?(?:\d+\.?\d*|(?<![\w.])\.\d+)(?:[eE][-+]?\d{1,3})?")
COMMA = re.compile(r"[-+]?\d+(?:,\d+)?(?:[eE][-+]?\d{1,3})?")
HEXED = re.compile(r"(?<!\w)[0-9A-F]{6,8}(?!\w)")
BEHIND = {"(": ")", "{": "}"}
WRAPPED = tuple(BEHIND)
"""Signs before a word that stands between brackets, and what stands behind it."""
WITH_UNIT = re.compile(
    r"(?i)\bwith (?:a |its |the )?(?:unit|[kmg]?hz)\b.*|\bno unit\b.*|"
    r"\bunit (?:is )?(?:missing|wanted|needed|expected)\b.*"
)
FEW = 12
"""Replies back in which a refusal still speaks of what is being tried."""
FORMS = ("{name} {v}", "{name}={v}", "set {name} {v}", "{name}:{v}", "{name},{v}", "set{name} {v}", "{name}{v}")
READS = ("{name}", "{name}?", "{name} ?", "get {name}", "get{name}", "{name}=?", "{name}:?")


@dataclass
class Source:
    """One question whose answer holds a setting: the command and the line, {v} where the value stands."""

    command: str
    line: str


@dataclass
class Setter:
    """How one role is set and read: templates with {v}."""

    role: Role
    word: Word
    form: str
    source: Source | None = None
    unit: str = ""
    """Its own unit, where the listing tells another than that of the other settings."""


@dataclass
class Setters:
    """All settings of one console as far as they are found."""

    talk: Talk
    words: Sequence[Word]
    printed: Sequence[str]
    found: dict[Role, Setter] = field(default_factory=dict)
    style: str = ""
    """The form that worked last, with {name}."""
    read_style: str = ""
    unreadable: bool = False
    """Whether a word was asked for its value in every way and told none."""
    write: Callable[[float], str] = str
    unit: str = ""
    """The unit of the way of writing that is being tried: "hz", "khz" ...; "" where it writes no plain number."""
    dialog: str = ""
    """One command, a line for each answer, that sets everything and sweeps; "" where each setting has its own."""
    asked: Mapping[str, float | str] = field(default_factory=dict)
    """Values of the last settings, by field, for `dialog`."""

    def of(self, *roles: Role) -> list[Word]:
        """Words of these roles, those that the technician named first."""
        listed = [word for role in roles for word in self.words if word.role is role]
        return sorted(listed, key=lambda word: word.told is None)

    def permit(self, word: Word) -> None:
        """A word of known role may be sent in every way in which consoles write it."""
        name = word.name
        if self.talk.keys:
            self.talk.permit(name)
            return
        if word.told is not None:
            self.talk.permit(*(piece.split("{")[0].rstrip() for piece in word.told.form.split("\n")))
            self.talk.permit(word.told.question)
        if word.form.endswith(f"}} {name}"):
            self.talk.behind.add(name)
        if word.form or word.question:
            self.talk.permit(*(piece.split("{")[0].rstrip(" =:,") for piece in (word.form, word.question)))
        self.talk.permit(name, f"set {name}", f"get {name}", f"set{name}", f"get{name}", f"{name}?")
        head = re.split(r"[<{\[=]", word.usage)[0].strip()
        self.talk.permit(head if head and not head[-1:].isdigit() else name)
        bare = re.match(r"(?:set|get)[ _]?(?=[A-Za-z])(.+)", name)
        if bare:
            self.talk.permit(f"get{bare.group(1)}", f"get {bare.group(1)}")
        short = _cut_short(word)
        if short and word.role in SETTING:
            self.talk.permit(short)

    def set_forms(self, word: Word) -> Iterator[str]:
        """Ways to set a word, the likeliest first; {v} is the value."""
        seen = set()
        for form in self._set_forms(word):
            if "{v}" in form and form not in seen:
                seen.add(form)
                if self.talk.may(form.partition("\n")[0].replace("{v}", "1")):
                    yield form

    def _set_forms(self, word: Word) -> Iterator[str]:
        name = word.name
        hint = self._hint(0)
        wrapped = re.fullmatch(r"( ?)(?:<[^<>]*>|\w+)([)}]+)", word.usage[len(name) :]) if name[:1] in WRAPPED else None
        if wrapped:
            yield f"{name}{wrapped.group(1)}{{v}}{wrapped.group(2)}"
            return
        if self.talk.keys:  # the value only behind a question for it: its digits may be keys
            yield f"{name}\n{{v}}"
            return
        if word.told is not None and word.told.form:
            yield word.told.form
            return
        if word.form:
            yield word.form
        behind = re.search(r"(?<=> )(?:[kMG]?Hz|[KMG]?HZ|[kmg]?hz)$", word.usage)
        if re.search(r"<[\d.]+>", word.usage) or behind:
            form = _slotted(word.usage, name)  # its own example tells more than the form that another took
            unit = self.unit[:-2].replace("m", "M").replace("g", "G") + "Hz"
            if behind and not re.search(r"[kMG]?Hz", behind.group()):
                unit = self.unit.upper() if behind.group().isupper() else self.unit
            ends = word.role in HERTZ and word.role is not Role.BANDWIDTH and self.unit
            yield re.sub(r"(?i)[kmg]?hz$", unit, form) if ends else form
        if self.style:
            yield self.style.replace("{name}", name)
        if word.usage and word.usage != name:
            yield _slotted(word.usage, name)
        if hint:
            yield hint.replace("{name}", name)
        if re.match(r"(?i)set[ _]?[A-Za-z]", name):
            yield f"{name} {{v}}"
        short = _cut_short(word)
        if short:
            yield short + "{v}"
        unit = self._unit_wanted() if word.role in HERTZ else ""
        if unit:
            yield from (form.replace("{name}", name) + unit for form in ("{name} {v}", "{name}={v}", "{name} {v} "))
        for form in FORMS:
            if form != "{name}{v}" or len(name) <= 3:
                yield form.replace("{name}", name)

    def reads(self, word: Word) -> Iterator[str]:
        """Ways to ask for a word's value."""
        cell = re.fullmatch(r"[a-z]\w{0,5} (\d{1,3})", word.name)
        verb = cells_of(self.printed)[1] if cell else ""
        if cell and verb:
            self.talk.permit(f"{verb} {cell.group(1)}")
            yield f"{verb} {cell.group(1)}"
            return
        name, seen = word.name, set()
        verbs = verbs_of(self.printed)
        if verbs is not None and name.startswith(f"{verbs.write} "):
            self.talk.permit(question := f"{verbs.read} {name.removeprefix(verbs.write).strip()}")
            yield question
            return
        if name[:1] in WRAPPED:
            yield from (name + BEHIND[name[:1]],) if name[:1] == "(" else ()
            return
        if word.told is not None and word.told.question:
            seen.add(word.told.question)
            yield word.told.question
        if word.question:
            seen.add(word.question)
            yield word.question
        bare = re.sub(r"(?i)^set[ _]?(?=[A-Za-z])", "", name)
        listed = [self.read_style, self._hint(1), *READS] if self.read_style or self._hint(1) else list(READS)
        for style in filter(None, listed):
            for text in (style.replace("{name}", name), style.replace("{name}", bare)):
                if text not in seen and self.talk.may(text):
                    seen.add(text)
                    yield text

    def _unit_wanted(self) -> str:
        """The unit as it is written behind a number, where a refusal says that one has to stand there."""
        for _, got in reversed(self.talk.transcript[-FEW:]):
            match = WITH_UNIT.search(got.decode("ascii", "replace"))
            if match and self.unit in ("hz", "khz", "mhz", "ghz"):
                named = re.search(rf"(?i)(?<![a-z]){self.unit}\b", match.group())
                return named.group() if named else self.unit[:-2].replace("m", "M").replace("g", "G") + "Hz"
        return ""

    def _hint(self, which: int) -> str:
        """The console's own line on how to set (0) or read (1), the word in it made {name}."""
        text = hints_of(self.printed)[which]
        if which == 0:
            text = re.sub(r"value\b", "{v}", text)
        names = sorted((word.name for word in self.words), key=len, reverse=True)
        for name in names:
            if re.search(rf"(?<![A-Za-z]){re.escape(name)}(?![A-Za-z])|^(?:set|get){re.escape(name)}\b", text):
                return text.replace(name, "{name}", 1)
            if text.startswith(name + "{v}"):
                return "{name}{v}"
        return ""


SETTING = frozenset(
    {Role.START, Role.STOP, Role.CENTRE, Role.SPAN, Role.RANGE, Role.POINTS, Role.STEP, Role.BANDWIDTH, Role.AVERAGE}
)


HERTZ = SETTING - {Role.RANGE, Role.POINTS, Role.AVERAGE}
"""Settings that count hertz, one value each."""


def _cut_short(word: Word) -> str:
    """The letters of a word whose digits are an example of its value: `a100`; "" where the value stands elsewhere."""
    short = re.match(r"([a-z]{1,3}|[A-Z]{1,3})\d+$", word.name)
    return short.group(1) if short and not re.search(r"[<=:]", word.usage[len(word.name) :]) else ""


def _slotted(usage: str, name: str) -> str:
    """A usage with its argument made {v}; "" where it has none that can be told."""
    at = usage.find(name)
    head, rest = usage[: at + len(name)], usage[at + len(name) :]
    example = re.fullmatch(r" <[^<>]+>( ?(?:[kMG]?Hz|[KMG]?HZ|[kmg]?hz|points?|pts))", rest)
    if example:
        return f"{head} {{v}}{example.group(1)}"
    match = re.match(r"(\s*[=:,]?\s*)(<[^>]*>|\{[^}]*\}|\[[^\]]*\]|[a-z]:[a-z]+|\S+)\s*$", rest)
    if not match:
        return ""
    return head + re.sub(r"\s+", " ", match.group(1)) + "{v}"


def numbers_in(line: str, *, comma: bool | None = None) -> list[tuple[str, float]]:
    """All numbers of a line as text and value, but those beyond any meaning; a k, M or G behind one counts.

    `comma` says whether a comma is a decimal sign; without it the line tells: no other sign parts its decimals, and no
    two commas follow each other.
    """
    if comma is None:
        comma = re.search(r"\d,\d", line) is not None and not re.search(r"\d\.\d|\d,\d+[kMG]?,|,\d+[kMG]?,\d", line)
    found = []
    for match in (COMMA if comma else NUMBER).finditer(line):
        text = match.group()
        behind = re.match(r"( ?)([kMG])(?![A-Za-z])|( ?)([kMG])[Hh][Zz](?![A-Za-z])", line[match.end() :])
        value = float(text.replace(",", "."))
        if behind:
            blank, suffix = (behind.group(1), behind.group(2)) if behind.group(2) else behind.group(3, 4)
            value *= {"k": 1e3, "M": 1e6, "G": 1e9}[suffix]
            text += blank + suffix
        if abs(value) < LARGEST:
            found.append((text, value))
    return found


def line_with(lines: Sequence[str], text: str, value: float, hertz: float = 0.0) -> str:
    """The line that holds a value, {v} in its place; "" where none or more than one does.

    `value` is what was sent as a number; `hertz` what it means, for answers with a unit of their own.
    """
    hits = [hit for hit in (_hit(line, text, value, hertz) for line in lines) if hit]
    return hits[0] if len(set(hits)) == 1 else ""


def _hit(line: str, text: str, value: float, hertz: float) -> str:
    words = [word for word in HEXED.findall(line) if len(word) == 8 and re.fullmatch(r"[0-9A-F]{5,8}", text)]
    same = [word for word in words if int(word, 16) == int(text, 16)]
    if same:
        return re.sub(r"\s+", " ", line.replace(same[0], "{v}", 1)).strip()
    for comma in (False, True):
        for shown, number in numbers_in(line, comma=comma):
            suffixed = shown[-1:] in "kMG"
            labelled = re.search(rf"(?<![\w.]){re.escape(shown)} ?[Hh][Zz]\b", line) is not None
            wanted = (value, hertz) if (suffixed or labelled) and hertz else (value,)
            if shown == text or any(abs(number - want) <= 1e-9 * max(abs(want), 1e-9) for want in wanted):
                mark = "{v}" + (shown.lstrip("-+0123456789.,eE") if suffixed else "")
                whole = re.search(rf"(?<![\w.]){re.escape(shown)}(?!\d|[.,]\d)", line)  # 80 stands in 8000, too
                at = whole or re.search(rf"(?<![\w.]){re.escape(shown)}", line)
                start = at.start() if at else line.index(shown)
                return re.sub(r"\s+", " ", line[:start] + mark + line[start + len(shown) :]).strip()
    if text in HEXED.findall(line):
        return re.sub(r"\s+", " ", line.replace(text, "{v}", 1)).strip()
    return ""
