"""A calibration made on this computer: its standards, its terms, how long it may be trusted, and applying it.

Owns: `Calibration`, `CalibrationBook` (standards one by one, each judged), `Corrector` (raw sweeps to S-parameters
at the plane, with what lies in the path taken out), the rules of doubt. Refuses: ports, files and screens; the
algebra is in `rf.calibration.error_terms`.
"""

from __future__ import annotations

import hashlib
import math
from dataclasses import dataclass, field, fields

import numpy as np
from numpy.typing import NDArray

from protocol.errors import RequestError
from protocol.sweep import SweepSettings
from rf.calibration.error_terms import ErrorTerms, Raw, correct, on_grid, solve, without_port2
from rf.calibration.standard_check import CLOSING_WITHIN_DB, StandardCheck, Verified, check_standard
from rf.calibration.standards import Kit
from rf.floor.forecast import IsolationAdvice, isolation_advice
from rf.repeater.passband import Residuals
from rf.values.decibel import amplitude, amplitude_db
from visit.site.hookup import Path

EXPIRES_S, EXPIRES_K = 3600.0, 5.0
"""A calibration older than an hour, or made five kelvin away, is in doubt until it is checked again (study, scenario
32; common practice of this class of analyzer)."""

CONNECTION_DB = 0.05
"""What a good connector repeats to and a receiver is bent by at the thru's level; stays in every level after a
calibration (common practice)."""

LEAST_RETURN_LOSS_DB = 40.0
"""No pad and no calibration is trusted to show a better match at port 2 than this."""

STANDARDS = ("short", "open", "load", "thru")
SWEEPS = 10
"""Sweeps of each standard: its noise stays in every later result."""

Complex = NDArray[np.complex128]


@dataclass(frozen=True, slots=True)
class Taken:
    """One standard as averaged: arrays (K,), sweeps, settings as applied, Unix time of its end, its run, E|n|^2 of one
    sweep's S21."""

    frequency_hz: NDArray[np.float64]
    s11: Complex
    s21: Complex
    sweeps: int
    settings: SweepSettings
    at_s: float
    run_id: int
    noise_power: float = 0.0


@dataclass(frozen=True, slots=True)
class Check:
    """A known part read through the calibration, with its Unix time."""

    verified: Verified
    at_s: float


@dataclass(frozen=True, slots=True)
class Calibration:
    """Terms with their circumstances. `id` is the row in the visit file. `isolation_limit`: amplitude re thru under
    which the noise of the isolation standard lies (95 %); None when isolation was left out."""

    id: int
    kit: Kit
    terms: ErrorTerms
    settings: SweepSettings
    at_s: float
    temperature_c: float | None = None
    isolation_limit: float | None = None
    checks: tuple[Check, ...] = field(default=())

    def problem(self, settings: SweepSettings) -> str:
        """Why a sweep can't be corrected at all; empty when it can."""
        try:
            on_grid(self.terms, settings.frequency_hz())
        except ValueError as error:
            return str(error)
        return ""

    def doubts(self, settings: SweepSettings | None, now_s: float, temperature_c: float | None) -> tuple[str, ...]:
        """What speaks against the calibration, now and for these settings; empty when nothing does."""
        found = []
        last = max((self.at_s, *(check.at_s for check in self.checks if check.verified.good)))
        if now_s - last > EXPIRES_S:
            found.append(f"calibration {(now_s - last) / 60:.0f} min old: check it on the thru")
        if temperature_c is not None and self.temperature_c is not None:
            warmer = temperature_c - self.temperature_c
            if abs(warmer) >= EXPIRES_K:
                found.append(f"{warmer:+.0f} K since the calibration: check it on the thru")
        if settings is not None and settings.level_dbm != self.settings.level_dbm:
            found.append("calibrated at another level: calibrate again, or set the level back")
        if self.checks and not self.checks[-1].verified.good:
            found.append(
                f"last check failed ({self.checks[-1].verified.says}): all since the last good one is doubtful"
            )
        return tuple(found)

    def good_until_s(self) -> float:
        """Time of the last moment that the calibration was known to be good: its making or its last good check."""
        return max((self.at_s, *(check.at_s for check in self.checks if check.verified.good)))

    def doubtful_from_s(self) -> float | None:
        """After a check that was off by more than the closing limit: readings after this time are doubtful."""
        if self.checks and not self.checks[-1].verified.good:
            check = self.checks[-1].verified
            if abs(check.seen.value - check.expected_db) > CLOSING_WITHIN_DB:
                return self.good_until_s()
        return None

    def residuals(self, path: Path) -> Residuals:
        """What is left after correction: the load's quality, the connector, port 2's match behind its pad."""
        thru = [c.verified for c in self.checks if c.verified.part == "thru" and c.verified.good]
        tracking = max(CONNECTION_DB, abs(thru[-1].seen.value)) if thru else 0.1
        port2 = min(self.terms.port2_return_loss_db + 2.0 * path.pad2_db, LEAST_RETURN_LOSS_DB)
        directivity = max(self.kit.load.return_loss_db - 2.0 * path.pad1_db, 0.0)
        left = port2 if path.amp_db else min(self.kit.load.return_loss_db + 2.0 * path.pad2_db, LEAST_RETURN_LOSS_DB)
        # A load that is off by its own reflection leaves as much of the source match (error model of one port).
        return Residuals(tracking, directivity, port2, left, self.kit.load.return_loss_db)


class CalibrationBook:
    """The standards of one calibration as they are taken."""

    def __init__(self, kit: Kit, kit_text: str) -> None:
        self.kit, self.kit_text = kit, kit_text
        self.taken: dict[str, Taken] = {}

    def judge(self, kind: str, taken: Taken) -> StandardCheck:
        """Whether what was taken looks like `kind`. Raises RequestError when its points differ from the others'."""
        for other in self.taken.values():
            if other.frequency_hz.shape != taken.frequency_hz.shape or not np.allclose(
                other.frequency_hz, taken.frequency_hz, rtol=0.0, atol=0.5
            ):
                raise RequestError("this standard was swept differently from the others: take all with one sweep")
        earlier = {name: (entry.s21 if name == "thru" else entry.s11) for name, entry in self.taken.items()}
        return check_standard(kind, taken.frequency_hz, taken.s11, taken.s21, earlier, self.kit)

    def keep(self, kind: str, taken: Taken) -> None:
        """Take it as `kind`; a standard taken before is replaced."""
        self.taken[kind] = taken

    @property
    def missing(self) -> tuple[str, ...]:
        """Standards still to be taken, in their order."""
        return tuple(name for name in STANDARDS if name not in self.taken)

    def advice(self, result_sweeps: int, isolation_sweeps: int, leakage_db: float | None) -> IsolationAdvice:
        """Whether to store an isolation standard of so many sweeps for results of so many."""
        level = float(np.median(np.abs(self.taken["thru"].s21)))
        # Nothing comes through while the load hangs on lead 1: what scatters then is the floor.
        floor_db = 10.0 * math.log10(max(self.taken["load"].noise_power, 1e-30)) - amplitude_db(level)
        return isolation_advice(floor_db, result_sweeps, isolation_sweeps, leakage_db)

    def solved(self, temperature_c: float | None) -> Calibration:
        """The calibration. Raises RequestError when standards are missing or can't be solved."""
        if self.missing:
            raise RequestError(f"not calibrated yet: {', '.join(self.missing)} not taken; nothing was changed")
        short, opened, load, thru = (self.taken[name] for name in STANDARDS)
        isolation = self.taken.get("isolation")
        raw = Raw(
            short.s11, opened.s11, load.s11, thru.s11, thru.s21, None if isolation is None else isolation.s21
        )  # fmt: skip
        try:
            terms = solve(short.frequency_hz, raw, self.kit)
        except ValueError as error:
            raise RequestError(f"not calibrated: {error}") from None
        limit = None
        if isolation is not None:
            tracking = float(np.abs(terms.transmission_tracking).min())
            limit = math.sqrt(-math.log(0.05) * isolation.noise_power / isolation.sweeps) / tracking
        at_s = max(entry.at_s for entry in self.taken.values())
        return Calibration(0, self.kit, terms, short.settings, at_s, temperature_c, limit)


class Corrector:
    """Turns raw sweeps into S-parameters at the plane. `terms` None: the analyzer corrects itself (or nobody does)."""

    def __init__(self, terms: ErrorTerms | None, path: Path) -> None:
        self._terms, self._path = terms, path
        self._ready: ErrorTerms | None = None
        through = -path.pad1_db - path.pad2_db + path.amp_db
        self.through, self._reflected = amplitude(through), amplitude(-2.0 * path.pad1_db)

    def __call__(self, frequency_hz: NDArray[np.float64], s11: Complex, s21: Complex) -> tuple[Complex, Complex]:
        """S11 and S21 (K,) corrected, pads and amplifier taken out. Raises ValueError outside the calibrated span."""
        if self._terms is not None:
            ready = self._ready
            if ready is None or ready.frequency_hz is not frequency_hz:
                if ready is None or not np.array_equal(ready.frequency_hz, frequency_hz):
                    ready = on_grid(self._terms, frequency_hz)
                self._ready = ready
            s11, s21 = correct(ready, s11, s21)
            if self._path.amp_db == 0.0:
                s11 = without_port2(ready, s11, s21)
        if self._path == Path():
            return s11, s21
        return s11 / self._reflected, s21 / self.through

    def basis(self) -> str:
        """SHA-256 of all that this correction is made of."""
        found = hashlib.sha256(self._path.text.encode())
        for part in () if self._terms is None else fields(self._terms):
            value = np.ascontiguousarray(getattr(self._terms, part.name))
            found.update(f"{part.name} {value.dtype} {value.shape}".encode())
            found.update(value.tobytes())
        return found.hexdigest()
