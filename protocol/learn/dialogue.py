"""What a learning session says and asks. The screen, the plain terminal and a script each answer in their own way.

Owns: the types that pass between the learner and whoever sits before it. Refuses: to know how they are shown.
"""

from __future__ import annotations

import enum
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from protocol.errors import RequestError


class Role(enum.StrEnum):
    """What a word of the console is for, as the technician would say it."""

    START = "sets start"
    STOP = "sets stop"
    CENTRE = "sets centre"
    SPAN = "sets span"
    RANGE = "sets start and stop"
    POINTS = "sets points"
    STEP = "sets step"
    BANDWIDTH = "sets bandwidth"
    AVERAGE = "sets average"
    SWEEP = "sweeps"
    HOLD = "holds the sweep"
    RUN = "lets it sweep"
    DATA = "gives data"
    FREQUENCIES = "gives frequencies"
    IDENTITY = "gives identity"
    STATUS = "gives status"
    SETTINGS = "gives settings"
    HELP = "lists words"
    NEVER = "never"
    UNKNOWN = "not known"


@dataclass(frozen=True, slots=True)
class Word:
    """One word of the console as the learner sees it, before it is tried."""

    number: int
    """Counts from 1; the technician corrects by it."""
    name: str
    usage: str
    """Its arguments as the console writes them, "" where it says none."""
    description: str
    role: Role
    """What the learner takes it for. Only words with a role other than NEVER and UNKNOWN are ever sent."""
    reason: str
    """Why it is taken so, or why it will never be sent."""


@dataclass(frozen=True, slots=True)
class Correction:
    """The technician says what word `number` is."""

    number: int
    role: Role


@dataclass(frozen=True, slots=True)
class Progress:
    """How far the session is. `evidence` says what was just found out, "" between findings."""

    step: int
    steps: int
    says: str
    evidence: str = ""


_CORRECTION = re.compile(r"\s*(\d{1,4})\s*[:=.]?\s*(.*?)\s*")


def parse_corrections(text: str, words: Sequence[Word]) -> tuple[Correction, ...]:
    """Corrections as typed, e.g. `7 sets start, 12 never`; "" is none. A role may be cut short while one fits.

    Raises RequestError that names what was not understood.
    """
    known, found = {word.number for word in words}, {}
    for part in re.split(r"[,;\n]", text):
        if not part.strip():
            continue
        match = _CORRECTION.fullmatch(part)
        if match is None:
            raise RequestError(f"{part.strip()[:30]!r}: begin with the word's number, e.g. 7 sets start")
        number = int(match.group(1))
        if number not in known:
            raise RequestError(f"there is no word {number}; they are numbered 1 to {max(known, default=0)}")
        found[number] = Correction(number, _role(number, match.group(2)))
    return tuple(found.values())


def _role(number: int, typed: str) -> Role:
    words = " ".join(typed.lower().split())
    exact = [role for role in Role if words in (role.value, role.value.partition(" ")[2])]
    fits = exact or [role for role in Role if words and role.value.startswith(words)]
    if len(fits) != 1:
        offered = ", ".join(fits or [role.value for role in Role])
        raise RequestError(f"{number} {words[:20]!r}: say one of: {offered}")
    return fits[0]


class Dialogue(Protocol):
    """Whoever sits before the session. All of it may be answered by nobody."""

    def progress(self, progress: Progress) -> None:
        """Hear how far it is. Must return at once."""

    async def words(self, words: Sequence[Word]) -> Sequence[Correction]:
        """See all words once, before unfamiliar ones are tried; the answer corrects some by number."""

    async def question(self, text: str, answers: Sequence[str]) -> str:
        """Answer one question with one of `answers` (free text where there are none); "" for not known."""

    async def deed(self, text: str) -> bool:
        """Do something with the hands ("take the lead off port 2") and say done; False: not possible."""


class Nobody:
    """Nobody is there: corrects nothing, answers nothing, does nothing."""

    def progress(self, progress: Progress) -> None:
        """Unheard."""

    async def words(self, words: Sequence[Word]) -> Sequence[Correction]:
        """None."""
        return ()

    async def question(self, text: str, answers: Sequence[str]) -> str:
        """Not known."""
        return ""

    async def deed(self, text: str) -> bool:
        """Not possible."""
        return False
