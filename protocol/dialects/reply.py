"""What a reply of a text console is: where it ends, which of its lines are its own, which are refusals or remarks.

Learning and measuring both use it, so that what one takes for a reply the other does too. Owns: escape sequences,
echoes, prompts, ends, remarks, refusals. Refuses: ports, clocks, and the meaning of a line.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property

from protocol.profiles.sums import with_sum, without_sum

ESCAPE = re.compile(rb"\x1b\[[0-?]*[ -/]*[@-~]|\x1b[@-Z\\-_]|\x07")
"""Control sequences of terminals (ECMA-48): colours, cursor moves, the bell."""
BACKSPACED = re.compile(rb"[^\x08\r\n]\x08")
LINE_END = re.compile(rb"[\r\n]+")
_ECHO_SIGN = re.compile(rb"^[^\w\s]{1,2} ")
"""A sign that some consoles put before the line that they repeat."""
NAK = b"\x15"
"""ASCII's own word for not taken; alone on a line it refuses in every dialect."""
LONGEST_REFUSAL = 3
"""A reply of more lines is no refusal, even if one of them looks like one."""


def cleaned(data: bytes) -> bytes:
    """Text as a terminal would show it: no escape sequences, backspaces carried out."""
    if b"\x1b" in data or b"\x07" in data:
        data = ESCAPE.sub(b"", data)
    while b"\x08" in data:
        data, count = BACKSPACED.subn(b"", data)
        if not count:
            return data.replace(b"\x08", b"")
    return data


def wild(text: str) -> bytes:
    """A pattern for a line in which {n} is a number, {h} one in hexadecimal, {x} a word and {word} anything."""
    parts = re.split(r"(\{n\}|\{h\}|\{x\}|\{word\})", text)
    wilds = {"{n}": rb"[0-9]+", "{h}": rb"[0-9A-Fa-f]+", "{x}": rb"[!-~]+", "{word}": rb".*?"}
    return b"".join(wilds.get(part, re.escape(part.encode("ascii", "replace"))) for part in parts)


@dataclass(frozen=True)
class Manner:
    """How a console frames its replies. All of it may be empty: then only silence ends a reply."""

    prompts: tuple[str, ...] = ()
    echo: bool = False
    ends: tuple[str, ...] = ()
    error_prefix: str = ""
    refusals: tuple[str, ...] = ()
    chatter: tuple[str, ...] = ()
    counts: tuple[str, ...] = ()
    sums: str = ""
    """Kind of the sum behind each line, with its sign in front: `~sum100`; "" for none."""
    heads: tuple[str, ...] = ()
    """Lines of which one begins every good reply."""

    @cached_property
    def prompt(self) -> re.Pattern[bytes] | None:
        """A prompt at the start of a line; None when there is none."""
        if not self.prompts:
            return None
        alike = any(text.startswith(prompt.strip()) for text in self.chatter for prompt in self.prompts)
        behind = rb"(?![^\r\n]+[\r\n])" if alike else b""  # a remark that begins as the prompt does
        prompts = b"|".join(wild(prompt) for prompt in self.prompts)
        return re.compile(rb"(?:^|(?<=[\r\n]))(?:" + prompts + rb")" + behind)

    @cached_property
    def prompt_line(self) -> re.Pattern[bytes] | None:
        """A whole line that is nothing but a prompt."""
        if not self.prompts:
            return None
        return re.compile(b"|".join(wild(prompt.strip()) for prompt in self.prompts))

    @cached_property
    def end(self) -> re.Pattern[bytes] | None:
        """A whole line that ends a reply, its line end included; None when no line does."""
        if not self.ends:
            return None
        return re.compile(
            rb"(?:^|(?<=[\r\n]))[ \t]*(?:" + b"|".join(wild(end) for end in self.ends) + rb")[ \t]*[\r\n]"
        )

    @cached_property
    def _end_line(self) -> re.Pattern[bytes] | None:
        return re.compile(b"|".join(wild(end) for end in self.ends)) if self.ends else None

    @cached_property
    def _count(self) -> re.Pattern[bytes] | None:
        return re.compile(b"|".join(wild(text) for text in self.counts)) if self.counts else None

    @cached_property
    def _refusal(self) -> re.Pattern[bytes] | None:
        return re.compile(b"|".join(wild(text) for text in self.refusals)) if self.refusals else None

    @cached_property
    def _remarks(self) -> tuple[bytes, ...]:
        return tuple(text.encode("ascii", "replace") for text in self.chatter)

    def sent(self, line: bytes) -> bytes:
        """A line as it is sent, with its sum where the console wants one."""
        return with_sum(line, self.sums[1:], self.sums[:1].encode()) if self.sums else line

    def without_sum(self, line: bytes) -> bytes:
        """A line of a reply without its sum, where that is right."""
        return without_sum(line, self.sums[1:], self.sums[:1].encode()) if self.sums else line

    @property
    def silent(self) -> bool:
        """Whether only silence tells the end of a reply."""
        return not self.prompts and not self.ends

    def lines(self, body: bytes, command: str = "") -> list[bytes]:
        """The reply's own lines: no blank ones, no echo of `command`, no prompt, end or remark."""
        found = [line.strip(b" \t\x00\xfe") for line in LINE_END.split(cleaned(body))]
        found = [self.without_sum(line) for line in found] if self.sums else found
        found = [line for line in found if line and not self.remark(line)]
        if self._count is not None:
            found = [line for line in found if not self._count.fullmatch(line)]
        if command and found and _same(found[0], command.encode("ascii", "replace")):
            found = found[1:]
        if self.heads and found and found[0].decode("ascii", "replace") in self.heads:
            found = found[1:]
        while found and self.prompt_line is not None and self.prompt_line.fullmatch(found[-1]):
            found.pop()
        if self._end_line is not None:
            while found and self._end_line.fullmatch(found[-1]):
                found.pop()
        return found

    def remark(self, line: bytes) -> bool:
        """Whether a line came unasked."""
        return bool(self._remarks) and line.lstrip().startswith(self._remarks)

    @cached_property
    def _marks(self) -> tuple[bytes, ...]:
        """How each prompt, or else each closing line, begins; empty when one of them may begin with anything."""
        marks = [
            re.split(r"\{(?:n|h|x|word)\}", text)[0].encode("ascii", "replace") for text in self.prompts or self.ends
        ]
        return tuple(marks) if all(mark.strip() for mark in marks) else ()

    def may_end(self, data: bytes | bytearray, begin: int) -> bool:
        """Whether an end can stand behind `begin`; a quick look before the pattern is tried."""
        return not self._marks or any(data.find(mark, begin) >= 0 for mark in self._marks)

    def remarks_in(self, body: bytes) -> bool:
        """Whether the words of a remark stand anywhere in a reply; a quick look before its lines are parted."""
        return any(prefix in body for prefix in self._remarks)

    def refusal(self, lines: Iterable[bytes]) -> bytes | None:
        """The line that refuses, or None."""
        listed = list(lines)
        if len(listed) > LONGEST_REFUSAL:
            return None
        prefix = self.error_prefix.encode("ascii", "replace")
        for line in listed:
            if line == NAK or (prefix and line.startswith(prefix)):
                return line
            if self._refusal is not None and self._refusal.fullmatch(line):
                return line
        return None

    def ended(self, data: bytes) -> bool:
        """Whether what came ends as a reply ends; never by silence."""
        text = cleaned(data)
        pattern = self.prompt or self.end
        if pattern is None:
            return False
        at = [match.end() for match in pattern.finditer(text)]
        behind = text[at[-1] :].strip() if at else b""
        whole = text.endswith((b"\n", b"\r")) and all(self.remark(line) for line in LINE_END.split(behind))
        return bool(at) and (not behind or whole)


def _same(line: bytes, command: bytes) -> bool:
    said, sent = line.lower(), command.strip().lower()
    return said == sent or (bool(sent) and _ECHO_SIGN.sub(b"", said) == sent)
