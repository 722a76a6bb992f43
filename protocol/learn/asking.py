"""What a person tells a console's learner before its words are tried: words, keys, the line that opens it.

Owns: these questions and what becomes of their answers. Refuses: to answer anything that the console asks by itself.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace

from protocol.learn.dialogue import Correction, Dialogue, Progress, Role, Word
from protocol.learn.found import Found
from protocol.learn.sweeps.setters import numbers_in
from protocol.learn.words.allow import corrected, words_of
from protocol.learn.words.guard import Guard
from protocol.learn.words.lexicon import HARM_NAME
from protocol.learn.words.opening import LINE_ENDS, Opening, open_console
from protocol.learn.words.talk import AsksError, Talk
from protocol.learn.words.tokens import cells_of, entries_of, hints_of
from protocol.learn.words.wrapped import verbs_of

NO_LIST = "it lists no words; type those of its paper manual"
KEYS = 'it acts on single keys ({shown}); name the safe ones: "a{{v}}" sets start in Hz, x gives data'
NOT_KEPT = "the line that opens it: typed by hand and not kept; type it before each visit"
KEEP = ("yes, keep it", "no")
MOST_ASKED = 3
FEWEST = 3
"""Words that make a list."""
QUESTIONS = (Role.IDENTITY, Role.SETTINGS, Role.STATUS, Role.HELP, Role.DATA, Role.FREQUENCIES)
"""Roles whose words change nothing."""
VALUES = (Role.POINTS, Role.START, Role.STOP, Role.CENTRE, Role.SPAN, Role.STEP)
"""Roles of one value."""


class Asking:
    """A conversation with a console and with whoever sits before it."""

    def __init__(self, talk: Talk, dialogue: Dialogue) -> None:
        self.talk, self.dialogue = talk, dialogue
        self.found = Found()
        self.opening = Opening()
        self._words: list[Word] = []
        self.others: list[list[Word]] = []
        """The words as the listing may be read otherwise, the likeliest first."""
        self._likeliest: list[Word] = []
        """The words as they were read first, while others are tried."""
        self._opened = ""
        """The line with which a person opened it."""

    def instead(self) -> None:
        """Take the listing as it may be read otherwise, for the words as they were read led nowhere."""
        self._likeliest = self._likeliest or self.words
        self.words = self.others.pop(0)

    @property
    def words(self) -> list[Word]:
        """The console's words; from when they are known, no line passes that may be taken for one never sent."""
        return self._words

    @words.setter
    def words(self, words: list[Word]) -> None:
        asked = self.opening.help_word  # whatever is told of it, it was sent and gave this list
        self._words = words = [
            replace(one, role=Role.HELP) if one.role is Role.UNKNOWN and one.name == asked else one for one in words
        ]
        verbs = verbs_of(self.opening.printed)
        read = cells_of(self.opening.printed)[1]
        hints = [re.split(r"[A-Z]{2,}|<|\{|\bvalue\b", hint)[0] for hint in hints_of(self.opening.printed)]
        heads = [hint.split()[0] for hint in hints if hint.split()]
        told = [*((verbs.read, verbs.write) if verbs else ()), read, *heads, self.opening.help_word, self.opening.wake]
        self.talk.guard = Guard(words, frozenset(text for text in told if text and not HARM_NAME.search(text)))

    async def open(self) -> None:
        """The first minute: line end, prompt, echo, refusals. What it asks only a person answers."""
        for _ in range(MOST_ASKED):
            try:
                self.opening = await open_console(self.talk)
                return
            except AsksError as asked:
                text = await self.dialogue.question(
                    f"It asks or warns: {str(asked)!r}. This program answers nothing by itself. Type the answer to be"
                    " sent as it is, or nothing to stop here",
                    (),
                )
                if not text:
                    raise
                await self.talk.by_hand(text)
        self.opening = await open_console(self.talk)

    def _shut(self, printed: Sequence[str]) -> str:
        """The refusal of a console that refuses every word alike and lists none; "" elsewhere."""
        said = [line for line in printed if line.strip() not in self.talk.manner.refusals]
        listed = self.opening.help_word or entries_of(said) or not self.opening.answers
        return "" if listed else " / ".join(self.talk.manner.refusals)

    async def unlock(self, refusal: str) -> bool:
        """Whether a line that a person types opens a console that refuses every word alike."""
        for _ in range(MOST_ASKED):
            line = await self.dialogue.question(
                f"It refuses every word with {refusal!r}. Which line opens it (a password, a wake-up word)? It is not"
                " shown and never written to a log. Type it whole, or nothing if there is none",
                (),
                secret=True,
            )
            if not line:
                return False
            await self.talk.by_hand(line, secret=True)
            before = self.talk.manner.refusals
            self.opening = await open_console(self.talk)
            if self.talk.manner.refusals != before:
                self.found.unlocked, self._opened = True, line
                self.found.unknown.append(NOT_KEPT)
                return True
            self.dialogue.progress(Progress(0, 1, "", "it refuses every word as before: the line did not open it"))
        return False

    async def keep(self) -> None:
        """Asked at the end: the line that opened it stands in the profile only if the technician says so."""
        if not self._opened:
            return
        answer = await self.dialogue.question(
            "It was opened by a line of yours. Write it into the profile, in clear, so that it is sent each time?", KEEP
        )
        if answer == KEEP[0]:
            self.found.unlock = self._opened
            self.found.unknown.remove(NOT_KEPT)

    async def by_keys(self, shown: str) -> bool:
        """Have a person name the keys of a console that acts on single keys; only those are pressed then."""
        said = await self.dialogue.words((), KEYS.format(shown=shown[:60]))
        keys = [one for one in said if len(one.name) == 1 and not one.name.isdigit() and one.name.isprintable()]
        if not keys:
            return False
        self.talk.keys, self.opening.answers = True, True
        self.words = corrected([], keys)
        self.opening.help_word = next((one.name for one in keys if one.role is Role.HELP), "")
        self.talk.permit(self.opening.help_word)
        self.found.evidence["keys"] = "it acted on a sign without a line end; the technician named its keys"
        await self._end_of_values()
        return True

    async def _end_of_values(self) -> None:
        """The line end behind which a key that asked for a value is a key again."""
        key = next((word.name for word in self.words if word.role in VALUES), "")
        self.talk.permit(key)
        if not key or not await self.talk.say(key, 1.0):
            return
        for end in LINE_ENDS:
            self.talk.out_end = end
            await self.talk.say("")
            if numbers_in("".join(self.talk.lines(await self.talk.say(key, 1.0), key))):
                await self.talk.say("")
                self.found.evidence["out_end"] = "it ended the question for a value"
                return

    async def amend(self, why: str) -> bool:
        """Show the words once more because something is missing; whether anything was said."""
        if self._likeliest:
            self.words, self._likeliest = self._likeliest, []
        said = await self.dialogue.words(self.words, why)
        await self._say(said)
        return bool(said)

    async def _say(self, said: Sequence[Correction]) -> None:
        """What the technician says; a word of his for the list of words is asked at once, and its list shown."""
        if said:
            self.others = []  # what he says holds for the words that he saw
        self.words = corrected(self.words, said)
        typed = [word for word in self.words if word.told is not None]
        if typed and not self.opening.answers:
            await self._line_end(typed)
        for word in typed:
            if word.role is Role.HELP and word.name != self.opening.help_word:
                self.talk.permit(word.name)
                lines = await self.talk.ask(word.name, pages=True)
                if self.talk.refused(lines) or len(entries_of(lines)) < FEWEST:
                    continue
                self.opening.help_word = word.name
                self.opening.printed = [*lines, *self.opening.printed]
                listed = words_of(entries_of(lines))
                self.words = corrected(listed, _renumbered(said, self.words, listed))
                self.words = corrected(self.words, await self.dialogue.words(self.words))
                return

    async def _line_end(self, typed: Sequence[Word]) -> None:
        """A console that answered nothing: the line end with which a typed question is answered."""
        questions = [word.name for word in typed if word.role in QUESTIONS and not (word.told and word.told.form)]
        questions += [word.told.question for word in typed if word.told is not None and word.told.question]
        self.talk.permit(*questions)
        for end in LINE_ENDS:
            self.talk.out_end = end
            for question in questions:
                got = await self.talk.say(question, 1.0)
                if [line for line in self.talk.lines(got, question) if line != question]:
                    self.opening.answers = True
                    self.found.evidence["out_end"] = f"{question!r} was answered"
                    return


def _renumbered(said: Sequence[Correction], old: Sequence[Word], new: Sequence[Word]) -> list[Correction]:
    """What was said by the numbers of one list, by those of another."""
    names, numbers = {word.number: word.name for word in old}, {word.name: word.number for word in new}
    again = []
    for one in said:
        name = names.get(one.number, one.name)
        again.append(
            replace(
                one, number=numbers.get(name, 0) if one.number else 0, name=name if name not in numbers else one.name
            )
        )
    return again
