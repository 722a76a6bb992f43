"""One analyzer on one port: its settings, its sweeps, and how its frequencies are known.

Owns: settings read back and compared, sweeps of several tiles, what a sweep must show to be one. Refuses: the order on
the wire (`protocol.requests`), the dialect (dialects), and to repeat a sweep by itself (run).
"""

from __future__ import annotations

import time
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from protocol.conversation import Conversation
from protocol.dialects.events import Apply, ReadSettings, SettingsReply, SweepReply, TakeSweep
from protocol.errors import AnalyzerError, RequestError, SettingsLostError
from protocol.profiles.profile import Profile
from protocol.sweep import OWN_BANDWIDTH, Applied, Sweep, SweepSettings
from protocol.tiles import Measured, join, joined, split
from protocol.wire.link import Link

SCPI_RESOLUTION_HZ = 1e-3
"""SCPI dialects write frequencies with three decimals."""
LARGEST_S = 1e3
"""60 dB: an amplifier before port 2 brings 40 at most; more is no measurement."""


class Analyzer(Conversation):
    """An open analyzer: `open` it, `apply` settings, `sweep`, `close`."""

    def __init__(self, link: Link, profile: Profile) -> None:
        super().__init__(link, profile)
        self._applied: Applied | None = None
        self._tiles: tuple[Applied, ...] = ()
        self._holds: Applied | None = None
        """The tile whose settings the analyzer holds; None when it must be set again."""
        self._grid: tuple[SweepSettings, NDArray[np.float64]] | None = None
        self._sequence = 0
        self._derived: dict[str, float] = {}
        self._axis_seen = ""
        """What showed in this session that the frequencies are those that were set."""

    @property
    def axis_confirmed(self) -> bool:
        """Whether the frequencies of the points are known to be those that were set; `axis_reason` says how."""
        return self._axis()[0]

    @property
    def axis_reason(self) -> str:
        """In words how the frequencies are known, or why they are not."""
        return self._axis()[1]

    @property
    def doubt(self) -> str:
        """Why no figure follows from what comes, and what to look at; "" when frequencies and traces are known."""
        confirmed, reason = self._axis()
        if not confirmed:
            return f"{reason}; check them against a known notch, then confirm (f), or in the profile: axis"
        scpi = self._profile.scpi
        if scpi is not None and scpi.traces_assumed:
            return (
                "which trace is S11 is taken from their order alone; look with open leads (S11 near 0 dB), then confirm"
                " (f), or in the profile: traces_assumed"
            )
        return ""

    def _axis(self) -> tuple[bool, str]:
        console = self._profile.console
        if console is None:
            return True, "the dialect itself gives the frequencies back"
        if self._axis_seen:
            return True, self._axis_seen
        if console.axis == "unconfirmed":
            return False, (
                "nothing shows that it sweeps the frequencies that were set (none come with its data, none are read"
                " back)"
            )
        if console.axis in ("phase slope", "technician"):
            how = "by the slope of an open lead's phase" if console.axis == "phase slope" else "by the technician"
            return True, f"confirmed {how} when the analyzer was learned"
        return False, f"the profile says they are confirmed by {console.axis}, but nothing of it was seen yet"

    async def apply(self, settings: SweepSettings) -> Applied:
        """Set the next sweeps and read back what was taken; more points than the limit are split into tiles.

        Raises RequestError outside the limits or when the analyzer refuses, AnalyzerError when it fails.
        """
        async with self._busy:
            tiles = split(settings, self._requests.limits)
            self._applied, self._tiles = None, ()
            taken = await self._apply_tile(tiles[0])
            if taken.actual.points < tiles[0].points and len(tiles) > 1:
                tiles = split(settings, self._requests.limits)  # the analyzer takes fewer points than its profile says
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

    async def _apply_tile(self, settings: SweepSettings) -> Applied:
        """Set one tile and compare what the analyzer took."""
        self._holds = None
        await self._requests.ask(Apply(settings), pending=settings)
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
            limits = self._requests.limits
            self._requests.limits = replace(limits, max_points=max(actual.points, limits.min_points))
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
            said.append(OWN_BANDWIDTH)
        return tuple(said)

    async def _read_settings(self, settings: SweepSettings) -> dict[str, float]:
        reply = await self._requests.ask(ReadSettings(), pending=settings)
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
        if not self._requests.in_step:
            await self._requests.step_up()  # before the clock starts: it is no part of the sweep
        started, begun = time.time(), time.monotonic()
        try:
            reply = await self._requests.ask(TakeSweep(settings), pending=settings)
        except AnalyzerError:
            self._holds = None  # it may have restarted and lost its settings
            raise
        duration = time.monotonic() - begun
        self._requests.pace.observe(settings, duration)
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
