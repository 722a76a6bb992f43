"""How refusals begin: what came to signs that are no words and to a word alone tells what others will look like.

Owns: the beginnings that all refusals of one console share. Refuses: a beginning that any good answer has, too.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace

from protocol.dialects.reply import LINE_END, LONGEST_REFUSAL, Manner, cleaned, wild
from protocol.learn.words.lexicon import TROUBLE

SIGNS = "-!?#*~%&^"
"""Signs with which a console may begin all refusals, its own word or the one it was sent behind them."""
_NO = re.compile(r"(?i)(?:no|not|nak|nope|nein|non)\b[^\w\s]*")
_CLAUSE = re.compile(r"[A-Za-z][A-Za-z' ]{1,24}[:;,!](?=\s)")


def head_of(refusal: str) -> str:
    """What a refusal begins with, up to its first pause; "" where nothing of it is sure to begin others."""
    text = refusal.partition("{")[0]
    sign = re.match(rf"([{re.escape(SIGNS)}])\1*\s?", refusal)
    minus = sign is not None and refusal[: sign.end() + 2] == "-{n"  # data may be negative, too
    if sign and not minus and re.match(r"[A-Za-z{]", refusal[sign.end() :]):
        return sign.group()
    no = _NO.match(text)
    if no:
        return no.group()
    clause = _CLAUSE.match(text)
    if clause:
        return clause.group()
    first = re.match(r"[A-Za-z]+", text)
    return first.group() if first and TROUBLE.fullmatch(first.group()) else ""


def with_heads(manner: Manner, transcript: Sequence[tuple[str, bytes]]) -> Manner:
    """The manner with `HEAD{word}` among its refusals, for each beginning that no other answer has."""
    known = [line for line in manner.refusals if line]
    full = [re.compile(wild(line)) for line in known]  # of a short answer nobody knows better; a list is no refusal
    good = set[str]()
    for sent, came in transcript:
        lines = [line.strip() for line in LINE_END.split(cleaned(came)) if line.strip()]
        lines = [line for line in lines if line.decode("ascii", "replace").lower() != sent.strip().lower()]
        short = len(lines) <= LONGEST_REFUSAL + 1
        if short and (not sent.strip(" \t\r\n*?") or any(one.fullmatch(line) for one in full for line in lines)):
            continue
        good.update(line.decode("ascii", "replace") for line in lines)
    heard = [line.encode("ascii", "replace") for line in good]
    echoes = {line for line in known if line.endswith("{x}") and any(re.fullmatch(wild(line), one) for one in heard)}
    if echoes:  # a sign and what was sent came before good answers, too
        manner = replace(manner, chatter=(*manner.chatter, *(line.removesuffix("{x}") for line in echoes)))
        known = [line for line in known if line not in echoes]
    heads = [head + "{word}" for head in dict.fromkeys(filter(None, map(head_of, known)))]
    wide = [line for line in known if "{" in line and _prefix(line)] + [line for line in heads if line not in known]
    gone = {line for line in wide if any(one.startswith(_prefix(line)) for one in good)}
    refusals = tuple(line for line in dict.fromkeys((*known, *wide)) if line not in gone)
    return replace(manner, refusals=refusals)


def _prefix(line: str) -> str:
    """What stands before `{word}` in a pattern that says nothing else; "" for any other."""
    return line.removesuffix("{word}") if line.count("{") == 1 and line.endswith("{word}") else ""
