"""What a console lists and says before anything is set: its words, its identity, how its replies end.

Owns: `Found` as far as words and ends go. Refuses: settings and sweeps (`session`).
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from protocol.dialects.reply import LINE_END, Manner, cleaned
from protocol.finding.heard import heard
from protocol.learn.dialogue import Correction, Dialogue, Progress, Role, Word
from protocol.learn.sweeps.acquire import Acquisition
from protocol.learn.sweeps.axis import Meaning
from protocol.learn.sweeps.bounds import Bounds
from protocol.learn.words.allow import Entry, corrected, words_of
from protocol.learn.words.lexicon import LOCKED
from protocol.learn.words.opening import HELP_WORDS, LINE_ENDS, Opening, list_words, open_console
from protocol.learn.words.talk import FEWEST_LISTED, AsksError, Talk
from protocol.learn.words.tokens import entries_of, menu_of

CHOOSES = re.compile(r"(?i)\b(?:choose|choice|select|number)\b")
"""A prompt or a refusal of a menu whose numbers are typed."""

NO_LIST = "it lists no words; type those of its paper manual"
KEYS = 'it acts on single keys ({shown}); name the safe ones: "a{{v}}" sets start in Hz, x gives data'
KEEP = ("yes, keep it", "no")
MOST_ASKED = 3
FEWEST = 3
"""Words that make a list."""
QUESTIONS = (Role.IDENTITY, Role.SETTINGS, Role.STATUS, Role.HELP, Role.DATA, Role.FREQUENCIES)
"""Roles whose words change nothing."""


class MissingError(Exception):
    """What stands in the way, as the end of a sentence."""


class UnitUnknownError(MissingError):
    """Nothing tells the unit of the frequencies, and the answer to the question for it is not known."""


@dataclass
class Found:
    """All that was learned so far; commands are templates by their key in a profile."""

    identify: str = ""
    identity: str = ""
    help: str = ""
    unlock: str = ""
    """The line that opens the console, only where it may be kept."""
    unlocked: bool = False
    commands: dict[str, str] = field(default_factory=dict)
    readback: dict[str, list[str]] = field(default_factory=dict)
    acquisition: Acquisition | None = None
    meaning: Meaning | None = None
    axis: str = "unconfirmed"
    listed: str = ""
    """Unit of the list of frequencies."""
    resolution_hz: float = 1.0
    bounds: Bounds = field(default_factory=Bounds)
    evidence: dict[str, str] = field(default_factory=dict)
    unknown: list[str] = field(default_factory=list)


class Listening:
    """A conversation that is open, and what was heard in it."""

    def __init__(self, talk: Talk, dialogue: Dialogue) -> None:
        self.talk, self.dialogue = talk, dialogue
        self.found = Found()
        self.words: list[Word] = []
        self.opening = Opening()

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
                await self.talk.secret(text)
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
            await self.talk.secret(line)
            before = self.talk.manner.refusals
            self.opening = await open_console(self.talk)
            if self.talk.manner.refusals != before:
                self.found.unlocked = True
                await self._keep(line)
                return True
            self.dialogue.progress(Progress(0, 1, "", "it refuses every word as before: the line did not open it"))
        return False

    async def _keep(self, line: str) -> None:
        """The line stands in the profile only if the technician says so."""
        answer = await self.dialogue.question(
            "It is open. Write that line into the profile, in clear, so that it is sent each time?", KEEP
        )
        if answer == KEEP[0]:
            self.found.unlock = line
        else:
            self.found.unknown.append("the line that opens it: typed by hand and not kept; type it before each visit")

    async def refuses(self, question: str) -> bool:
        """Whether a question of the standard is refused as a sign that is no word was refused."""
        if not self.talk.manner.refusals:
            return False
        got = await self.talk.raw(question.encode("ascii") + self.talk.out_end, pages=True)
        return self.talk.refused(self.talk.lines(got, question))

    async def list_words(self) -> None:
        """The console's words and what each is for."""
        printed = await list_words(self.talk, self.opening)
        shut = self._shut(printed)
        if shut and LOCKED.search(shut) and await self.unlock(shut):
            printed = await list_words(self.talk, self.opening)
        if not self.opening.help_word:
            printed = [line for line in printed if not self.talk.refused([line])]
        self.opening.printed = [*printed, *self.opening.printed]
        if len(printed) >= FEWEST_LISTED:
            self.talk.listing = {line.strip() for line in printed}
        heads = [line for line in printed if not re.match(r"[|\s]*\d", line)]  # a row's own text is not the menu's
        asked = " ".join([*self.talk.manner.prompts, *self.talk.manner.refusals, *heads])
        entries = (menu_of(printed) if CHOOSES.search(asked) else []) or entries_of(printed)
        entries = await self._topics(printed, entries)
        self._remarks(printed)
        self.words = words_of(entries)
        said = await self.dialogue.words(self.words, "" if self.words else NO_LIST)
        if shut and not said and not self.found.unlocked and await self.unlock(shut):
            await self.list_words()
            return
        await self._say(said)
        self.found.help = self.opening.help_word
        locked = next((line for line in self.talk.manner.refusals if LOCKED.search(line)), "")
        if not self.words and locked:
            raise MissingError(f"it is locked: it answers {locked!r} to all; unlock it by hand, then learn again")
        if not self.words:
            came = heard(self.talk.transcript)
            raise MissingError(
                f"it shows no list of its words to any word of help: {came}"
                if came
                else "nothing answers: not an empty line, not a word of help, not a question for the identity"
            )

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
        return True

    async def amend(self, why: str) -> bool:
        """Show the words once more because something is missing; whether anything was said."""
        said = await self.dialogue.words(self.words, why)
        await self._say(said)
        return bool(said)

    async def _say(self, said: Sequence[Correction]) -> None:
        """What the technician says; a word of his for the list of words is asked at once, and its list shown."""
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
                self.words = corrected(words_of(entries_of(lines)), [one for one in said if not one.number])
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

    async def _topics(self, printed: Sequence[str], entries: list[Entry]) -> list[Entry]:
        """Where help tells more of each word, it is asked for each; other answers are left out."""
        bare = [entry for entry in entries if not entry.description]
        text = " ".join(printed)
        if len(bare) < 0.7 * len(entries) or not re.search(r"(?i)<\w+>|tells more|more about|help \w+\b.*\bfor", text):
            return entries
        named = re.search(r"(\S+) <\w+>", text)
        word = named.group(1) if named and named.group(1).lower() in HELP_WORDS else self.opening.help_word
        told = []
        for entry in entries:
            self.talk.permit(f"{word} {entry.name}")
            lines = await self.talk.ask(f"{word} {entry.name}", pages=True)
            about = [found for found in entries_of(lines) if found.description] if len(lines) <= 3 else []
            mine = [found for found in about if found.name == entry.name]
            numbered = [found for found in about if re.fullmatch(r"[a-z]+ \d{1,2}", found.name)]
            told.append((mine or (numbered if len(about) == 1 else []) or [entry])[0])
        return told

    def _remarks(self, printed: Sequence[str]) -> None:
        """Lines that begin as remarks do are taken for remarks, unless refusals or the listing begin so."""
        taken = [line.encode("ascii", "replace") for line in (*printed, *self.talk.manner.refusals)]
        prefixes = ("# ", "! ", "; ", "[info] ", "* note")
        free = [text for text in prefixes if sum(line.startswith(text.encode()) for line in taken) < 1]
        self.talk.manner = replace(self.talk.manner, chatter=tuple(free))

    async def identify(self) -> None:
        """A question whose answer names the instrument; the list of words where there is none."""
        found, help_word = self.found, self.opening.help_word
        for word in (word for word in self.words if word.role is Role.IDENTITY):
            self.talk.permit(word.name)
            got = await self.talk.say(word.name)
            lines = self.talk.lines(got, word.name)
            if lines and not self.talk.refused(lines):
                self._ends([(word.name, got)])
                lines = self.talk.lines(got, word.name)
                found.identify, found.identity = word.name, " ".join(" ".join(lines).split())
                found.evidence["identify"] = f"answered {found.identity[:60]!r}"
                return
        if not help_word:
            raise MissingError("no word is known that it answers")
        await self._ends_otherwise()
        found.identify, found.identity = help_word, "learned console"
        found.unknown.append("its identity: no word tells it; its list of words is asked for instead")

    async def _ends_otherwise(self) -> None:
        """The end of replies by another question than for the identity."""
        for word in (word for word in self.words if word.role in (Role.SETTINGS, Role.STATUS, Role.FREQUENCIES)):
            self.talk.permit(word.name)
            got = await self.talk.say(word.name)
            lines = self.talk.lines(got, word.name)
            if lines and not self.talk.refused(lines):
                self._ends([(word.name, got)])
                return

    def _ends(self, good: list[tuple[str, bytes]]) -> None:
        """A line that ends every good reply, before the prompt where there is one."""
        helped = [
            (line.strip(), got) for line, got in self.talk.transcript if line.strip() == self.opening.help_word and got
        ]
        texts = [self.talk.lines(got, line) for line, got in [*helped[-1:], *good]]
        last = [lines[-1] for lines in texts if lines]
        if len(last) < 2:
            return
        shapes = Counter(_end_shape(line) for line in last[-2:])
        shape, times = shapes.most_common(1)[0]
        if shape and times >= 2:
            self.talk.manner = replace(self.talk.manner, ends=(shape,))
            self.found.evidence["ends"] = "stood at the end of every good reply"

    def manner(self) -> Manner:
        """How replies are framed, with only those remarks that came."""
        texts = [line for _, got in self.talk.transcript for line in LINE_END.split(cleaned(got))]
        seen = [
            prefix for prefix in self.talk.manner.chatter if any(t.lstrip().startswith(prefix.encode()) for t in texts)
        ]
        return replace(self.talk.manner, chatter=tuple(seen))


def _end_shape(line: str) -> str:
    if re.fullmatch(r"[*=#$]?[0-9A-F]{1,4}", line) and not line.isalpha():
        return f"{line[0]}{{h}}" if not line[0].isalnum() else ""
    return line if len(line) <= 24 and not re.search(r"\d", line) else ""
