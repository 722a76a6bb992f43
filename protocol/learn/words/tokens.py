"""Takes a console's own texts apart: words, their arguments, their descriptions, in whatever layout they come.

Owns: the layouts. Refuses: to join a description to a word that it does not stand beside; a word whose description
is not certain has none.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace

from protocol.learn.words.allow import Entry
from protocol.learn.words.lines import RESERVED, STEP, widened

NAME = r"[@/]?[A-Za-z][A-Za-z0-9_./]*[!?]?"
_SLOT = (
    r"(?:<[^>]*>|\{[^}]*\}|\[[^\]]*\]|[A-Z]{1,6}\b|[kMG]?Hz\b|[kmg]?hz\b|[a-z]:[a-z]+|"
    r"[-+]?[0-9][0-9.,A-Fa-f]*[kMG]?(?:\.\.[0-9.,A-Fa-f]+[kMG]?)?|f[12]\b|[nkvx]\b|s[12][12]\b)"
)
_ARGUMENT = r"(?:<[^>]*>|\{[^}]*\}|\[[^\]]*\])"
_JOIN = r"[ =:,;]"
_VERBS = r"(?:set|get|put|reg|p|par|cell|read|write)"
USAGE = re.compile(rf"(?:{_VERBS} )?(?:{NAME}|\d{{1,2}})(?:{_JOIN}?(?>{_SLOT}))*(?:{_JOIN}(?>{_SLOT}))*=?")
"""A value once taken is not parted otherwise: forty digits could be parted in a billion ways."""
FEWEST_ROWS = 4
_OPENS = re.compile(r"(?:>+|\.{3}|…)\s*$")
"""A row that leads to other rows: there the same numbers are other words."""
_NUMBERED = re.compile(r"^\s*\d{1,2}[).]\s+")
_BORDER = re.compile(r"^[\s+|=*_~-]{4,}$")
_HEADING = re.compile(r"^\s*(?:\[[A-Z][A-Za-z ]+\]|={2,}.*={2,}|-{2,}.*-{2,}|[A-Z][A-Za-z ]+:?)\s*$")
_BETWEEN = re.compile(r"\s*\t\s*|\s{2,}|\s+-\s+|:\s+|\s+=\s+|\s*\.{3,}\s*|\s*\|\s*")
_NUMBER_AND_VALUE = re.compile(
    r"(?i)(?:<number>|\bnumber|<no>|<code>|\bcode)(?:,| and| then|, then| a blank and| followed by)*"
    r" (?:the |a |its )?(?:<value>|value)"
)
"""Says that a row's number is typed before a value."""
_EXAMPLE = r"(?i)\s*\(?\b(?:e\.?g\.?|for example|example|such as|as in):?\s+{number}([ =:,])(\d[\d.]*)\)?$"
HINT = re.compile(r"^set:\s+(.+?)\s{2,}read:\s+(\S.*?)(?:\s{2,}|$)|^set:\s+(.+?)(?:\s{2,}|$)")


def entries_of(lines: Sequence[str]) -> list[Entry]:
    """All words of a listing, each once, with the best that is told of it."""
    lines = widened(_in_small(_without_label([line for line in lines if line.strip()])))
    lines = [line for line in lines if not STEP.match(line.strip())]
    lines = _under_headings([line.rstrip() for line in lines if line.strip() and not _BORDER.match(line)])
    lines = [part for line in lines if not HINT.match(line.strip()) for part in _several(line, _sign(lines))]
    rows = [line for line in lines if _row_of_names(line)]
    if not any(len(_row_of_names(line)) > 2 for line in rows) and not _two_columns(lines):
        rows = []  # two words on a line are a word and what it is
    told = [line for line in lines if line not in rows]
    examples = [entry for line in told if (entry := _example(line))]
    if sum(bool(re.search(r"(?i)hz$", entry.usage)) for entry in examples) > 1:
        told = [line for line in told if not _example(line)]
    else:
        examples = []
    found = examples + (_upside(told) or _best(_prose(told), _beside(told)))
    found += [
        entry for line in rows for part in _row_of_names(line) if (entry := _entry(part, "") or Entry(part, part))
    ]
    best: dict[str, Entry] = {}
    for entry in _apart(found):
        held = best.get(entry.name)
        if held is None or (_worth(entry) > _worth(held)):
            best[entry.name] = entry
    return list(best.values())


def _without_label(lines: Sequence[str]) -> list[str]:
    """Lines without what nearly all of them begin with: a word and a colon (`usage: `), or a sign (`# `)."""
    labels = [match.group() if (match := re.match(r"[A-Za-z]+: +|[#>*|] ", line)) else "" for line in lines]
    label = max(set(labels), key=labels.count, default="")
    if not label or labels.count(label) < max(FEWEST_ROWS, 0.7 * len(lines)):
        return list(lines)
    return [line.removeprefix(label) for line in lines]


def _in_small(lines: Sequence[str]) -> list[str]:
    """A listing all in capitals with what follows each word in small letters: capitals mark no arguments there."""
    text = "".join(lines)
    if re.search(r"[a-z]", text) or not any(len(line.split()) > 3 for line in lines):
        return list(lines)
    found = []
    for line in lines:
        first, blank, rest = line.strip().partition(" ")
        parts = re.split(r"(\s[A-Z]{1,2}(?=\s\s|$)|\b[KMG]?HZ\b)", rest)
        found.append(first + blank + "".join(part if at % 2 else part.lower() for at, part in enumerate(parts)))
    return found


def _example(line: str) -> Entry | None:
    """`begin at 10 MHz (what)`: plain words with an example value, the unit written behind it each time."""
    match = re.fullmatch(r"([a-z]+(?: [a-z]+)?) (\d+(?:\.\d+)?) ?([kMG]?Hz|points?|pts)(?:\s+(\S.*))?", line.strip())
    if match is None:
        return None
    words, value, unit, told = match.groups()
    blank = " " if f"{value} {unit}" in line else ""
    return Entry(words, f"{words} <{value}>{blank}{unit}", " ".join((told or unit).split()))


def _apart(entries: Sequence[Entry]) -> list[Entry]:
    """Rows of one word that differ in a fixed argument, such as `list 11` and `list 21`, as words of their own."""
    fixed = re.compile(rf"({NAME}) (?![nkvxN]$)(?:\d{{1,2}}|[A-Z]{{1,2}}|[sS][12][12])")
    rows: dict[str, set[str]] = {}
    for entry in entries:
        if fixed.fullmatch(entry.usage):
            rows.setdefault(entry.name, set()).add(entry.usage)
    return [
        replace(entry, name=entry.usage)
        if len(rows.get(entry.name, ())) > 1 and entry.usage in rows[entry.name]
        else entry
        for entry in entries
    ]


def _under_headings(lines: list[str]) -> list[str]:
    """The lines without single words that stand flush above indented ones: those are headings, no words."""
    deep = [line[:1] in " \t" for line in lines]
    if sum(deep) < FEWEST_ROWS:
        return lines
    heads = {
        at for at in range(len(lines) - 1) if not deep[at] and deep[at + 1] and re.fullmatch(r"[A-Z][a-z]+", lines[at])
    }
    return [line for at, line in enumerate(lines) if at not in heads]


def cells_of(lines: Sequence[str]) -> tuple[list[Entry], str]:
    """Numbered cells that one word reads and another writes, as words of their own; the word that reads.

    `r CELL reads, w CELL VALUE writes, t triggers` over rows like `0 start, kHz` gives `w 0 VALUE`, `t`.
    """
    text = " ".join(line.strip() for line in lines)
    reads = re.search(r"(?<!\S)([a-z]\w{0,5}) ([A-Z]+) reads?\b", text)
    writes = re.search(rf"(?<!\S)([a-z]\w{{0,5}}) {reads.group(2)} ([A-Z]+) (?:writes|sets)\b", text) if reads else None
    rows = [match for line in lines if (match := re.fullmatch(r"\s*(\d{1,3})[ :.)=]\s*([a-z].*)", line))]
    if reads is None or writes is None or len(rows) < FEWEST_ROWS - 1:
        return [], ""
    verb, value = writes.groups()
    found = [Entry(f"{verb} {row.group(1)}", f"{verb} {row.group(1)} {value}", row.group(2)) for row in rows]
    others = [part.strip() for line in lines if reads.group() in line for part in line.split(",")]
    for part in others:
        other = re.fullmatch(r"([a-z]\w{0,5}) ([a-z].*)", part)
        if other and part not in (reads.group(), writes.group()):
            found.append(Entry(other.group(1), other.group(1), other.group(2)))
    return found, reads.group(1)


def menu_of(lines: Sequence[str]) -> list[Entry]:
    """The rows of a menu whose numbers are what is typed: `1 start, MHz`; empty where it is none.

    The numbers rise, the first of them one by one; others may follow behind a heading of their own (`21 calibrate`).
    """
    found, heading, broken, jumps = dict[str, Entry](), "", False, 0
    for line in lines:
        row = re.fullmatch(r"[|\s]*(\d{1,3})[).:]?\s+(\S.*?)[|\s]*", line)
        if row is None:
            ends = line.rstrip(" |").endswith(":")
            headed = RESERVED.search(line) is not None and (ends or bool(found))  # else it is a title
            heading = line.strip(" :|") if headed else "" if ends else heading
            broken = True
            continue
        number, told = row.group(1), row.group(2)
        told = f"{told} (opens a menu)" if _OPENS.search(told) else told
        last = int(next(reversed(found))) if found else int(number) - 1
        jumps += int(number) != last + 1 and not (broken and len(found) >= FEWEST_ROWS and int(number) > last)
        example = re.search(_EXAMPLE.format(number=number), told)
        usage = f"{number}{example.group(1)}<{example.group(2)}>" if example else number
        told = told[: example.start()] if example else told
        found.setdefault(number, Entry(number, usage, f"{told} (danger: {heading})" if heading else told))
        broken = False
    numbers = sorted(map(int, found))
    whole = bool(numbers) and numbers == list(range(numbers[0], numbers[0] + len(numbers)))
    told = len(set(numbers)) > FEWEST_ROWS and any(_NUMBER_AND_VALUE.search(line) for line in lines)
    return list(found.values()) if len(numbers) >= FEWEST_ROWS and (whole or not jumps or told) else []


def _best(*readings: list[Entry]) -> list[Entry]:
    """The reading of a listing in which most words have a usage or a description of their own."""
    return max(
        readings, key=lambda found: (len({e.name for e in found if e.description or e.usage != e.name}), len(found))
    )


def _sign(lines: Sequence[str]) -> str:
    """The sign with which all words of a listing begin; "" where they begin with letters."""
    signs = [match.group(1) for line in lines for match in re.finditer(r"(?:^|\s)([@/.:$%])[A-Za-z]", line)]
    starts = [line.strip()[:1] for line in lines]
    return next((sign for sign in set(signs) if signs.count(sign) >= 4 and starts.count(sign) > 0.7 * len(starts)), "")


def _several(line: str, sign: str) -> list[str]:
    """A line with several words, each with its own arguments, as so many lines."""
    if sign:
        return [part for part in re.split(rf"\s+(?={re.escape(sign)}[A-Za-z])", line) if part.strip()]
    for bar in (" | ", " / "):
        whole = re.fullmatch(rf"(\S+(?: \S+)?(?:{re.escape(bar)}\S+(?: \S+)?)+)(\s{{2,}}\S.*)?", line.strip())
        if whole and all(USAGE.fullmatch(part) for part in whole.group(1).split(bar)):
            return [part + (whole.group(2) or "") for part in whole.group(1).split(bar)]
    parts = re.split(r"\s{2,}", line.strip())
    if len(parts) > 1 and all(_example(part) for part in parts):
        return parts
    told = [re.fullmatch(rf"{NAME}(?: ?[=:])? ?(?:<[^>]*>|\[[^\]]*\]|\{{[^}}]*\}})", part) for part in parts]
    signs = {part[-1] for part in parts if part}  # `spn <f>  span [MHz]` is one word and what it is
    return parts if len(parts) > 1 and all(told) and len(signs) == 1 else [line]


def hints_of(lines: Sequence[str]) -> tuple[str, str]:
    """A line that tells how to set and read: ("set start value", "get start"); "" where nothing does."""
    for line in lines:
        match = HINT.match(line.strip())
        if match:
            return (match.group(1) or match.group(3) or "").strip(), (match.group(2) or "").strip()
    return "", ""


def _worth(entry: Entry) -> tuple[bool, int]:
    return bool(entry.description), len(entry.usage)


def name_of(usage: str) -> str:
    """The word of a usage: its first part, with the verb or number that belongs to it."""
    usage = usage.strip()
    verb = re.match(rf"({_VERBS}) +(\S+)", usage)
    if verb and verb.group(1) in ("set", "get", "put"):
        return re.split(r"[=:,<{\[]", verb.group(2))[0]
    if verb and re.match(r"\d+", verb.group(2)):
        return f"{verb.group(1)} {verb.group(2)}"
    first = usage.split()[0]
    glued = re.match(r"([a-z]{1,3}|[A-Z]{1,3})(?=<|\{|\[)|([a-z]{1,3})(?=[A-Z]+$|\d{3}|\d+\.|[nf]:[a-z])", first)
    if glued and glued.group() not in ("set", "get", "put"):
        return glued.group()
    asked = re.match(r"(.+\?)(?=[A-Z](?:,[A-Z])?$)", first)
    return asked.group(1) if asked else re.split(r"[=:,<{\[]", first)[0] or first


def _entry(usage: str, description: str) -> Entry | None:
    usage = usage.strip(" .;")
    if not usage or not USAGE.fullmatch(usage):
        return None
    name = name_of(usage)
    told = re.sub(r"^(?:[=:|]|-+|\.+)\s+", "", description.strip(" .|"))
    return Entry(name, usage, " ".join(told.split())) if name else None


def _beside(lines: Sequence[str]) -> list[Entry]:
    """Word, arguments and description on one line."""
    found = list[Entry]()
    for line in lines:
        text = _NUMBERED.sub("", line).strip().strip("|").strip()
        column = re.match(r"\S+(?: \S+)?(?:\t|\s{2,})", text)
        other = (text.count("; ") > 1 and not column) or (_HEADING.match(line) and " " not in text)
        if other and (not USAGE.fullmatch(text) or text.endswith(":")):
            continue
        sentence = re.fullmatch(rf"({NAME}), with (?:an? )?([^,]+), (\S.+)", text)
        if sentence:
            found += [Entry(sentence.group(1), f"{sentence.group(1)} <{sentence.group(2)}>", sentence.group(3))]
            continue
        equal = re.fullmatch(r"([A-Za-z]\w{0,9})=([a-z][a-z-]+ [^=<>{}\[\]]+)", text)
        if equal:
            found += filter(None, [_entry(equal.group(1), equal.group(2))])
            continue
        for match in _BETWEEN.finditer(text):
            if re.fullmatch(r"<[^<>]*>|\{[^{}]*\}|\[[^\[\]]*\]", text[match.end() :].strip()):
                entry = _entry(
                    f"{text[: match.start()]} {text[match.end() :]}", ""
                )  # an argument in a column of its own
            elif len([part for part in re.split(r"\s{2,}|\t", text[match.end() :]) if USAGE.fullmatch(part)]) > 1:
                entry = _entry(text[: match.start()], "")  # other words in other columns describe nothing
            else:
                entry = _entry(text[: match.start()], text[match.end() :])
            if entry:
                found.append(entry)
                break
        else:
            entry = _entry(text, "")
            if entry and (" " not in text or entry.usage != entry.name):
                found.append(entry)
            elif not entry:
                found += _spaced(text)
    return found


def _spaced(text: str) -> list[Entry]:
    """`aN start kHz`: a word with its argument, one blank, and what it is."""
    match = re.match(rf"({NAME}(?:{_JOIN}?{_SLOT}(?:,{_SLOT})?)?)\s+(\S.*)", text)
    if not match or len(text.split()) > 12:
        return []
    entry = _entry(match.group(1), match.group(2))
    return [entry] if entry else []


def _upside(lines: Sequence[str]) -> list[Entry]:
    """Description first, the word indented below it."""
    deep = [line.startswith("    ") for line in lines]
    if sum(deep) < 4 or not any(not flag for flag in deep):
        return []
    if not all(
        USAGE.fullmatch(line.strip()) or re.fullmatch(r"\s*\?+", line)
        for line, flag in zip(lines, deep, strict=True)
        if flag
    ):
        return []
    found: list[Entry] = []
    told = ""
    for line, flag in zip(lines, deep, strict=True):
        if flag:
            entry = _entry(line, told if found or len(told.split()) > 2 else "")  # the first may be a title
            if entry:
                found.append(entry)
            told = ""
        else:
            told = line.strip()
    return found


def _prose(lines: Sequence[str]) -> list[Entry]:
    """Parts between semicolons: `word (what)`, `what: word`, `word - what`."""
    text = " ".join(line.strip() for line in lines)
    if text.count("; ") < 4:
        return []
    text = re.sub(r"^.*?(?:following words\. |type: |I know: )", "", text)
    text = re.sub(
        r"(?i)^(?:the |my |all )?(?:commands|words|verbs|keywords|orders|syntax|usage|help)\b[^:;]{0,30}: ", "", text
    )
    text = re.sub(r"\.\s+\S{1,8}$", "", text)  # the end of a reply is no part of the last word
    found = []
    for part in text.rstrip(".").split("; "):
        bracket = re.fullmatch(r"(\S+(?: \S+){0,2}?) \((.+)\)", part)
        dash = re.fullmatch(r"(.+?) - (.+)", part)
        colon = re.fullmatch(r"(.+): (\S.*)", part)
        tried = [
            _entry(match.group(first), match.group(second))
            for match, first, second in ((bracket, 1, 2), (dash, 1, 2), (colon, 2, 1))
            if match
        ]
        entry = next(filter(None, tried), None) or _entry(part, "")
        if entry:
            found.append(entry)
    return found


def _row_of_names(line: str) -> list[str]:
    """Names alone, or with their arguments, in columns or with commas; nothing where anything else stands there."""
    text = line.strip().rstrip(",")
    parts = re.split(r",\s+", text) if text.count(", ") >= 2 else re.split(r"\s{2,}|\t", text)
    single = rf"(?:{_VERBS} )?{NAME}(?:[=:,]?{_SLOT}|[=:,][^\s,;]+)?|{NAME} {_ARGUMENT}|\?+"
    single += rf"|{NAME} [A-Z]{{1,5}}" if ", " in text else ""
    return parts if len(parts) >= 2 and all(re.fullmatch(single, part) for part in parts) else []


def _two_columns(lines: Sequence[str]) -> bool:
    """Whether a listing is words in two columns, and not words and what they are.

    Where one word stands beside each, or a word with its argument, nothing tells which it is: then neither describes
    the other.
    """
    pairs = [row for line in lines if len(row := _row_of_names(line)) == 2]
    usages = [row for row in pairs if name_of(row[1]) != row[1]]
    return len(pairs) > 1 and (bool(usages) or len(pairs) >= 0.8 * len(lines))
