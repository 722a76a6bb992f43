"""One analyzer on one port: who it is, what it can do, its settings, its sweeps.

Owns: the order on the wire. One request at a time; what goes wrong is one line; afterwards the wire is put in step
again before anything else is asked, so that a late reply is never taken for the next one. Refuses: to know the
dialect (dialects) or the port (link), and to repeat a sweep by itself (run).
"""

from __future__ import annotations

import asyncio
import contextlib
import time
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

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
    SettingsReply,
    Setup,
    SweepReply,
    TakeSweep,
    TextReply,
    Waiting,
)
from protocol.errors import AnalyzerError, PortLostError, RequestError, SettingsLostError
from protocol.finding.heard import heard
from protocol.finding.paced import PacedLink
from protocol.finding.scpi import Finder
from protocol.pace import Pace
from protocol.profiles.profile import Profile
from protocol.sweep import Applied, Identity, Limits, Sweep, SweepSettings
from protocol.tiles import Measured, join, joined, split
from protocol.wire.link import Link, Patience, SerialLink
from protocol.wire.port_errors import also_open

PROBES = 3
"""Questions asked to put the wire in step; the first may be lost with a command that was cut."""
PROOF_BYTES = 1 << 16
"""The end of what came is kept to look for the proof in."""
SCPI_RESOLUTION_HZ = 1e-3
"""SCPI dialects write frequencies with three decimals."""
LARGEST_S = 1e3
"""60 dB: an amplifier before port 2 brings 40 at most; more is no measurement."""
FIRST_GREETING_S = 0.5
"""A profile with alternatives is tried so long as it stands, before they are looked through."""
GOODBYE_S = 0.5
"""Closing stops a sweep that runs, but waits no longer than this for the bytes to go."""


class Analyzer:
    """An open analyzer. All methods belong to one asyncio loop; calls from several tasks queue up.

    A call that is cancelled leaves the analyzer usable: the next one first waits until the late reply has passed.
    """

    def __init__(self, link: Link, profile: Profile) -> None:
        self._link = link
        self._profile = profile
        self._dialect = make_dialect(profile)
        self._pace = Pace(profile.timing, profile.serial.baud)
        self._limits = profile.limits
        self._identity: Identity | None = None
        self._busy = asyncio.Lock()
        self._in_step = False
        self._pending_s = 0.0
        """How long the request that was left behind may still take."""
        self._applied: Applied | None = None
        self._tiles: tuple[Applied, ...] = ()
        self._holds: Applied | None = None
        self._heard = ""
        """The tile whose settings the analyzer holds; None when it must be set again."""
        self._grid: tuple[SweepSettings, NDArray[np.float64]] | None = None
        self._sequence = 0
        self._derived: dict[str, float] = {}
        self._axis_seen = ""
        """What showed in this session that the frequencies are those that were set."""

    @classmethod
    async def open(cls, port: str, profile: Profile) -> Analyzer:
        """Open a port, wait until the analyzer answers, make it ready. Raises RequestError or AnalyzerError."""
        link = await SerialLink.open(port, profile.serial)
        return await cls.on_link(link, profile)

    @classmethod
    async def on_link(cls, link: Link, profile: Profile) -> Analyzer:
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
    def axis_confirmed(self) -> bool:
        """Whether the frequencies of the points are known to be those that were set; `axis_reason` says how."""
        return self._axis()[0]

    @property
    def axis_reason(self) -> str:
        """In words how the frequencies are known, or why they are not."""
        return self._axis()[1]

    def _axis(self) -> tuple[bool, str]:
        console = self._profile.console
        if console is None:
            return True, "the dialect itself gives the frequencies back"
        if self._axis_seen:
            return True, self._axis_seen
        if console.axis == "unconfirmed":
            return False, (
                "nothing shows that the analyzer sweeps the frequencies that were set: it gives none with its data and"
                " its settings are not read back"
            )
        if console.axis in ("phase slope", "technician"):
            how = "by the slope of an open lead's phase" if console.axis == "phase slope" else "by the technician"
            return True, f"confirmed {how} when the analyzer was learned"
        return False, f"the profile says they are confirmed by {console.axis}, but nothing of it was seen yet"

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

    async def apply(self, settings: SweepSettings) -> Applied:
        """Set the next sweeps and read back what was taken; more points than the limit are split into tiles.

        Raises RequestError outside the limits or when the analyzer refuses, AnalyzerError when it fails.
        """
        async with self._busy:
            tiles = split(settings, self._limits)
            self._applied, self._tiles = None, ()
            taken = await self._apply_tile(tiles[0])
            if taken.actual.points < tiles[0].points and len(tiles) > 1:
                tiles = split(settings, self._limits)  # the analyzer takes fewer points than its profile says
                taken = await self._apply_tile(tiles[0])
            done = [taken]
            for tile in tiles[1:]:
                done.append(await self._apply_tile(tile))  # noqa: PERF401 - a wire, not a list
            self._tiles = tuple(done)
            self._applied = joined(settings, done) if len(done) > 1 else done[0]
            return self._applied

    async def sweep(self) -> Sweep:
        """Take one sweep (all its tiles) with the settings applied last.

        Raises RequestError before the first `apply`, AnalyzerError when it fails; the next call works again.
        """
        async with self._busy:
            if self._applied is None:
                raise RequestError("no settings have been applied; apply them before sweeping")
            parts = []
            for tile in self._tiles:
                if self._holds is not tile:
                    await self._confirm()  # the tile before: nobody asks for it any more after this
                    await self._restore(tile)
                parts.append(await self._measure(tile.actual))
            whole = join(parts)
            number, self._sequence = self._sequence, self._sequence + 1
            return Sweep(
                self._applied.actual,
                whole.frequency_hz,
                whole.s11,
                whole.s21,
                number,
                whole.started_s,
                whole.duration_s,
            )

    async def confirm(self) -> None:
        """Ask whether the analyzer still holds what the last sweep was set to: a restart loses it without a word.

        Raises AnalyzerError when it does not; the next sweep sets it again. What can't be read back is not compared.
        """
        async with self._busy:
            await self._confirm()

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
                        f" ({self._with_what_came(error)}); check the profile and that the analyzer is on"
                    ) from error
        await self._ask(Setup())
        await self._ask(ReadSettings())

    def _with_what_came(self, error: AnalyzerError) -> str:
        """The message, and what came all the same where it says that no answer did."""
        why = _bare(error)
        return f"{why} Something came, though: {self._heard}" if self._heard and "no answer" in why else why

    async def _identify(self) -> Identity:
        reply = await self._ask(Identify())
        assert isinstance(reply, IdentityReply)
        self._identity = reply.identity
        return reply.identity

    async def _apply_tile(self, settings: SweepSettings) -> Applied:
        """Set one tile and compare what the analyzer took."""
        self._holds = None
        await self._ask(Apply(settings), pending=settings)
        values = await self._read_settings(settings)
        resolution = self._profile.console.resolution_hz if self._profile.console else SCPI_RESOLUTION_HZ
        start, stop = (round(end / resolution) * resolution for end in (settings.start_hz, settings.stop_hz))
        start, stop = self._derived.get("start_hz", start), self._derived.get("stop_hz", stop)
        try:
            actual = SweepSettings(
                values.get("start_hz", start),
                values.get("stop_hz", stop),
                round(values.get("points", settings.points)),
                values.get("bandwidth_hz", settings.bandwidth_hz),
                settings.level_dbm if settings.level_dbm is None else values.get("level_dbm", settings.level_dbm),
            )
        except RequestError as error:
            raise AnalyzerError(f"{self.port}: the analyzer reports settings that cannot be ({error})") from error
        if actual.points < settings.points:
            self._limits = replace(self._limits, max_points=max(actual.points, self._limits.min_points))
        verified = frozenset(values) - (frozenset({"level_dbm"}) if settings.level_dbm is None else frozenset())
        changes = _changes(settings, actual, resolution) + self._cautions("bandwidth_hz" in values)
        applied = Applied(settings, actual, changes, verified)
        if {"start_hz", "stop_hz"} <= verified:
            self._axis_seen = "start and stop were read back from the analyzer"
        self._holds = applied
        return applied

    def _cautions(self, told: bool) -> tuple[str, ...]:
        """What the profile leaves open, in a sentence each. `told`: the analyzer has told its bandwidth."""
        scpi = self._profile.scpi
        said = []
        if scpi is not None and scpi.traces_assumed:
            said.append("S11 and S21 are told apart by their order alone: prove it with open leads (S11 near 0 dB)")
        if not told and not self._profile.sets_bandwidth:
            said.append("this analyzer's bandwidth can't be set and is not known: it measures with its own")
        return tuple(said)

    async def _read_settings(self, settings: SweepSettings) -> dict[str, float]:
        reply = await self._ask(ReadSettings(), pending=settings)
        assert isinstance(reply, SettingsReply)
        self._derived = dict(reply.derived)
        return dict(reply.values)

    async def _confirm(self) -> None:
        """Compare what the analyzer holds with the tile that it was set to."""
        tile = self._holds
        if tile is None:
            return
        self._holds = None
        values = await self._read_settings(tile.actual)
        for name in tile.verified:
            if name in values and values[name] != getattr(tile.actual, name):
                raise SettingsLostError(
                    f"{self.port}: the analyzer no longer holds the {name.partition('_')[0]} that was set (has it"
                    " restarted?); sweep thrown away"
                )
        self._holds = tile

    async def _restore(self, tile: Applied) -> None:
        """Set a tile that was applied before; it must be taken as it was then."""
        again = await self._apply_tile(tile.asked)
        if again.actual != tile.actual:
            self._holds = None
            change = "; ".join(_changes(tile.actual, again.actual, 1.0)) or "other values"
            raise AnalyzerError(f"{self.port}: the same settings are no longer taken as before ({change})")
        self._holds = tile

    async def _measure(self, settings: SweepSettings) -> Measured:
        if not self._in_step:
            await self._step_up()  # before the clock starts: it is no part of the sweep
        started, begun = time.time(), time.monotonic()
        try:
            reply = await self._ask(TakeSweep(settings), pending=settings)
        except AnalyzerError:
            self._holds = None  # it may have restarted and lost its settings
            raise
        duration = time.monotonic() - begun
        self._pace.observe(settings, duration)
        assert isinstance(reply, SweepReply)
        frequency = reply.frequency_hz
        if frequency is None:
            if self._grid is None or self._grid[0] is not settings:
                self._grid = (settings, settings.frequency_hz())
            frequency = self._grid[1]
        else:
            slack = settings.step_hz / 2
            ends = (frequency[0] - settings.start_hz, frequency[-1] - settings.stop_hz)
            if not np.all(np.diff(frequency) > 0) or max(abs(ends[0]), abs(ends[1])) > slack:
                self._holds = None
                raise AnalyzerError(
                    f"{self.port}: the frequencies that came ({frequency[0]:.0f} to {frequency[-1]:.0f} Hz) are not "
                    "those that were set; sweep thrown away"
                )
            self._axis_seen = "the analyzer gives the frequencies with its data"
        largest = max(float(np.abs(reply.s11).max(initial=0.0)), float(np.abs(reply.s21).max(initial=0.0)))
        if largest > LARGEST_S:
            raise AnalyzerError(
                f"{self.port}: the analyzer sent {20 * np.log10(largest):.0f} dB, which no bench gives (overload, or"
                " its correction is off); lower the level, look at its calibration; sweep thrown away"
            )
        s11, s21 = (reply.s11.conj(), reply.s21.conj()) if self._profile.conjugate else (reply.s11, reply.s21)
        return Measured(frequency, s11, s21, started, duration)

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
        quiet, longest = self._profile.timing.quiet_s, self._patience(pending).longest_s

        def sink(piece: bytes) -> bool | Patience:
            events.extend(self._dialect.receive(piece))
            if len(events) == 1 and isinstance(events[0], Send) and not events[0].after_sweep:
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


def _changes(asked: SweepSettings, actual: SweepSettings, resolution_hz: float) -> tuple[str, ...]:
    """One sentence per setting that the analyzer altered."""
    slack = max(resolution_hz, 1.0) * 0.5 * (1 + 1e-6)
    said = []
    for word, before, after in (
        ("start", asked.start_hz, actual.start_hz),
        ("stop", asked.stop_hz, actual.stop_hz),
    ):
        if abs(before - after) > slack:
            said.append(f"asked {word} {before / 1e6:.6f} MHz, analyzer took {after / 1e6:.6f} MHz")
    if asked.points != actual.points:
        said.append(f"asked {asked.points} points, analyzer took {actual.points}")
    if abs(asked.bandwidth_hz - actual.bandwidth_hz) > 1e-6 * asked.bandwidth_hz:
        said.append(f"asked bandwidth {asked.bandwidth_hz:g} Hz, analyzer took {actual.bandwidth_hz:g} Hz")
    if asked.level_dbm is not None and actual.level_dbm is not None and abs(asked.level_dbm - actual.level_dbm) > 1e-3:
        said.append(f"asked level {asked.level_dbm:g} dBm, analyzer took {actual.level_dbm:g} dBm")
    return tuple(said)
