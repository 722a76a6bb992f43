"""The one way from the sweeps of a visit file to figures: file -> average -> looks -> figures, for every reader.

Owns: what is known of a run (rows of the file, surveys, tests of two states, fitted widths), its average, its looks,
its assessment, each made once. Used by the live screen, watching, replay, stages, report, exports, together and the
ledger. Refuses: to write; whoever measures writes down the looks that were taken.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace

from protocol.files.harmless import harmless
from rf.floor.pool import Bottom
from rf.notch.notch import NotchPlace
from visit.calibration.corrector import Calibration
from visit.figures.assess_alone import leak_limits
from visit.figures.assessment import Assessment
from visit.figures.assessor import Assessor
from visit.figures.averaging import Averaged
from visit.figures.kept_sums import Averager, Book, take_in
from visit.figures.known import Knowledge, Known
from visit.figures.looks import Spending, covers_both, spendings
from visit.figures.two_states import jumper_leaks
from visit.record.opening import RecordError
from visit.record.visit_file import RunRow, VisitFile
from visit.site.hookup import HookUp, Side

NOT_FIGURES = ("calibration", "known part")
"""Purposes of runs that show no duplexer."""


@contextmanager
def no_figures(visit: VisitFile, what: str) -> Iterator[None]:
    """Numbers that no bench gives (a file may be untrusted) end the arithmetic in a RecordError."""
    try:
        yield
    except (ValueError, ArithmeticError, IndexError) as error:
        why = harmless(f"{type(error).__name__}: {error}", 200)
        raise RecordError(f"{visit.path}: {what} gives no figures ({why}); its sweeps stay") from None


class RunFigures:
    """Every run of one visit. `refresh` takes in the rows that came since; what was made of a run is made again only
    when
    it has more sweeps, or when more is known of it."""

    def __init__(self, visit: VisitFile) -> None:
        """Raises RecordError when the file can't be read."""
        self.visit, self.site = visit, visit.site()
        self._knowledge = Knowledge(visit, self.site)
        self.runs: list[RunRow] = []
        self._spendings: dict[int, Spending] = {}
        self._counts: dict[int, int] = {}
        self._averaged: dict[tuple[int, int], Averaged | None] = {}
        self._made: dict[tuple[int, int, Known], Assessment | None] = {}
        self._newest: dict[int, Assessment] = {}
        self._books: dict[tuple[int, str], Book] = {}
        self._read()

    def refresh(self) -> None:
        """Take in what was added to the file. Raises RecordError."""
        self._knowledge.refresh()
        self._read()

    def _read(self) -> None:
        self.runs = [run for run in self.visit.runs() if run.purpose not in NOT_FIGURES]
        self._counts = self.visit.sweep_counts()
        self._spendings = spendings(self.visit, self.site, self.runs, self._counts)

    @property
    def calibrations(self) -> dict[int, Calibration]:
        """All calibrations of the file by row."""
        return self._knowledge.calibrations

    def corrects_itself(self, run: RunRow) -> bool:
        """Whether the levels of the analyzer that took a run are re a thru without a calibration of ours."""
        return self._knowledge.corrects_itself(run)

    def averaged(self, run: RunRow) -> Averaged | None:
        """A run averaged and corrected; None when it kept no sweep. Raises RecordError."""
        key = (run.id, self._counts.get(run.id, 0))
        if key not in self._averaged:
            with no_figures(self.visit, f"run {run.id}"):
                taker = take_in(
                    lambda: Averager(self._knowledge.corrector(run)), self.visit, run.id, key[1], self.book(run),
                    self._teller(run),
                )  # fmt: skip
                self._averaged[key] = taker.average.average()
        return self._averaged[key]

    def book(self, run: RunRow) -> Book:
        """The sums of a run that were kept for its correction."""
        basis = self._knowledge.corrector(run).basis()
        if (run.id, basis) not in self._books:
            self._books[run.id, basis] = Book(self.visit, run.id, basis)
        return self._books[run.id, basis]

    def _teller(self, run: RunRow) -> Callable[[int, int], None]:
        return lambda done, of: self.visit.tell(f"run {run.id}", done, of)

    def assess(self, run: RunRow, as_of_s: float = math.inf) -> Assessment | None:
        """The figures of one run by what was known up to a time; None when it kept no sweep. Raises RecordError."""
        known = self.known(run, as_of_s)
        key = (run.id, self._counts.get(run.id, 0), known)
        if key not in self._made:
            with no_figures(self.visit, f"run {run.id}"):
                assessor = self.taken(run, key[1], known)
                self._made[key] = assessor.assess()
                self._averaged.setdefault(key[:2], assessor.average.average())
        return self._made[key]

    def taken(self, run: RunRow, sweeps: int, known: Known | None = None) -> Assessor:
        """What has taken in the first sweeps of a run. Raises RecordError, ValueError."""
        known = self.known(run) if known is None else known
        return take_in(
            lambda: self._assessor(run, known), self.visit, run.id, sweeps, self.book(run), self._teller(run)
        )

    def assessor(self, run: RunRow) -> Assessor:
        """What takes in the sweeps of a run, with all that is known and all that earlier runs spent."""
        return self._assessor(run, self.known(run))

    def _assessor(self, run: RunRow, known: Known) -> Assessor:
        return Assessor(
            self.site, run.hookup, run.id, known=known, corrector=self._knowledge.corrector(run),
            spending=self._spendings.get(run.id, Spending(proves=False)),
        )  # fmt: skip

    def keep(self, run_id: int, assessment: Assessment) -> None:
        """Whoever follows a run as it comes has made its figures: they need not be made again for what builds on
        them."""
        self._newest[run_id] = assessment

    def known(self, run: RunRow, as_of_s: float = math.inf) -> Known:
        """Everything that is known of a run by the rows of the file up to a time."""
        known = self._knowledge.of(run)
        if run.hookup.alone:
            return known
        return replace(known, leaks=self._leaks(run, as_of_s), bottoms=self._bottoms(run))

    # What surveys and tests of two states say of the leak

    def _leaks(self, run: RunRow, as_of_s: float) -> tuple[tuple[float, float], ...]:
        """The best limit at each channel. Surveys only add: a narrow one takes nothing from a wide one."""
        through = self._knowledge.corrector(run).through
        told = self._knowledge.told_leaks(as_of_s)
        calibration = self._knowledge.calibration(run)
        if calibration is not None and calibration.isolation_limit is not None:
            told.append(calibration.isolation_limit)
        found = [(hz, limit / through) for hz in (self.site.low_hz, self.site.high_hz) for limit in told]
        for other in self.runs:
            if other.hookup.survey and other.hookup.path.jumper == "none" and other.started_s <= as_of_s:
                found += [(hz, limit / through) for hz, limit in self._surveyed(other)]
        if run.hookup == HookUp(run.hookup.driven, run.hookup.read, run.hookup.third):
            found += jumper_leaks(self, run.hookup, as_of_s)
        best: dict[float, float] = {}
        for hz, limit in found:
            best[hz] = min(limit, best.get(hz, math.inf))
        return tuple(sorted(best.items()))

    def _surveyed(self, run: RunRow) -> list[tuple[float, float]]:
        """What a survey says of the leak inside the instrument: neither damped by a pad before port 2 nor lifted by an
        amplifier there."""
        survey = self._settled(run)
        if survey is None or survey.survey is None:
            return []
        through = self._knowledge.corrector(run).through
        return [(hz, limit * through) for hz, limit in leak_limits(self.site, survey.frequency_hz, survey.survey)]

    def _settled(self, run: RunRow) -> Assessment | None:
        """The figures of an earlier run as they were followed, or made now."""
        return self._newest.get(run.id) or self.assess(run)

    # What earlier runs say of the notch

    def covers_both(self, run: RunRow) -> bool:
        """A wide run: both channels lie in it."""
        return covers_both(run, self.site)

    def fitted(self, hookup: HookUp, before_run: float = math.inf) -> Assessment | None:
        """The figures of the newest wide run of a hook-up, before a run, whose notch is trusted."""
        for other in reversed(self.runs):
            if other.id < before_run and other.hookup == hookup and self.covers_both(other):
                assessment = self._settled(other)
                if assessment is not None and assessment.notch is not None and assessment.notch.trusted:
                    return assessment
        return None

    def newest_notch(self, hookup: HookUp) -> NotchPlace | None:
        """The newest trusted fit of a hook-up, by a run of any span."""
        for run in reversed(self.runs):
            assessment = self._settled(run) if run.hookup == hookup else None
            if assessment is not None and assessment.notch is not None and assessment.notch.trusted:
                return assessment.notch
        return None

    def _bottoms(self, run: RunRow) -> tuple[tuple[float, Bottom], ...]:
        """The bottoms at the reject channels, from the newest fitted wide runs before a run; a wide run has its own.

        From side to side both notches are passed: at each channel the bottom is that of the side which rejects it.
        """
        if run.hookup.side is not None:
            fitted = None if self.covers_both(run) else self.fitted(run.hookup, run.id)
            return _bottom_of(fitted)
        return tuple(bottom for side in Side for bottom in _bottom_of(self._fitted_side(side, run.id)))

    def _fitted_side(self, side: Side, before_run: int) -> Assessment | None:
        """The newest trusted wide fit of a side, driven either way."""
        for other in reversed(self.runs):
            if other.id < before_run and other.hookup.side is side and not other.hookup.alone:
                found = self.fitted(other.hookup, before_run)
                if found is not None:
                    return found
        return None


def _bottom_of(fitted: Assessment | None) -> tuple[tuple[float, Bottom], ...]:
    """The bottom at the reject channel of a fitted run."""
    if fitted is None or fitted.notch is None or fitted.hookup.side is None:
        return ()
    return ((fitted.site.reject_hz(fitted.hookup.side), fitted.notch.bottom()),)
