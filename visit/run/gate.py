"""The gate before the visit file: a sweep of a wrong hook-up is not stored, and a keyed transmitter stops the run.

Owns: judging each sweep of a run before it is committed; nothing behind it judges a stored sweep's hook-up again.
Refuses: to alter a sweep; it is stored as it came, or not.
"""

from __future__ import annotations

import numpy as np

from protocol.errors import AnalyzerError
from protocol.sweep import Sweep, SweepSettings
from rf.floor.floor import floor_from_one_sweep
from rf.repeater.hookup_check import HookUpCheck, State, check_hookup
from rf.repeater.keyed import CarrierWatch
from rf.values.decibel import level_near
from visit.calibration.corrector import Corrector
from visit.figures.averaging import average_of
from visit.figures.looks import seen_from_antenna
from visit.record.visit_file import VisitFile
from visit.run.calibrating import Calibrator
from visit.site.hookup import HookUp
from visit.site.site import Site

ENOUGH = 8
"""Sweeps of an earlier run that tell what it sent back."""
FEWEST_POINTS = 33
"""The floor of one sweep is told from its roughness; with fewer points nothing is judged."""


class KeyedError(AnalyzerError):
    """Somebody transmits into the path that is being measured."""


def gate_of(
    site: Site, calibrator: Calibrator, hookup: HookUp, actual: SweepSettings, visit: VisitFile, *, trusted: bool
) -> tuple[Gate | None, int | None]:
    """The gate for the sweeps of a run (None: anything may hang there), and the row of the calibration that corrects
    them. `trusted`: the hook-up is as declared, whatever it looks like."""
    calibration = calibrator.in_use
    corrector, uncorrected = calibrator.corrector(actual, hookup)
    row = calibration.id if calibration is not None and not calibration.problem(actual) else None
    if hookup.alone and not hookup.survey:
        return None, row
    levels = not uncorrected and not trusted and hookup.third == "load"
    returned_db = _returned_db(site, calibrator, hookup, visit) if levels else None
    return Gate(site, hookup, corrector, levels=levels, returned_db=returned_db), row


def _returned_db(site: Site, calibrator: Calibrator, hookup: HookUp, visit: VisitFile) -> float | None:
    """S11 in dB at the third port's channel in the newest wide run that had lead 2 on that port."""
    for run in seen_from_antenna(visit.runs(), hookup, site):
        made = average_of(visit.sweeps(run.id, limit=ENOUGH))
        if made is not None and run.hookup.side is not None:
            corrector, uncorrected = calibrator.corrector(run.settings, run.hookup)
            s11, _ = corrector(made.frequency_hz, made.s11.mean, made.s21.mean)
            return None if uncorrected else level_near(made.frequency_hz, s11, site.pass_hz(run.hookup.side))
    return None


class Gate:
    """One run of one hook-up. `levels`: sweeps are re a thru after `corrector`, so that signatures may be judged."""

    def __init__(
        self, site: Site, hookup: HookUp, corrector: Corrector, *, levels: bool, returned_db: float | None = None
    ) -> None:
        self._site, self._hookup, self._corrector, self._levels = site, hookup, corrector, levels
        self._returned_db = returned_db
        self._watch = CarrierWatch()

    def judge(self, sweep: Sweep) -> HookUpCheck | None:
        """What is wrong with the hook-up, or None when the sweep may be stored. Raises KeyedError."""
        s11, s21 = self._corrector(sweep.frequency_hz, sweep.s11, sweep.s21)
        carrier_hz = self._watch.add(sweep.frequency_hz, s21)
        if carrier_hz is not None:
            raise KeyedError(
                f"signal present on the path at {carrier_hz / 1e6:.4f} MHz: is a transmitter keyed? stopped; prove it"
                " off before anything else"
            )
        if (
            not self._levels
            or (self._hookup.alone and not self._hookup.survey)
            or sweep.frequency_hz.size < FEWEST_POINTS
        ):
            return None
        noise = floor_from_one_sweep(s21).additive_power
        if not np.isfinite(noise) or noise <= 0.0:
            return None
        told, third = self._hookup.name, self._hookup.third_port
        site = self._site
        check = check_hookup(
            sweep.frequency_hz, s11, s21, noise, site.low_hz, site.high_hz, told, third, self._returned_db,
            rows=site.kind == "band-pass",
        )  # fmt: skip
        return check if check.state is State.WRONG else None
