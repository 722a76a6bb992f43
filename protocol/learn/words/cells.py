"""Registers by number: a verb that writes one, a verb that reads one, and a table of their numbers.

Owns: `Wnn v` and `Rnn`, `put #n value` and `get #n`, `P<nn>=<v>` and `P<nn>?` over rows like `01 start, kHz`. Refuses:
a table whose two verbs are not both told, and numbers that no row names.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from protocol.learn.words.allow import Entry

FEWEST = 3
_NUMBER = r"(?:<\w+>|\[\w+\]|n{1,3}|r{1,3}|x{1,3}|a{2,3}|#{1,3}|NN?N?|RR|XX)"
_VALUE = r"(?:<\w+>|\[\w+\]|v+|d+|y+|VALUE|value|val|V+|data|DATA)"
_WRITES = re.compile(
    rf"(?<!\S)(?P<verb>[A-Za-z@$]{{1,6}}?[ #]?)(?P<at>{_NUMBER})(?P<join> ?= ?|[ ,:])(?P<value>{_VALUE})"
    r"[\s:,=-]+(?:to )?(?:write|set|put|change|load|store|alter)s?\b(?!-)"
)
_READS = re.compile(
    rf"(?<!\S)(?P<verb>[A-Za-z@$]{{1,6}}?[ #]?)(?P<at>{_NUMBER})(?P<sign>\??)"
    r"[\s:,=-]+(?:to )?(?:read|get|show|tell|print|ask|give)s?\b(?!-)"
)
_ROW = re.compile(r"\s*#?(\d{1,3})[ :.)=|-]+\s*([A-Za-z].*)")


def registers_of(lines: Sequence[str]) -> list[Entry]:
    """The registers that a listing names, each a word with its whole command and its question; empty where it tells
    of no verb that writes and one that reads."""
    writes = next((match for line in lines for match in _WRITES.finditer(line)), None)
    reads = next((match for line in lines for match in _READS.finditer(line)), None)
    rows = [match for line in lines if (match := _ROW.fullmatch(line.rstrip()))]
    if writes is None or reads is None or len({row.group(1) for row in rows}) < max(FEWEST, len(rows)):
        return []
    found = []
    for row in rows:
        number, told = row.groups()
        name = f"{writes['verb']}{number}"
        form = f"{name}{writes['join']}{{v}}"
        question = f"{reads['verb']}{number}{reads['sign']}"
        found.append(
            Entry(name, f"{name}{writes['join']}<v>", " ".join(told.split()), "", form=form, question=question)
        )
    return found
