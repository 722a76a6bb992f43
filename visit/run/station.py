"""Measuring: the analyzer and the runs of one visit, for one screen or command.

Owns: the serial loop's thread, the conductor on it, and the thread that makes figures beside it. Refuses: to draw, and
what is done with a visit besides sweeping (`visit.run.site_visit`).
"""

from __future__ import annotations

import asyncio
import contextlib
import threading
import time
from collections.abc import Coroutine
from concurrent.futures import Future
from dataclasses import replace
from typing import Any

from protocol.errors import AnalyzerError, RequestError
from protocol.profiles.profile import Profile
from protocol.wire.loop_thread import LoopThread
from rf.calibration.standards import Kit
from visit.day.next_deed import NextDeed, facts_of, next_deed
from visit.figures.assessment import Assessment
from visit.figures.run_figures import RunFigures
from visit.record.owner import ASK_EVERY_S
from visit.record.visit_file import VisitFile
from visit.run.conductor import COME_BACK_S, Conductor, Progress, RunOrder, WrongHookUpError
from visit.run.figure_maker import Change, FigureMaker, Follower, refused
from visit.run.live import LiveState
from visit.run.site_visit import SiteVisit
from visit.site.hookup import HookUp
from visit.site.site import Site


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
        kit: tuple[Kit, str] | None = None,
        come_back_s: float = COME_BACK_S,
    ) -> None:
        """`watched`: somebody looks at the figures while they come and may stop, so proofs wait for the looks. `kit`:
        what the calibration's parts are. `come_back_s`: how long a lost port is waited for."""
        self.visit = SiteVisit(visit, site, profile, kit)
        self._watched = watched
        self._loop = LoopThread(name="serial")
        self._conductor = Conductor(
            port, profile, visit, site, self.visit.calibrator, self._publish, watched=watched, come_back_s=come_back_s
        )
        self._run: asyncio.Task[None] | None = None
        self._ordered: Future[None] | None = None
        self._listening: asyncio.Task[None] | None = None
        self._handing_over = asyncio.Lock()
        self._changing = threading.Lock()
        self._closed = False
        self._known: RunFigures | None = None
        """What `assess_now` made of earlier runs."""
        self._state = LiveState(
            site=site,
            hookup=hookup,
            progress=Progress(),
            corrects_itself=profile.corrects_itself,
            port=port,
            visit_name=visit.path.name,
        )
        self._figures = FigureMaker(visit, site, self.visit.calibrator, self.state, self._change)

    def __enter__(self) -> Station:
        self._loop.start()
        self._submit(self._listen()).result()
        if self._watched:
            self._figures.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def state(self) -> LiveState:
        """The latest picture; never blocks."""
        return self._state

    @property
    def running(self) -> bool:
        """True while an order is being carried out, or about to be."""
        ordered, run = self._ordered, self._run
        return (ordered is not None and not ordered.done()) or (run is not None and not run.done())

    def order(self, order: RunOrder) -> Future[None]:
        """Stop what runs and start this; opens the analyzer when it is not open. Faults show in the state."""
        calibrator = self.visit.calibrator
        calibration, doubts = calibrator.in_use, calibrator.doubts(order.settings, time.time())
        at_s = None if calibration is None else calibration.at_s
        self._change(
            lambda state: replace(
                state, hookup=order.hookup, assessment=None, deed=None, calibrated_at_s=at_s, doubts=doubts
            )
        )
        self._ordered = self._submit(self._switch(order))
        return self._ordered

    def advise(self) -> None:
        """Something besides the sweeps has changed: what to do next is looked at again."""
        self._figures.ask_again()
        self._change(lambda state: replace(state, deed=None))
        self._figures.news()

    def stop_run(self) -> Future[None]:
        """Stop the running order at once; what was committed stays."""
        return self._submit(self._switch(None))

    def halt(self, outcome: str) -> None:
        """End the run at the end of the sweep in hand, with this outcome; does not wait for it."""
        self._submit(self._halt(outcome))

    def nobody_looks(self) -> None:
        """The screen is gone for good: no more figures are made while the run goes on."""
        self._figures.nobody_looks()

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
        progress, visit = self._state.progress, self.visit
        if progress.refused is not None and progress.refusal is not None and progress.order is not None:
            return refused(visit.site, visit.calibrator, progress.order, progress.refused, progress.refusal)
        assessment = None
        if progress.run_id is not None:
            follower = Follower(visit.file, visit.file, self._known)
            self._known, assessment = follower.figures, follower.look(progress.run_id)
        if assessment is None:
            raise RequestError("no sweep was kept, so there is nothing to assess; measure again")
        return assessment

    def next_deed(self, now: Assessment) -> NextDeed:
        """What to do next after the last run, which shows `now`. Raises RecordError."""
        figures = self._known or RunFigures(self.visit.file)
        figures.refresh()
        return next_deed(facts_of(self.visit.file, figures, now, sweep_s=self._state.progress.sweep_time_s))

    def close(self) -> None:
        """Stop the run, close the port, end both threads. The visit file stays open for its owner."""
        if self._closed:
            return
        self._closed = True
        with contextlib.suppress(AnalyzerError, RequestError):
            self._submit(self._shut()).result()
        self._loop.stop()
        self._figures.stop()

    def _change(self, change: Change) -> None:
        """Replace parts of the picture; three threads do this, so one at a time."""
        with self._changing:
            self._state = change(self._state)

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
        name = self.visit.file.path.name  # it may go on in another file
        self._change(lambda state: replace(state, progress=progress, visit_name=name))
        self._figures.news()
