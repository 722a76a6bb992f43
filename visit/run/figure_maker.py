"""Figures while a run comes: a thread that reads new sweeps from the visit file, so that neither a slow fit nor a
stalled
terminal ever delays a sweep.

Owns: the thread, the run that is followed, writing down the looks that were taken, the picture of a sweep that was not
stored. Refuses: to let any fault in the figures pass unseen, or end more than one try: it is shown, and made again.
"""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from protocol.errors import RequestError
from protocol.sweep import Sweep
from rf.repeater.hookup_check import HookUpCheck
from visit.day.next_deed import NextDeed, facts_of, next_deed
from visit.figures.assess import assess
from visit.figures.assess_alone import assess_alone
from visit.figures.assessment import Assessment
from visit.figures.assessor import Assessor
from visit.figures.averaging import average_of
from visit.figures.kept_sums import take
from visit.figures.known import Known
from visit.figures.looks import write_looks
from visit.figures.run_figures import RunFigures, no_figures
from visit.record.visit_file import VisitFile
from visit.run.calibrating import Calibrator
from visit.run.conductor import Phase, Progress, RunOrder
from visit.run.live import LiveState
from visit.site.site import Site

FIGURES_INTERVAL_S = 0.4
"""Figures are made at most this often; a technician's eye needs no more, and a slow laptop keeps half a core free."""
AGAIN_S = 2.0
"""After a fault in the figures they are tried again so much later, whether or not a sweep came."""

Change = Callable[[LiveState], LiveState]


class Follower:
    """One run of a visit followed: what its sweeps show so far. `reader` reads, `writer` takes the looks (None: whoever
    measures writes them). `figures`: what is known already of the visit's runs."""

    def __init__(self, reader: VisitFile, writer: VisitFile | None, figures: RunFigures | None = None) -> None:
        """Raises RecordError when the file can't be read."""
        self._reader, self._writer = reader, writer
        self.figures = figures or RunFigures(reader)
        self._assessor: Assessor | None = None
        self._written = 0

    def look(self, run_id: int) -> Assessment | None:
        """The figures of a run with what came since the last look; None when nothing did. Raises RecordError."""
        known_run = self._assessor is not None and self._assessor.run_id == run_id
        behind = self._reader.kept(run_id)[0] - (self._assessor.average.sweeps if self._assessor and known_run else 0)
        if behind <= 0:
            return None
        self.figures.refresh()
        run = self._reader.run(run_id)
        with no_figures(self._reader, f"run {run_id}"):
            known = self.figures.known(run)
            if self._assessor is None or not known_run:
                self._assessor, self._written = self.figures.taken(run, behind), 0
            else:
                self._assessor.know(known)
                for sweep in self._reader.each_sweep(run_id, self._assessor.last_id):
                    take(self._assessor, sweep, self.figures.book(run))
            assessor = self._assessor
            if self._writer is not None:
                write_looks(self._writer, run_id, assessor.spending, assessor.looks[self._written :])
                self.figures.book(run).write(self._writer, assessor.average.sweeps)
            self._written = len(assessor.looks)
            assessment = assessor.assess()
        if assessment is not None:
            self.figures.keep(run_id, assessment, known)
        return assessment

    def next_deed(self, now: Assessment | None, progress: Progress) -> NextDeed:
        """What to do next, by all that the file holds. Raises RecordError."""
        self.figures.refresh()
        return next_deed(facts_of(self._reader, self.figures, now, progress.time_left_s, progress.sweep_time_s))

    def forget(self) -> None:
        """Take the run in anew at the next look."""
        self._assessor = None


class FigureMaker:
    """The thread. `state` is the latest picture, `change` replaces parts of it."""

    def __init__(
        self, visit: VisitFile, site: Site, calibrator: Calibrator, state: Callable[[], LiveState],
        change: Callable[[Change], None],
    ) -> None:  # fmt: skip
        self._visit, self._site, self._calibrator = visit, site, calibrator
        self._state, self._change = state, change
        self._news, self._closing = threading.Event(), threading.Event()
        self._reader: VisitFile | None = None
        self._follower: Follower | None = None
        self._unseen, self._asked = False, 0
        self._thread = threading.Thread(target=self._make, name="figures", daemon=True)

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def news(self) -> None:
        """Something came; never blocks."""
        self._news.set()

    def ask_again(self) -> None:
        """What to do next is looked at again, whatever is being found out now; never blocks."""
        self._asked += 1
        self._news.set()

    def nobody_looks(self) -> None:
        """No more figures from now on."""
        self._unseen = True

    def stop(self) -> None:
        """End the thread and wait for it; harmless when it never began."""
        self._closing.set()
        self._news.set()
        if self._thread.ident is not None:
            self._thread.join()

    def _make(self) -> None:
        failed = not self._tried()  # the file is open and its runs are known before the first sweep comes
        try:
            while not self._closing.is_set():
                self._news.wait(AGAIN_S if failed else None)
                self._news.clear()
                if not (self._unseen or self._closing.is_set()):
                    failed = not self._tried()
                self._closing.wait(FIGURES_INTERVAL_S)
        finally:
            if self._reader is not None:
                self._reader.close()

    def _tried(self) -> bool:
        """One try; False when it failed. A fault in the figures must not stop the measurement, nor pass unseen."""
        try:
            assessment, run_id = self._latest(self._state().progress)
        except Exception as error:
            self._show_fault("figures failed", error)
            if self._follower is not None:
                self._follower.forget()
            return False

        def shown(state: LiveState) -> LiveState:
            mine = assessment is not None and state.progress.run_id == run_id
            return replace(state, figures_fault="", taken_in="", assessment=assessment if mine else state.assessment)

        self._change(shown)
        return self._advised()

    def _tell_taken(self, _: str, done: int, of: int) -> None:
        """How far a long reading is, for the screen."""
        if done > 0:
            self._change(lambda state: replace(state, taken_in=f"{done} of {of} sweeps"))

    def _show_fault(self, what: str, error: Exception) -> None:
        """Unless it was of a file that somebody has spoiled: the run goes on in another one then, and so do they."""
        with contextlib.suppress(RequestError):
            self._visit.look_after()
        moved = self._reader is not None and self._reader.path != self._visit.path
        fault = "" if moved else f"{what} ({type(error).__name__}: {error}); sweeps go on and are kept"
        self._change(lambda state: replace(state, figures_fault=fault))

    def _advised(self) -> bool:
        """What to do next, once the figures stand on the screen; it may need a fit of an earlier run."""
        state, asked = self._state(), self._asked
        going = state.progress.run_id is not None or state.progress.phase in (
            Phase.OPENING,
            Phase.SWEEPING,
            Phase.WAITING,
        )
        if self._follower is None or (state.assessment is None and going):
            return True  # its first figures are on their way
        try:
            deed = self._follower.next_deed(state.assessment, state.progress)
        except Exception as error:
            self._show_fault("no advice", error)
            return False
        if asked == self._asked:
            self._change(lambda now: replace(now, deed=deed) if now.assessment is state.assessment else now)
        return True

    def _latest(self, progress: Progress) -> tuple[Assessment | None, int | None]:
        """What the run in hand shows now, None when there is nothing new, and its row."""
        if self._reader is not None and self._reader.path != self._visit.path:  # it goes on in another file
            self._reader.close()
            self._reader = self._follower = None
        if self._follower is None:
            self._reader = self._reader or VisitFile.open(Path(self._visit.path), read_only=True, tell=self._tell_taken)
            self._follower = Follower(self._reader, self._visit)
        if progress.refused is not None and progress.refusal is not None and progress.order is not None:
            order = progress.order
            return refused(self._site, self._calibrator, order, progress.refused, progress.refusal), progress.run_id
        if progress.run_id is None:
            return None, None
        return self._follower.look(progress.run_id), progress.run_id


def refused(site: Site, calibrator: Calibrator, order: RunOrder, sweep: Sweep, refusal: HookUpCheck) -> Assessment:
    """What a sweep shows that was not stored: its trace, and the gate's word on it; no figure of it is believed."""
    corrector, _ = calibrator.corrector(sweep.settings, order.hookup)
    made = average_of([sweep], corrector)
    assert made is not None  # it is one sweep
    if order.hookup.alone:
        return assess_alone(site, order.hookup, made, lambda: None, Known())
    return assess(site, order.hookup, made, seen=refusal)
