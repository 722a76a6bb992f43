"""Registers by number: a verb that writes one, a verb that reads one, and a table of their numbers; codes that are
typed as they stand, as examples behind some of them show.

Owns: `Wnn v` and `Rnn`, `put #n value` and `get #n`, `P<nn>=<v>` and `P<nn>?` over rows like `01 start, kHz`;
`41 start, kHz   41 5000`. Refuses: a table whose two verbs are not both told or of whose codes no example shows one,
and numbers that no row names.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from protocol.learn.words.allow import Entry
from protocol.learn.words.lines import RESERVED

FEWEST = 3
_NUMBER = r"(?:<\w+>|\[\w+\]|n{1,3}|r{1,3}|x{1,3}|a{2,3}|#{1,3}|NN?N?|RR|XX)"
_VALUE = r"(?:<\w+>|\[\w+\]|v+|d+|y+|VALUE|value|val|V+|data|DATA)"
_WRITES = re.compile(
    rf"(?<!\S)(?P<verb>[A-Za-z@$]{{1,6}}?[ #]?)(?P<at>{_NUMBER})(?P<join> ?= ?|[ ,:])(?P<value>{_VALUE})"
    r"[\s:,=-]+(?:to )?(?i:write|set|put|change|load|store|alter)(?i:s)?\b(?!-)"
)
_READS = re.compile(
    rf"(?<!\S)(?P<verb>[A-Za-z@$]{{1,6}}?[ #]?)(?P<at>{_NUMBER})(?P<sign>\??)"
    r"[\s:,=-]+(?:to )?(?i:read|get|show|tell|print|ask|give)(?i:s)?\b(?!-)"
)
_ROW = re.compile(r"\s*#?(\d{1,3})[ :.)=|-]+\s*([A-Za-z].*)")
_ACCESS = re.compile(r"(?i)r/?w|w/?r|w/?o?|r/?o?")
"""Whether a register may be read and written, in a column of its own."""
_CHOICE = re.compile(r"(?<![\w.])([A-Za-z]\w{0,11} [12]) ?(?:=|:|is) ?([sS][12][12])(?!\w)")


def registers_of(lines: Sequence[str]) -> list[Entry]:
    """The registers that a listing names, each a word with its whole command and its question; empty where it tells
    of no verb that writes and one that reads."""
    writes = next((match for line in lines for match in _WRITES.finditer(line)), None)
    reads = next((match for line in lines for match in _READS.finditer(line)), None)
    rows = [match for line in lines if (match := _ROW.fullmatch(line.rstrip()))]
    if writes is None or reads is None or len({row.group(1) for row in rows}) < max(FEWEST, len(rows)):
        return []
    access = sum(_ACCESS.fullmatch(_cells(row.group(2))[0]) is not None for row in rows) == len(rows)
    found = _chosen(lines)
    for row in rows:
        number, told = row.groups()
        if access:
            way, *cells = _cells(told)
            told = ", ".join(cell for cell in [*cells[1:2], *cells[:1], *cells[2:]] if not re.fullmatch(r"-+", cell))
            if not re.search(r"(?i)w", way):
                continue  # no setting, whatever it is told to count
        name = f"{writes['verb']}{number}"
        form = f"{name}{writes['join']}{{v}}"
        question = f"{reads['verb']}{number}{reads['sign']}"
        found.append(
            Entry(name, f"{name}{writes['join']}<v>", " ".join(told.split()), number, form=form, question=question)
        )
    return found


_SHOWN = re.compile(r"(.*\S)\s{2,}(\d{1,3})([ =:,])([-+]?\d+(?:\.\d+)?)(?:\s+(\(.*\)))?\s*")


def codes_of(lines: Sequence[str]) -> list[Entry]:
    """The codes of a list, each a word; one behind which stands an example of itself with a value takes one.

    Empty where fewer than two examples show that the number is what is typed, or where a number comes twice.
    """
    found, heading, examples = dict[str, Entry](), "", 0
    for line in lines:
        row = _ROW.fullmatch(line.rstrip())
        if row is None:
            heading = line.strip(" -=*:") if RESERVED.search(line) else "" if line.rstrip().endswith(":") else heading
            continue
        number, told = row.groups()
        shown = _SHOWN.fullmatch(told)
        usage = form = number
        if shown and shown[2] == number:
            examples += 1
            usage, form = f"{number}{shown[3]}<{shown[4]}>", f"{number}{shown[3]}{{v}}"
            told = f"{shown[1]} {shown[5] or ''}"
        if number in found and len(told.split()) > 1:
            return []  # one word may be the end of the list
        told = " ".join(told.split()) + (f" (danger: {heading})" if heading else "")
        found.setdefault(number, Entry(number, usage, told, form=form if form != number else ""))
    return list(found.values()) if examples > 1 and len(found) > FEWEST else []


def _cells(told: str) -> list[str]:
    return re.split(r"\s{2,}|\t+", told.strip())


def _chosen(lines: Sequence[str]) -> list[Entry]:
    """`TRACE 1 = S11, TRACE 2 = S21`: words with the number of a trace behind them, where both traces are told so and
    each word is one of the list."""
    told = [match.groups() for line in lines for match in _CHOICE.finditer(line)]
    verbs = {usage.split()[0] for usage, _ in told}
    listed = all(any(re.match(rf"(?:.*\s\s)?\s*{verb} [<\[{{]", line) for line in lines) for verb in verbs)
    if len(told) != 2 or len(verbs) != 1 or not listed or {trace.lower() for _, trace in told} != {"s11", "s21"}:
        return []
    beside = next(line[match.end() :] for line in reversed(lines) for match in list(_CHOICE.finditer(line))[-1:])
    beside = " ".join(beside.strip(" .,;").split())  # how both are written
    return [Entry(usage, usage, ", ".join(filter(None, (trace, beside)))) for usage, trace in told]
