"""Why a console was not learned, in words that are true of what came.

Owns: the sentences about data. Refuses: to try anything.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

import numpy as np

from protocol.learn.dialogue import Role, Word
from protocol.learn.sweeps.acquire import Acquire, Acquisition
from protocol.learn.sweeps.columns import delay_of, reflecting, value_columns
from protocol.sweep import SweepSettings

_NO_PHASE = re.compile(
    r"(?i)\b(?:no|not|never|without|lacks?|cannot|can't|doesn't)\b[^.;]{0,30}\bphases?\b|"
    r"\b(?:magnitudes?|amplitudes?|levels?|scalar)(?: values?)? only\b|"
    r"\bonly (?:\w+ )?(?:magnitudes?|amplitudes?|levels?)\b|"
    r"\bscalar (?:network )?analy[sz]er\b"
)
"""A console's own word that it tells magnitudes and no more."""
_NAMES_TRACE = re.compile(r"(?i)\bs ?[12][12]\b|reflect|transmi|return|through")


def why_no_data(
    acquire: Acquire, words: Sequence[Word], one: SweepSettings, printed: Sequence[str] = (), *, stopped: str = ""
) -> str:
    """Why no sweep with both traces was found. `stopped` is the word that stopped what it sent by itself."""
    own = next((" ".join(line.split()) for line in printed if _NO_PHASE.search(line)), "")
    own = f"; it says itself: {own[:70]!r}" if own else ""
    if acquire.thin:
        return f"only magnitudes came, one number a trace and point, no phase{own}"
    if acquire.lone is not None:
        shape = acquire.lone.shapes[0]
        columns = value_columns(shape)[:2]
        frequency_hz = np.linspace(one.start_hz, one.stop_hz, shape.points)
        kinds = reflecting(shape.values[:, columns], frequency_hz, acquire.lone.told)
        turns = [delay_of(kind.complex(shape.values[:, columns]), frequency_hz) for kind in kinds[:1]]
        width = one.stop_hz - one.start_hz
        if not any(2 * np.pi * abs(delay.seconds) * width > 5 * delay.error for delay in turns):
            kept = _kept(words)
            if kept:
                return f"only one trace came (to {acquire.lone.command!r}), and it shows no open lead{kept}"
            return f"two numbers a point came, but no phase in them: only magnitudes, or numbers of another kind{own}"
        came = f"only one trace with phase came (to {acquire.lone.command!r})"
        return f"{came}; no word gives the other of S11 and S21{_kept(words)}"
    if acquire.strange:
        return f"data came but were not understood; a line of them: {acquire.strange!r}"
    if not any(word.role is Role.DATA for word in words):
        alone = f"; it sent data by itself until {stopped!r} stopped it, which is no sweep" if stopped else ""
        return f"no word is known that gives data{alone}{_kept(words)}{own}"
    said = f"; to a word for data came {acquire.declined[-1][:60]!r}" if acquire.declined else ""
    return f"no word gave data for S11 and S21{_kept(words)}{said}{own}"


def _kept(words: Sequence[Word]) -> str:
    """Which words may give a trace, but are never sent, and why."""
    kept = [
        word for word in words if word.role is Role.NEVER and _NAMES_TRACE.search(f"{word.name} {word.description}")
    ]
    return "; never sent: " + ", ".join(f"{word.name!r} ({word.reason})" for word in kept[:2]) if kept else ""


def unlisted(help_word: str, printed: Sequence[str], came: str) -> str:
    """Why no word of a console is known; `came` is what it answered at all, "" for nothing."""
    text = " ".join(" ".join(printed).split())
    if help_word and text:
        return f"its list of words (to {help_word!r}) is in no form that is known here; it begins {text[:70]!r}"
    if came:
        return f"it shows no list of its words to any word of help: {came}"
    return "nothing answers: not an empty line, not a word of help, not a question for the identity"


def unanswered(words: Sequence[Word], prompted: bool) -> str:
    """Why no question is known that it answers."""
    choices = [word for word in words if word.name.isdigit()]
    if prompted and len(choices) > len(words) / 2:
        rows = "; ".join(f"{word.name} {word.description}" for word in choices[:3])
        return f"it shows a menu ({rows[:60]} ...), and what its choices lead to is not known before they are made"
    return "no word is known that it answers"


def shown(acquisition: Acquisition) -> str:
    """The first point that came."""
    row = acquisition.parts[0].shapes[0].values[0]
    return " ".join(f"{value:g}" for value in row[:6])
