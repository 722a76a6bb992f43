"""From sweeps to figures: what one hook-up shows, each figure with its word, and whether the goals are met.

Owns: which number is asked at which channel, and gathering them into one `Assessment`. The same function serves the
live screen, the headless command, replay and report. Refuses: to touch a port, a file or a screen; the mathematics is
in `rf/`.
"""

from __future__ import annotations

import enum
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rf.average import Average, RunningAverage
from rf.bound import rejection_figure
from rf.clipped import ClippedBand, find_clipped
from rf.decibel import amplitude, level_db
from rf.figure import Figure, cant_say, shifted
from rf.floor import Floor, floor_from_one_sweep, floor_from_scatter
from rf.notch import NotchPlace, find_notch
from rf.passband import Residuals, loss_at, return_loss_at
from rf.pool import pool_at, pool_half_width_hz
from rf.settling import largest_step_hz
from rf.verdict import Verdict, judge_at_least, judge_at_most
from visit.hookup import HookUp, Side
from visit.record import StoredSweep
from visit.site import Site

BUSY = "site too busy: over a quarter of the sweeps was hit by bursts; wait, or move the sweep off the carriers"
LEAST_DEPARTURE = 0.6
"""Scale of the usual departures from an ideal circuit that measured data always have: a receiver bent by 0.04 dB at
full level alone moves the place that a wide sweep gives by its own standard deviation."""

SMALLEST_ERROR = 1e-4
"""Relative error assumed for the fit even when the sweeps agree better than this: 0.001 dB."""


class Role(enum.Enum):
    """What the side under test must do at a channel."""

    PASS = "pass"
    REJECT = "reject"


@dataclass(frozen=True, slots=True)
class Channel:
    """One channel frequency as this hook-up sees it. `transmission` is loss or rejection in positive dB."""

    frequency_hz: float
    role: Role
    transmission: Figure
    return_loss: Figure


@dataclass(frozen=True, slots=True)
class GoalResult:
    """One goal: its name, what was asked, what was found, and the verdict."""

    name: str
    goal_db: float
    figure: Figure
    verdict: Verdict

    @property
    def met(self) -> bool | None:
        """True when shown to be met, False when shown to be missed, None in between."""
        return {Verdict.PASS: True, Verdict.FAIL: False}.get(self.verdict)


@dataclass(frozen=True, slots=True)
class Assessment:
    """Everything that follows from the sweeps of one run. Arrays have shape (K,).

    `level_db` is the averaged |S21| (NaN where nothing finite was measured); `floor_now` and `floor_averaged` are
    levels re thru in dB; `threshold_db` is the level above which a point holds more than noise; `pooled_points` how
    many samples carry the rejection figure.
    """

    site: Site
    hookup: HookUp
    frequency_hz: NDArray[np.float64]
    level_db: NDArray[np.float64]
    sweeps: int
    thrown_sweeps: int
    too_busy: bool
    floor_now: Figure
    floor_averaged: Figure
    threshold_db: float
    channels: tuple[Channel, ...]
    clipped: ClippedBand | None
    notch: NotchPlace | None
    notch_offset: Figure
    pooled_points: int
    goals: tuple[GoalResult, ...]
    cautions: tuple[str, ...]

    def channel(self, role: Role) -> Channel | None:
        """The first channel with this role, or None."""
        return next((channel for channel in self.channels if channel.role is role), None)


class Assessor:
    """Takes the sweeps of one run one by one and says at any time what they show."""

    def __init__(self, site: Site, hookup: HookUp, run_id: int = 0) -> None:
        self.run_id, self.last_id = run_id, 0
        self._site, self._hookup = site, hookup
        self._s11, self._s21 = RunningAverage(), RunningAverage()
        self._frequency_hz: NDArray[np.float64] | None = None

    def add(self, sweep: StoredSweep) -> None:
        """Take in one sweep. Raises ValueError when its points differ from the earlier ones'."""
        if self._frequency_hz is None:
            self._frequency_hz = sweep.frequency_hz
        elif not np.array_equal(self._frequency_hz, sweep.frequency_hz):
            raise ValueError("sweeps of one run must share their frequency points")
        self._s11.add(sweep.s11)
        self._s21.add(sweep.s21)
        self.last_id = sweep.id

    def assess(self) -> Assessment | None:
        """What the sweeps so far show; None before the first."""
        if self._frequency_hz is None:
            return None
        return assess(self._site, self._hookup, self._frequency_hz, self._s21.average(), self._s11.average())


def assess(
    site: Site,
    hookup: HookUp,
    frequency_hz: NDArray[np.float64],
    s21: Average,
    s11: Average,
    residuals: Residuals | None = None,
) -> Assessment:
    """Make every figure of one hook-up from its averaged sweeps (K,). Pure."""
    if s21.too_busy:
        return _too_busy(site, hookup, frequency_hz, s21)
    floor = floor_of(s21)
    floor_s11 = floor_of(s11)
    roles = channel_roles(site, hookup)
    reject_hz = next((hz for hz, role in roles if role is Role.REJECT), None)
    clipped = find_clipped(frequency_hz, s21.mean, floor.averaged_power, reject_hz)
    notch = _notch(site, hookup, frequency_hz, s21, floor, reject_hz, residuals)
    channels, pooled, cautions = [], 0, list[str]()
    for hz, role in roles:
        returned = return_loss_at(frequency_hz, s11.mean, floor_s11.averaged_power, hz, residuals)
        if role is Role.PASS:
            match_db = returned.value if returned.known else 10.0
            through = loss_at(frequency_hz, s21.mean, floor.averaged_power, hz, match_db, residuals)
        else:
            through, used, caution = _rejection(frequency_hz, s21, floor, hz, notch)
            pooled = max(pooled, used)
            cautions += [caution] if caution else []
        channels.append(Channel(hz, role, through, returned))
    return Assessment(
        site=site,
        hookup=hookup,
        frequency_hz=frequency_hz,
        level_db=level_db(s21.mean),
        sweeps=s21.sweeps,
        thrown_sweeps=s21.thrown_sweeps,
        too_busy=False,
        floor_now=floor.one_sweep,
        floor_averaged=floor.averaged,
        threshold_db=floor.detection_db,
        channels=tuple(channels),
        clipped=clipped,
        notch=notch,
        notch_offset=_offset(notch, reject_hz),
        pooled_points=pooled,
        goals=_goals(site, channels),
        cautions=tuple(cautions),
    )


def channel_roles(site: Site, hookup: HookUp) -> tuple[tuple[float, Role], ...]:
    """Both channels with what this hook-up must do there; side to side both must be held back."""
    side = hookup.side
    if side is None:
        return (site.low_hz, Role.REJECT), (site.high_hz, Role.REJECT)
    roles = ((site.pass_hz(side), Role.PASS), (site.reject_hz(side), Role.REJECT))
    return roles if side is Side.LOW else roles[::-1]


def floor_of(average: Average) -> Floor:
    """The floor from the scatter between sweeps, or from the roughness of a single one."""
    return floor_from_scatter(average) if average.sweeps > 1 else floor_from_one_sweep(average.mean)


def _notch(
    site: Site,
    hookup: HookUp,
    frequency_hz: NDArray[np.float64],
    s21: Average,
    floor: Floor,
    reject_hz: float | None,
    residuals: Residuals | None,
) -> NotchPlace | None:
    side = hookup.side
    if side is None or reject_hz is None or site.kind == "band-pass":
        return None
    return find_notch(
        frequency_hz,
        s21.mean,
        floor.additive_power / np.maximum(s21.kept, 1),
        relative_error=max(floor.relative_error / math.sqrt(max(s21.sweeps, 1)), SMALLEST_ERROR),
        cavities=site.cavities,
        reject_hz=reject_hz,
        pass_hz=site.pass_hz(side),
        port_reflection=amplitude(-(residuals or Residuals()).port2_return_loss_db),
        least_departure=LEAST_DEPARTURE,
        ask_hz=(reject_hz,),
    )


def _rejection(
    frequency_hz: NDArray[np.float64], s21: Average, floor: Floor, channel_hz: float, notch: NotchPlace | None
) -> tuple[Figure, int, str]:
    """Rejection at a channel from the samples that carry its value, how many those are, and a caution or ''."""
    if not frequency_hz[0] <= channel_hz <= frequency_hz[-1]:
        return cant_say("dB", f"the sweep does not cover {channel_hz / 1e6:.4f} MHz"), 0, ""
    step = float(frequency_hz[1] - frequency_hz[0])
    width = notch.bottom_width_hz if notch is not None and notch.trusted else math.nan
    nearest = int(np.argmin(np.abs(frequency_hz - channel_hz)))
    off = abs(float(frequency_hz[nearest]) - channel_hz)
    if math.isfinite(width) and off > pool_half_width_hz(width):
        why = f"nearest sample {off / 1e3:.0f} kHz off, bottom {width / 1e3:.0f} kHz wide: zoom in"
        return cant_say("dB", why, limited_by="step"), 0, why
    if s21.too_busy_points[nearest]:
        return cant_say("dB", "a carrier sits on the channel", limited_by="ingress"), 0, ""
    caution = ""
    if math.isfinite(width) and step > largest_step_hz(width):
        caution = f"step {step / 1e3:.3g} kHz is wide for a bottom of {width / 1e3:.0f} kHz: zoom in (z)"
    # Without a trusted width only the sample at the channel itself is known to carry the channel's value.
    half = pool_half_width_hz(width) if math.isfinite(width) else max(off, 0.01 * step)
    pooled = pool_at(frequency_hz, s21.mean, floor.averaged_power, channel_hz, half, floor.dof)
    if pooled is None:
        return rejection_figure(complex(s21.mean[nearest]), float(floor.averaged_power[nearest]), floor.dof), 1, caution
    figure = rejection_figure(pooled.value, pooled.power, pooled.dof, systematic_db=abs(pooled.bias_db))
    return figure, pooled.points, caution


def _offset(notch: NotchPlace | None, reject_hz: float | None) -> Figure:
    """Where the notch lies against the channel, in hertz."""
    if notch is None or reject_hz is None:
        return cant_say("Hz", "this hook-up shows no notch of its own")
    return shifted(notch.centre, -reject_hz) if notch.centre.known else cant_say("Hz", notch.centre.why or notch.why)


def _goals(site: Site, channels: list[Channel]) -> tuple[GoalResult, ...]:
    results = []
    for channel in channels:
        if channel.role is Role.REJECT:
            goal, figure = site.goals.rejection_db, channel.transmission
            results.append(GoalResult("rejection", goal, figure, judge_at_least(figure, goal)))
        else:
            loss, match = channel.transmission, channel.return_loss
            results.append(GoalResult("loss", site.goals.loss_db, loss, judge_at_most(loss, site.goals.loss_db)))
            goal = site.goals.return_loss_db
            results.append(GoalResult("return loss", goal, match, judge_at_least(match, goal)))
    return tuple(results)


def _too_busy(site: Site, hookup: HookUp, frequency_hz: NDArray[np.float64], s21: Average) -> Assessment:
    nothing = cant_say("dB", BUSY, limited_by="bursts")
    channels = [Channel(hz, role, nothing, nothing) for hz, role in channel_roles(site, hookup)]
    return Assessment(
        site=site,
        hookup=hookup,
        frequency_hz=frequency_hz,
        level_db=np.full(frequency_hz.shape, np.nan),
        sweeps=s21.sweeps,
        thrown_sweeps=s21.thrown_sweeps,
        too_busy=True,
        floor_now=nothing,
        floor_averaged=nothing,
        threshold_db=math.nan,
        channels=tuple(channels),
        clipped=None,
        notch=None,
        notch_offset=cant_say("Hz", BUSY, limited_by="bursts"),
        pooled_points=0,
        goals=_goals(site, channels),
        cautions=(BUSY,),
    )


def overall(assessment: Assessment) -> bool | None:
    """True when every goal is met, False when one is shown to be missed, None when something can't be said."""
    met = [result.met for result in assessment.goals]
    if any(state is False for state in met):
        return False
    return None if not met or None in met else True
