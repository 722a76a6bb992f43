"""Careful talk with an unknown console: sends what is permitted, collects what comes back, keeps a transcript.

Owns: patience without knowing the dialect, pages of a listing, the refusal to send anything that was not permitted or
to go on after a text that warns or asks. Refuses: to decide what may be sent (`allow`), and the meaning of a reply.
"""

from __future__ import annotations

import re
import time
from dataclasses import dataclass, field, replace

from protocol.dialects.reply import LINE_END, LONGEST_REFUSAL, Manner, cleaned
from protocol.learn.words.guard import Guard, glued
from protocol.learn.words.lexicon import ASKS_LEAVE, HARM, PAGE_WARNS, TROUBLE, WARNS
from protocol.wire import wire_log
from protocol.wire.link import Link

NEWLINE = re.compile(rb"\r\n|\n\r|\n|\r")
PAGER = re.compile(
    rb"(?i)^[\s\-\[(<]*(?:(?:press )?(?:any key|space|enter)\b|more\b|page \d|next page|\(?q leaves\)? more|<space>)"
    rb"[^\r\n]{0,40}$"
)
"""A line without its end that says that the listing goes on."""
FEWEST_LISTED = 4
"""Lines that must stand before a pager's line for it to be one."""
MOST_PAGES = 40
FIRST_S, QUIET_S, LONGEST_S = 0.3, 0.15, 10.0
BETWEEN_SWEEPS_S = 1.2
"""Pause in which the next sweep of an endless stream begins."""
SWEEP_S = 6.0
"""A sweep of few points may take so long until its first byte."""


VALUES_BEFORE = re.compile(r"(?:[-+]?\d[\d.]* )+(\S+)$")
PACKED = re.compile(r"[A-Za-z0-9+/]{32,}={0,2}")
"""Data in letters (RFC 4648), no words: `+y/Nmv6j` asks for nothing."""
TYPED_FIRST = re.compile(
    r"(?i)\b(?:type|enter|key in|send|write|say) [\"'<`]?(?:help|\?+|menu|list|commands|words|hello|hlp|h)[\"'>`]?"
    r",? (?:and |then )*(?:press|hit|push) (?:the )?<?(?:return|enter|cr)>?(?: key)?\b"
)
"""How to type a word that lists: the line end behind it confirms nothing."""
HIDDEN = "(a line that was typed by hand)"
MOST_LINES = 2000
"""Lines of one talk: a session with an analyzer sends some two hundred. One whose answers always give reason to try
one thing more would be asked for hours."""


class UnsafeError(Exception):
    """A bug of the learner: it wanted to send what was not permitted."""


class AsksError(Exception):
    """The console warns or asks for leave; nothing more is sent. The text is what it said."""


class LongTalkError(Exception):
    """So many lines were sent that no more are."""


@dataclass
class Talk:
    """One conversation on one link."""

    link: Link
    manner: Manner = field(default_factory=Manner)
    out_end: bytes = b"\r"
    transcript: list[tuple[str, bytes]] = field(default_factory=list)
    permitted: set[str] = field(default_factory=set)
    """Words that may be sent, with any arguments."""
    last_s: float = 0.0
    stopped: bool = False
    """Whether an answer without end had to be stopped."""
    first_s: float = FIRST_S
    keys: bool = False
    """Whether it acts on single keys, without a line end; values still end with one."""
    _ends_by_itself: set[str] = field(default_factory=set)
    """Commands whose replies were waited for longer, and ended."""
    behind: set[str] = field(default_factory=set)
    """Words that stand behind their values, as the console lists them."""
    guard: Guard = field(default_factory=Guard)
    """The console's words, as soon as they are known: no line passes that may be taken for one that is never sent."""
    nonsense: tuple[str, ...] = ()
    """What came to words that are none, numbers and all: other codes are other refusals, as of a sweep that runs."""
    listing: set[str] = field(default_factory=set)
    """Lines of the console's list of words: where it answers with them, pages may be turned, and nothing was taken."""

    async def listen(self, seconds: float) -> bytes:
        """What comes without being asked."""
        return await self._collect(seconds, seconds, seconds, pages=False)

    async def raw(
        self, data: bytes, first_s: float = FIRST_S, longest_s: float = LONGEST_S, *, pages: bool = False
    ) -> bytes:
        """Send bytes as they are and collect until the reply has ended or silence. Raises LongTalkError."""
        if len(self.transcript) >= MOST_LINES:
            raise LongTalkError
        asks_at_last(self.link.discard())
        began = time.monotonic()
        end = self.out_end if data.endswith(self.out_end) else b""
        await self.link.send(self.manner.sent(data.removesuffix(end)) + end if end else data)
        got = await self._collect(first_s, QUIET_S, longest_s, pages=pages, command=data.decode("ascii", "replace"))
        self.last_s = time.monotonic() - began
        self._learn_prompt(got)
        self.transcript.append((data.decode("ascii", "replace"), got))
        return got

    def _learn_prompt(self, got: bytes) -> None:
        """A prompt that tells a state looks like the one that is known, with another word in it."""
        if not self.manner.prompts or self.manner.ended(got):
            return
        tail = NEWLINE.split(cleaned(got))[-1].decode("ascii", "replace")
        known = {re.sub(r"[A-Za-z]+", "w", prompt).rstrip() for prompt in self.manner.prompts}
        word = re.fullmatch(r"\W*[A-Za-z]{2,12}\W+", tail)
        if word and re.sub(r"[A-Za-z]+", "w", tail).rstrip() in known - {"w"}:
            self.manner = replace(self.manner, prompts=(*self.manner.prompts, tail))

    def permit(self, *words: str) -> None:
        """From now on these words may be sent."""
        self.permitted.update(word for word in words if word)

    def may(self, line: str) -> bool:
        """Whether a line begins with a permitted word, nothing of another word is glued to it, and no word that is
        never sent may be meant."""
        if self.keys:  # every sign is a key: only those that a person named
            return line in self.permitted or not line
        if line in ("", "*", "**"):
            return True
        if line[0].isspace():  # a console that drops blanks takes what follows for the word itself
            return False
        behind = VALUES_BEFORE.match(line)
        if behind is not None and behind.group(1) in self.behind:  # `7000 low`: the word itself is what is asked about
            return self.may(behind.group(1))
        permitted = any(
            line == word or (line.startswith(word) and not glued(word[-1], line[len(word)])) for word in self.permitted
        )
        return permitted and not self.guard.taken_for(line)

    async def ask(
        self, line: str, first_s: float | None = None, longest_s: float = LONGEST_S, *, pages: bool = False
    ) -> list[str]:
        """Send one permitted line; the lines of its reply without echo, remarks, prompt and end.

        Raises UnsafeError for a line that is not permitted, AsksError when the console warns or asks for leave.
        """
        return self.lines(await self.say(line, first_s, longest_s, pages=pages), line)

    async def say(
        self, line: str, first_s: float | None = None, longest_s: float = LONGEST_S, *, pages: bool = False,
        value: bool = False,
    ) -> bytes:  # fmt: skip
        """The same, the reply as it came. `value`: the line is the answer to a question for a value; where none stands
        open nothing is sent, for it would be a command."""
        if value and not self.open_question:
            return b""
        if not (value or self.may(line)) or not line.isascii() or (line and not line.isprintable()):
            raise UnsafeError(f"{line!r} must not be sent: nothing permits it")
        bare = self.keys and len(line) == 1 and not value
        data = line.encode("ascii") + (b"" if bare else self.out_end)
        got = await self.raw(data, self.first_s if first_s is None else first_s, longest_s, pages=pages)
        if not pages:
            self.heed(line, got)
        return got

    def heed(self, line: str, got: bytes) -> None:
        """Raise AsksError when the answer to a line warns or asks for leave."""
        said, lines = self._before_prompt(got), self.lines(got, line)
        if len(lines) < FEWEST_LISTED:
            asks(said, line)
        elif not self.refused(lines):
            asks_at_last(said)

    def _before_prompt(self, got: bytes) -> bytes:
        """What came without the prompt on a line of its own: a prompt `? ` behind an `ok` asks nothing."""
        *lines, last = NEWLINE.split(cleaned(got))
        known = last.strip() and self.manner.prompt_line is not None and self.manner.prompt_line.fullmatch(last.strip())
        return b"\n".join(lines) if known and lines else got

    async def by_hand(self, line: str, *, secret: bool = False) -> list[str]:
        """Send a line that a person typed for this console; a secret one stands in no transcript and in no wire log."""
        if secret:
            wire_log.hide(line)
        self.link.discard()
        await self.link.send(line.encode("latin-1", "replace") + self.out_end)
        got = await self._collect(1.0, 0.4, LONGEST_S, pages=False)
        self.transcript.append((HIDDEN, wire_log.masked(got)) if secret else (line, got))
        return self.lines(got, line)

    def lines(self, got: bytes, command: str = "") -> list[str]:
        """The lines of a reply as text."""
        return [line.decode("ascii", "replace") for line in self.manner.lines(got, command)]

    def listed(self, got: bytes, command: str) -> list[str]:
        """The lines of a reply with what they are indented by."""
        own = set(self.lines(got, command))
        pieces = (self.manner.without_sum(line.rstrip()) for line in LINE_END.split(cleaned(got)))
        lines = [line.decode("ascii", "replace").rstrip() for line in pieces]
        return [line for line in lines if line.strip("\x00\xfe \t") in own]

    def asks_back(self, got: bytes) -> bool:
        """Whether an answer ends in an open question for a value, not in a prompt."""
        last = NEWLINE.split(cleaned(got))[-1]
        return bool(last.strip()) and not self.manner.ended(got) and last.rstrip().endswith((b"?", b":", b"=", b">"))

    @property
    def open_question(self) -> bool:
        """Whether the last answer ended in an open question for a value."""
        return bool(self.transcript) and self.asks_back(self.transcript[-1][1])

    def refused(self, lines: list[str]) -> bool:
        """Whether a reply is a refusal, as far as refusals are known; the list of words is one."""
        if sum(line.strip() in self.listing for line in lines) >= FEWEST_LISTED:
            return True
        return self.manner.refusal([line.encode("ascii", "replace") for line in lines]) is not None

    def unknown(self, lines: list[str]) -> bool:
        """Whether a reply is what comes to a word that is none: asking once more is of no use."""
        told = self.nonsense or self.manner.refusals
        narrow = replace(self.manner, refusals=tuple(one for one in told if "{word}" not in one))
        return narrow.refusal([line.encode("ascii", "replace") for line in lines]) is not None

    def turned_down(self, lines: list[str], sent: str = "") -> bool:
        """Whether the reply to a setting refuses it, in known words or in those in which one refuses.

        A reply that begins with the word that was `sent` (`range 24 56`) does not refuse by that word.
        """
        if self.refused(lines):
            return True
        word = re.match(r"[A-Za-z]+", sent)
        own = word.group().lower() if word else ""
        said = [line[len(own) :] if own and line.lower().startswith(own) else line for line in lines]
        return 0 < len(lines) <= LONGEST_REFUSAL and any(TROUBLE.search(line) is not None for line in said)

    async def endless(self, line: str, lines: int) -> bytes:
        """Send a permitted line whose answer may never end; after so many lines a line end stops it.

        Returns what came before that; what comes after is dropped.
        """
        if not self.may(line):
            raise UnsafeError(f"{line!r} must not be sent: nothing permits it")
        asks_at_last(self.link.discard())
        await self.link.send(self.manner.sent(line.encode("ascii")) + (b"" if self.keys else self.out_end))
        got, wait, began = b"", 4.0, time.monotonic()
        while True:
            try:
                got += await self.link.receive(wait)
            except TimeoutError:
                if not self.manner.silent or line in self._ends_by_itself or not got:
                    break
                if wait == BETWEEN_SWEEPS_S:
                    self._ends_by_itself.add(line)
                    break
                wait = BETWEEN_SWEEPS_S  # a pause between two sweeps is no end
                continue
            if self.manner.lines(got, line):  # an echo is no answer yet
                wait = QUIET_S if self.manner.silent else 2.0
            if self.manner.ended(got):
                break
            if len(LINE_END.findall(got)) > lines or time.monotonic() - began > LONGEST_S:
                self.stopped = True
                await self.link.send(self.out_end)
                await self._collect(1.0, 0.4, LONGEST_S, pages=False)
                break
        self.last_s = time.monotonic() - began
        self._learn_prompt(got)
        self.transcript.append((line, got))
        self.heed(line, got)
        return got

    def _lists(self, got: bytes) -> bool:
        """Whether what came is the list of words, which is known."""
        return bool(self.listing) and sum(line in self.listing for line in self.lines(got)) >= FEWEST_LISTED

    async def _collect(
        self, first_s: float, quiet_s: float, longest_s: float, *, pages: bool, command: str = ""
    ) -> bytes:
        got, turned = b"", 0
        until = time.monotonic() + longest_s
        wait = first_s
        while True:
            left = min(wait, until - time.monotonic())
            if left <= 0:
                return got
            try:
                got += await self.link.receive(left)
                if self.manner.ended(got):
                    wait = quiet_s / 5
                elif self.manner.silent:  # the echo of a command is no answer yet
                    wait = quiet_s if not command.strip() or self.manner.lines(got, command) else max(first_s, quiet_s)
                elif self.refused(self.lines(got, command)):  # refusals may end otherwise
                    wait = 2 * quiet_s
                else:  # an echo comes first, the rest after a sweep
                    wait = max(first_s, 0.5) if not self.manner.lines(got, command) else max(min(first_s, 1.5), 0.5)
            except TimeoutError:
                last = NEWLINE.split(cleaned(got))[-1]
                if not (pages or self._lists(got)) or turned >= MOST_PAGES or not turnable(got):
                    return got
                turned += 1
                await self.link.send(self.out_end if re.search(rb"(?i)enter", last) else b" ")
                got = got[: len(got) - len(NEWLINE.split(got)[-1])]
                wait, until = first_s, time.monotonic() + longest_s


def turnable(got: bytes) -> bool:
    """Whether a listing stands there and its last, open line says that it goes on; nothing on the page warns."""
    lines = [line.decode("ascii", "replace") for line in LINE_END.split(cleaned(got))]
    if not lines or len([line for line in lines[:-1] if line.strip()]) < FEWEST_LISTED:
        return False
    if PAGER.match(lines[-1].encode("ascii", "replace")) is None:
        return False
    return not any(PAGE_WARNS.search(line) for line in lines[:-1]) and not _does_more(lines[-1])


def _does_more(line: str) -> bool:
    """Whether a line that looks like a pager's speaks of more than the next page."""
    return HARM.search(line) is not None or re.search(r"(?i)start|continue|sure|connect|go on", line) is not None


def asks(got: bytes, command: str) -> None:
    """Raise AsksError when the end of what came warns or asks for leave."""
    text = " ".join(line.decode("ascii", "replace") for line in LINE_END.split(cleaned(got))[-3:])
    text = TYPED_FIRST.sub(" ", PACKED.sub(" ", text))
    if WARNS.search(text.replace(command, "", 1) if command else text):
        raise AsksError(text.strip()[:120])


def asks_at_last(got: bytes) -> None:
    """Raise AsksError when the last line of a longer text asks for leave."""
    last = PACKED.sub(" ", LINE_END.split(cleaned(got).rstrip())[-1].decode("ascii", "replace"))
    if ASKS_LEAVE.search(last) and (_does_more(last) or not PAGER.match(last.encode("ascii", "replace"))):
        raise AsksError(last.strip()[:120])


def words_of(text: str) -> list[str]:
    """Lower-case words of a text; case changes, digits and signs part words."""
    parted = re.sub(r"([a-z])([A-Z])", r"\1 \2", text)
    return re.findall(r"[a-z]+\d*|\d+", parted.lower())
