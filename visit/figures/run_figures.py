"""The one way from the sweeps of a visit file to figures: file -> average -> looks -> figures, for every reader.

Owns: what is known of a run (rows of the file, surveys, tests of two states, fitted widths), its average, its looks,
its assessment, each made once. Used by the live screen, watching, replay, stages, report, exports, together and the
ledger. Refuses: to write; whoever measures writes down the looks that were taken.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace

from protocol.files.harmless import harmless
from rf.floor.leakage import LEADS_MOVE
from rf.floor.pool import MOST_CAVITIES, Bottom, narrowest_bottom
from rf.repeater.passband import return_loss_at
from visit.calibration.corrector import Calibration, Corrector
from visit.calibration.doubts import survey_doubt
from visit.figures.assess_alone import leak_limits
from visit.figures.assessment import Assessment
from visit.figures.assessor import Assessor
from visit.figures.averaging import FEWEST_POINTS, Averaged, floor_of
from visit.figures.kept_sums import Averager, Book, take_in
from visit.figures.known import Knowledge, Known, LeakSource
from visit.figures.leak_advice import found
from visit.figures.looks import Spending, covers_both, spendings, zooms_spent
from visit.figures.two_states import jumper_leaks
from visit.record.opening import RecordError
from visit.record.visit_file import RunRow, VisitFile
from visit.site.hookup import ANTENNA_PORT, HookUp, Side

DOUBTED = 2.0
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

    def __init__(self, visit: VisitFile, shown: Mapping[int, int] | None = None) -> None:
        """`shown`: of these runs no more sweeps count than so many, those that somebody has seen. Raises RecordError
        when the file can't be read."""
        self.visit, self.site, self._shown = visit, visit.site(), dict(shown or {})
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
        self._counts = {
            run_id: min(count, self._shown.get(run_id, count)) for run_id, count in self.visit.sweep_counts().items()
        }
        self._spendings = spendings(self.visit, self.site, self.runs, self._counts)

    @property
    def calibrations(self) -> dict[int, Calibration]:
        """All calibrations of the file by row."""
        return self._knowledge.calibrations

    def corrects_itself(self, run: RunRow) -> bool:
        """Whether the levels of the analyzer that took a run are re a thru without a calibration of ours."""
        return self._knowledge.corrects_itself(run)

    def corrector(self, run: RunRow) -> Corrector:
        """What turns the sweeps of a run into S-parameters at the plane."""
        return self._knowledge.corrector(run)

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

    def sweeps(self, run: RunRow) -> int:
        """How many sweeps of a run count."""
        return self._counts.get(run.id, 0)

    def assess(self, run: RunRow, as_of_s: float = math.inf, sweeps: int | None = None) -> Assessment | None:
        """The figures of one run by what was known up to a time, of its first `sweeps` (None: all that count); None
        when it kept no sweep. Raises RecordError."""
        known = self.known(run, as_of_s)
        count = self.sweeps(run)
        key = (run.id, count if sweeps is None else min(sweeps, count), known)
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

    def zooms_spent(self, hookup: HookUp) -> int:
        """How many zooms of a hook-up were looked at in the present stage."""
        return zooms_spent(self.visit, self._spendings, self._counts, hookup)

    def keep(self, run_id: int, assessment: Assessment, known: Known) -> None:
        """Whoever follows a run as it comes has made its figures, by what was `known`: they need not be made again for
        what builds on them."""
        self._newest[run_id] = assessment
        self._made = {key: made for key, made in self._made.items() if key[0] != run_id}  # of fewer sweeps
        self._made[run_id, assessment.sweeps, known] = assessment

    def known(self, run: RunRow, as_of_s: float = math.inf) -> Known:
        """Everything that is known of a run by the rows of the file up to a time."""
        known = self._knowledge.of(run)
        if run.hookup.alone and not run.hookup.part:
            return known
        leaks = self._leaks(run, as_of_s)
        if run.hookup.part:
            return replace(known, leaks=tuple((hz, limit) for hz, limit, _ in leaks))
        return replace(
            known,
            leaks=tuple((hz, limit) for hz, limit, _ in leaks),
            leak_sources=tuple((hz, source) for hz, _, source in leaks),
            bottoms=self._bottoms(run),
            path_doubt=self._path_doubt(run),
            third_seen=self._third_seen(run),
            third_loads=self._third_loads(run, as_of_s),
        )

    def _third_loads(self, run: RunRow, as_of_s: float) -> tuple[tuple[float, float], ...]:
        """What the newest run of a load on lead 1 says of the load that ends the third port (Hz, return loss)."""
        for other in reversed(self.runs):
            if other.hookup == HookUp("load", "load", "") and other.started_s <= as_of_s and other.id != run.id:
                made = self.averaged(other)
                if made is None or made.s11.too_busy or made.frequency_hz.size < FEWEST_POINTS:
                    continue
                power = floor_of(made.s11).averaged_power
                residuals = self._knowledge.of(other).residuals
                found = [
                    (hz, return_loss_at(made.frequency_hz, made.s11.mean, power, hz, residuals).figure.low)
                    for hz in (self.site.low_hz, self.site.high_hz)
                ]
                return tuple((hz, low) for hz, low in found if math.isfinite(low))
        return ()

    # What surveys and tests of two states say of the leak

    def _leaks(self, run: RunRow, as_of_s: float) -> tuple[tuple[float, float, LeakSource], ...]:
        """The best limit at each channel and where it comes from. Surveys only add: a narrow one takes nothing from a
        wide one, and one in doubt counts only where there is no other."""
        through = self._knowledge.corrector(run).through
        channels = (self.site.low_hz, self.site.high_hz)
        told = self._knowledge.told_leaks(as_of_s)
        limits = [(hz, limit / through, LeakSource("as told")) for hz in channels for limit in told]
        calibration = self._knowledge.calibration(run)
        if calibration is not None and calibration.isolation_limit is not None:
            source = LeakSource("isolation standard")
            limits += [(hz, calibration.isolation_limit / through, source) for hz in channels]
        for other in self.runs:
            if other.hookup.survey and other.hookup.path.jumper == "none" and other.started_s <= as_of_s:
                doubt = self._survey_doubt(other, run)
                limits += [
                    (hz, limit / through, replace(source, doubt=doubt)) for hz, limit, source in self._surveyed(other)
                ]
        if not run.hookup.alone and run.hookup == HookUp(run.hookup.driven, run.hookup.read, run.hookup.third):
            apart = LeakSource("two states of the path", found=True)
            limits += [(hz, limit, apart) for hz, limit in jumper_leaks(self, run.hookup, as_of_s)]
        best: dict[float, tuple[float, LeakSource]] = {}
        for hz, limit, source in limits:
            held = best.get(hz)
            if held is None or _counts_for(limit, source) < _counts_for(*held):
                best[hz] = limit, source
        return tuple((hz, *best[hz]) for hz in sorted(best))

    def _survey_doubt(self, survey: RunRow, run: RunRow) -> str:
        """What speaks against a survey for a run; one that was taken after the run is as old as the time between."""
        one, other = sorted((survey, run), key=lambda each: each.started_s)
        ended_s, now_s = self._knowledge.ended_s(one), max(other.started_s, self._knowledge.ended_s(one))
        if other is run:
            now_s = self._knowledge.ended_s(run)
        calibration = self._knowledge.calibration(run)
        return survey_doubt(
            ended_s,
            now_s,
            restarted=self._knowledge.restarts(ended_s, now_s),
            calibrated_s=-math.inf if calibration is None or one is run else calibration.at_s,
        )

    def _surveyed(self, run: RunRow) -> list[tuple[float, float, LeakSource]]:
        """What a survey says of the leak inside the instrument: neither damped by a pad before port 2 nor lifted by an
        amplifier there, and with room for leads that are moved."""
        survey = self._settled(run)
        if survey is None or survey.survey is None:
            return []
        through = self._knowledge.corrector(run).through * LEADS_MOVE
        source = LeakSource(f"survey, run {run.id}", found(survey.survey), survey.sweeps)
        limits = leak_limits(self.site, survey.frequency_hz, survey.survey)
        return [(hz, limit * through, source) for hz, limit in limits]

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

    def _third_seen(self, run: RunRow) -> bool:
        """Whether a wide run from the antenna to the same side saw the load that a run from the side can't see."""
        if run.hookup.read != ANTENNA_PORT or run.hookup.alone:
            return False
        back = HookUp(ANTENNA_PORT, run.hookup.driven, run.hookup.third)
        for other in reversed(self.runs):
            if other.hookup == back and self.covers_both(other):
                assessment = self._settled(other)
                if assessment is not None and assessment.check.seen == back.name:
                    return True
        return False

    def _path_doubt(self, run: RunRow) -> str:
        """What the newest wide run of a hook-up says against its path; a wide run says it of itself."""
        if self.covers_both(run):
            return ""
        for other in reversed(self.runs):
            if other.id < run.id and other.hookup == run.hookup and self.covers_both(other):
                assessment = self._settled(other)
                if assessment is not None:
                    return assessment.check.doubt
        return ""

    def _bottoms(self, run: RunRow) -> tuple[tuple[float, Bottom], ...]:
        """The bottoms at the reject channels, from the newest fitted wide runs before a run; a wide run has its own.

        From side to side both notches are passed: at each channel the bottom is that of the side which rejects it, or
        the narrowest there can be where that side was not fitted.
        """
        if run.hookup.side is not None:
            fitted = None if self.covers_both(run) else self.fitted(run.hookup, run.id)
            return _bottom_of(fitted)
        found = dict(bottom for side in Side for bottom in _bottom_of(self._fitted_side(side, run.id)))
        if not self.covers_both(run) and self.site.kind != "band-pass":
            for side in Side:
                hz = self.site.reject_hz(side)
                found.setdefault(hz, narrowest_bottom(hz, self.site.cavities or MOST_CAVITIES))
        return tuple(sorted(found.items(), reverse=True))

    def _fitted_side(self, side: Side, before_run: int) -> Assessment | None:
        """The newest trusted wide fit of a side, driven either way."""
        for other in reversed(self.runs):
            if other.id < before_run and other.hookup.side is side and not other.hookup.alone:
                found = self.fitted(other.hookup, before_run)
                if found is not None:
                    return found
        return None


def _counts_for(limit: float, source: LeakSource) -> float:
    """What a limit is worth beside others: one in doubt gives way to a fresh one that is not over twice as large."""
    return limit * (DOUBTED if source.doubt else 1.0)


def _bottom_of(fitted: Assessment | None) -> tuple[tuple[float, Bottom], ...]:
    """The bottom at the reject channel of a fitted run."""
    if fitted is None or fitted.notch is None or fitted.hookup.side is None:
        return ()
    return ((fitted.site.reject_hz(fitted.hookup.side), fitted.notch.bottom()),)
