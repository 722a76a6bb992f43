"""Takes the sweeps of one run one by one and says at any time what they show.

Owns: the running averages, the alignment of phase between sweeps, the looks at which a proof is tried. Refuses: a proof
between the looks.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from rf.floor.average import RunningAverage
from rf.floor.drift import phase_against
from rf.floor.floor import floor_from_one_sweep
from rf.floor.leakage import FloorSplit, split_floor
from rf.floor.sequential import confidence_at, look_number, next_look
from rf.values.decibel import amplitude
from rf.values.figure import CONFIDENCE
from visit.calibration.corrector import Corrector
from visit.figures.assess import assess
from visit.figures.assess_alone import assess_alone
from visit.figures.assessment import Assessment, Known, Proof
from visit.record.visit_file import StoredSweep
from visit.site.hookup import HookUp
from visit.site.site import Site

MOST_SURVEY_SWEEPS = 400
"""A survey is split from its sweeps themselves; so many are kept."""

FEWEST_SURVEY_SWEEPS = 5

LARGEST_PHASE_RAD = 0.02
"""A sweep turned by less than a degree costs the average 0.002 dB and is left as it is."""

GUARD_DB = 3.0
"""Added to the floor that one sweep betrays before its phase is trusted: the estimate is a rough one."""


class Assessor:
    """One run of one hook-up.

    `planned` sweeps were fixed before the first one. `live`: somebody watches and may stop, so proofs are tried at the
    looks of `rf.floor.sequential`; otherwise once, at the end.
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
    ) -> None:
        self.run_id, self.last_id, self.hookup = run_id, 0, hookup
        self.looks = known.looks if known else 0
        self._site, self._known, self._planned, self._live = site, known or Known(), planned, live
        self._s11, self._s21 = RunningAverage(), RunningAverage()
        self._frequency_hz: NDArray[np.float64] | None = None
        self._reference: NDArray[np.complex128] | None = None
        self._noise = 0.0
        self._phase_square = 0.0
        self._corrector = corrector or Corrector(None, hookup.path)
        self._raw: list[NDArray[np.complex128]] = []
        self._proven_db: float | None = None

    def add(self, sweep: StoredSweep) -> None:
        """Take in one sweep. Raises ValueError when its points differ from the earlier ones'."""
        if self._frequency_hz is None:
            self._frequency_hz = sweep.frequency_hz
        elif not np.array_equal(self._frequency_hz, sweep.frequency_hz):
            raise ValueError("sweeps of one run must share their frequency points")
        s11, s21 = self._corrector(self._frequency_hz, sweep.s11, sweep.s21)
        self._s11.add(s11)
        self._s21.add(self._aligned(s21))
        if self.hookup.survey and len(self._raw) < MOST_SURVEY_SWEEPS:
            self._raw.append(s21)
        self.last_id = sweep.id
        look = look_number(self._s21.sweeps, self._planned) if self._live else None
        if look is not None:
            self._look()

    def doubt(self, doubts: tuple[str, ...]) -> None:
        """What speaks against the correction now; it may have grown old, or the analyzer restarted, during the run."""
        self._known = replace(self._known, doubts=doubts)

    def _aligned(self, s21: NDArray[np.complex128]) -> NDArray[np.complex128]:
        """The sweep turned to the phase of the first one, where the strong samples show that it drifted: a drift of p
        rad costs 4.34 p^2 dB in the average [study F21]."""
        if self._reference is None:
            self._reference = s21
            if s21.size >= 33:
                self._noise = floor_from_one_sweep(s21).additive_power * amplitude(GUARD_DB) ** 2
            return s21
        phase = phase_against(s21, self._reference, self._noise) if self._noise > 0 else 0.0
        self._phase_square += phase**2
        return np.asarray(s21 * np.exp(-1j * phase)) if abs(phase) > LARGEST_PHASE_RAD else s21

    def _look(self) -> None:
        """Try a proof now and keep the best."""
        self.looks += 1
        self._assess(confidence_at(self.looks), self._keep)

    def _keep(self, proof_db: float) -> Proof:
        if math.isfinite(proof_db):
            self._proven_db = proof_db if self._proven_db is None else max(self._proven_db, proof_db)
        return self._proof(proof_db)

    def _proof(self, _: float) -> Proof:
        following = next_look(self._s21.sweeps, self._planned) if self._live else None
        return Proof(self._proven_db, following)

    def assess(self, *, final: bool = False) -> Assessment | None:
        """What the sweeps so far show; None before the first. `final`: the run is at its planned end and nobody looked
        before, so this is its look."""
        if self._frequency_hz is None:
            return None
        if final and not self._live:
            self.looks += 1
            return self._assess(confidence_at(self.looks), self._keep)
        return self._assess(CONFIDENCE, self._proof)

    def _assess(self, confidence: float, proof: Callable[[float], Proof]) -> Assessment:
        assert self._frequency_hz is not None
        if self.hookup.alone:
            averages = self._s21.average(), self._s11.average()
            return assess_alone(self._site, self.hookup, self._frequency_hz, *averages, self._split, self._known)
        return assess(
            self._site,
            self.hookup,
            self._frequency_hz,
            self._s21.average(),
            self._s11.average(),
            known=self._known,
            confidence=confidence,
            proof=proof,
            phase_cost_db=4.343 * self._phase_square / self._s21.sweeps,
        )

    def _split(self) -> FloorSplit | None:
        return split_floor(np.array(self._raw)) if len(self._raw) >= FEWEST_SURVEY_SWEEPS else None
