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
    TRACE = "chooses the trace"
    FREQUENCIES = "gives frequencies"
    IDENTITY = "gives identity"
    STATUS = "gives status"
    SETTINGS = "gives settings"
    HELP = "lists words"
    NEVER = "never"
    UNKNOWN = "not known"


ONE_VALUE = frozenset(
    {Role.START, Role.STOP, Role.CENTRE, Role.SPAN, Role.STEP, Role.POINTS, Role.BANDWIDTH, Role.AVERAGE}
)
"""Roles of words that take one value each."""


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
    told: Told | None = None
    """What the technician said of it."""
    form: str = ""
    """The whole command as the listing tells it, as in `Told`; "" where it has to be tried."""
    question: str = ""
    """The question for its value as the listing tells it."""


@dataclass(frozen=True, slots=True)
class Told:
    """What a technician says of one word, e.g. from the paper manual. Believed only as far as trials go."""

    role: Role
    form: str = ""
    """The whole command: {v} for a single value; {start}, {stop}, {centre}, {span}, {step}, {points} for several."""
    unit: str = ""
    """Ending of a profile's field (`khz`), "" where not said."""
    writing: str = ""
    """Form of a profile's field (`hex`, `comma`, `si`), "" for a plain number."""
    question: str = ""
    """The question whose answer shows this setting."""
    trace: str = ""
    """`s11` or `s21` where a word gives only that."""


@dataclass(frozen=True, slots=True)
class Correction:
    """The technician says what word `number` is; 0 for a word that the listing does not show, `name`."""

    number: int
    role: Role
    name: str = ""
    told: Told | None = None


@dataclass(frozen=True, slots=True)
class Progress:
    """How far the session is. `evidence` says what was just found out, "" between findings. `half`: the half-filled
    profile of one that was stopped, "" while it goes on or where nothing was found."""

    step: int
    steps: int
    says: str
    evidence: str = ""
    half: str = ""


class Dialogue(Protocol):
    """Whoever sits before the session. All of it may be answered by nobody."""

    def progress(self, progress: Progress) -> None:
        """Hear how far it is. Must return at once."""

    async def words(self, words: Sequence[Word], why: str = "") -> Sequence[Correction]:
        """See all words before unfamiliar ones are tried, or once more when `why` says what is missing.

        The answer corrects some by number and names others that the listing does not show (`corrections`).
        """

    async def question(self, text: str, answers: Sequence[str], *, secret: bool = False) -> str:
        """Answer one question with one of `answers` (free text where there are none); "" for not known.

        `secret`: what is typed must not be shown or kept by whoever asks.
        """

    async def deed(self, text: str) -> bool:
        """Do something with the hands ("take the lead off port 2") and say done; False: not possible."""


class Nobody:
    """Nobody is there: corrects nothing, answers nothing, does nothing."""

    def progress(self, progress: Progress) -> None:
        """Unheard."""

    async def words(self, words: Sequence[Word], why: str = "") -> Sequence[Correction]:
        """None."""
        return ()

    async def question(self, text: str, answers: Sequence[str], *, secret: bool = False) -> str:
        """Not known."""
        return ""

    async def deed(self, text: str) -> bool:
        """Not possible."""
        return False
