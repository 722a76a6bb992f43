"""Careful talk with an unknown console: sends what is understood, collects what comes back, keeps a transcript.

Owns: the list of words that are never sent, patience without knowing the tongue, paged output, the drop of remarks
that the instrument makes on its own. Refuses: any line with a word on that list, or that is not plain ASCII.
"""

from __future__ import annotations

import re
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from protocol.errors import AnalyzerError
from protocol.finding.guarded import GuardedLink
from protocol.finding.heard import heard
from protocol.wire.link import Link

FORBIDDEN = frozenset(
    word
    for line in (
        "reset reboot restart boot bootloader loader erase clear format flash firmware fw update upgrade dfu save",
        "store write delete del remove rm factory default defaults calibrate calibration cal correction password lock",
        "unlock shutdown off poweroff powerdown sleep exit quit logout baud eeprom poke peek patch debug selftest test",
        "rst tst sav recall rcl program burn wipe init initialise initialize install uninstall sd mkdir date touch",
    )
    for word in line.split()
)
"""Words that may change an instrument for good or take it off the wire. A command that holds one is never sent."""

UNKNOWN_WORDS = ("deepnotch-hello", "deepnotch-again")
"""No instrument has these; how they are refused shows what a refusal looks like."""

LONGEST_REFUSAL = 3
"""A reply of more lines is no refusal, even if one of them begins like one."""

PAGER = re.compile(rb"(?i)(?:more|continue|any key|next page|press|page \d+ (?:of|/) ?\d+)[^\r\n]*$")
MOST_PAGES = 60
FIRST_S, QUIET_S, LONGEST_S = 0.8, 0.15, 8.0
NEWLINE = re.compile(rb"\r\n|\n\r|\n|\r")


def words_of(text: str) -> list[str]:
    """Lower-case words of a command or description; case changes, digits and signs part words."""
    units = re.sub(r"([kMG]?)Hz", lambda unit: f" {unit.group().lower()} ", text)
    parted = re.sub(r"([a-z])([A-Z])", r"\1 \2", units)
    return re.findall(r"[a-z]+\d*|\d+", parted.lower())


def forbidden(text: str) -> str:
    """The first word of `text` that may never be sent, or ""."""
    return next((word for word in words_of(text) if word in FORBIDDEN), "")


def sayable(line: str) -> bool:
    """Whether a line may be sent to a console of which nothing is known: no word on the list."""
    return not forbidden(line)


@dataclass
class Manner:
    """What is known of the console so far."""

    out_end: bytes = b"\r"
    in_end: bytes = b"\r\n"
    prompt: bytes = b""
    echo: bool = False
    error_prefix: str = ""
    refusal: str = ""
    """A whole refusal of an unknown word, the word itself blotted out."""
    chatter_prefix: str = ""


class Talk:
    """One conversation on one link."""

    def __init__(self, link: Link, allowed: Callable[[str], bool] = sayable) -> None:
        self.port = link
        """The bare port, for a talk with a rule of its own."""
        self.link, self.manner = GuardedLink(link, allowed), Manner()
        self.transcript: list[tuple[str, bytes]] = []
        self.last_s = 0.0

    async def listen(self, seconds: float) -> bytes:
        """What comes without being asked."""
        got = await self._collect(seconds, seconds, seconds)
        self.transcript.append(("", got))
        return got

    async def raw(self, data: bytes, first_s: float = FIRST_S, longest_s: float = LONGEST_S) -> bytes:
        """Send bytes as they are and collect until silence, or until the prompt stands at the end."""
        self.link.discard()
        began = time.monotonic()
        await self.link.send(data)
        got = await self._collect(first_s, QUIET_S, longest_s)
        self.last_s = time.monotonic() - began
        self.transcript.append((data.decode("ascii", "replace"), got))
        return got

    async def ask(self, line: str, first_s: float = FIRST_S, longest_s: float = LONGEST_S) -> list[str] | None:
        """Send one line; the lines of its reply without echo, remarks, pager and prompt. None when it was refused or
        not answered. Raises UnsafeError for a line that may not be sent."""
        got = await self.raw(line.encode("ascii") + self.manner.out_end, first_s, longest_s)
        if not got:
            return None
        lines = self.body(line, got)
        return None if self.refused(line, lines) else lines

    def refused(self, line: str, lines: list[str]) -> bool:
        """Whether a reply to `line` is a refusal, as far as refusals are known."""
        prefix, whole = self.manner.error_prefix, self.manner.refusal
        if len(lines) > LONGEST_REFUSAL:
            return False
        if prefix and any(text.startswith(prefix) for text in lines):
            return True
        return bool(whole) and any(blotted(text, line) == whole for text in lines)

    def body(self, line: str, got: bytes) -> list[str]:
        """The lines of a reply without echo, prompt and remarks."""
        manner = self.manner
        if manner.prompt and got.endswith(manner.prompt):
            got = got[: -len(manner.prompt)]
        lines = [part.decode("ascii", "replace") for part in NEWLINE.split(got)]
        if lines and lines[-1] == "":
            lines.pop()
        if manner.echo:
            at = next((index for index, text in enumerate(lines) if text.strip() == line), None)
            if at is not None:
                lines = lines[at + 1 :]
        if manner.chatter_prefix:
            lines = [text for text in lines if not text.startswith(manner.chatter_prefix)]
        return lines

    async def _collect(self, first_s: float, quiet_s: float, longest_s: float) -> bytes:
        got, pages = b"", 0
        until = time.monotonic() + longest_s
        wait = first_s
        while True:
            left = min(wait, until - time.monotonic())
            if left <= 0:
                return got
            try:
                got += await self.link.receive(left)
                wait = self._settle_s(got, quiet_s)
            except TimeoutError:
                key = self._pager_key(got)
                if key is None or pages >= MOST_PAGES:
                    return got
                pages += 1
                got = re.sub(rb"[^\r\n]*$", b"", got)  # the pager's own line is no part of the reply
                await self.link.send(key)
                wait, until = first_s, time.monotonic() + longest_s

    def _settle_s(self, got: bytes, quiet_s: float) -> float:
        """Silence to wait for: short once the prompt stands at the end."""
        prompt = self.manner.prompt
        return quiet_s / 6 if prompt and got.endswith(prompt) else quiet_s if not prompt else FIRST_S

    def _pager_key(self, got: bytes) -> bytes | None:
        """What turns the page, when the instrument waits for that."""
        prompt = self.manner.prompt
        if not got or (prompt and got.endswith(prompt)) or PAGER.search(got) is None:
            return None
        last = NEWLINE.split(got)[-1].lower()
        return self.manner.out_end if b"enter" in last or b"return" in last else b" "


def blotted(text: str, command: str) -> str:
    """A reply line with the command that it repeats, or the command's first word, blotted out."""
    for part in (command, command.split(maxsplit=1)[0] if command.split() else ""):
        if part and part in text:
            return text.replace(part, "\0")
    return text


def lost(port: str, said: Sequence[tuple[str, bytes]]) -> AnalyzerError:
    """Nothing was understood: what was asked, what came, whose fault it may be, and what next."""
    asked = "asked were *IDN? with three kinds of line end, then empty lines for a prompt"
    came = heard(said)
    if not came:
        return AnalyzerError(
            f"{port}: nothing answers in any dialect tried ({asked}); is the analyzer on, in its normal mode, and this"
            " its port?"
        )
    return AnalyzerError(
        f"{port}: something is there, but it is no dialect that can be learned ({asked}): {came}; if this is the"
        " analyzer's port, write a profile by hand (docs/profiles.md), else see: deepnotch ports"
    )
