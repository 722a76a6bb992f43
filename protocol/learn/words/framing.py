"""What frames replies besides a prompt: a line that closes good and bad ones alike, a number that counts them.

Owns: telling such lines from refusals. Refuses: prompts and echoes (`opening`), the meaning of a reply.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

from protocol.dialects.reply import Manner
from protocol.learn.words.lexicon import TROUBLE

_COUNT = re.compile(r"\d+")
_HEAD = re.compile(r"([^\w\s]{0,3}\{n\}[^\w\s]{0,2})\s+([A-Za-z]+)[:,;]?")

_FIRST = re.compile(r"[A-Za-z]{2,12}[:,;.!]? (?=.*\d)")
OFTEN = 3
"""A beginning that came so often is no chance."""


def closing_apart(manner: Manner, lines: Sequence[str]) -> Manner:
    """The manner with the last line of a reply among its ends, where it came to words that are none as well, but the
    line that refused them did not come."""
    last = lines[-1] if len(lines) > 1 else ""
    whole = [one for one in manner.refusals if "{" not in one]
    if last not in whole or len(whole) < 2 or any(one in lines for one in whole if one != last):
        return manner
    refusals = tuple(one for one in manner.refusals if one != last)
    return replace(manner, refusals=refusals, ends=(*manner.ends, last))


def numbered_alike(replies: Sequence[Sequence[str]]) -> list[str]:
    """Lines that came to every word that is none but for one number, which counted up from reply to reply."""
    found = list[str]()
    for line in replies[0] if replies else ():
        shape = _COUNT.sub("{n}", line, count=1)
        same = [[one for one in reply if _COUNT.sub("{n}", one, count=1) == shape] for reply in replies]
        if "{n}" not in shape or not all(len(one) == 1 for one in same) or "{" in line:
            continue
        counts = [int(match.group()) for one in same if (match := _COUNT.search(one[0]))]
        if all(later == first + 1 for first, later in pairwise(counts)):
            found.append(shape)
    return found


def numbered_head(shape: str) -> str:
    """How a refusal behind a counting number begins, when its first word refuses whatever follows; "" otherwise."""
    match = _HEAD.match(shape)
    return f"{match.group(1)} {match.group(2)}" if match and TROUBLE.fullmatch(match.group(2)) else ""


def taken_heads(alone: Sequence[str], others: Sequence[str]) -> tuple[str, ...]:
    """How answers to settings begin that hold what was set (`TAKEN, FROM 75.0`), as lines that end a reply; only what
    began many and none of the lines of longer answers, which have another end."""
    firsts = Counter(match.group() for line in alone if (match := _FIRST.match(line)))
    return tuple(
        f"{head}{{word}}"
        for head, times in firsts.items()
        if times >= OFTEN and not any(line.startswith(head) for line in others)
    )


def without_heads(manner: Manner, printed: Sequence[str]) -> Manner:
    """What begins a console's list as it begins refusals begins every reply: only whole refusals are some then."""
    heads = [one for one in manner.refusals if one.endswith(" {word}") and len(one) <= len("refused: {word}")]
    common = [one for one in heads if any(line.startswith(one.removesuffix("{word}")) for line in printed)]
    return replace(manner, refusals=tuple(one for one in manner.refusals if one not in common))
