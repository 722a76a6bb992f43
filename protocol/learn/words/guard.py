"""Whether a console may take a line for a word that is never sent: cut short, glued to an argument, or just that word.

Owns: the question, asked of every line (`Talk`). Refuses: to permit anything; a line that passes still needs leave.

Consoles take abbreviations (`sav` for `save`), arguments without a blank (`s3` for slot 3), small letters for capitals.
A line that begins with a listed word that may be sent, or with what the console itself tells to type, is meant so.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from protocol.learn.dialogue import Role, Word
from protocol.learn.words.allow import SENT

_ARGUMENT = re.compile(r"[<{\[=]|(?<=[\s:,])[A-Z]{1,6}\b")
VERBS = ("set", "get", "put")


@dataclass(frozen=True)
class Guard:
    """The words of one console, as far as they are known; none at first."""

    words: Sequence[Word] = ()
    told: frozenset[str] = frozenset()
    """Beginnings of lines that the console or the technician tells to type."""

    def taken_for(self, line: str) -> str:
        """The word that is never sent which a console may take a line for; "" where there is none."""
        head = head_of(line)
        if not head:
            return ""
        meant = max((word for word in self.words if begins(line, word.name)), key=_length, default=None)
        if meant is not None and meant.role in SENT:
            return ""
        if meant is not None and meant.role is Role.NEVER:
            return meant.name
        told = {text for word in self.words if word.role in SENT for text in _told_by(word)}
        least = len(meant.name) if meant is not None else 0
        if any(begins(line, text) and len(text) >= least for text in (*self.told, *told)):
            return ""
        if meant is not None and not _takes_names(meant, head):
            return meant.name
        if any(head_of(word.name) == head and " " in word.name for word in self.words):
            return ""  # a verb of the console: `set gate` stands in its list
        for word in self.words:
            first = head_of(word.name)
            if word.role in SENT or not first or _takes_names(word, head):
                continue
            if first.startswith(head) or head.startswith(first) or first.startswith(_letters(head)):
                return word.name
        return ""


def begins(line: str, word: str) -> bool:
    """Whether a line begins with a word, capitals or not, and no letter or digit goes on with it."""
    low, name = line.lower(), word.lower()
    return bool(name) and low.startswith(name) and (len(low) == len(name) or not glued(name[-1], low[len(name)]))


def glued(last: str, following: str) -> bool:
    """Whether a sign goes on with the word that ends in `last`: a letter behind it, or a digit behind a digit."""
    return following.isalpha() or (last.isdigit() and following.isdigit())


def head_of(line: str) -> str:
    """The first word of a line, in small letters."""
    match = re.match(r"[^\s{=:,?(]+", line)
    return match.group().lower() if match else ""


def _length(word: Word) -> int:
    return len(word.name)


def _letters(head: str) -> str:
    """A head without the number that is glued to it, which may be an argument."""
    return re.sub(r"(?<=[a-z])[-+\d].*$", "", head)


def _told_by(word: Word) -> list[str]:
    """How a usage begins, up to its argument; how the technician's own command does."""
    texts = [_ARGUMENT.split(word.usage)[0].strip(" :,")] if word.usage else []
    if word.told is not None:
        texts += [piece.split("{")[0].strip() for piece in word.told.form.split("\n")[:1]]
        texts.append(word.told.question)
    return [text for text in texts if text]


def _takes_names(word: Word, head: str) -> bool:
    """Whether a listed verb of setting that is not understood by itself takes a name: `set <name> <value>`."""
    return word.role is Role.UNKNOWN and head == word.name.lower() in VERBS and len(word.usage) > len(word.name)
