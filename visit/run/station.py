"""The instrument, the visit file and the figures put together for one screen or command.

Owns: the serial loop's thread, the conductor on it, and a second thread that reads new sweeps from the visit file and
turns them into figures, so that neither a slow fit nor a stalled terminal ever delays a sweep. Refuses: to draw.
"""

from __future__ import annotations

import asyncio
import contextlib
import math
import threading
import time
from collections.abc import Coroutine
from concurrent.futures import Future
from dataclasses import replace
from pathlib import Path
from typing import Any

from protocol.errors import AnalyzerError, RequestError
from protocol.profiles.profile import Profile
from protocol.sweep import Applied, Sweep
from protocol.wire.loop_thread import LoopThread
from rf.calibration.standards import Kit
from rf.notch.cavity import holding_range
from rf.values.figure import Figure
from visit.calibration.calibrating import Calibrator
from visit.day.day import Day
from visit.day.nudges import LOCK_NUT, Told, add_nudge, advice, compare, ledger, lock_words, nudge_words
from visit.day.stages import AS_FOUND, freeze, stages
from visit.figures.assessment import Assessment, Known
from visit.figures.assessor import Assessor
from visit.figures.replay import Replay
from visit.figures.together import Together
from visit.record.owner import ASK_EVERY_S
from visit.record.visit_file import StoredSweep, VisitFile
from visit.run.conductor import COME_BACK_S, Conductor, Progress, RunOrder, WrongHookUpError
from visit.run.gate import Gate
from visit.run.live import LiveState
from visit.site.hookup import HookUp, Side
from visit.site.site import Site
from visit.site.typed import changes

PATIENT_SWEEPS = 3
"""Nobody is there to move a lead: a hook-up that looks wrong this often in a row ends the run."""

FIGURES_INTERVAL_S = 0.4
"""Figures are made at most this often; a technician's eye needs no more, and a slow laptop keeps half a core free."""


class Station:
    """One analyzer on one port, measuring into one visit file."""

    def __init__(
        self,
        port: str,
        profile: Profile,
        site: Site,
        visit: VisitFile,
        hookup: HookUp,
        *,
        watched: bool = True,
        leakage: float | None = None,
        kit: tuple[Kit, str] | None = None,
        come_back_s: float = COME_BACK_S,
    ) -> None:
        """`watched`: somebody looks at the figures while they come and may stop, so proofs wait for the looks.
        `leakage`: amplitude re thru that an earlier survey bounded. `kit`: what the calibration's parts are.
        `come_back_s`: how long a lost port is waited for."""
        self._visit, self._watched = visit, watched
        self._loop = LoopThread(name="serial")
        self.calibrator = Calibrator(visit, own=profile.corrects_itself, kit=kit)
        self.calibrator.temperature_c = site.temperature_c
        patience = None if watched else PATIENT_SWEEPS
        self._conductor = Conductor(
            port, profile, visit, self._publish, guard=self._guard, patience=patience, come_back_s=come_back_s,
            on_restart=lambda: self.calibrator.restarted(time.time()),
        )  # fmt: skip
        self._timing = profile.timing
        self._run: asyncio.Task[None] | None = None
        self._listening: asyncio.Task[None] | None = None
        self._handing_over = asyncio.Lock()
        self._changing = threading.Lock()
        self._unseen = False
        self._news, self._closing = threading.Event(), threading.Event()
        self._memory = Memory(leakage)
        self._state = LiveState(
            site=site,
            hookup=hookup,
            progress=Progress(),
            corrects_itself=profile.corrects_itself,
            port=port,
            visit_name=visit.path.name,
        )
        self._figures = threading.Thread(target=self._make_figures, name="figures", daemon=True)

    def __enter__(self) -> Station:
        self._loop.start()
        self._submit(self._listen()).result()
        if self._watched:
            self._figures.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def resume(self) -> None:
        """Take up what the visit file holds already: calibration, survey, bottom widths, looks that were spent. Raises
        RecordError."""
        self.calibrator.resume()
        if self._visit.runs():
            self._memory.resume(Replay(self._visit, corrects_itself=self._state.corrects_itself))

    def state(self) -> LiveState:
        """The latest picture; never blocks."""
        return self._state

    @property
    def running(self) -> bool:
        """True while an order is being carried out."""
        return self._run is not None and not self._run.done()

    def order(self, order: RunOrder) -> Future[None]:
        """Stop what runs and start this; opens the analyzer when it is not open. Faults show in the state."""
        calibration = self.calibrator.in_use
        self._change(
            hookup=order.hookup,
            assessment=None,
            calibrated_at_s=None if calibration is None else calibration.at_s,
            doubts=self.calibrator.doubts(order.settings, time.time()),
        )
        return self._submit(self._switch(order))

    def stop_run(self) -> Future[None]:
        """Stop the running order at once; what was committed stays."""
        return self._submit(self._switch(None))

    def halt(self, outcome: str) -> None:
        """End the run at the end of the sweep in hand, with this outcome; does not wait for it."""
        self._submit(self._halt(outcome))

    def nobody_looks(self) -> None:
        """The screen is gone for good: no more figures are made while the run goes on."""
        self._unseen = True

    def wait(self) -> None:
        """Wait until no order is being carried out."""
        self._submit(self._ended()).result()

    def measure(self, order: RunOrder) -> None:
        """Carry out one order and wait for its end; a wrong hook-up ends it with nothing stored, and `assess_now`
        says why. Raises AnalyzerError or RequestError."""
        with contextlib.suppress(WrongHookUpError):
            self._submit(self._measured(order)).result()

    def assess_now(self) -> Assessment:
        """What the last run shows, read from the visit file. Raises RequestError when no sweep was kept."""
        progress = self._state.progress
        if progress.refused is not None and progress.order is not None:
            refused = self._refused(progress.order, progress.refused)
            assert refused is not None  # it holds one sweep
            return refused
        if progress.run_id is None or progress.order is None:
            raise RequestError("no sweep was kept, so there is nothing to assess; measure again")
        assessor = self._assessor(progress.run_id, progress.order, live=False)
        if not self._read_new(self._visit, assessor):
            raise RequestError("no sweep was kept, so there is nothing to assess; measure again")
        assessment = assessor.assess(final=True)
        assert assessment is not None
        self._memory.learn(assessor, assessment)
        return assessment

    def day(self) -> Day:
        """The steps of this visit."""
        return Day(self._visit)

    def freeze(self, name: str) -> list[str]:
        """Freeze as found or as left; the hook-ups that were. Raises RequestError."""
        return [stage.hookup for stage in freeze(self._visit, name)]

    def nudged(self, before: int, after: int, told: Told) -> str:
        """Compare two runs around a turn, write the ledger, say what the turn did. Raises RequestError."""
        runs = {run.id: run for run in self._visit.runs()}
        first, second = runs[before], runs[after]
        side = first.hookup.side
        quality = self._memory.unloaded_q(side)
        nudge = compare(self._visit, first, second, self._state.site, quality)
        add_nudge(self._visit, first, second, told, nudge)
        assert side is not None
        if told.screw == LOCK_NUT:
            site, best = self._state.site, self._memory.best_db(side)
            width = self._memory.known(first.hookup).bottom_width_hz
            goal = site.goals.rejection_db
            held = holding_range(best, goal, 0.0, width, site.reject_hz(side), "copper") if width > 0.0 else None
            return lock_words(nudge, held, goal)
        return nudge_words(nudge, self._state.site.reject_hz(side), told)

    def turning_advice(self, side: Side, offset: Figure) -> str:
        """Which way to turn and how far."""
        return advice(ledger(self._visit), side, offset.value, (offset.high - offset.low) / 2.0)

    def ghosts(self, side: Side) -> list[str]:
        """What it was when we came, on this side, and how the other side stands."""
        lines = []
        for stage in stages(self._visit):
            for channel in stage.figures["channels"]:
                if stage.name == AS_FOUND and channel["role"] == "reject" and ">" in stage.hookup:
                    figure, mine = channel["rejection"], stage.hookup.endswith(side.value)
                    if "A" not in stage.hookup or figure["value"] is None:
                        continue
                    words = f"{figure['kind'].replace('_', ' ').upper()} {figure['value']:.1f} dB"
                    offset = stage.figures["notch_offset"]["value"]
                    place = "" if offset is None else f", notch {offset / 1e3:+.1f} kHz"
                    lines.append(f"{'FOUND ' if mine else 'OTHER '} {stage.hookup}: {words}{place}")
        return lines

    def together(self) -> list[str]:
        """What the runs of this visit show together, read from the file. Raises RequestError when it can't be read."""
        reader = VisitFile.open(self._visit.path, read_only=True)
        try:
            return Together(reader, self._state.site).lines()
        finally:
            reader.close()

    def change_site(self, site: Site, path: Path) -> None:
        """The site was edited: runs begun from now on are judged by it, and the log says what changed."""
        before = self._state.site
        self._visit.change_site(site, str(path), time.time())
        self.note("site", f"edited: {'; '.join(changes(before, site)) or 'nothing that counts'}")
        self._change(site=site)

    def note(self, kind: str, words: str) -> None:
        """A line in the log of the visit."""
        self._visit.remark(kind, words, time.time())

    def close(self) -> None:
        """Stop the run, close the port, end both threads. The visit file stays open for its owner."""
        if self._closing.is_set():
            return
        with contextlib.suppress(AnalyzerError, RequestError):
            self._submit(self._shut()).result()
        self._loop.stop()
        self._closing.set()
        self._news.set()
        if self._watched:
            self._figures.join()

    def _change(self, **changes: object) -> None:
        """Replace parts of the picture; three threads do this, so one at a time."""
        with self._changing:
            self._state = replace(self._state, **changes)  # type: ignore[arg-type]

    def _submit(self, work: Coroutine[Any, Any, None]) -> Future[None]:
        return self._loop.submit(work)

    async def _switch(self, order: RunOrder | None) -> None:
        await self._cancel_run()
        if order is not None:
            self._run = asyncio.create_task(self._guarded(order), name="run")

    async def _measured(self, order: RunOrder) -> None:
        """The order as a task of its own, so that a handover finds it; its fault goes to the caller."""
        await self._cancel_run()
        self._run = asyncio.create_task(self._conductor.run(order), name="run")
        await self._run

    async def _listen(self) -> None:
        self._listening = asyncio.create_task(self._hand_over_when_asked(), name="handover")

    async def _hand_over_when_asked(self) -> None:
        """Another process may ask for the analyzer through the file: end the run at the end of its sweep, let go."""
        while True:
            await asyncio.sleep(ASK_EVERY_S)
            with contextlib.suppress(RequestError):  # a file that can't be read now is asked again
                pid = await self._conductor.asked()
                if pid is not None:
                    async with self._handing_over:
                        await self._halt(f"handed over to process {pid}")
                        await self._ended()
                        await self._conductor.give_to(pid)

    async def _halt(self, outcome: str) -> None:
        self._conductor.halt(outcome)

    async def _ended(self) -> None:
        """The run that is in hand, whatever its end; it stays the one to be asked for its outcome."""
        if self._run is not None:
            await asyncio.wait([self._run])

    async def _guarded(self, order: RunOrder) -> None:
        """A fault is shown by the conductor's progress; it must not also surface as an unread exception."""
        with contextlib.suppress(AnalyzerError, RequestError):
            await self._conductor.run(order)

    async def _cancel_run(self) -> None:
        run, self._run = self._run, None
        if run is not None:
            run.cancel()
            with contextlib.suppress(asyncio.CancelledError, AnalyzerError, RequestError):
                await run

    async def _shut(self) -> None:
        if self._listening is not None:
            async with self._handing_over:  # a handover that has begun is brought to its end
                self._listening.cancel()
            await asyncio.wait([self._listening])
        await self._cancel_run()
        await self._conductor.close()

    def _publish(self, progress: Progress) -> None:
        """Called on the serial loop: leave the news and go on."""
        self._change(progress=progress)
        self._news.set()

    def _make_figures(self) -> None:
        reader = VisitFile.open(self._visit.path, read_only=True)
        try:
            assessor: Assessor | None = None
            while not self._closing.is_set():
                self._news.wait()
                self._news.clear()
                progress = self._state.progress
                if self._unseen:
                    continue
                if progress.refused is not None and progress.order is not None:
                    self._change(assessment=self._refused(progress.order, progress.refused))
                elif progress.run_id is not None and progress.order is not None:
                    if assessor is None or assessor.run_id != progress.run_id:
                        assessor = self._assessor(progress.run_id, progress.order, live=True)
                    settings = progress.applied.actual if progress.applied is not None else None
                    assessor.doubt(self.calibrator.doubts(settings, time.time()))
                    assessment = self._figures_of(assessor, reader)
                    if assessment is not None:
                        self._memory.learn(assessor, assessment)
                        if self._state.progress.run_id == assessor.run_id:
                            self._change(assessment=assessment)
                self._closing.wait(FIGURES_INTERVAL_S)
        finally:
            reader.close()

    def _figures_of(self, assessor: Assessor, reader: VisitFile) -> Assessment | None:
        """Figures of what is new. A fault in them must not stop the measurement, nor pass unseen: it is shown."""
        try:
            return assessor.assess() if self._read_new(reader, assessor) else None
        except Exception as error:
            self._change(figures_fault=f"figures failed ({type(error).__name__}: {error}); sweeps go on and are kept")
            return None

    def _assessor(self, run_id: int, order: RunOrder, *, live: bool) -> Assessor:
        applied = self._state.progress.applied
        settings = applied.actual if applied is not None else order.settings
        corrector, uncorrected = self.calibrator.corrector(settings, order.hookup)
        calibration = self.calibrator.in_use
        known = replace(
            self._memory.known(order.hookup),
            uncorrected=uncorrected,
            doubts=self.calibrator.doubts(settings, time.time()),
            residuals=None if calibration is None or uncorrected else calibration.residuals(order.hookup.path),
            trusted=order.trusted or order.hookup.third != "load",
            dwell_s=self._timing.settling_s + self._timing.bandwidth_factor / settings.bandwidth_hz,
        )
        if known.leakage is None and calibration is not None:
            known = replace(known, leakage=calibration.isolation_limit)
        if known.leakage is not None:
            # What leaks inside the instrument is neither damped by a pad before port 2 nor lifted by an amplifier
            # there.
            known = replace(known, leakage=known.leakage / corrector.through)
        return Assessor(
            self._state.site, order.hookup, run_id, planned=order.planned_sweeps, live=live, known=known,
            corrector=corrector,
        )  # fmt: skip

    def _refused(self, order: RunOrder, sweep: Sweep) -> Assessment | None:
        """What a sweep shows that was not stored."""
        assessor = self._assessor(0, replace(order, planned_sweeps=None), live=False)
        assessor.add(StoredSweep(0, sweep.frequency_hz, sweep.s11, sweep.s21, sweep.started_s, sweep.duration_s))
        return assessor.assess()

    def _guard(self, order: RunOrder, applied: Applied) -> tuple[Gate | None, int | None]:
        """The gate for a run's sweeps, and the calibration that corrects them."""
        calibration = self.calibrator.in_use
        corrector, uncorrected = self.calibrator.corrector(applied.actual, order.hookup)
        row = calibration.id if calibration is not None and not calibration.problem(applied.actual) else None
        if order.hookup.alone and not order.hookup.survey:
            return None, row
        levels = not uncorrected and not order.trusted and order.hookup.third == "load"
        return Gate(self._state.site, order.hookup, corrector, levels=levels), row

    @staticmethod
    def _read_new(reader: VisitFile, assessor: Assessor) -> bool:
        """Take in what is new; True when there was anything."""
        fresh = reader.sweeps(assessor.run_id, assessor.last_id)
        for sweep in fresh:
            assessor.add(sweep)
        return bool(fresh)


class Memory:
    """What the runs of this visit told that later runs need. Used by two threads."""

    def __init__(self, leakage: float | None = None) -> None:
        self._lock = threading.Lock()
        self._leakage = leakage
        self._width_hz: dict[Side, float] = {}
        self._looks: dict[str, int] = {}
        self._q: dict[Side, float] = {}
        self._best_db: dict[Side, float] = {}

    def best_db(self, side: Side) -> float:
        """What the skirts say of a side's rejection when it is centred; NaN before a fit."""
        with self._lock:
            return self._best_db.get(side, math.nan)

    def unloaded_q(self, side: Side | None) -> float | None:
        """Q of a side's cavities by its last fit; None before one."""
        with self._lock:
            return None if side is None else self._q.get(side)

    def resume(self, replay: Replay) -> None:
        """Learn from the runs of the file. Each run with a figure counts as a look at its goal."""
        with self._lock:
            for run in replay.runs:
                if run.hookup.survey or run.hookup.alone:
                    continue
                self._looks[run.hookup.text] = self._looks.get(run.hookup.text, 0) + 1
            survey = replay.newest_survey()
            if survey is not None and self._leakage is None:
                self._leakage = survey
            self._width_hz |= replay.widths()

    def learn(self, assessor: Assessor, assessment: Assessment) -> None:
        """Keep the leakage of a survey, the bottom width of a fitted notch, and the looks that were spent."""
        with self._lock:
            if assessment.survey is not None:
                self._leakage = assessment.leakage
            side, notch = assessment.hookup.side, assessment.notch
            if side is not None and notch is not None and notch.trusted:
                self._width_hz[side] = notch.bottom_width_hz
                if notch.depth.known:
                    self._best_db[side] = notch.depth.value
                if notch.unloaded_q.known:
                    self._q[side] = notch.unloaded_q.value
            self._looks[assessment.hookup.text] = assessor.looks

    def known(self, hookup: HookUp) -> Known:
        """What is known before a run of this hook-up."""
        with self._lock:
            width = self._width_hz.get(hookup.side, math.nan) if hookup.side is not None else math.nan
            return Known(self._leakage, width, self._looks.get(hookup.text, 0))
