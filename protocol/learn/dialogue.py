"""What a learning session says and asks. The screen, the plain terminal and a script each answer in their own way.

Owns: the types that pass between the learner and whoever sits before it. Refuses: to know how they are shown.
"""

from __future__ import annotations

import enum
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol


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


def corrections_of(text: str, words: Sequence[Word]) -> tuple[Correction, ...]:
    """Corrections as they are typed: `7 sets start, 12 never`. Raises ValueError in words for what is no correction."""
    numbers, found = {word.number for word in words}, []
    for part in filter(None, (piece.strip() for piece in text.split(","))):
        number, _, role = part.partition(" ")
        known = {entry.value: entry for entry in Role}
        wanted = " ".join(role.lower().split())
        if not number.isdigit() or int(number) not in numbers:
            raise ValueError(f"{number!r} is no number of the list")
        if wanted not in known:
            raise ValueError(f"{wanted!r} is not known; say one of: {', '.join(known)}")
        found.append(Correction(int(number), known[wanted]))
    return tuple(found)


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
