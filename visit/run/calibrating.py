"""Carries a calibration through: standards judged as they are taken, the solved terms put to use, known parts read.

Owns: the book in hand, the calibration in use and its checks, all of it in the visit file. Used by screens and commands
from any thread. Refuses: to sweep (the station does) and to draw.
"""

from __future__ import annotations

import math
import threading
import time
from dataclasses import replace

import numpy as np

from protocol.errors import RequestError
from protocol.sweep import SweepSettings
from rf.calibration.standard_check import StandardCheck, Verified, verify
from rf.calibration.standards import Kit
from visit.calibration.corrector import Calibration, CalibrationBook, Check, Corrector, Taken
from visit.calibration.doubts import clock_doubt, failed_check_doubt, restart_doubt
from visit.calibration.stored_calibration import add_calibration, add_known_part, calibrations, checks_of
from visit.figures.averaging import average_of, floor_of
from visit.figures.known import TEMPERATURE, UNCORRECTED
from visit.record.visit_file import PORT_BACK, RESTARTED, VisitFile
from visit.site.hookup import HookUp
from visit.site.kit import load_kit

BURSTS = "bursts hit over a quarter of these sweeps: measure the part again when it is quiet"


class Calibrator:
    """The calibration of one visit. `own`: the analyzer corrects itself, so levels are re a thru without ours."""

    def __init__(self, visit: VisitFile, *, own: bool, kit: tuple[Kit, str] | None = None) -> None:
        self._visit, self._own = visit, own
        self._lock = threading.Lock()
        self._kit = kit or load_kit(None)
        self.book = self._new_book()
        self._pending: Taken | None = None
        self._in_use: Calibration | None = None
        self._own_checks: tuple[Check, ...] = ()
        self.temperature_c: float | None = None
        self._restarted_s = -math.inf

    def warm(self, celsius: float) -> None:
        """The temperature now; five kelvin from the calibration's put it in doubt. Raises RecordError."""
        self._visit.remark(TEMPERATURE, f"{celsius:g} C", time.time())
        self.temperature_c = celsius

    def restarted(self, at_s: float) -> None:
        """The analyzer was off for a moment: what corrects must be proved anew."""
        self._restarted_s = at_s

    def _new_book(self) -> CalibrationBook:
        kit, text = self._kit
        return CalibrationBook(kit, text)

    @property
    def in_use(self) -> Calibration | None:
        """The calibration made last, or None."""
        return self._in_use

    @property
    def checks(self) -> tuple[Check, ...]:
        """Known parts read through what corrects now."""
        return self._own_checks if self._in_use is None else self._in_use.checks

    def resume(self) -> None:
        """Take up the newest calibration of the visit file."""
        found = calibrations(self._visit)
        self._in_use = found[max(found)] if found else None
        self._own_checks = checks_of(self._visit, None)
        for (at_s,) in self._visit.rows("select at_s from remark where kind in (?, ?)", (PORT_BACK, RESTARTED)):
            self._restarted_s = max(self._restarted_s, float(str(at_s)))

    def begin(self) -> None:
        """Start over with an empty book; the calibration in use stays until a new one is finished."""
        self.book, self._pending = self._new_book(), None

    def drop(self) -> None:
        """Use no calibration of ours from now on; its record stays."""
        self._in_use = None

    def judge(self, kind: str, run_id: int) -> StandardCheck:
        """Whether the sweeps of a run look like that standard. Raises RequestError when there are none."""
        taken = self._averaged(run_id)
        check = self.book.judge(kind, taken)
        self._pending = taken
        return check

    def keep(self, kind: str) -> None:
        """Keep what was judged last as that standard."""
        if self._pending is None:
            raise RequestError("no standard was measured; measure it first")
        self.book.keep(kind, self._pending)
        self._pending = None

    def finish(self) -> Calibration:
        """Solve, store and use it. Raises RequestError when a standard is missing."""
        solved = add_calibration(self._visit, self.book.solved(self.temperature_c), self.book)
        with self._lock:
            self._in_use = solved
        return solved

    def read_known(self, part: str, run_id: int, pad_db: float = 0.0) -> Verified:
        """Judge a run on a known part ("thru", "load", "open", "short", "pad") and store what it says."""
        taken = self._averaged(run_id)
        terms = self._in_use.terms if self._in_use is not None else None
        s11, s21 = Corrector(terms, HookUp("thru", "thru").path)(taken.frequency_hz, taken.s11, taken.s21)
        level = 10.0 ** (-pad_db / 20.0)
        noise_db = 3.0 * 8.686 * float(np.sqrt(taken.noise_power / taken.sweeps / 2.0)) / level
        verified = verify(part, s11, s21, pad_db, min(noise_db, 0.5) if part != "load" else 0.0)
        check = Check(verified, time.time())
        with self._lock:
            add_known_part(self._visit, None if self._in_use is None else self._in_use.id, run_id, check)
            if self._in_use is None:
                self._own_checks += (check,)
            else:
                self._in_use = replace(self._in_use, checks=(*self._in_use.checks, check))
        return verified

    def corrector(self, settings: SweepSettings, hookup: HookUp) -> tuple[Corrector, str]:
        """What corrects sweeps of these settings, and why levels are not re a thru (empty when they are)."""
        calibration = self._in_use
        if calibration is not None:
            problem = calibration.problem(settings)
            if not problem:
                return Corrector(calibration.terms, hookup.path), ""
            if not self._own:
                return Corrector(None, hookup.path), problem
        return Corrector(None, hookup.path), "" if self._own else UNCORRECTED

    def doubts(self, settings: SweepSettings | None, now_s: float) -> tuple[str, ...]:
        """What speaks against the correction in use."""
        proved_s = max((check.at_s for check in self.checks if check.verified.good), default=-math.inf)
        found: tuple[str, ...] = ()
        if self._in_use is not None:
            proved_s = max(proved_s, self._in_use.at_s)
            found = self._in_use.doubts(settings, now_s, self.temperature_c)
        elif self._own:
            found = failed_check_doubt(self._own_checks, now_s)
        return (*found, *clock_doubt(now_s, proved_s), *restart_doubt(self._restarted_s, proved_s))

    def _averaged(self, run_id: int) -> Taken:
        run = next((row for row in self._visit.runs() if row.id == run_id), None)
        stored = self._visit.sweeps(run_id)
        made = average_of(stored)
        if run is None or made is None:
            raise RequestError("no sweep of this part was kept; measure it again")
        if made.s21.too_busy or made.s11.too_busy:
            raise RequestError(BURSTS)
        noise = floor_of(made.s21).additive_power if len(stored) > 1 else 0.0
        at_s = stored[-1].started_s + stored[-1].duration_s
        return Taken(
            made.frequency_hz, made.s11.mean, made.s21.mean, made.sweeps, run.settings, at_s, run_id, noise
        )  # fmt: skip
