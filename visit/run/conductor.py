"""Conducts runs: applies settings, takes sweeps, commits each to the visit file, tells how far it is.

Owns: the analyzer while it is open, the order of events, the outcome of every run. Lives on the serial loop's thread
and never waits for a screen: progress goes into a slot that readers look at when they like. Refuses: to compute
figures.
"""

from __future__ import annotations

import asyncio
import contextlib
import enum
import shutil
import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import TypeVar

from protocol.errors import AnalyzerError, PortLostError, RequestError, SettingsLostError
from protocol.profiles.profile import Profile
from protocol.run import SweepPlan, sweeps
from protocol.sweep import Applied, Sweep, SweepSettings
from rf.repeater.hookup_check import HookUpCheck
from visit.record.opening import RecordError
from visit.record.owner import asked, hand_over, register
from visit.record.visit_file import BYTES_A_POINT, PORT_BACK, RESTARTED, VisitFile
from visit.run.calibrating import Calibrator
from visit.run.clockwatch import ClockWatch
from visit.run.gate import Gate, gate_of
from visit.run.plugged import Plugged, RecordThread
from visit.site.hookup import HookUp
from visit.site.site import Site

T = TypeVar("T")

LOOK_FOR_PORT_S = 0.5
"""How often a port that was lost is looked for."""
COME_BACK_S = 900.0
"""So long a run waits for its analyzer to be plugged in again before it ends as a fault."""
LEAST_FREE_BYTES = 16 << 20
"""Beside the sweeps to come, so much must be free on the disk for a run to begin without a warning."""
PATIENT_SWEEPS = 3
"""Where nobody is there to move a lead, a hook-up that looks wrong this often in a row ends the run."""
RETRIES = 4
"""Sweeps in a row that may fail before a run gives up; one garbled reply must not end an hour's average."""


class Phase(enum.Enum):
    """Where the conductor stands. The value is the word for people."""

    OPENING = "opening"
    IDLE = "idle"
    SWEEPING = "sweeping"
    WAITING = "waiting for the port"
    COMPLETE = "complete"
    STOPPED = "stopped"
    BROKEN_OFF = "broken off"
    FAULT = "fault"


@dataclass(frozen=True, slots=True)
class RunOrder:
    """What to measure: one hook-up, one setting, how many sweeps (None: until stopped)."""

    hookup: HookUp
    settings: SweepSettings
    planned_sweeps: int | None
    purpose: str = "live"
    trusted: bool = False
    """The hook-up is as declared even if the sweeps look otherwise: somebody has gone and seen."""
    resume: int | None = None
    """Row of a run that was broken off: its average goes on; `planned_sweeps` counts the sweeps it has already."""


@dataclass(frozen=True, slots=True)
class Progress:
    """How far it is. `run_id` points into the visit file; times are Unix time or seconds."""

    phase: Phase = Phase.OPENING
    message: str = ""
    identity: str = ""
    run_id: int | None = None
    order: RunOrder | None = None
    applied: Applied | None = None
    done: int = 0
    sweep_time_s: float | None = None
    saved_at_s: float | None = None
    changes: tuple[str, ...] = field(default=())
    retried: int = 0
    refusal: HookUpCheck | None = None
    refused: Sweep | None = None
    """The last sweep when it was not stored because the hook-up is wrong, and what is wrong; None again with the
    next good one."""
    file_words: str = ""
    """What somebody did to the visit file under the run, and what to do."""

    @property
    def time_left_s(self) -> float | None:
        """Seconds to the planned end, None when there is none or nothing was timed yet."""
        if self.phase is not Phase.SWEEPING or self.order is None or self.order.planned_sweeps is None:
            return 0.0 if self.phase is Phase.COMPLETE else None
        if self.sweep_time_s is None:
            return None
        return max(self.order.planned_sweeps - self.done, 0) * self.sweep_time_s


class WrongHookUpError(RequestError):
    """The hook-up is not the one that was declared, sweep after sweep; none was stored."""


class HaltedError(RequestError):
    """The run was ended at the end of a sweep because somebody else wants the analyzer, or the process must end."""


@dataclass(slots=True)
class _Run:
    """One order as it is being taken. `kept` sweeps stand in the file, `before` of them since before it was resumed;
    `first` is the sequence number of the next one then; `refused` sweeps came in a row that do not show the declared
    hook-up; `recorded` are the settings that a resumed run began with."""

    order: RunOrder
    kept: int = 0
    before: int = 0
    first: int = 0
    refused: int = 0
    recorded: SweepSettings | None = None
    applied: Applied | None = None
    gate: Gate | None = None
    calibration_id: int | None = None
    began_s: float = field(default_factory=time.monotonic)

    @property
    def left(self) -> int | None:
        """Sweeps still to take; None: until stopped."""
        return None if self.order.planned_sweeps is None else self.order.planned_sweeps - self.kept

    def each_s(self) -> float:
        """Seconds a sweep since it was begun or resumed."""
        return (time.monotonic() - self.began_s) / (self.kept - self.before)


class Conductor:
    """Opens the analyzer, runs orders one after the other, closes. All methods belong to the serial loop."""

    def __init__(
        self,
        port: str,
        profile: Profile,
        visit: VisitFile,
        site: Site,
        calibrator: Calibrator,
        publish: Callable[[Progress], None],
        *,
        watched: bool = True,
        come_back_s: float = COME_BACK_S,
        clock: ClockWatch | None = None,
    ) -> None:
        """`watched`: somebody sees the figures and can move a lead; otherwise a wrong hook-up ends a run after
        `PATIENT_SWEEPS`. `come_back_s`: how long a lost port is waited for."""
        self._visit, self._site, self._calibrator = visit, site, calibrator
        self._publish, self._watched = publish, watched
        self._record = RecordThread()
        self._plugged = Plugged(port, profile, visit, self._record)
        self._progress = Progress()
        self._keeper_id: int | None = None
        self._come_back_s, self._clock = come_back_s, clock or ClockWatch()
        self._lost_settings = False
        self._halted = ""
        self._halting = asyncio.Event()
        """Set together with `_halted`, the outcome of a run that must end at the end of its sweep."""

    async def open(self) -> None:
        """Open the port and note who is there. Raises AnalyzerError or RequestError."""
        port = self._plugged.port
        self._tell(replace(self._progress, phase=Phase.OPENING, message=f"opening {port}"))
        if self._keeper_id is None:
            self._keeper_id = await self._on_disk(lambda: register(self._visit, port))
        identity = await self._plugged.open()
        self._tell(replace(self._progress, phase=Phase.IDLE, message="", identity=identity))

    async def run(self, order: RunOrder) -> None:
        """Carry out one order to its end; opens the analyzer when it is not open. What was committed stays.

        Raises AnalyzerError or RequestError; the visit file's log says the same line. Cancelling stops at once.
        """
        outcome = "stopped"
        self._progress = replace(self._progress, run_id=None, refusal=None, refused=None)
        try:
            if self._plugged.analyzer is None:
                await self.open()
            self._tell(
                replace(
                    self._progress, phase=Phase.SWEEPING, message="", run_id=None, order=order, done=0,
                    sweep_time_s=None, retried=0,
                )
            )  # fmt: skip
            await self._warn_of_full_disk(order)
            await self._on_disk(self._visit.keep_second)
            await self._through_losses(order)
            outcome = "complete"
            self._tell(replace(self._progress, phase=Phase.COMPLETE))
        except asyncio.CancelledError:
            self._tell(replace(self._progress, phase=Phase.STOPPED))
            raise
        except HaltedError as error:
            outcome = str(error)
            self._tell(replace(self._progress, phase=Phase.STOPPED, message=outcome))
            raise
        except (AnalyzerError, RequestError) as error:
            outcome = str(error)
            if isinstance(error, PortLostError):
                await self._plugged.drop()
            self._tell(replace(self._progress, phase=Phase.FAULT, message=outcome, order=order))
            with contextlib.suppress(RecordError):  # a disk that is full takes no remark either; the fault is told
                await self._note("fault", outcome)
            raise
        finally:
            if self._progress.run_id is not None:
                with contextlib.suppress(RecordError):
                    await self._on_disk(partial(self._visit.end_run, self._progress.run_id, outcome, time.time()))

    def halt(self, outcome: str) -> None:
        """End what runs at the end of the sweep in hand, with this outcome; belongs to the loop like all the rest."""
        self._halted = outcome
        self._halting.set()

    async def give_to(self, pid: int) -> None:
        """Close the port for another process and note that it is free."""
        await self._plugged.drop()
        keeper_id, self._keeper_id = self._keeper_id, None
        if keeper_id is not None:
            await self._on_disk(lambda: hand_over(self._visit, keeper_id, pid))
        self._halted = ""
        self._halting.clear()

    async def asked(self) -> int | None:
        """Process that asks for the port through the file; None when nobody does."""
        await self._look_after_file()
        keeper_id = self._keeper_id
        return None if keeper_id is None else await self._on_disk(lambda: asked(self._visit, keeper_id))

    async def _look_after_file(self) -> None:
        """Say what somebody did to the visit file, once, here and in its log; what can't go on ends with the next
        sweep. Raises RecordError."""
        await self._on_disk(self._visit.look_after)
        words = self._visit.file_words
        if words != self._progress.file_words:
            self._tell(replace(self._progress, file_words=words))
            if words:
                await self._note("file", words)

    async def _through_losses(self, order: RunOrder) -> None:
        """Take the sweeps of an order; a port that is lost is waited for, and the run goes on where it stood."""
        while True:
            try:
                return await self._take_sweeps(order)
            except PortLostError as error:
                await self._plugged.drop()
                if self._come_back_s <= 0:
                    raise
                began = time.monotonic()
                await self._note("port", str(error))
                await self._plugged.back(error, began + self._come_back_s, self._wait_a_moment)
                words = f"the analyzer came back after {time.monotonic() - began:.0f} s; the run goes on"
                await self._note(PORT_BACK, words)
                self._calibrator.restarted(time.time())
                self._tell(replace(self._progress, phase=Phase.SWEEPING, message=words))
                if self._progress.run_id is not None:
                    order = replace(order, resume=self._progress.run_id)

    async def _wait_a_moment(self, why: str) -> None:
        """Until the next look for a lost port; raises HaltedError when the run must end."""
        first = self._progress.phase is not Phase.WAITING
        self._tell(replace(self._progress, phase=Phase.WAITING, message=why))
        if not first:
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(self._halting.wait(), LOOK_FOR_PORT_S)
        if self._halted:
            raise HaltedError(self._halted)

    async def _warn_of_full_disk(self, order: RunOrder) -> None:
        """Say before a run that its sweeps will not fit."""
        words = await self._on_disk(lambda: little_room(self._visit.path, order))
        if words:
            self._tell(replace(self._progress, message=words))

    async def _take_sweeps(self, order: RunOrder) -> None:
        """Take the sweeps of an order, commit each, tell the progress."""
        assert self._plugged.analyzer is not None
        run = _Run(order)
        if order.resume is not None:
            run.kept, run.first = await self._on_disk(partial(self._visit.kept, order.resume))
            run.before = run.kept
            run.recorded = (await self._on_disk(partial(self._visit.run, order.resume))).settings
            self._tell(replace(self._progress, run_id=order.resume, done=run.kept))

        def taken(applied: Applied) -> None:
            if run.recorded is not None and applied.actual != run.recorded:
                raise AnalyzerError(
                    f"{self._plugged.port}: the analyzer no longer takes the settings that the run began with; start a"
                    " new run"
                )
            run.applied = applied
            self._tell(replace(self._progress, applied=applied, changes=applied.changes))

        def failed(error: AnalyzerError | RequestError) -> None:
            self._lost_settings |= isinstance(error, SettingsLostError)
            retried = self._progress.retried + 1
            self._tell(replace(self._progress, message=f"{error} (tried again)", retried=retried))

        while run.left is None or run.left > 0:
            plan = SweepPlan(run.recorded or order.settings, run.left, RETRIES)
            stream = sweeps(self._plugged.analyzer, plan, on_applied=taken, on_fault=failed)
            async with contextlib.aclosing(stream):
                async for sweep in stream:
                    await self._judge_and_keep(run, sweep)

    async def _judge_and_keep(self, run: _Run, sweep: Sweep) -> None:
        """Commit a sweep that shows what was declared, beginning the run with the first; refuse any other."""
        assert run.applied is not None
        if run.kept == run.before and run.refused == 0:
            order, actual = run.order, run.applied.actual
            asked = partial(gate_of, self._site, self._calibrator, order.hookup, actual, self._visit)
            run.gate, run.calibration_id = await self._on_disk(partial(asked, trusted=order.trusted))
        refusal = await self._on_disk(partial(run.gate.judge, sweep)) if run.gate is not None else None
        if refusal is not None:
            run.refused += 1
            self._refuse(sweep, refusal, run.refused)
            return
        run.refused = 0
        if self._progress.run_id is None:
            run_id = await self._on_disk(partial(self._begin, run.order, run.applied, run.calibration_id))
            self._tell(replace(self._progress, run_id=run_id))
        assert self._progress.run_id is not None
        await self._plugged.note_axis()
        numbered = replace(sweep, sequence=sweep.sequence + run.first)
        patience_s = self._come_back_s if self._watched else 0.0
        job = partial(self._visit.add_sweep, self._progress.run_id, numbered)
        await self._record.patiently(job, patience_s, self._wait_a_moment)
        run.kept += 1
        now = replace(
            self._progress, phase=Phase.SWEEPING, done=run.kept, sweep_time_s=run.each_s(), saved_at_s=time.time()
        )
        self._tell(replace(now, refusal=None, refused=None))
        await self._look_around()

    async def _look_around(self) -> None:
        """Between two sweeps: did the computer sleep, must the run end here? Raises HaltedError."""
        if self._lost_settings:
            self._lost_settings = False
            await self._note(RESTARTED, "the analyzer had lost its settings; they were set again")
            self._calibrator.restarted(time.time())
        await self._look_after_file()
        said = self._clock.look()
        if said is not None:
            self._tell(replace(self._progress, message=said))
            await self._note("clock", said)
        if self._halted:
            raise HaltedError(self._halted)

    def _refuse(self, sweep: Sweep, refusal: HookUpCheck, refused: int) -> None:
        """A sweep of a wrong hook-up is shown and not stored."""
        words = f"not stored, {refusal.short}: {refusal.cure}"
        self._tell(replace(self._progress, refusal=refusal, refused=sweep, message=words))
        if not self._watched and refused >= PATIENT_SWEEPS:
            raise WrongHookUpError(words)
        if self._halted:
            raise HaltedError(self._halted)

    def _begin(self, order: RunOrder, applied: Applied, calibration_id: int | None) -> int:
        return self._visit.begin_run(
            order.purpose, order.hookup, applied, order.planned_sweeps, self._plugged.row, time.time(), calibration_id,
            watched=self._watched,
        )  # fmt: skip

    async def close(self) -> None:
        """Close the port; harmless when it never opened."""
        await self._plugged.drop()
        await self._record.close()

    async def _on_disk(self, job: Callable[[], T]) -> T:
        return await self._record.do(job)

    async def _note(self, kind: str, words: str) -> None:
        """A line in the log of the visit."""
        await self._on_disk(partial(self._visit.remark, kind, words, time.time()))

    def _tell(self, progress: Progress) -> None:
        self._progress = progress
        self._publish(progress)


def little_room(path: Path, order: RunOrder) -> str:
    """One line when the sweeps of a run will not fit beside the visit file; empty when they will."""
    sweeps_bytes = (order.planned_sweeps or 0) * order.settings.points * BYTES_A_POINT
    folder = path.absolute().parent
    free = shutil.disk_usage(folder).free
    if free >= sweeps_bytes + LEAST_FREE_BYTES:
        return ""
    return f"{folder} has {free / 1e6:.0f} MB left, the sweeps of this run need {sweeps_bytes / 1e6:.0f} MB: make room"


def new_visit(path: Path, site: Site, site_path: str) -> VisitFile:
    """Create the visit file for a site now. Raises RecordError."""
    return VisitFile.create(path, site, site_path, time.time())
