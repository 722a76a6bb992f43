"""A word that asks for everything one after the other, then sweeps: its questions, and the command made of them.

Owns: which question is for which setting, by its own text. Refuses: to answer a question whose meaning is not known, or
that speaks of harm; the first time each is answered by an empty line, which takes what it offers.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from protocol.dialects.reply import LINE_END, cleaned
from protocol.learn.dialogue import Word
from protocol.learn.sweeps.setters import numbers_in
from protocol.learn.sweeps.windows import Writing, named_writings
from protocol.learn.words.lexicon import HARM
from protocol.learn.words.paired import short_for_first, short_for_last
from protocol.learn.words.talk import SWEEP_S, AsksError, Talk
from protocol.profiles.templates import UNITS

MOST_QUESTIONS = 8
ASKS = re.compile(r"(?i)\basks?\b.{0,40}\b(?:from|start\w*|low\w*|first|begin\w*|cent(?:re|er))\b")
"""A description of a word that asks for the ends of a sweep."""

OFFERS = re.compile(r"[\[(<=]\s*\d+\s*[\])>]?\W*$|\s\d+\s*[:?]\s*$")
"""A question ends with the value that holds."""


@dataclass(frozen=True)
class Dialog:
    """The whole command, a line for each answer, how it writes frequencies, and the ends that it offers."""

    command: str
    writing: Writing
    low_hz: float
    high_hz: float


async def find_dialog(talk: Talk, words: Sequence[Word]) -> Dialog | None:
    """The first word that asks for both ends of a sweep and then sweeps.

    Raises AsksError at a question that is for nothing that is known.
    """
    for word in words:
        if not ASKS.search(word.description) or not talk.may(word.name):
            continue
        fields, offered, writing = list[str](), dict[str, float](), None
        got = await talk.say(word.name)
        while talk.asks_back(got) and len(fields) < MOST_QUESTIONS:
            question = LINE_END.split(cleaned(got).rstrip())[-1].decode("ascii", "replace").strip()
            name = setting_of(question)
            if name is None:
                raise AsksError(question[:120])
            ways = named_writings(question)
            if name in ("start", "stop", "centre", "span", "step") and (not ways or writing not in (None, ways[0])):
                raise AsksError(question[:120])
            if ways and writing is None and name != "points":
                writing = ways[0]
            numbers = numbers_in(question)
            if numbers:
                offered[name] = numbers[-1][1]
            fields.append(name)
            got = await talk.say("", SWEEP_S, value=True)
        if writing is None or not {"start", "stop"} <= offered.keys() or len(talk.lines(got)) < MOST_QUESTIONS:
            continue
        scale = UNITS[writing.unit]
        answers = [writing.template(name) if name else "" for name in fields]
        low, high = offered["start"] * scale, offered["stop"] * scale
        return Dialog("\n".join([word.name, *answers]), writing, max(low, 1e4), high)
    return None


def setting_of(question: str) -> str | None:
    """The setting that a question is for; "" for one that may keep its value, None where it is not known."""
    text = question.lower()
    words = re.findall(r"[a-z]+", text)
    if HARM.search(text):
        return None
    offers = OFFERS.search(text) is not None
    if any(word.startswith("point") for word in words):
        return "points" if offers else None
    if re.search(r"\b(?:averag\w*|avg|band ?width|bw|rbw)\b", text):
        return "" if offers else None
    for name, fits in (("start", short_for_first), ("stop", short_for_last)):
        if any(len(word) > 1 and fits(word) for word in words):
            return name
    return None
