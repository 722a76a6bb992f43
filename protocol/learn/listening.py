"""What a console lists and says before anything is set: its words, its identity, how its replies end.

Owns: `Found` as far as words and ends go. Refuses: settings and sweeps (`session`).
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

from protocol.dialects.reply import LINE_END, Manner, cleaned, wild
from protocol.finding.heard import heard
from protocol.learn.asking import NO_LIST, VALUES, Asking
from protocol.learn.dialogue import Role
from protocol.learn.found import MissingError
from protocol.learn.reasons import unanswered, unlisted
from protocol.learn.words.allow import SENT, Entry
from protocol.learn.words.around import warned
from protocol.learn.words.cells import codes_of, registers_of
from protocol.learn.words.framing import without_heads
from protocol.learn.words.general import general_entries, topics_of
from protocol.learn.words.lexicon import HARM, HARM_NAME, LOCKED
from protocol.learn.words.opening import PLAIN_HELP, list_words
from protocol.learn.words.plans import A_SPAN, ranked, worth
from protocol.learn.words.prose import prose_entries
from protocol.learn.words.tabled import tabled_entries
from protocol.learn.words.talk import FEWEST_LISTED, NEWLINE
from protocol.learn.words.tokens import cells_of, entries_of, menu_of
from protocol.learn.words.wrapped import verbs_of, wrapped_entries

CHOOSES = re.compile(r"(?i)\b(?:choose|choice|select|number)\b")
"""A prompt or a refusal of a menu whose numbers are typed."""

UNASKED = 3
"""Replies in which the same line stands, but for its numbers, when it has nothing to do with what was asked."""
PAGED = re.compile(r"(?i)(?:pages?|pager|paging|more)")
"""A word that parts long replies into pages."""
TREE = re.compile(r"(?i)^(?:the |a )?(?:tree|list|names|index|catalogue|directory|nodes|files)\b(?! of commands)")
"""A description of a word that lists what the verbs go before."""
HEAD = re.compile(r"[1-3]\d\d|(?i:ok|done|yes|ack)[.:!]?")
"""A line that says that a command was taken, before the answer comes."""


class Listening(Asking):
    """A conversation that is open, and what was heard in it."""

    _told: Sequence[str] = ()
    """What help told of each word when it was asked."""
    taken: tuple[str, ...] = ()
    """How answers to settings begin that hold what was set."""

    async def refuses(self, question: str) -> bool:
        """Whether a question of the standard is refused as a sign that is no word was refused."""
        known = {line.strip() for line in self.opening.printed}
        if not self.talk.manner.refusals and len(known) < 2 * FEWEST_LISTED:
            return False
        if not self.talk.manner.refusals:  # it answers a sign that is no word with its list
            self.talk.listing = known
        got = await self.talk.raw(question.encode("ascii") + self.talk.out_end, pages=True)
        self.talk.heed(question, got)
        return self.talk.refused(self.talk.lines(got, question))

    async def list_words(self) -> None:
        """The console's words and what each is for."""
        printed = await list_words(self.talk, self.opening)
        shut = self._shut(printed)
        if shut and LOCKED.search(shut) and await self.unlock(shut):
            printed = await list_words(self.talk, self.opening)
        if not self.opening.help_word:
            printed = [line for line in printed if not self.talk.refused([line])]
        printed += await self._tree(printed)
        asked_for = self.opening.printed
        self.opening.printed = [*printed, *self.opening.printed]
        if len(printed) >= FEWEST_LISTED:
            self.talk.listing = {line.strip() for line in printed}
        entries, alone = _read(printed, asked_for, self.talk.manner)
        entries = await self._topics(printed, entries)
        self._remarks(printed)
        self.talk.manner = without_heads(self.talk.manner, printed)
        readings = [entries] if alone else [entries, general_entries(printed)]
        readings = [warned(one, printed) for one in readings]
        plans = ranked(readings if alone else [*readings, general_entries(self._told), prose_entries(printed)])
        if not plans or worth(plans[0]) < A_SPAN:
            more = await self._by_topics(printed)
            printed = [*printed, *more]
            self.opening.printed = [*more, *self.opening.printed]
            readings = [warned(reading, printed) for reading in (entries_of(printed), general_entries(printed))]
            plans = ranked(readings) if more else plans
        self.words, self.others = plans[0] if plans else [], plans[1:]
        if not self.opening.help_word and not any(word.role in SENT for word in self.words):
            self.words = []  # remarks and the like, no list
        said = await self.dialogue.words(self.words, "" if self.words else NO_LIST)
        if shut and not said and not self.found.unlocked and await self.unlock(shut):
            await self.list_words()
            return
        await self._say(said)
        await self._unpaged([*entries, *entries_of(printed)])
        self.found.help = self.opening.help_word
        locked = next((line for line in self.talk.manner.refusals if LOCKED.search(line)), "")
        if not self.words and locked:
            raise MissingError(f"it is locked: it answers {locked!r} to all; unlock it by hand, then learn again")
        if not self.words:
            raise MissingError(unlisted(self.opening.help_word, printed, heard(self.talk.transcript)))

    async def _unpaged(self, entries: Sequence[Entry]) -> None:
        """Where a word parts replies into pages, or not, it is told not to, now and whenever the port is opened."""
        for entry in entries:
            choice = re.search(r"(?i)\bon ?[|/] ?off\b", f"{entry.usage[len(entry.name) :]} {entry.description}")
            harm = HARM.search(f"{entry.usage[len(entry.name) :]} {entry.description}")
            if not self.opening.wake and PAGED.fullmatch(entry.name) and choice and not harm:
                line = f"{entry.name} {'OFF' if choice.group().isupper() else 'off'}"
                self.talk.permit(line)
                self.talk.guard = replace(self.talk.guard, told=self.talk.guard.told | {line})
                if self.talk.may(line) and not self.talk.turned_down(await self.talk.ask(line)):
                    self.opening.wake = line
                    self.found.evidence["wake"] = "its list says that this turns pages off"

    async def _tree(self, printed: Sequence[str]) -> list[str]:
        """The names behind the verbs, where the list has only verbs and a word that lists the names."""
        if verbs_of(printed) is None:
            return []
        for entry in entries_of(printed):
            harm = HARM.search(entry.description) or HARM_NAME.search(entry.name)
            if entry.usage == entry.name and TREE.search(entry.description) and not harm:
                self.talk.permit(entry.name)
                lines = self.talk.listed(await self.talk.say(entry.name, pages=True), entry.name)
                if not self.talk.refused(lines):
                    return lines
        return []

    async def _by_topics(self, printed: Sequence[str]) -> list[str]:
        """What help tells of each topic that its own text names."""
        word, found = self.opening.help_word, list[str]()
        for topic in topics_of(printed, word) if word else ():
            self.talk.permit(line := f"{word} {topic}")
            lines = self.talk.listed(await self.talk.say(line, pages=True), line)
            if not self.talk.refused([one.strip() for one in lines]) and lines != printed:
                found += lines
        return found

    async def _topics(self, printed: Sequence[str], entries: list[Entry]) -> list[Entry]:
        """Where help tells more of each word, it is asked for each; other answers are left out."""
        bare = [entry for entry in entries if not entry.description]
        text = " ".join(printed)
        if len(bare) < 0.7 * len(entries) or not re.search(r"(?i)<\w+>|tells more|more about|help \w+\b.*\bfor", text):
            return entries
        named = re.search(r"(\S+) <\w+>", text)
        word = named.group(1) if named and named.group(1).lower() in PLAIN_HELP else self.opening.help_word
        if not word:  # its list came to an empty line: nothing asks about a word without being that word
            return entries
        told = []
        for entry in entries:
            self.talk.permit(f"{word} {entry.name}")
            lines = await self.talk.ask(f"{word} {entry.name}", pages=True)
            self._told = [*self._told, *(() if self.talk.refused(lines) else lines)]
            about = [found for found in entries_of(lines) if found.description] if len(lines) <= 3 else []
            mine = [one for one in about if re.sub(r"(?i)^(?:set|get|put)[ _]?", "", one.name) == entry.name]
            mine = [one for one in about if one.name == entry.name] or mine
            numbered = [found for found in about if re.fullmatch(r"[a-z]+ \d{1,2}", found.name)]
            told.append((mine or (numbered if len(about) == 1 else []) or [entry])[0])
        return told

    def _remarks(self, printed: Sequence[str]) -> None:
        """Lines that begin as remarks do are taken for remarks, unless refusals or the listing begin so."""
        replies = [{_no_digits(line) for line in _lines_of(got)} for _, got in self.talk.transcript]
        often = Counter(shape for reply in replies if len(reply) <= FEWEST_LISTED for shape in reply)
        own = [line for line in printed if often[_no_digits(line.strip())] < UNASKED]  # others came to other words, too
        taken = [line.encode("ascii", "replace") for line in (*own, *self.talk.manner.refusals)]
        prefixes = ("# ", "! ", "; ", "[info] ", "* note")
        free = [text for text in prefixes if sum(line.startswith(text.encode()) for line in taken) < 1]
        self.talk.manner = replace(self.talk.manner, chatter=tuple(free))

    async def identify(self) -> None:
        """A question whose answer names the instrument; the list of words where there is none."""
        found, help_word = self.found, self.opening.help_word
        for word in (word for word in self.words if word.role is Role.IDENTITY):
            self.talk.permit(word.name)
            got = await self.talk.say(word.name)
            self._prompt_after_all(got, word.name)
            lines = self.talk.lines(got, word.name)
            if lines and not self.talk.refused(lines):
                self._ends([(word.name, got)])
                lines = self.talk.lines(got, word.name)
                found.identify, found.identity = word.name, " ".join(" ".join(lines).split())
                found.evidence["identify"] = f"answered {found.identity[:60]!r}"
                return
        if not help_word and await self._any_answer():
            return
        if not help_word:
            refusal = " / ".join(self.talk.manner.refusals)
            if refusal and any(word.told is not None for word in self.words):
                raise MissingError(
                    f"it answers every word with {refusal!r}, those of the technician too; its words are not known"
                )
            raise MissingError(unanswered(self.words, any(self.talk.manner.prompts)))
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

    async def _any_answer(self) -> bool:
        """A question of the technician's that is answered stands in for one for the identity."""
        for word in self.words:
            question = word.told.question if word.told is not None else ""
            if word.told is None or not (question or word.role in (Role.SETTINGS, Role.STATUS, *VALUES)):
                continue
            question = question or word.name
            self.talk.permit(question)
            got = await self.talk.say(question)
            self._prompt_after_all(got, question)
            if self.talk.asks_back(got):
                await self.talk.say("")
                continue
            lines = self.talk.lines(got, question)
            if lines and not self.talk.refused(lines) and re.search(r"\w", lines[0]):
                self.found.identify, self.found.identity = question, "learned console"
                self.found.unknown.append("its identity: no word tells it; another question is asked instead")
                return True
        return False

    def _prompt_after_all(self, got: bytes, command: str) -> None:
        """A line that came alone to every word and to an empty line is the prompt when it ends an answer, too."""
        lines = _lines_of(got)
        lines = lines[1:] if lines[:1] == [command] else lines
        manner = self.talk.manner
        last = lines[-1].encode("ascii", "replace") if lines else b""
        alike = [one for one in manner.refusals if re.fullmatch(wild(one), last)]  # its digits may be wild
        if manner.prompts or len(lines) < 2 or not alike:
            return
        if any(not sent.strip() and _lines_of(came)[-1:] == lines[-1:] for sent, came in self.talk.transcript):
            left = tuple(one for one in manner.refusals if one not in alike)
            self.talk.manner = replace(manner, prompts=(lines[-1],), refusals=left)

    def _ends(self, good: list[tuple[str, bytes]]) -> None:
        """A line that ends every good reply, before the prompt where there is one; an open one is a prompt after all.

        A prompt of the sign that was sent first (`*`) looked like that sign's echo.
        """
        helped = [
            (line.strip(), got) for line, got in self.talk.transcript if line.strip() == self.opening.help_word and got
        ]
        tails = [NEWLINE.split(cleaned(got))[-1].decode("ascii", "replace") for _, got in [*helped[-1:], *good]]
        if not self.talk.manner.prompts and len(tails) > 1 and tails[0].strip() and len(set(tails)) == 1:
            echo = all(_lines_of(got)[:1] == [line] for line, got in [*helped[-1:], *good])
            self.talk.manner = replace(self.talk.manner, prompts=(tails[0],), echo=echo)
            self.found.evidence["prompt"] = "stood open at the end of every good reply"
        texts = [self.talk.lines(got, line) for line, got in [*helped[-1:], *good]]
        heads = [lines[0] for lines in texts if lines]
        if len(texts) == len(heads) > 1 and len(set(heads)) == 1 and HEAD.fullmatch(heads[0]):
            self.talk.manner = replace(self.talk.manner, heads=(heads[0],))
            self.found.evidence["heads"] = "began every good reply"
        last = [lines[-1] for lines in texts if lines]
        if len(last) < 2:
            return
        shapes = Counter(_end_shape(line) for line in last[-2:])
        shape, times = shapes.most_common(1)[0]
        if shape and times >= 2:
            self.talk.manner = replace(self.talk.manner, ends=(shape,))
            self.found.evidence["ends"] = "stood at the end of every good reply"

    def manner(self) -> Manner:
        """How replies are framed, with all kinds of remarks where any came."""
        texts = [line for _, got in self.talk.transcript for line in LINE_END.split(cleaned(got))]
        seen = [
            prefix for prefix in self.talk.manner.chatter if any(t.lstrip().startswith(prefix.encode()) for t in texts)
        ]
        manner = self.talk.manner
        ends = (*manner.ends, *self.taken) if manner.ends and not manner.prompts else manner.ends
        return replace(manner, ends=ends, chatter=manner.chatter if seen else ())


def _read(printed: Sequence[str], asked_for: Sequence[str], manner: Manner) -> tuple[list[Entry], bool]:
    """The words of a list as the layouts that are known read it; whether no other reading has to be tried."""
    heads = [line for line in printed if not re.match(r"[|\s]*\d", line)]  # a row's own text is not the menu's
    asked = " ".join([*manner.prompts, *manner.refusals, *heads])
    registers, cells = registers_of(printed), cells_of(printed)[0]
    if registers:
        others = [line for line in printed if not re.match(r"\s*\d", line)]
        verbs = {entry.name.split()[0] for entry in registers}
        return [*registers, *(entry for entry in general_entries(others) if entry.name not in verbs)], True
    menu = codes_of(printed) or (menu_of(printed) if CHOOSES.search(asked) else [])
    layouts = wrapped_entries(printed, asked_for) or tabled_entries(printed)
    return menu or cells or layouts or entries_of(printed), bool(cells)


def _no_digits(line: str) -> str:
    return re.sub(r"\d+", "#", line)


def _end_shape(line: str) -> str:
    if re.fullmatch(r"[*=#$]?[0-9A-F]{1,4}", line) and not line.isalpha():
        return f"{line[0]}{{h}}" if not line[0].isalnum() else ""
    return line if len(line) <= 24 and not re.search(r"\d", line) else ""


def _lines_of(got: bytes) -> list[str]:
    return [line.strip().decode("ascii", "replace") for line in LINE_END.split(cleaned(got)) if line.strip()]
