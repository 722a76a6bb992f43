"""The lines of any listing as rows: what is typed, and what it is, wherever the two stand.

Owns: columns, bullets, labels, grids of names, lines that go on, words that stand behind or above what they are.
Refuses: to say which words are typed as they stand and which stand for something else (`general`).
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from protocol.learn.words.lexicon import HARM_NAME

FEWEST = 3
"""Rows that make a listing."""
NAME = re.compile(r"[@/:.$!&%]?[A-Za-z][\w./:+!-]*(?:,(?:[sS][12][12]|[12]|[12]1))?[!?*]?")
NUMBER = re.compile(r"[-+]?\d+(?:\.\d+)?(?:[eE][-+]?\d+)?[kMG]?(?:(?:\.\.+|-|\|)\d+(?:\.\d+)?[kMG]?)*")
UNIT = re.compile(r"(?i)[kmg]?hz")
_GAP = re.compile(r"\s{2,}|\t+")
_MARK = re.compile(r"^(\s*)(?:[-*#>•|+] |< (?=\S)|usage: +|\d{1,2}(?:\.\d{1,2})+\.? +|\d{1,2}[.)] +)")
"""A bullet, the number of a paragraph: nothing of the word."""
_COUNTED_ROW = re.compile(r"\s*([A-Za-z]{0,4})(\d{1,4})[.:)]?\s+(?=[A-Za-z])")
_TO_TYPE = re.compile(
    r"(?<=\S)\s{2,}(?:type|enter|send|say|key in|command)s?:? +[\"']?"
    rf"({NAME.pattern}(?:[ =](?:<[^<>]*>|\d[\d.]*))?)[\"']?"
    r"(?=\s{2,}|$)"
)
_OBJECT = re.compile(rf"{NAME.pattern}(?: (?:<[^<>]*>|\[[^\[\]]*\]))?")
_SLOTTED = re.compile(r"[A-Za-z][\w.]*(?: [A-Za-z][\w.]*)?[ ,=:]?<[^<>]*>(?:\s{2,}|\t)\S")
_LETTER = re.compile(r"\s*([A-Za-z])[).:]\s+(\S.*)")
"""A letter to be typed, with what it does behind a bracket."""
_QUOTED = re.compile(r"\s*[\"']([^\"']{1,30})[\"']\s+(\S.*)")
_PLACED = re.compile(r"(= ?)?(<[^<>]*>|\[[^\[\]]*\])\s+(?:(?:[;:#]|-+)\s+)?(\S.*)")
"""A place for a value in a column of its own, and what is told of the word before it."""
_ARROW = re.compile(r"^(?:-+>|=+>|>+|[-=:;|])\s+(?=\S)")
_PARTS = re.compile(
    r"\s{2,}|\t+|(?<![=:])\s*\.{2,}(?:\s+|$)|\s+(?:-{1,2}|:|=|\||->|=>|#|//|;)\s+|(?<=[\w>\])}]):\s+|(?<=\S)\s*: (?=\S)"
)
"""What stands between a word and what it is."""
_HEAD = re.compile(r"[A-Z][A-Za-z]+(?: [A-Za-z]+){0,3}")
"""Plain words that stand further out than the words of the listing."""
RESERVED = re.compile(
    r"(?i)\bleave\b|careful|danger|servic|maint|factory|authori|expert|\bnot for\b|do ?n[o']t\b|warning|"
    r"\bstaff\b|engineer|\bworks\b|workshop|laborator|supervis|\badmin|\bmaster|keep (?:out|off|away)|hands off|"
    r"\bnever\b|(?<!read )(?<!read-)\bonly\b|\bowner|\bmaker"
)
"""A heading that keeps users off the words below it."""
_ONLY = re.compile(r"(?i)[^<>\[\]{}\d]* [^<>\[\]{}\d]*\b(?:only|use)[\W_]*")
"""A line that says for whom the words below it are."""
STEP = re.compile(r"(?i)(?:step|part|section|chapter|stage|lesson|page) (?:\d{1,2}|[IVX]+|[a-z])(?:[.:)]| -) ")
"""The heading of a numbered part."""
_LEADER = re.compile(r"\S\s+\.{3,}\s+\S")
_ROW = re.compile(r"[^\s|]+(?: [^\s|]+)?(?: \| [^\s|]+(?: [^\s|]+)?)+")


@dataclass(frozen=True)
class Row:
    """One line or part of a line: what is typed, what it is, the heading it stands under."""

    typed: str
    told: str
    heading: str = ""


def rows_of(lines: Sequence[str]) -> list[Row]:
    """Lines of a listing as what is typed and what it is; a line that goes on with what is told belongs to the last."""
    texts = _uncounted([_slots(line.expandtabs(8).rstrip()) for line in lines])
    texts = [_with_its_places(part) for line in _ungrouped(_labels_off(texts)) for part in line]
    texts = [line for line in _unmarked(widened(_without_leaders(texts))) if line.strip()]
    texts = _verbs_joined(_told_to_type(texts))
    columns = _second_columns(texts)
    labelled = {at for at in columns if any(_indent(line) == at for line in texts)}
    texts = [part for line in texts for part in _columns_parted(line, columns, labelled)]
    texts = [part for line in _grids_apart(texts) for part in _told_together(line, texts)]
    parted = _turned([(line, *_parted(line)) for line in texts])
    indents = Counter(_indent(line) for line, typed, told in parted if told)
    usual = max(indents, key=lambda at: (indents[at], -at), default=0)
    if _under(texts):  # each word stands above what is told of it
        usual = min(map(_indent, texts), default=0)
        indents[usual] += 1
    parted = [(line, *_exemplified(typed, told)) for line, typed, told in parted]
    found, heading = list[Row](), ""
    for line, typed, told in parted:
        indent = _indent(line)
        if found and indents and indent > usual + 1:  # it goes on with what was told
            found[-1] = replace(found[-1], told=f"{found[-1].told} {line.strip()}".strip())
        elif _heads(line, told, indent < usual):
            heading = line.strip(" :")
        elif found and told and _defines(found[-1], typed, indent > _indent(parted[0][0])):
            found[-1] = replace(found[-1], told=f"{found[-1].told} {line.strip()}".strip())
        else:
            found.append(Row(typed, told, heading))
    return found


def _heads(line: str, told: str, out: bool) -> bool:
    """Whether a line stands above words and is none; `out`: it stands further out than they do."""
    text = " ".join(line.split())
    if STEP.match(text):
        return True
    if _ONLY.fullmatch(text) and RESERVED.search(text) and told.lower() in ("", "only", "use"):
        return True
    return not told and (text.endswith(":") or (out and _HEAD.fullmatch(text) is not None))


def widened(lines: Sequence[str]) -> list[str]:
    """Lines with a gap where a word fills its column to the last sign: there what is told begins in the others."""
    lines = _first_unlabelled(lines)
    begun = Counter(cells[1][0] for line in lines if len(cells := _cells(line)) == 2)
    at, times = max(begun.items(), key=lambda item: item[1], default=(0, 0))
    if times < FEWEST + 1 or times < 0.5 * len(lines):
        return list(lines)
    heads = Counter(text.split()[0] for line in lines for _, text in _cells(line)[:1] if text.split())
    often = "|".join(re.escape(head) for head, count in heads.items() if count > 1 and NAME.fullmatch(head))
    full = rf"\s*{NAME.pattern}(?: (?:<[^>]*>|\[[^\]]*\]|{NUMBER.pattern}|[A-Za-z]|[sS][12][12]))?"
    full += rf"|\s*(?:{often}) {NAME.pattern}" if often else ""  # `tell back`, `tell through`
    return [
        f"{line[:at]}  {line[at:]}" if line[at - 1 : at] == " " and re.fullmatch(full, line[: at - 1]) else line
        for line in lines
    ]


def _slots(line: str) -> str:
    """A line with `f(kHz)` behind a word as a place for a value."""
    line = re.sub(r"(?<=[\w>]=)([A-Za-z])\1+(?:\.\1+)?(?![\w.])", lambda match: f"<{match.group()}>", line)
    line = re.sub(r"(?<=[\w>]=)([A-Za-z])\1+(?:\.\1+)?(?![\w.])", lambda match: f"<{match.group()}>", line)
    return re.sub(r"(?<=\w )[a-z]\(([kKMG]?[hH][zZ])\)", r"<\1>", line)


_BOTH = (
    r"(start|first|lower|low|lowest|begin|beginning|left|bottom|s ?11|reflection|return)(?:,? and |/| & |, )"
    r"(stop|last|upper|high|highest|end|right|top|s ?21|transmission|through)"
)
"""Two that are told in one text, in the order of the two words before it."""
_PART = rf"{NAME.pattern}(?: (?:<[^>]*>|\[[^\]]*\]|[a-z])|=(?:[kMG]?Hz|[kmg]?hz|[A-Z]{{1,3}}|\w|<[^>]*>))*"
_GROUP = re.compile(rf"\s*([A-Za-z]\w*(?: \w+)?): +({_PART}(?:(?: \| |, |\s{{2,}}){_PART})+)")


def _ungrouped(lines: Sequence[str]) -> list[list[str]]:
    """Lines such as `Read:  refl | tran | conf` as a heading and a line for each word, where there are several."""
    groups = [_GROUP.fullmatch(line) for line in lines]
    slotted = any(re.search(r"[<=]", group.group(2)) for group in groups if group)  # else only topics may stand there
    if sum(group is not None for group in groups) < FEWEST - 1 or not slotted:
        return [[line] for line in lines]
    found = list[list[str]]()
    for line, group in zip(lines, groups, strict=True):
        label = re.fullmatch(rf"\s*([A-Za-z]\w*(?: \w+)?): +({_PART})", line)
        if group:
            found.append([f"{group.group(1)}:", *(part for part in re.split(r" \| |, |\s{2,}", group.group(2)))])
        elif label:
            found.append([f"{label.group(1)}:", label.group(2)])
        else:
            found.append([line])
    return found


def _with_its_places(line: str) -> str:
    """A line whose columns are a word, what it takes, its unit, what it is: the middle ones are places for a value."""
    cells = _cells(line)
    places = [text for _, text in cells[1:-1]]
    plain = r"-+|[a-z]|(?i:[kmg]?hz)|\d{1,4} ?(?:-|\.\.+) ?\d{2,5}"
    if len(cells) < 3 or not NAME.fullmatch(cells[0][1]) or not all(re.fullmatch(plain, text) for text in places):
        return line
    taken = [text for text in places if not re.fullmatch("-+", text)]
    slot = next((text for text in taken if UNIT.fullmatch(text)), taken[0] if taken else "")
    return f"{' ' * _indent(line)}{cells[0][1]}{f' <{slot}>' if slot else ''}  {cells[-1][1]}"


def _uncounted(lines: Sequence[str]) -> list[str]:
    """Lines of a table without the column that counts its rows, where its heading says that the word stands behind."""
    rows = [re.match(r"\s*(\d{1,2})\s{2,}(?=[A-Za-z][\w.:-]*\s{2,}\S)", line) for line in lines]
    numbers = [int(row.group(1)) for row in rows if row]
    head = any(re.match(r"(?i)\s*\S{1,6}\s+(?:word|command|cmd|name|type|mnemonic|say)s?\b", line) for line in lines)
    if not head or len(numbers) < FEWEST or numbers != list(range(numbers[0], numbers[0] + len(numbers))):
        return list(lines)
    return [re.sub(r"^\s*\d+\s+", "", line) for line, row in zip(lines, rows, strict=True) if row]


def _exemplified(typed: str, told: str) -> tuple[str, str]:
    """A row with the example of its use that stands behind what it is: `low mark, MHz   A 12.5` of the word `A`."""
    if not NAME.fullmatch(typed):
        return typed, told
    match = re.fullmatch(
        rf"(.*?)[,;]?\s*(?:\(?(?:e\.?g\.?|example|for example|as in|such as):? )?(?<!\w){re.escape(typed)}"
        r"([ =:])(\d[\d.]*[kMG]?)\)?(\s+\([^()]*\))?",
        told,
    )
    return (
        (f"{typed}{match.group(2)}{match.group(3)}", f"{match.group(1)}{match.group(4) or ''}")
        if match
        else (typed, told)
    )


def _told_to_type(lines: Sequence[str]) -> list[str]:
    """Lines that say what to type behind what it is (`LOW MARK   type LM 1000   (kHz)`) with what is typed in front."""
    rows = [_TO_TYPE.search(line) for line in lines]
    if sum(row is not None for row in rows) < FEWEST + 1:
        return list(lines)
    found = list[str]()
    for row, line in zip(rows, lines, strict=True):
        if row is None:
            found.append(line)
            continue
        told = [line[row.end() :].strip(), re.sub(r"^\s*\d{1,2}[.)]?\s+", "", line[: row.start()]).strip()]
        found.append(f"{row.group(1)}   {', '.join(filter(None, told))}")
    return found


def _verbs_joined(lines: Sequence[str]) -> list[str]:
    """Lines of a table with verbs, what they are done to, and what that does (`tune  low <kHz>  lower limit`), the verb
    one blank before its object: verbs come again, their objects do not."""
    cells = [_cells(line) for line in lines]
    rows = [one for one in cells if len(one) == 3 and NAME.fullmatch(one[0][1]) and _OBJECT.fullmatch(one[1][1])]
    verbs, objects = ({row[at][1] for row in rows} for at in (0, 1))
    places = {row[1][0] for row in rows}
    if len(rows) < max(2 * FEWEST, 0.7 * len(lines)) or len(verbs) > len(rows) / 2 or len(objects) < len(rows):
        return list(lines)
    if len(places) > 1 or not any("<" in row[1][1] for row in rows):
        return list(lines)
    return [
        f"{one[0][1]} {one[1][1]}   {one[2][1]}" if one in rows else line
        for one, line in zip(cells, lines, strict=True)
    ]


def _first_unlabelled(lines: Sequence[str]) -> Sequence[str]:
    """Lines without a word that stands before the first of them alone (`usage: `), where the others begin under what
    follows it."""
    label = re.match(r"\s*[A-Za-z]+: +(?=\S)", lines[0]) if len(lines) > FEWEST else None
    if label is None or any(_indent(line) != label.end() for line in lines[1 : FEWEST + 1]):
        return lines
    return [" " * label.end() + lines[0][label.end() :], *lines[1:]]


def _labels_off(lines: Sequence[str]) -> list[str]:
    """Lines without the numbers, or labels with numbers, that count them (`10 LOW <kHz>  ...`), where a place for a
    value stands behind some of them: what is typed begins there."""
    rows = [_COUNTED_ROW.match(line) for line in lines]
    found = [(row.group(1), int(row.group(2))) for row in rows if row]
    steps = {later[1] - first[1] for first, later in pairwise(found)}
    alike = len({label for label, _ in found}) == len(steps) == 1 and min(steps) > 0
    behind = [line[row.end() :] if row else "" for row, line in zip(rows, lines, strict=True)]
    slotted = sum(_SLOTTED.match(text) is not None for text in behind)
    if not alike or len(found) < max(FEWEST + 1, 0.8 * len(lines)) or slotted < FEWEST - 1:
        return list(lines)
    return [text or line for text, line in zip(behind, lines, strict=True)]


def _without_leaders(lines: Sequence[str]) -> list[str]:
    """Lines whose columns are joined by rows of dots, with gaps there; one dot is such a row where others have more."""
    if sum(_LEADER.search(line) is not None for line in lines) < FEWEST:
        return list(lines)
    return [re.sub(r"(?<=\S)\s+\.+\s+(?=\S)", "    ", line, count=1) for line in lines]


def _under(lines: Sequence[str]) -> bool:
    """Whether lines come in pairs: one flush that is short and made of a word and its place, one deeper that tells."""
    least = min(map(_indent, lines), default=0)
    flush = [at for at, line in enumerate(lines) if _indent(line) == least]
    short = [
        at
        for at in flush
        if re.fullmatch(
            rf"{NAME.pattern}(?: {NAME.pattern}){{0,2}}(?: (?:<[^>]*>|\[[^\]]*\]|[A-Z]{{1,6}}|\w|\w+(?:[|/]\w+)+))?",
            lines[at].strip(),
        )
    ]
    told = [at for at in short if at + 1 < len(lines) and _indent(lines[at + 1]) > least + 1]
    return len(told) > FEWEST and len(told) >= 0.7 * len(flush)


def _defines(row: Row, typed: str, deep: bool) -> bool:
    """Whether a line tells of a place in the row before it, not of a word of its own."""
    places = re.findall(r"<(\w+)>|(\w+)=\.\.|--(\w+)", row.typed)
    names = {name for place in places for name in place if name}
    return deep and len(places) > 1 and bool(set(re.findall(r"[A-Za-z]\w*", typed)[:3]) & names)


def _grids_apart(lines: Sequence[str]) -> list[str]:
    """Lines where rows of a grid of names are a line for each: no name says what the one beside it is."""
    counts, found, at = [_all_names(line) for line in lines], list[str](), 0
    while at < len(lines):
        end = at
        while end < len(lines) and counts[end] > 1:
            end += 1
        grid = sum(count > 2 for count in counts[at:end]) > 1
        for line in lines[at : max(end, at + 1)]:
            found += [" " * _indent(line) + text for _, text in _cells(line)] if grid else [line]
        at = max(end, at + 1)
    return found


def _told_together(line: str, lines: Sequence[str]) -> list[str]:
    """Two names before one text that says what they are, which stands in the column of such texts, as two lines."""
    cells = _cells(line)
    one = rf"{NAME.pattern}(?: (?:<[^>]*>|\[[^\]]*\]|[a-z]))?"
    if len(cells) != 3 or not all(re.fullmatch(one, text) for _, text in cells[:2]):
        return [line]
    told = Counter(rows[1][0] for one in lines if len(rows := _cells(one)) == 2)
    if told[cells[2][0]] < 2 or told[cells[1][0]] or any(HARM_NAME.search(text) for _, text in cells[:2]):
        return [line]
    both = re.match(rf"(?i){_BOTH}\b(.*)", cells[2][1])
    texts = [f"{both.group(at)}{both.group(3)}" for at in (1, 2)] if both else [cells[2][1]] * 2
    return [f"{' ' * _indent(line)}{text}  {what}" for (_, text), what in zip(cells[:2], texts, strict=True)]


def _all_names(line: str) -> int:
    """How many names, each with a value or none, a line is made of; 0 where anything else stands there."""
    cells = [text for _, text in _cells(line)]
    named = all(re.fullmatch(rf"{NAME.pattern}(?: ?(?:<[^>]*>|\[[^\]]*\]|\{{[^}}]*\}}))?", text) for text in cells)
    return len(cells) if named and not any(UNIT.fullmatch(text) for text in cells) else 0


def _turned(parted: Sequence[tuple[str, str, str]]) -> list[tuple[str, str, str]]:
    """Lines parted the other way round where what is typed stands behind what it is: `lower edge ... l <MHz>`."""
    slot = r"(?:<[^>]*>|\[[^\]]*\]|\([^()]*\)|(?<= )[a-z](?!\w)|(?<= )[sS][12][12](?!\w))"
    one = rf"{NAME.pattern}(?:[ =]?{slot}){{0,3}}(?:\s+\([^()]*\))?"
    form = rf"{one}(?:, {one})*"
    told = [(typed, text) for _, typed, text in parted if text]
    behind = [(typed, text) for typed, text in told if re.fullmatch(form, text)]
    plain = sum((" " in typed or typed.istitle()) and not re.search(r"[<\[{]|\d", typed) for typed, _ in behind)
    taking = sum(re.search(r"[<\[(]|\S [a-z]$", text) is not None for _, text in behind)
    names = {text if re.search(r"(?i) s[12][12]$", text) else text.split()[0] for _, text in behind}
    plain = 0 if any(text.istitle() for _, text in behind) else plain
    unlike = len(behind) < max(FEWEST + 1, 0.8 * len(told)) or len(names) < len(behind)
    if unlike or not plain or not taking:
        return list(parted)
    return [(line, text, typed) for line, typed, text in parted if text and re.fullmatch(form, text)]


def _unmarked(lines: Sequence[str]) -> list[str]:
    """Lines without the bullets or numbers with which most of them begin."""
    quoted = [_QUOTED.match(line) for line in lines]
    if sum(match is not None for match in quoted) > FEWEST:
        return [
            f"{match.group(1)}  {match.group(2)}" if match else line for match, line in zip(quoted, lines, strict=True)
        ]
    lettered = [_LETTER.match(line) for line in lines]
    if len({match.group(1) for match in lettered if match}) > FEWEST:
        return [
            f"{match.group(1)}  {match.group(2)}" if match else line
            for match, line in zip(lettered, lines, strict=True)
        ]
    marked = [line for line in lines if _MARK.match(line)]
    if len(marked) < max(FEWEST, 0.4 * len(lines)):
        return list(lines)
    return [_MARK.sub(r"\1", line) for line in lines]


def _indent(line: str) -> int:
    return len(line) - len(line.lstrip())


def _parted(line: str) -> tuple[str, str]:
    """What is typed and what it is; the first place where one may end and the other begin, outside of brackets."""
    text = line.strip()
    asked = re.match(rf"({NAME.pattern})\?\s+(?=\1 ?[=:<\[])", text)
    text = text[asked.end() :] if asked else text  # `start?  start=<kHz>`: the question is no word of its own
    for match in _PARTS.finditer(text):
        head, rest = text[: match.start()].strip(), _ARROW.sub("", text[match.end() :].strip())
        if match.group().strip() == "|" and _ROW.fullmatch(re.split(r"\s{2,}|\t", text)[0]):
            continue  # several words, one after the other
        place = _PLACED.fullmatch(text[match.end() :].strip()) if NAME.fullmatch(head) else None
        if place:  # `low  = <MHz>   ; lower edge`
            return f"{head}{' = ' if place.group(1) else ' '}{place.group(2)}", " ".join(place.group(3).split())
        if head.count("<") == head.count(">") and head.count("[") == head.count("]") and rest:
            return head, " ".join(rest.split())
    return re.sub(r"(?<!\.)[. :]+$", "", text), ""


def _cells(line: str) -> list[tuple[int, str]]:
    """The texts of a line between gaps, with the column at which each begins."""
    found, at = list[tuple[int, str]](), _indent(line)
    for gap in [*_GAP.finditer(line, at), None]:
        end = gap.start() if gap else len(line)
        if line[at:end].strip():
            found.append((at, line[at:end]))
        at = gap.end() if gap else at
    return found


def _second_columns(lines: Sequence[str]) -> set[int]:
    """Columns at which other words begin on the same lines: each of the texts there is a word with a value beside it,
    or stands before a text that says what it is, and all differ."""
    begun: dict[int, list[tuple[str, str]]] = {}
    for line in lines:
        cells = _cells(line)
        for number, (at, text) in enumerate(cells):
            if number:
                begun.setdefault(at, []).append((text, cells[number + 1][1] if number + 1 < len(cells) else ""))
    found = set()
    for at, texts in begun.items():
        names = [text.split()[0] for text, _ in texts]
        alone = [
            re.fullmatch(rf"{NAME.pattern}(?: (?:<[^>]*>|{NUMBER.pattern}|[A-Za-z]))?", text) is not None and bool(told)
            for text, told in texts
        ]
        slotted = [re.match(rf"{NAME.pattern} (?:<[^>]*>|\[[^\]]*\]) \S", text) is not None for text, _ in texts]
        valued = [re.search(r" (?:<|\[|\d|[A-Za-z]$)", text) is not None for text, _ in texts]
        enough = len(texts) >= FEWEST and len(set(names)) == len(names) and sum(valued) > 1
        named = sum(NAME.fullmatch(name) is not None for name in names) >= 0.75 * len(names)
        if enough and (all(alone) or (sum(slotted) > 1 and named)):
            found.add(at)
    return found


def _columns_parted(line: str, columns: set[int], labelled: set[int]) -> list[str]:
    """A line cut where other words begin; a label before a column where other lines begin is left out."""
    lettered = _lettered([text for _, text in _cells(line)])
    if lettered:
        return [" " * _indent(line) + part for part in lettered]
    if not columns:
        return [line]
    cuts = [at for at, _ in _cells(line) if at in columns and at > _indent(line)]
    ends = [*cuts, len(line)]
    parts = [line[begin:end].strip() for begin, end in zip([0, *cuts], ends, strict=True)]
    if cuts and cuts[0] in labelled and NAME.fullmatch(parts[0]):
        parts = parts[1:]
    elif not cuts and _indent(line) not in columns:
        return [line]
    spaced = [re.sub(rf"^({NAME.pattern}(?: <[^>]*>)?) (?=\S)(?!.*\s\s)", r"\1  ", part) for part in parts if part]
    return [" " * (0 if labelled else _indent(line)) + part for part in spaced]


def _lettered(cells: Sequence[str]) -> list[str]:
    """A line of single letters, each with what it does behind it, as so many lines; empty for any other line."""
    if len(cells) > 1 and all(re.match(r"[A-Za-z] \S{3}", cell) for cell in cells):
        return [f"{cell[0]}  {cell[2:].strip()}" for cell in cells]
    pairs = list(zip(cells[::2], cells[1::2], strict=False))
    if len(cells) > 2 and len(cells) % 2 == 0 and all(len(one) == 1 and one.isalpha() for one, _ in pairs):
        return [f"{one}  {told}" for one, told in pairs]
    return []
