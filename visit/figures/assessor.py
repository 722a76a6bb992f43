"""Takes the sweeps of one run one by one and says at any time what they show.

Owns: the looks at which a proof is tried, each at the sweep count where it stands. Refuses: a proof between the looks;
what a look may spend is told by `visit.figures.looks`.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from rf.floor.leakage import FloorSplit, split_floor
from rf.floor.sequential import look_counts
from rf.floor.step import AFTER
from rf.notch.notch import NotchPlace
from rf.values.figure import CONFIDENCE
from visit.calibration.corrector import Corrector
from visit.figures.assess import assess
from visit.figures.assess_alone import assess_alone
from visit.figures.assessment import Assessment, Proof, reject_leak
from visit.figures.averaging import RunAverage, SweepLike
from visit.figures.known import Known
from visit.figures.looks import EARLIER, Look, Spending
from visit.record.visit_file import StoredSweep
from visit.site.hookup import HookUp
from visit.site.site import Site

MOST_SURVEY_SWEEPS = 400
"""A survey is split from its sweeps themselves; so many are kept."""

FEWEST_SURVEY_SWEEPS = 5


class Assessor:
    """One run of one hook-up.

    `planned` sweeps were fixed before the first one. `live`: somebody watches and may stop, so proofs are tried at the
    looks of `rf.floor.sequential`; otherwise once, at the planned end. `spending` takes the place of both for a run of
    a visit, whose looks share the 5 % of its goal with other runs.
    """

    def __init__(
        self,
        site: Site,
        hookup: HookUp,
        run_id: int = 0,
        *,
        planned: int | None = None,
        live: bool = False,
        known: Known | None = None,
        corrector: Corrector | None = None,
        spending: Spending | None = None,
    ) -> None:
        self.run_id, self.last_id, self.hookup = run_id, 0, hookup
        self.spending = spending or Spending(planned=planned, watched=live)
        self.looks: list[Look] = []
        """The looks that were taken so far, in their order."""
        self._site, self._known = site, known or Known()
        self._ended: NDArray[np.float64] | None = None
        """Where the notch's fit ended last; a search from nothing again when the sweeps have doubled, and at looks."""
        self._searched_at = 0
        keep = MOST_SURVEY_SWEEPS if hookup.survey else 0
        self.average = RunAverage(corrector or Corrector(None, hookup.path), keep=keep)
        self._fitted: tuple[int, NotchPlace | None] | None = None
        """Sweeps of the average that was fitted last, and the fit: a look and the picture after it share one."""

    def add(self, sweep: SweepLike) -> None:
        """Take in one sweep. Raises ValueError when its points differ from the earlier ones'."""
        self.average.add(sweep)
        if isinstance(sweep, StoredSweep):
            self.last_id = sweep.id
        look = self._look_at(self.average.sweeps)
        if look is not None:
            self._take(look)

    def pass_over(self, sweep: SweepLike) -> None:
        """Count a sweep whose share comes with sums. Raises ValueError as `add`."""
        self.average.pass_over(sweep)
        if isinstance(sweep, StoredSweep):
            self.last_id = sweep.id
        look = self._look_at(self.average.sweeps)
        if look is not None:
            self.looks.append(look)  # it stands: those that do not are `stops`

    def stops(self, sweeps: int) -> list[int]:
        """Counts of the looks that have to be taken on the way to so many sweeps."""
        looks = (self._look_at(count) for count in self._counts(sweeps))
        return [look.sweeps for look in looks if look is not None and not self._stands(look)]

    def stands_at(self, sweeps: int) -> bool:
        """Whether a look stands at this count."""
        return self._look_at(sweeps) is not None

    def _counts(self, sweeps: int) -> list[int]:
        spending = self.spending
        implied = look_counts(sweeps, spending.planned, watched=spending.watched) if spending.proves else []
        return sorted({*implied, *(count for count in spending.recorded if count <= sweeps)})

    def _look_at(self, sweeps: int) -> Look | None:
        return None if self.hookup.alone else self.spending.look(sweeps)

    def _stands(self, look: Look) -> bool:
        """Whether it was taken before, with the leak that is known today: its bound stands."""
        return look.taken and look.leakage == reject_leak(self._site, self.hookup, self._known)

    def know(self, known: Known) -> None:
        """What is known has changed during the run: the correction grew old, the analyzer was off, a part was read."""
        if known.residuals != self._known.residuals:
            self._fitted = None
        self._known = known

    def _take(self, look: Look) -> None:
        """Try a proof now. The bound of a look that was taken before stands, unless the leak is known otherwise
        today."""
        leakage = reject_leak(self._site, self.hookup, self._known)
        if self._stands(look):
            self.looks.append(look)
            return
        proved = -math.inf

        def note(proof_db: float) -> Proof:
            nonlocal proved
            proved = proof_db
            return Proof()

        self._assess(1.0 - look.chance, note)
        bound = proved if math.isfinite(proved) else None
        self.looks.append(replace(look, bound_db=bound, leakage=leakage, taken=True))

    def _proof(self, _: float) -> Proof:
        # A look before a step of the device proved something of another one.
        since = self.average.steps[-1] + AFTER if self.average.steps else -1
        bounds = [look.bound_db for look in self.looks if look.bound_db is not None and look.sweeps > since]
        spending = self.spending
        return Proof(
            max(bounds, default=None), spending.next(self.average.sweeps), len(self.looks), spending.nth_run,
            EARLIER if spending.earlier and self.looks else spending.note, spending.goal,
        )  # fmt: skip

    def assess(self) -> Assessment | None:
        """What the sweeps so far show; None before the first."""
        return None if self.average.sweeps == 0 else self._assess(CONFIDENCE, self._proof)

    def _assess(self, confidence: float, proof: Callable[[float], Proof]) -> Assessment:
        averaged = self.average.average()
        assert averaged is not None  # a sweep was taken in
        if self.hookup.alone:
            return assess_alone(self._site, self.hookup, averaged, self._split, self._known)
        sweeps = self.average.sweeps
        grown = sweeps >= 2 * self._searched_at or self.spending.look(sweeps) is not None
        searched = self._ended is None or (grown and sweeps != self._searched_at)
        made = assess(
            self._site, self.hookup, averaged, known=self._known, confidence=confidence, proof=proof,
            begin=None if searched else self._ended, once=self._once,
        )  # fmt: skip
        if searched:
            self._searched_at = sweeps
        self._ended = made.notch.ended if made.notch is not None else None
        return made

    def _once(self, fit: Callable[[], NotchPlace | None]) -> NotchPlace | None:
        if self._fitted is None or self._fitted[0] != self.average.sweeps:
            self._fitted = (self.average.sweeps, fit())
        return self._fitted[1]

    def _split(self) -> FloorSplit | None:
        kept = self.average.kept()
        return split_floor(kept) if len(kept) >= FEWEST_SURVEY_SWEEPS else None
