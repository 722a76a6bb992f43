"""Requests on an open link, one at a time, each with its own reply: being in step, and getting into it again.

Owns: the order on the wire and how long a step may take. What goes wrong is one line; afterwards the wire is put in
step again before anything else is asked, so that a late reply is never taken for the next one. Refuses: to know the
dialect (dialects), the port (link), who is greeted and when (`protocol.conversation`).
"""

from __future__ import annotations

import asyncio
import time

from protocol.dialects import make_dialect
from protocol.dialects.events import Apply, Event, Fault, Reply, Request, Send, TakeSweep, Waiting
from protocol.errors import AnalyzerError, RequestError
from protocol.pace import Pace
from protocol.profiles.profile import Profile
from protocol.sweep import SweepSettings
from protocol.wire.link import Link, Patience
from protocol.wire.port_errors import also_open

AGAIN_S, LONGEST_AGAIN_S = 0.02, 0.25
"""Pauses before a question is put again while a sweep runs: the first, each next longer by as much, the longest."""
PROBES = 3
"""Questions asked to put the wire in step; the first may be lost with a command that was cut."""
PROOF_BYTES = 1 << 16
"""The end of what came is kept to look for the proof in."""


class Requests:
    """The requests of one profile on one link. `limits` of what can be asked for bound how long a reply may be; they
    are lowered by whoever sees that the analyzer takes less. `in_step`: no reply is on its way."""

    def __init__(self, link: Link, profile: Profile) -> None:
        self._link, self._timing = link, profile.timing
        self._dialect = make_dialect(profile)
        self.pace = Pace(profile.timing, profile.serial.baud)
        self.limits = profile.limits
        self.in_step = False
        self._pending_s = 0.0
        """How long the request that was left behind may still take."""

    async def ask(self, request: Request, pending: SweepSettings | None = None) -> Reply:
        """One request from start to end. `pending` are the settings of the sweep that it may set off.

        Raises RequestError when settings are refused, AnalyzerError when it fails.
        """
        if not self.in_step:
            await self.step_up()
        data = self._dialect.start(request)
        self._link.discard()
        self.in_step = False
        self._pending_s = self.pace.patience_s(pending) if pending and isinstance(request, TakeSweep) else 0.0
        reply = await self._drive(data, pending)
        if isinstance(reply, Fault):
            self.in_step = reply.refused
            if reply.refused and isinstance(request, Apply):
                raise RequestError(f"{self._link.name}: {reply.message}")
            other = "" if reply.refused else await asyncio.to_thread(also_open, self._link.name)
            blame = f" ({other} has the port open too and takes its bytes: end it)" if other else ""
            raise AnalyzerError(f"{self._link.name}: {reply.message}{blame}")
        self.in_step = True
        return reply

    async def _drive(self, data: bytes, pending: SweepSettings | None) -> Reply | Fault:
        """Send, receive and wait until the dialect gives a reply or a fault."""
        events: list[Event] = []
        asked_again, since = 0, 0.0
        quiet, longest = self._timing.quiet_s, self._patience(pending).longest_s

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
                await asyncio.sleep(self.pace.expected_s(pending))
            if event.again:
                since = since if asked_again else time.monotonic()
                patience = self.pace.patience_s(pending) if pending is not None else self._timing.reply_s
                self._dialect.last_time = time.monotonic() - since > patience
                await asyncio.sleep(min(AGAIN_S * (1 + asked_again), LONGEST_AGAIN_S))
                asked_again += 1
            data = event.data

    def _patience(self, pending: SweepSettings | None) -> Patience:
        """How long the step in hand may take; `longest_s` ends it however its bytes trickle."""
        reply_s, quiet_s = self._timing.reply_s, self._timing.quiet_s
        points = pending.points if pending is not None else self.limits.max_points
        longest = self.pace.transfer_s(points) + reply_s
        if self._dialect.waiting is Waiting.SWEEP and pending is not None:
            patience = self.pace.patience_s(pending)
            if self._dialect.may_be_empty:
                return Patience(quiet_s, quiet_s, patience + longest)
            gap_s = patience if self._dialect.settles else reply_s  # an echo comes first, the data after the sweep
            return Patience(patience, gap_s, patience + longest)
        if self._dialect.may_be_empty:
            return Patience(quiet_s, quiet_s, longest)
        return Patience(reply_s, reply_s, longest)

    async def abort(self) -> None:
        """Stop what runs, where the dialect has words for it."""
        data = self._dialect.abort()
        if data:
            await self._link.send(data)

    async def silence(self) -> bytes:
        """Drop bytes until none comes for a while; returns the last. Raises AnalyzerError when they never end."""
        quiet = self._timing.quiet_s
        until = time.monotonic() + self.pace.transfer_s(self.limits.max_points) + 10 * quiet
        came = self._link.discard()
        while True:
            try:
                came = (came + await self._link.receive(quiet))[-PROOF_BYTES:]
            except TimeoutError:
                return came
            if time.monotonic() > until:
                raise AnalyzerError(f"{self._link.name}: the analyzer talks without end; switch it off and on")

    async def step_up(self) -> None:
        """Put the wire in step: stop what runs, wait for quiet, ask a question that no late reply can answer."""
        await self.abort()
        await self.silence()
        patience = self._pending_s + self._timing.reply_s
        for _ in range(PROBES):
            await self._link.send(self._dialect.probe())
            if await self._proof(patience):
                self.in_step, self._pending_s = True, 0.0
                return
            patience = self._timing.reply_s
        raise AnalyzerError(
            f"{self._link.name}: the analyzer does not answer any more; switch it off and on, then try again"
        )

    async def _proof(self, patience_s: float) -> bool:
        """True when the answer to the probe came and silence after it, within `patience_s` for the first byte."""
        came = b""
        until = time.monotonic() + patience_s
        while True:
            proven = self._dialect.proven(came)
            wait = self._timing.quiet_s if proven else until - time.monotonic()
            if wait <= 0:
                return False
            try:
                chunk = await self._link.receive(wait)
            except TimeoutError:
                return proven
            came = (came + chunk)[-PROOF_BYTES:]
