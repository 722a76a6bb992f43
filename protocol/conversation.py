"""Requests on the wire, one at a time: greeting an analyzer, being in step with it, one reply for one request.

Owns: the order on the wire. What goes wrong is one line; afterwards the wire is put in step again before anything else
is asked, so that a late reply is never taken for the next one. Refuses: to know the dialect (dialects), the port (link)
or what a sweep is made of (`protocol.analyzer`).
"""

from __future__ import annotations

import asyncio
import contextlib
import time
from dataclasses import replace
from typing import Self

from protocol.dialects import make_dialect
from protocol.dialects.events import (
    Apply,
    Event,
    Fault,
    Identify,
    IdentityReply,
    ReadHelp,
    ReadSettings,
    Reply,
    Request,
    Send,
    Setup,
    TakeSweep,
    TextReply,
    Waiting,
)
from protocol.errors import AnalyzerError, PortLostError, RequestError
from protocol.finding.heard import heard
from protocol.finding.paced import PacedLink
from protocol.pace import Pace
from protocol.profiles.profile import Profile
from protocol.sweep import Identity, Limits, SweepSettings
from protocol.wire import wire_log
from protocol.wire.link import Link, Patience, SerialLink
from protocol.wire.port_errors import also_open

PROBES = 3
"""Questions asked to put the wire in step; the first may be lost with a command that was cut."""
PROOF_BYTES = 1 << 16
"""The end of what came is kept to look for the proof in."""
FIRST_GREETING_S = 0.5
"""A profile with alternatives is tried so long as it stands, before they are looked through."""
GOODBYE_S = 0.5
AGAIN_S, LONGEST_AGAIN_S = 0.02, 0.25
"""Pauses before a question is put again while a sweep runs: the first, each next longer by as much, the longest."""
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
        self._dialect = make_dialect(profile)
        self._pace = Pace(profile.timing, profile.serial.baud)
        self._limits = profile.limits
        self._identity: Identity | None = None
        self._busy = asyncio.Lock()
        self._in_step = False
        self._pending_s = 0.0
        """How long the request that was left behind may still take."""
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
        return self._limits

    async def identify(self) -> Identity:
        """Ask who it is. Raises AnalyzerError."""
        async with self._busy:
            return await self._identify()

    async def help(self) -> tuple[str, ...]:
        """The analyzer's own list of its commands. Raises RequestError when it has none."""
        async with self._busy:
            reply = await self._ask(ReadHelp())
            assert isinstance(reply, TextReply)
            return reply.lines

    async def close(self) -> None:
        """Stop a sweep that runs, give the port back. Harmless when it is closed."""
        if not self._in_step:
            with contextlib.suppress(AnalyzerError, TimeoutError):
                async with asyncio.timeout(GOODBYE_S):
                    await self._send_abort()
        await self._link.close()

    async def _find_and_greet(self) -> None:
        """Greet as the profile says; where that fails and the profile allows it, find out what the analyzer takes."""
        scpi = self._profile.scpi
        if scpi is None or not scpi.find:
            self._slow_down()
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
            self._dialect = make_dialect(self._profile)
            self._slow_down()
            await self._greet(self._profile.timing.ready_s)

    def _slow_down(self) -> None:
        scpi = self._profile.scpi
        if scpi is not None and scpi.pause_s:
            self._link = PacedLink(self._link, scpi.out_end, scpi.pause_s)

    async def _greet(self, ready_s: float) -> None:
        """Wait for an analyzer that answers: it may be starting up, or another program may just have typed at it."""
        until = time.monotonic() + ready_s
        while True:
            try:
                came = await self._silence()
                self._heard = heard([("", came)]) or self._heard
                self._in_step = True
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
        await self._ask(Setup())
        await self._ask(ReadSettings())

    async def _identify(self) -> Identity:
        reply = await self._ask(Identify())
        assert isinstance(reply, IdentityReply)
        self._identity = reply.identity
        return reply.identity

    async def _ask(self, request: Request, pending: SweepSettings | None = None) -> Reply:
        """One request from start to end. `pending` are the settings of the sweep that it may set off."""
        if not self._in_step:
            await self._step_up()
        data = self._dialect.start(request)
        self._link.discard()
        self._in_step = False
        self._pending_s = self._pace.patience_s(pending) if pending and isinstance(request, TakeSweep) else 0.0
        reply = await self._drive(data, pending)
        if isinstance(reply, Fault):
            self._in_step = reply.refused
            if reply.refused and isinstance(request, Apply):
                raise RequestError(f"{self.port}: {reply.message}")
            other = "" if reply.refused else await asyncio.to_thread(also_open, self.port)
            blame = f" ({other} has the port open too and takes its bytes: end it)" if other else ""
            raise AnalyzerError(f"{self.port}: {reply.message}{blame}")
        self._in_step = True
        return reply

    async def _drive(self, data: bytes, pending: SweepSettings | None) -> Reply | Fault:
        """Send, receive and wait until the dialect gives a reply or a fault."""
        events: list[Event] = []
        asked_again, since = 0, 0.0
        quiet, longest = self._profile.timing.quiet_s, self._patience(pending).longest_s

        def sink(piece: bytes) -> bool | Patience:
            events.extend(self._dialect.receive(piece))
            if len(events) == 1 and isinstance(events[0], Send) and not (events[0].after_sweep or events[0].again):
                rest = events[0].data[self._link.send_now(events[0].data) :]
                if not rest:
                    events.clear()
                    return self._patience(pending)
                events[0] = Send(rest)
            if not events and self._dialect.nearly:
                return Patience(quiet, quiet, longest)
            return bool(events)

        while True:
            if data:
                await self._link.send(data)
            if not events:
                try:
                    await self._link.feed(sink, self._patience(pending))
                except TimeoutError:
                    events.append(self._dialect.silence())
            event = events.pop(0)
            if not isinstance(event, Send):
                return event
            if event.after_sweep and pending is not None:
                await asyncio.sleep(self._pace.expected_s(pending))
            if event.again:
                since = since if asked_again else time.monotonic()
                patience = self._pace.patience_s(pending) if pending is not None else self._profile.timing.reply_s
                self._dialect.last_time = time.monotonic() - since > patience
                await asyncio.sleep(min(AGAIN_S * (1 + asked_again), LONGEST_AGAIN_S))
                asked_again += 1
            data = event.data

    def _patience(self, pending: SweepSettings | None) -> Patience:
        """How long the step in hand may take; `longest_s` ends it however its bytes trickle."""
        reply_s, quiet_s = self._profile.timing.reply_s, self._profile.timing.quiet_s
        points = pending.points if pending is not None else self._limits.max_points
        longest = self._pace.transfer_s(points) + reply_s
        if self._dialect.waiting is Waiting.SWEEP and pending is not None:
            patience = self._pace.patience_s(pending)
            if self._dialect.may_be_empty:
                return Patience(quiet_s, quiet_s, patience + longest)
            gap_s = patience if self._dialect.settles else reply_s  # an echo comes first, the data after the sweep
            return Patience(patience, gap_s, patience + longest)
        if self._dialect.may_be_empty:
            return Patience(quiet_s, quiet_s, longest)
        return Patience(reply_s, reply_s, longest)

    async def _send_abort(self) -> None:
        data = self._dialect.abort()
        if data:
            await self._link.send(data)

    async def _silence(self) -> bytes:
        """Drop bytes until none comes for a while; returns the last. Raises AnalyzerError when they never end."""
        quiet = self._profile.timing.quiet_s
        until = time.monotonic() + self._pace.transfer_s(self._limits.max_points) + 10 * quiet
        came = self._link.discard()
        while True:
            try:
                came = (came + await self._link.receive(quiet))[-PROOF_BYTES:]
            except TimeoutError:
                return came
            if time.monotonic() > until:
                raise AnalyzerError(f"{self.port}: the analyzer talks without end; switch it off and on")

    async def _step_up(self) -> None:
        """Put the wire in step: stop what runs, wait for quiet, ask a question that no late reply can answer."""
        await self._send_abort()
        await self._silence()
        patience = self._pending_s + self._profile.timing.reply_s
        for _ in range(PROBES):
            await self._link.send(self._dialect.probe())
            if await self._proof(patience):
                self._in_step, self._pending_s = True, 0.0
                return
            patience = self._profile.timing.reply_s
        raise AnalyzerError(f"{self.port}: the analyzer does not answer any more; switch it off and on, then try again")

    async def _proof(self, patience_s: float) -> bool:
        """True when the answer to the probe came and silence after it, within `patience_s` for the first byte."""
        came = b""
        until = time.monotonic() + patience_s
        while True:
            proven = self._dialect.proven(came)
            wait = self._profile.timing.quiet_s if proven else until - time.monotonic()
            if wait <= 0:
                return False
            try:
                chunk = await self._link.receive(wait)
            except TimeoutError:
                return proven
            came = (came + chunk)[-PROOF_BYTES:]


def _bare(error: Exception) -> str:
    """The message without the port in front of it."""
    return str(error).partition(": ")[2] or str(error)


def _with_what_came(error: AnalyzerError, came: str) -> str:
    """The message, and what came all the same where it says that no answer did."""
    why = _bare(error)
    return f"{why} Something came, though: {came}" if came and "no answer" in why else why
