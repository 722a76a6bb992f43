"""The figures of a visit again, from its file alone: what a report, an export or a later program sees.

Owns: assessing any run with the calibration, the survey and the doubts that held then; the figures of a hook-up from
its newest wide run and its newest zoom. Refuses: ports and screens; the station's own figures come the same way.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace

from protocol.files.harmless import harmless
from visit.calibration.calibrating import failed_check_doubt, restart_doubt
from visit.calibration.corrector import Calibration, Corrector
from visit.calibration.stored_calibration import calibrations, checks_of
from visit.figures.assessment import Assessment, Known, Role, with_zoom
from visit.figures.assessor import Assessor
from visit.record.visit_file import PORT_BACK, RESTARTED, RecordError, RunRow, VisitFile
from visit.site.hookup import ANTENNA, HookUp, Side
from visit.site.site import Site

NOT_FIGURES = ("calibration", "known part")
"""Purposes of runs that show no duplexer."""


@contextmanager
def no_figures(visit: VisitFile, what: str) -> Iterator[None]:
    """Numbers that no bench gives (a file may come from a stranger) end the arithmetic in a RecordError."""
    try:
        yield
    except (ValueError, ArithmeticError, IndexError) as error:
        why = harmless(f"{type(error).__name__}: {error}", 200)
        raise RecordError(f"{visit.path}: {what} gives no figures ({why}); its sweeps stay") from None


@dataclass(frozen=True, slots=True)
class Figures:
    """One hook-up's figures and the runs that they rest on."""

    hookup: HookUp
    assessment: Assessment
    run_ids: tuple[int, ...]


class Replay:
    """Reads a visit once; every answer is computed from its sweeps."""

    def __init__(self, visit: VisitFile, *, corrects_itself: bool | None = None) -> None:
        """`corrects_itself`: whether the analyzer's levels are re a thru without a calibration of ours; None: as its
        profile said when the visit was made."""
        self.visit, self.site = visit, visit.site()
        self.calibrations = calibrations(visit)
        self.corrects_itself = _profile_corrects(visit) if corrects_itself is None else corrects_itself
        self.runs = [run for run in visit.runs() if run.purpose not in NOT_FIGURES]
        self._surveys: dict[int, Assessment | None] = {}
        self._made: dict[int, Assessment | None] = {}

    def assess(self, run: RunRow) -> Assessment | None:
        """The figures of one run; None when it kept no sweep."""
        if run.id not in self._made:
            self._made[run.id] = self._assess(run)
        return self._made[run.id]

    def _assess(self, run: RunRow) -> Assessment | None:
        stored = self.visit.sweeps(run.id)
        if not stored:
            return None
        assessor = self.assessor(run)
        with no_figures(self.visit, f"run {run.id}"):
            for sweep in stored:
                assessor.add(sweep)
            return assessor.assess(final=True)

    def assessor(self, run: RunRow, *, live: bool = False) -> Assessor:
        """What takes in the sweeps of a run, with all that was known when it was begun. `live`: somebody watches the
        run as it comes; each earlier run of the hook-up counts as a look then."""
        calibration = self.calibrations.get(run.calibration_id or 0)
        known = self._known(run, calibration)
        if live:
            earlier = [other for other in self.runs if other.id < run.id and other.hookup.text == run.hookup.text]
            known = replace(known, looks=len(earlier))
        return Assessor(
            self.site, run.hookup, run.id, planned=run.planned_sweeps, live=live, known=known,
            corrector=Corrector(calibration.terms if calibration else None, run.hookup.path),
        )  # fmt: skip

    def _known(self, run: RunRow, calibration: Calibration | None) -> Known:
        uncorrected = "" if self.corrects_itself or calibration is not None else "analyzer uncorrected: calibrate it"
        known = Known(uncorrected=uncorrected, trusted=True)
        if not run.hookup.survey:
            known = replace(known, leakage=self._leakage(run))
        if run.hookup.side is not None:
            known = replace(known, bottom_width_hz=self._width(run))
        if calibration is not None:
            doubts = calibration.doubts(run.settings, run.started_s, None)
            since = calibration.doubtful_from_s()
            if since is not None and run.started_s < since:
                doubts = tuple(doubt for doubt in doubts if "last check failed" not in doubt)
            known = replace(known, residuals=calibration.residuals(run.hookup.path), doubts=doubts)
        elif self.corrects_itself:
            known = replace(known, doubts=failed_check_doubt(checks_of(self.visit, None), run.started_s))
        return replace(known, doubts=(*known.doubts, *self._restart_doubt(run, calibration)))

    def _restart_doubt(self, run: RunRow, calibration: Calibration | None) -> tuple[str, ...]:
        """Was the analyzer off between the last proof of its correction and the end of this run?"""
        ((last,),) = self.visit.rows("select max(started_s + duration_s) from sweep where run_id = ?", (run.id,))
        off = self.visit.rows("select at_s from remark where kind in (?, ?)", (PORT_BACK, RESTARTED))
        restarted = [float(str(at_s)) for (at_s,) in off if last is not None and float(str(at_s)) <= float(str(last))]
        checks = checks_of(self.visit, None) if calibration is None else calibration.checks
        proved = [check.at_s for check in checks if check.verified.good and check.at_s <= run.started_s]
        if calibration is not None:
            proved.append(calibration.at_s)
        return restart_doubt(max(restarted, default=-math.inf), max(proved, default=-math.inf))

    def _leakage(self, run: RunRow) -> float | None:
        """The limit of the newest survey before a run."""
        for other in reversed(self.runs):
            if other.id < run.id and other.hookup.survey and other.hookup.path == run.hookup.path:
                if other.id not in self._surveys:
                    self._surveys[other.id] = self._assess(other)
                survey = self._surveys[other.id]
                if survey is not None and survey.leakage is not None:
                    return survey.leakage
        return None

    def _width(self, run: RunRow) -> float:
        """Bottom width from the newest fitted wide run of the same side before a run."""
        if _covers_both(run, self.site):
            return math.nan
        for other in reversed(self.runs):
            if other.id < run.id and other.hookup == run.hookup and _covers_both(other, self.site):
                assessment = self.assess(other)
                if assessment is not None and assessment.notch is not None and assessment.notch.trusted:
                    return assessment.notch.bottom_width_hz
        return math.nan

    def newest_survey(self) -> float | None:
        """The leak's limit by the newest survey with bare leads; None without one."""
        for run in reversed(self.runs):
            if run.hookup.text == "loads":
                survey = self.assess(run)
                if survey is not None and survey.leakage is not None:
                    return survey.leakage
        return None

    def widths(self) -> dict[Side, float]:
        """Bottom width of each side by its newest trusted fit."""
        found: dict[Side, float] = {}
        for run in reversed(self.runs):
            side = run.hookup.side
            if side is None or side in found or not _covers_both(run, self.site):
                continue
            assessment = self.assess(run)
            if assessment is not None and assessment.notch is not None and assessment.notch.trusted:
                found[side] = assessment.notch.bottom_width_hz
        return found

    def figures(self, hookup: HookUp, *, after_s: float = -math.inf, before_s: float = math.inf) -> Figures | None:
        """The newest wide run of a hook-up within a time, its rejection from the newest zoom after it where there is
        one."""
        runs = [run for run in self.runs if run.hookup == hookup and after_s <= run.started_s < before_s]
        wide = next((run for run in reversed(runs) if _covers_both(run, self.site) and self.assess(run)), None)
        if wide is None:
            return None
        assessment = self.assess(wide)
        assert assessment is not None
        zoomed = [run for run in runs if run.id > wide.id and not _covers_both(run, self.site)]
        for run in reversed(zoomed):
            closer = self.assess(run)
            if closer is not None and any(
                channel.role is Role.REJECT and channel.transmission.known for channel in closer.channels
            ):
                return Figures(hookup, with_zoom(assessment, closer), (wide.id, run.id))
        return Figures(hookup, assessment, (wide.id,))

    def all_figures(self, *, after_s: float = -math.inf, before_s: float = math.inf) -> list[Figures]:
        """Figures of the three hook-ups as far as they were measured within a time."""
        found = [
            self.figures(HookUp(driven, read), after_s=after_s, before_s=before_s)
            for driven, read in (("A", "L"), ("A", "H"), ("L", "H"))
        ]
        return [one for one in found if one is not None]

    def feeder(self) -> Assessment | None:
        """What the newest run on the feeder shows; None without one."""
        runs = (self.assess(run) for run in reversed(self.runs) if run.hookup.name == ANTENNA)
        return next((found for found in runs if found is not None and found.echo is not None), None)


def _covers_both(run: RunRow, site: Site) -> bool:
    return run.settings.start_hz <= site.low_hz and site.high_hz <= run.settings.stop_hz


def _profile_corrects(visit: VisitFile) -> bool:
    """What the profile said of the analyzer that was opened last; a visit of an earlier program says nothing and
    counts as corrected, as it was then."""
    rows = visit.rows("select words from remark where kind = 'corrects itself' order by id")
    return rows[-1][0] == "yes" if rows else True


def sides_of(figures: Sequence[Figures]) -> dict[Side | None, Figures]:
    """Figures by the side under test; None for side to side."""
    return {one.hookup.side: one for one in figures}
