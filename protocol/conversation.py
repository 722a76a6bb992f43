"""An open analyzer that answers: greeting it, finding out how it is spoken to, who it is, leaving it in peace.

Owns: opening and closing, and how long an analyzer is waited for. Refuses: to know the dialect (dialects), the port
(link), the order on the wire (`protocol.requests`) or what a sweep is made of (`protocol.analyzer`).
"""

from __future__ import annotations

import asyncio
import contextlib
import time
from dataclasses import replace
from typing import Self

from protocol.dialects.events import Identify, IdentityReply, ReadHelp, ReadSettings, Setup, TextReply
from protocol.errors import AnalyzerError, PortLostError
from protocol.finding.heard import heard
from protocol.finding.paced import PacedLink
from protocol.profiles.profile import Profile
from protocol.requests import Requests
from protocol.sweep import Identity, Limits
from protocol.wire import wire_log
from protocol.wire.link import Link, SerialLink

FIRST_GREETING_S = 0.5
"""A profile with alternatives is tried so long as it stands, before they are looked through."""
GOODBYE_S = 0.5
"""Closing stops a sweep that runs, but waits no longer than this for the bytes to go."""


class Conversation:
    """An open port with an analyzer that answers. All methods belong to one asyncio loop; calls queue up.

    A call that is cancelled leaves it usable: the next one first waits until the late reply has passed.
    """

    def __init__(self, link: Link, profile: Profile) -> None:
        self._link = link
        self._profile = profile
        if profile.console is not None and profile.console.unlock is not None:
            wire_log.hide(profile.console.unlock.source)
        self._requests = Requests(link, profile)
        self._identity: Identity | None = None
        self._busy = asyncio.Lock()
        self._heard = ""

    @classmethod
    async def open(cls, port: str, profile: Profile) -> Self:
        """Open a port, wait until the analyzer answers, make it ready. Raises RequestError or AnalyzerError."""
        link = await SerialLink.open(port, profile.serial)
        return await cls.on_link(link, profile)

    @classmethod
    async def on_link(cls, link: Link, profile: Profile) -> Self:
        """The same on a link that is open; it is closed when the analyzer does not answer."""
        analyzer = cls(link, profile)
        try:
            async with analyzer._busy:
                await analyzer._find_and_greet()
        except BaseException:
            await link.close()
            raise
        return analyzer

    @property
    def port(self) -> str:
        """The port's name."""
        return self._link.name

    @property
    def profile(self) -> Profile:
        """The profile it was opened with."""
        return self._profile

    @property
    def identity(self) -> Identity:
        """Who answered last; asked when it was opened."""
        assert self._identity is not None
        return self._identity

    @property
    def limits(self) -> Limits:
        """What it can be asked for: the profile's limits, lowered where the analyzer was seen to take less."""
        return self._requests.limits

    async def identify(self) -> Identity:
        """Ask who it is. Raises AnalyzerError."""
        async with self._busy:
            return await self._identify()

    async def help(self) -> tuple[str, ...]:
        """The analyzer's own list of its commands. Raises RequestError when it has none."""
        async with self._busy:
            reply = await self._requests.ask(ReadHelp())
            assert isinstance(reply, TextReply)
            return reply.lines

    async def close(self) -> None:
        """Stop a sweep that runs, give the port back. Harmless when it is closed."""
        if not self._requests.in_step:
            with contextlib.suppress(AnalyzerError, TimeoutError):
                async with asyncio.timeout(GOODBYE_S):
                    await self._requests.abort()
        await self._link.close()

    async def _find_and_greet(self) -> None:
        """Greet as the profile says; where that fails and the profile allows it, find out what the analyzer takes."""
        scpi = self._profile.scpi
        if scpi is None or not scpi.find:
            self._take_up()
            await self._greet(self._profile.timing.ready_s)
            return
        begun = time.monotonic()
        try:
            await self._greet(min(FIRST_GREETING_S, self._profile.timing.ready_s))
        except PortLostError:
            raise
        except AnalyzerError as error:
            from protocol.finding.scpi import Finder  # noqa: PLC0415 - only where the profile's words are not taken

            finder = Finder(self._link, scpi, lambda _: None)
            found = await finder.find()
            if found is None:
                self._heard = heard(finder.said)
                left = self._profile.timing.ready_s - (time.monotonic() - begun)
                if left <= 0:
                    raise AnalyzerError(str(error)) from error
                await self._greet(left)
                return
            self._profile = replace(self._profile, scpi=found)
            self._take_up()
            await self._greet(self._profile.timing.ready_s)

    def _take_up(self) -> None:
        """Speak as the profile says from now on, and no faster."""
        scpi = self._profile.scpi
        if scpi is not None and scpi.pause_s:
            self._link = PacedLink(self._link, scpi.out_end, scpi.pause_s)
        self._requests = Requests(self._link, self._profile)

    async def _greet(self, ready_s: float) -> None:
        """Wait for an analyzer that answers: it may be starting up, or another program may just have typed at it."""
        until = time.monotonic() + ready_s
        while True:
            try:
                came = await self._requests.silence()
                self._heard = heard([("", came)]) or self._heard
                self._requests.in_step = True
                await self._identify()
                break
            except PortLostError:
                raise
            except AnalyzerError as error:
                if time.monotonic() >= until:
                    raise AnalyzerError(
                        f"{self.port}: no analyzer answers as profile {self._profile.name!r} says"
                        f" ({_with_what_came(error, self._heard)}); check the profile and that the analyzer is on"
                    ) from error
        await self._requests.ask(Setup())
        await self._requests.ask(ReadSettings())

    async def _identify(self) -> Identity:
        reply = await self._requests.ask(Identify())
        assert isinstance(reply, IdentityReply)
        self._identity = reply.identity
        return reply.identity


def _bare(error: Exception) -> str:
    """The message without the port in front of it."""
    return str(error).partition(": ")[2] or str(error)


def _with_what_came(error: AnalyzerError, came: str) -> str:
    """The message, and what came all the same where it says that no answer did."""
    why = _bare(error)
    return f"{why} Something came, though: {came}" if came and "no answer" in why else why
