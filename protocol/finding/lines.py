"""Finds how lines look: their ends, echo, prompt, the identity, the spelling of headers, the way errors are told.

Owns: the first questions to a SCPI analyzer of which nothing is known: *IDN? (IEEE 488.2, 10.14), SYSTem:ERRor? and
SENSe:SWEep:POINts? (SCPI-1999 volume 2). Refuses: any command that is not on the list of harmless ones.
"""

from __future__ import annotations

import asyncio
import re
import time
from collections.abc import Callable
from dataclasses import replace

from protocol.dialects.exchange import plain
from protocol.dialects.reply import LINE_END
from protocol.finding.guarded import GuardedLink
from protocol.profiles.scpi import Scpi, searchable
from protocol.profiles.templates import NUMBER, Template
from protocol.wire.link import Link

FIRST_S, QUIET_S = 0.4, 0.05
ERROR_ENTRY = re.compile(rb"\s*([+-]?\d{1,5})\s*(,.*)?")
VALUE = re.compile(rb"(\D{0,4}?)(" + NUMBER + rb")\s*[A-Za-z]{0,3}")
REFUSAL = re.compile(rb"(?i)idn|unknown|error|invalid|what|bad |illegal|syntax|not found|command|^\?")
"""No identity: how consoles refuse what they do not know."""
UNKNOWN = "SENSe:FREQuency:SWEep?"
"""A query that no analyzer has, made of harmless words: how it is refused shows what a refusal looks like."""


class Lines:
    """A conversation in the manner found so far. `scpi` is the manner; `said` is what was sent and what came back."""

    def __init__(self, link: Link, scpi: Scpi, allowed: Callable[[str], bool] = searchable) -> None:
        self.link, self.scpi = GuardedLink(link, allowed), scpi
        self.identity = b""
        self.talks = False
        """Whether errors are answered at once in words."""
        self.odd_end = False
        self.said: list[tuple[str, bytes]] = []
        self._free = 0.0

    async def raw(self, data: bytes, first_s: float = FIRST_S, quiet_s: float = QUIET_S) -> bytes:
        """Send bytes and collect what comes until silence."""
        wait = self._free - time.monotonic()
        if wait > 0:
            await asyncio.sleep(wait)
        self.link.discard()
        await self.link.send(data)
        got, patience = b"", first_s
        while True:
            try:
                got += await self.link.receive(patience)
            except TimeoutError:
                break
            patience = quiet_s if got[-1:] in (b"\n", b"\r") else max(first_s, 0.3)
        self._free = time.monotonic() + self.scpi.pause_s - quiet_s if self.scpi.pause_s else 0.0
        self.said.append((data.decode("ascii", "replace"), got))
        return got

    async def ask(self, command: str, first_s: float = FIRST_S) -> list[bytes]:
        """The lines that come after a command, without echo, prompt and empty lines."""
        return self.cleaned(command, await self.raw(self.scpi.line(command), first_s))

    def cleaned(self, command: str, got: bytes) -> list[bytes]:
        """Lines without echo, prompt and empty ones."""
        prompt = self.scpi.prompt.encode("ascii")
        sent = self.scpi.line(command).strip()
        lines = [line.removeprefix(prompt).strip() for line in LINE_END.split(got)]
        return [line for line in lines if line and line != sent]

    async def value(self, question: str) -> float | None:
        """A number; None when none came."""
        lines = await self.ask(question)
        found = VALUE.fullmatch(lines[0]) if len(lines) == 1 else None
        await self.error()
        return float(found.group(2)) if found else None

    async def taken(self, command: str) -> bool:
        """Whether a command was taken, as far as errors tell; True where nothing tells."""
        lines = await self.ask(command, 0.06 if not (self.talks or self.scpi.acknowledge) else 0.15)
        error = await self.error()
        if self.scpi.acknowledge:
            return self.scpi.acknowledge.encode() in lines and not error
        return not error and not lines

    async def error(self) -> str:
        """The oldest error, "" when there is none; the queue is emptied."""
        if self.scpi.error is None:
            return ""
        first = ""
        for _ in range(40):
            lines = await self.ask(self.scpi.error.source)
            entry = ERROR_ENTRY.fullmatch(lines[-1]) if lines else None
            if entry is None or int(entry.group(1)) == 0:
                break
            first = first or plain(lines[-1])
        return first

    async def open(self) -> bool:
        """Find the line end, the identity, echo and pause. False when nothing answers *IDN?."""
        for end in (self.scpi.out_end, b"\n", b"\r\n", b"\r"):
            self.scpi = replace(self.scpi, out_end=end)
            for _ in range(2):
                got = await self.raw(end + b"*IDN?" + end, 0.5)
                lines = [line.strip() for line in LINE_END.split(got) if line.strip()]
                echo = b"*IDN?" in lines
                lines = [line for line in lines if line != b"*IDN?" and re.search(rb"[A-Za-z]{2}", line)]
                if lines and not ERROR_ENTRY.fullmatch(lines[-1]) and not REFUSAL.search(lines[-1]):
                    self.scpi = replace(self.scpi, echo=echo)
                    self.identity = lines[-1]
                    self.odd_end = b"\n" not in got or b"\n\n" in got or b"\n\r\n" in got
                    await self._pause()
                    return True
        return False

    async def _pause(self) -> None:
        """Two questions in one breath: when the second is lost, the analyzer is deaf after a command."""
        once = self.scpi.line("*IDN?")
        for pause_s in (0.0, 0.05, 0.15, 0.4):
            self.scpi = replace(self.scpi, pause_s=pause_s)
            if pause_s == 0.0:
                count = (await self.raw(once + once)).count(self.identity)
            else:
                count = 0
                await asyncio.sleep(0.5)
                for _ in range(2):
                    await self.link.send(once)
                    await asyncio.sleep(pause_s)
                    count += (self.link.discard()).count(self.identity)
            if count == 2:
                return

    async def manner(self) -> bool:
        """Find the spelling of headers, the prompt, the error query, how refusals and acceptance are told.

        False when no spelling of the query for the number of points is answered with a number: this is no SCPI.
        """
        points = self.scpi.header("points") or "SENSe:SWEep:POINts?"
        plain_one = self.scpi
        for colon, forms in ((False, "mixed"), (False, "short"), (True, "mixed"), (True, "short")):
            self.scpi = replace(plain_one, colon=colon, forms=forms)
            found = [VALUE.fullmatch(line) for line in await self.ask(points)]
            if found and found[-1] is not None:
                prefix = found[-1].group(1)
                if prefix and prefix.isascii() and self.identity.startswith(prefix):  # noise is no prompt
                    self.scpi = replace(self.scpi, prompt=prefix.decode("ascii"))
                    self.identity = self.identity.removeprefix(prefix).strip()
                break
        else:
            self.scpi = plain_one
            return False
        await self._errors()
        return True

    async def _errors(self) -> None:
        query = self.scpi.error or Template.parse("SYSTem:ERRor?", frozenset())
        self.scpi = replace(self.scpi, error=query)
        lines = await self.ask(query.source)
        entry = ERROR_ENTRY.fullmatch(lines[-1]) if lines else None
        if entry is None:
            self.scpi, self.talks = replace(self.scpi, error=None, stepwise=True), bool(lines)
        elif entry.group(2) is None or '"' not in entry.group(2).decode("ascii", "replace"):
            self.scpi = replace(self.scpi, stepwise=True)
        await self.error()
        refusal = await self.ask(UNKNOWN, 0.2)
        if refusal:
            self.talks = True
            self.scpi = replace(self.scpi, stepwise=True)
        await self.error()
        count = await self.value(self.scpi.header("points") or "SENSe:SWEep:POINts?")
        if count is not None:
            words = await self.ask(f"SENSe:SWEep:POINts {count:.0f}", 0.15)
            if len(words) == 1 and re.fullmatch(rb"[A-Za-z.>]{1,12}", words[0]):
                self.scpi = replace(self.scpi, acknowledge=words[0].decode("ascii"))
        await self.error()
        if self.odd_end:
            self.scpi = replace(self.scpi, stepwise=True)
