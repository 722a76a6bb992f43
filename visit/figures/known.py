"""What is known of a run before its sweeps are looked at, read from the rows of the visit file.

Owns: `Known`, and gathering it: correction and what speaks against it, axis of frequencies, time on a point, leak
limits that were told. Refuses: figures; what surveys and earlier runs show is added by `visit.figures.run_figures`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

import numpy as np

from rf.floor.pool import Bottom
from rf.repeater.passband import Residuals
from rf.values.decibel import amplitude
from rf.values.match import UNKNOWN_CABLE, Velocity
from visit.calibration.corrector import LEAST_RETURN_LOSS_DB, Calibration, Check, Corrector
from visit.calibration.doubts import clock_doubt, failed_check_doubt, restart_doubt
from visit.calibration.stored_calibration import calibrations, checks_of
from visit.figures.unsurveyed import WORST_LEAK_DB, worst_leak
from visit.record.sheet import Sheet
from visit.record.visit_file import PORT_BACK, RESTARTED, RunRow, VisitFile
from visit.site.site import Site

CORRECTS, POINT_TIME, TEMPERATURE, AXIS = "corrects itself", "point time", "temperature", "axis"
"""Kinds of remarks that hold what is known: whether the analyzer's levels are re a thru ("yes", "no"); seconds it
spends on a point ("settling factor", of settling + factor / bandwidth); degrees that were entered ("14 C"); why its
frequencies or traces are in doubt ("confirmed": they are not)."""
CONFIRMED = "confirmed"
LAST_END = "select started_s + duration_s from sweep where run_id = ? order by sequence desc limit 1"
BY_HAND = "confirmed by the technician"
UNCONFIRMED = "what nobody confirmed"
"""What limits a figure while the axis or the traces are in doubt."""
UNCORRECTED = "analyzer uncorrected: calibrate it"


@dataclass(frozen=True, slots=True)
class LeakSource:
    """Where the limit of a leak comes from, in a few words; `found`: a leak stood out of the noise, `sweeps` that told
    it (0: not counted); `doubt` what speaks against it (empty: nothing)."""

    says: str
    found: bool = False
    sweeps: int = 0
    doubt: str = ""


@dataclass(frozen=True, slots=True)
class Known:
    """`leakage` amplitude re thru that the leak at no channel exceeds (None: not told), `bottoms` what earlier
    fits say of the notch at single channels, `leaks` what surveys say of single channels (Hz, amplitude);
    `uncorrected` says why levels are not re a thru (empty: they are), `doubts` what speaks against the correction,
    `residuals` what it leaves (None: not known, so those of common practice); `trusted`: the hook-up is as declared,
    whatever it looks like;
    `axis_doubt` why frequencies or the order of the traces are not believed (empty: they are)."""

    leakage: float | None = None
    bottoms: tuple[tuple[float, Bottom], ...] = ()
    leaks: tuple[tuple[float, float], ...] = ()
    uncorrected: str = ""
    doubts: tuple[str, ...] = ()
    residuals: Residuals | None = None
    trusted: bool = False
    dwell_s: float = 0.0
    """Time that the analyzer spends on a point by its profile; 0: not known."""
    bandwidth_hz: float | None = None
    """That the run was swept at; None: not known."""
    axis_doubt: str = ""
    leak_sources: tuple[tuple[float, LeakSource], ...] = ()
    """Where the best limit of `leaks` comes from, at single channels."""
    path_doubt: str = ""
    """Why levels re the thru are not believed by what an earlier wide run of this hook-up showed of its path."""
    worst_leak: float = amplitude(WORST_LEAK_DB)
    """Amplitude re thru that may leak where nothing bounds it."""
    third_seen: bool = False
    """A run of this visit, driven from the antenna, showed the load on the port that this hook-up can't see."""
    third_loads: tuple[tuple[float, float], ...] = ()
    """Return loss that a load measured in this visit keeps at single channels (Hz, dB)."""
    returned_db: float | None = None
    """S11 in dB at the third port's pass channel, as a wide run from the antenna to that port showed it."""
    velocity: Velocity = UNKNOWN_CABLE
    """Of the feeder's cable, by what was typed of it."""

    def bottom_at(self, channel_hz: float) -> Bottom:
        """What is known of the notch's bottom at a channel."""
        return next((bottom for hz, bottom in self.bottoms if abs(hz - channel_hz) < 0.5), Bottom())

    def leak_at(self, channel_hz: float) -> float | None:
        """The best limit of the leak at a channel; None when nothing bounds it."""
        limits = [limit for hz, limit in self.leaks if abs(hz - channel_hz) < 0.5]
        limits += [] if self.leakage is None else [self.leakage]
        return min(limits, default=None)

    def leak_source_at(self, channel_hz: float) -> LeakSource | None:
        """Where the best limit of the leak at a channel comes from; None when nothing bounds it."""
        limits = [limit for hz, limit in self.leaks if abs(hz - channel_hz) < 0.5]
        if self.leakage is not None and self.leakage <= min(limits, default=math.inf):
            return LeakSource("as told")
        return next((source for hz, source in self.leak_sources if abs(hz - channel_hz) < 0.5), None)

    def third_load_at(self, channel_hz: float) -> float | None:
        """Return loss in dB that the measured load keeps at a channel; None: it was not measured there."""
        return next((loss for hz, loss in self.third_loads if abs(hz - channel_hz) < 0.5), None)


class Knowledge:
    """The rows of one visit that tell what is known. `refresh` reads them again."""

    def __init__(self, visit: VisitFile, site: Site) -> None:
        self._visit, self._site = visit, site
        self.calibrations: dict[int, Calibration] = {}
        self._own_checks: tuple[Check, ...] = ()
        self._remarks: list[tuple[float, str, str]] = []
        self._told: list[tuple[float, float]] = []
        self.refresh()

    def refresh(self) -> None:
        """Read the rows. Raises RecordError."""
        self.calibrations = calibrations(self._visit)
        self._own_checks = checks_of(self._visit, None)
        kinds = (CORRECTS, POINT_TIME, TEMPERATURE, AXIS, PORT_BACK, RESTARTED)
        rows = self._visit.rows(
            "select at_s, kind, words from remark where kind in (?, ?, ?, ?, ?, ?) order by id", kinds
        )
        self._remarks = [(float(str(at_s)), str(kind), str(words)) for at_s, kind, words in rows]
        rows = self._visit.rows("select at_s, amplitude from told_leak order by id")
        self._told = [(float(str(at_s)), float(str(amplitude))) for at_s, amplitude in rows]
        self._velocity = Sheet(self._visit).velocity

    def corrects_itself(self, run: RunRow) -> bool:
        """What the profile said of the analyzer that took a run; a visit of an earlier program says nothing and counts
        as corrected, as it was then."""
        return self._newest(CORRECTS, run.started_s, "yes") == "yes"

    def _uncorrected(self, run: RunRow) -> str:
        """Why no calibration corrects a run."""
        before = [one for one in self.calibrations.values() if one.at_s <= run.started_s]
        return (before[-1].problem(run.settings) if before else "") or UNCORRECTED

    def calibration(self, run: RunRow) -> Calibration | None:
        """The calibration that corrects a run; None: none of ours does."""
        return self.calibrations.get(run.calibration_id or 0)

    def corrector(self, run: RunRow) -> Corrector:
        """What turns a run's raw sweeps into S-parameters at the plane."""
        calibration = self.calibration(run)
        return Corrector(calibration.terms if calibration else None, run.hookup.path)

    def restarts(self, after_s: float, until_s: float) -> bool:
        """Whether the analyzer was off, or its port lost, in between."""
        return any(after_s < at_s <= until_s for at_s, kind, _ in self._remarks if kind in (PORT_BACK, RESTARTED))

    def ended_s(self, run: RunRow) -> float:
        """End of a run's last sweep; its beginning before the first."""
        ends = self._visit.rows(LAST_END, (run.id,))
        return float(str(ends[0][0])) if ends else run.started_s

    def told_leaks(self, as_of_s: float) -> list[float]:
        """Amplitudes that the technician told up to a time."""
        return [amplitude for at_s, amplitude in self._told if at_s <= as_of_s]

    def of(self, run: RunRow) -> Known:
        """All but leak and width."""
        calibration = self.calibration(run)
        known = Known(
            uncorrected="" if calibration is not None or self.corrects_itself(run) else self._uncorrected(run),
            doubts=self.doubts(run),
            trusted=True,  # the gate judged it before it was stored, or somebody went and saw
            dwell_s=self._dwell_s(run),
            bandwidth_hz=run.settings.bandwidth_hz,
            axis_doubt=self._axis_doubt(),
            velocity=self._velocity if run.hookup.feeder else UNKNOWN_CABLE,
            worst_leak=worst_leak(
                None if calibration is None else float(np.abs(calibration.terms.transmission_tracking).min()),
                self.corrector(run).through,
            ),
        )
        if calibration is not None:
            known = replace(known, residuals=calibration.residuals(run.hookup.path))
        elif run.hookup.path.pad1_db or run.hookup.path.pad2_db:
            plain, path = Residuals(), run.hookup.path
            padded_db = min(plain.port2_return_loss_db + 2.0 * path.pad2_db, LEAST_RETURN_LOSS_DB)
            # What comes back passes the pad at port 1 twice; the directivity does not.
            directivity_db = max(plain.directivity_db - 2.0 * path.pad1_db, 0.0)
            residuals = replace(
                plain, port2_return_loss_db=padded_db, port2_left_db=padded_db, directivity_db=directivity_db
            )
            known = replace(known, residuals=residuals)
        return known

    def doubts(self, run: RunRow) -> tuple[str, ...]:
        """What speaks against the correction of a run, as it stood when the run ended and by what was found since."""
        calibration = self.calibration(run)
        checks = self._own_checks if calibration is None else calibration.checks
        proved = [check.at_s for check in checks if check.verified.good and check.at_s <= run.started_s]
        found: tuple[str, ...] = ()
        if calibration is not None:
            proved.append(calibration.at_s)
            found = calibration.doubts(run.settings, self.ended_s(run), self._temperature_c(run))
            since = calibration.doubtful_from_s()
            if since is not None and run.started_s < since:
                found = tuple(doubt for doubt in found if "last check failed" not in doubt)
        elif self.corrects_itself(run):
            found = failed_check_doubt(self._own_checks, run.started_s)
        proved_by_row = max(self._proved_before(run), -math.inf if calibration is None else calibration.at_s)
        found = (*found, *clock_doubt(run.started_s, proved_by_row))
        restarts = [at_s for at_s, kind, _ in self._remarks if kind in (PORT_BACK, RESTARTED)]
        off = max((at_s for at_s in restarts if at_s <= self.ended_s(run)), default=-math.inf)
        return (*found, *restart_doubt(off, max(proved, default=-math.inf)))

    def _proved_before(self, run: RunRow) -> float:
        """Unix time of the newest good check whose row came before a run, whatever the clock showed."""
        ((at_s,),) = self._visit.rows(
            "select max(at_s) from known_part where calibration_id is ? and good = 1 and run_id < ?",
            (run.calibration_id, run.id),
        )
        return -math.inf if at_s is None else float(str(at_s))

    def _newest(self, kind: str, as_of_s: float, otherwise: str) -> str:
        """The newest words of a kind up to a time; those of the first row where all came later (a clock set back)."""
        words = [(at_s, said) for at_s, found, said in self._remarks if found == kind]
        earlier = [said for at_s, said in words if at_s <= as_of_s]
        return earlier[-1] if earlier else words[0][1] if words else otherwise

    def _temperature_c(self, run: RunRow) -> float | None:
        """Degrees that were told last before the end of a run; the site's before that."""
        told = [words for at_s, kind, words in self._remarks if kind == TEMPERATURE and at_s <= self.ended_s(run)]
        return next(_numbers(reversed(told)), self._site.temperature_c)

    def _dwell_s(self, run: RunRow) -> float:
        settling, _, factor = self._newest(POINT_TIME, run.started_s, "").partition(" ")
        numbers = list(_numbers((settling, factor)))
        return numbers[0] + numbers[1] / run.settings.bandwidth_hz if len(numbers) == 2 else 0.0

    def _axis_doubt(self) -> str:
        words = self._newest(AXIS, math.inf, CONFIRMED)
        return "" if words == CONFIRMED or words.startswith(BY_HAND) else words


def by_hand(identity: str) -> str:
    """The remark with which a technician answers for the axis and the traces of one analyzer."""
    return f"{BY_HAND}, for {identity[:200]}"


def _numbers(words: Iterable[str]) -> Iterator[float]:
    """The number that each begins with; what is none (a file may be untrusted) is passed over."""
    for word in words:
        try:
            number = float(word.split()[0])
        except (ValueError, IndexError):
            continue
        if -1e6 < number < 1e6:
            yield number
