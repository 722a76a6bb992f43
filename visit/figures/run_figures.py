"""The one way from the sweeps of a visit file to figures: file -> average -> looks -> figures, for every reader.

Owns: the average of each run, its looks, its assessment, each made once by all that is known of the run. Used by the
live screen, watching, replay, stages, report, exports, together and the ledger. What other runs say of one:
`visit.figures.earlier_runs`. Refuses: to write; whoever measures writes down the looks that were taken.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager

from protocol.files.harmless import harmless
from visit.calibration.corrector import Calibration, Corrector
from visit.figures.assessment import Assessment
from visit.figures.assessor import Assessor
from visit.figures.averaging import Averaged
from visit.figures.earlier_runs import EarlierRuns
from visit.figures.kept_sums import Averager, Book, take_in
from visit.figures.known import Knowledge, Known
from visit.figures.looks import Spending, spendings, zooms_spent
from visit.record.opening import RecordError
from visit.record.visit_file import RunRow, VisitFile
from visit.site.hookup import HookUp

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
    when it has more sweeps, or when more is known of it."""

    def __init__(self, visit: VisitFile, shown: Mapping[int, int] | None = None) -> None:
        """`shown`: of these runs no more sweeps count than so many, those that somebody has seen. Raises RecordError
        when the file can't be read."""
        self.visit, self.site, self._shown = visit, visit.site(), dict(shown or {})
        self._knowledge = Knowledge(visit, self.site)
        self.runs: list[RunRow] = []
        self.earlier = EarlierRuns(self, self._knowledge)
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
        return self.earlier.known(run, as_of_s)

    def settled(self, run: RunRow) -> Assessment | None:
        """The figures of an earlier run as they were followed, or made now."""
        return self._newest.get(run.id) or self.assess(run)
