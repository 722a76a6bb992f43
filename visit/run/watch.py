"""What another process measures, read from the visit file alone: the same picture as the one that measures has.

Owns: a thread that looks at the file for news and makes figures of them. Refuses: the port, and to write anything.
"""

from __future__ import annotations

import threading
from dataclasses import replace
from pathlib import Path

from protocol.errors import RequestError
from protocol.sweep import Applied
from visit.figures.assessment import Assessment
from visit.record.database import Tell
from visit.record.owner import Owner, living
from visit.record.visit_file import RunRow, VisitFile
from visit.run.conductor import Phase, Progress, RunOrder
from visit.run.figure_maker import Follower
from visit.run.live import LiveState
from visit.site.hookup import HookUp

LOOK_EVERY_S = 0.4


class Watcher:
    """Looks at one visit file. Use it in a `with` block."""

    def __init__(self, path: Path, tell: Tell = lambda *_: None) -> None:
        """`tell` hears how far the first reading is. Raises RecordError when the file can't be read."""
        self._visit = VisitFile.open(path, read_only=True, tell=tell)
        try:
            site = self._visit.site()
        except RequestError:
            self._visit.close()
            raise
        self._closing = threading.Event()
        self._follower: Follower | None = None
        self._followed = 0
        self._calibrated_at_s: float | None = None
        self._corrects_itself = False
        self._state = LiveState(site, HookUp("A", "L"), Progress(), visit_name=path.name)
        self._thread = threading.Thread(target=self._watch, name="watching", daemon=True)

    def __enter__(self) -> Watcher:
        try:
            self._look()
        except BaseException:
            self._visit.close()
            raise
        self._visit.tell = lambda *_: None  # from now on a screen may stand
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._closing.set()
        self._thread.join()
        self._visit.close()

    @property
    def visit(self) -> VisitFile:
        """The file, open to read."""
        return self._visit

    @property
    def owner(self) -> Owner | None:
        """Who measures now."""
        return living(self._visit)

    def state(self) -> LiveState:
        """The latest picture; never blocks."""
        return self._state

    def _watch(self) -> None:
        while not self._closing.wait(LOOK_EVERY_S):
            try:
                self._look()
            except Exception as error:  # what stands in the way now is said, and looked at again
                self._state = replace(self._state, figures_fault=_fault(error))

    def _look(self) -> None:
        runs = self._visit.runs()
        if not runs:
            return
        run, owner = runs[-1], self.owner
        if self._follower is None:
            self._follower = Follower(self._visit, None)
        told, fault = self._figures(run.id)
        if run.id != self._followed:
            self._followed = run.id
            figures = self._follower.figures
            calibration = figures.calibrations.get(run.calibration_id or 0)
            self._corrects_itself = figures.corrects_itself(run)
            self._calibrated_at_s = None if calibration is None else calibration.at_s
        progress = self._progress(run, owner)
        if told is None and self._state.progress.run_id == run.id:
            told = self._state.assessment
        deed = self._state.deed
        if told is not None and not fault:
            deed = self._follower.next_deed(told, progress)
        self._state = LiveState(
            self._state.site, run.hookup, progress, told, port=owner.port if owner else "",
            visit_name=self._visit.path.name, figures_fault=fault,
            calibrated_at_s=self._calibrated_at_s, corrects_itself=self._corrects_itself, deed=deed,
        )  # fmt: skip

    def _figures(self, run_id: int) -> tuple[Assessment | None, str]:
        """What is new, and what stands in the way of figures. Raises RequestError when the file can't be read."""
        assert self._follower is not None
        try:
            return self._follower.look(run_id), ""
        except RequestError:
            raise
        except Exception as error:  # a fault in the figures must not pass unseen, nor end the watching
            self._follower.forget()
            return None, _fault(error)

    def _progress(self, run: RunRow, owner: Owner | None) -> Progress:
        """Where the run stands, by its row and the newest words of the log."""
        done = self._visit.sweep_count(run.id)
        first, last = (self._end_of_sweep(run.id, order) for order in ("asc", "desc"))
        phase, message = _phase(run, owner, self._trouble(run))
        analyzer = self._visit.rows("select identity from analyzer order by id desc limit 1")
        return Progress(
            phase=phase,
            message=message,
            identity=str(analyzer[0][0]) if analyzer else "",
            run_id=run.id,
            order=RunOrder(run.hookup, run.settings, run.planned_sweeps, run.purpose),
            applied=Applied(run.settings, run.settings),
            done=done,
            sweep_time_s=None if first is None or last is None or done < 2 else (last - first) / (done - 1),
            saved_at_s=last,
            changes=run.changes,
        )

    def _end_of_sweep(self, run_id: int, order: str) -> float | None:
        """Unix time of the end of a run's first or last sweep."""
        rows = self._visit.rows(
            f"select started_s + duration_s from sweep where run_id = ? order by sequence {order} limit 1",  # noqa: S608
            (run_id,),
        )
        return float(str(rows[0][0])) if rows else None

    def _trouble(self, run: RunRow) -> str:
        """What the log says of the port when it is away, else nothing."""
        trouble = self._visit.rows(
            "select kind, words from remark where kind in ('port', 'port back') and at_s >= ? order by id desc limit 1",
            (run.started_s,),
        )
        return str(trouble[0][1]) if trouble and trouble[0][0] == "port" else ""


def _fault(error: Exception) -> str:
    if isinstance(error, RequestError):
        return str(error)
    return f"figures failed ({type(error).__name__}: {error}); sweeps go on and are kept"


def _phase(run: RunRow, owner: Owner | None, trouble: str) -> tuple[Phase, str]:
    if run.outcome == "complete":
        return Phase.COMPLETE, ""
    if run.outcome == "stopped" or (run.outcome or "").startswith("handed over"):
        return Phase.STOPPED, run.outcome or ""
    if run.outcome is not None:
        return Phase.FAULT, run.outcome
    if owner is None:
        return Phase.BROKEN_OFF, "the process that measured has ended; `--resume` continues its run"
    if trouble:
        return Phase.WAITING, trouble
    return Phase.SWEEPING, f"process {owner.pid} measures; this screen only watches"
