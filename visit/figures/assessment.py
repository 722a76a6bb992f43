"""What a run shows: the frozen types of an assessment, and the rules that hold between its parts.

Owns: channels and their roles, goals and verdicts, what is withheld when nothing of the device may be believed.
Refuses: to make figures; `visit.figures.assess` does.
"""

from __future__ import annotations

import enum
import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rf.floor.average import Average
from rf.floor.clipped import ClippedBand, find_clipped
from rf.floor.floor import Floor, floor_from_one_sweep, floor_from_scatter
from rf.floor.leakage import FloorSplit
from rf.floor.lowest import Lowest
from rf.floor.proof import judge_rejection
from rf.notch.notch import NotchPlace
from rf.repeater.hookup_check import HookUpCheck, State
from rf.repeater.passband import Residuals
from rf.values.decibel import level_db
from rf.values.figure import Figure, cant_say
from rf.values.uncertainty import Budget
from rf.values.verdict import Verdict, judge_at_least, judge_at_most
from visit.site.hookup import HookUp, Side
from visit.site.site import Site

BUSY = "site too busy: over a quarter of the sweeps was hit by bursts; wait, or move the sweep off the carriers"
NOT_CHECKED = HookUpCheck(State.UNSEEN, "not checked")


class Role(enum.Enum):
    """What the side under test must do at a channel."""

    PASS = "pass"
    REJECT = "reject"


@dataclass(frozen=True, slots=True)
class Channel:
    """One channel frequency as this hook-up sees it. `transmission` is loss or rejection in positive dB; `parts` what
    keeps a proof of the rejection below its plain reading (name, dB); `budgets` what the other figures are made of."""

    frequency_hz: float
    role: Role
    transmission: Figure
    return_loss: Figure
    parts: tuple[tuple[str, float], ...] = ()
    budgets: tuple[tuple[str, Budget], ...] = ()


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
class Known:
    """What earlier runs of the visit told: `leakage` amplitude re thru (None: not surveyed), `bottom_width_hz` of the
    notch on this side (NaN: not known), `looks` at the goal that were already spent;
    `uncorrected` says why levels are not re a thru (empty: they are), `doubts` what speaks against the correction,
    `residuals` what it leaves (None: not known, so those of common practice); `trusted`: the hook-up is as told,
    whatever it looks like."""

    leakage: float | None = None
    bottom_width_hz: float = math.nan
    looks: int = 0
    uncorrected: str = ""
    doubts: tuple[str, ...] = ()
    residuals: Residuals | None = None
    trusted: bool = False
    dwell_s: float = 0.0
    """Time that the analyzer spends on a point by its profile; 0: not known."""


@dataclass(frozen=True, slots=True)
class Proof:
    """What the looks of a run proved: `proven_db` the best bound of all looks, None before the first; `next_look` the
    sweep count of the next one."""

    proven_db: float | None = None
    next_look: int | None = None


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
    proof: Proof = Proof()
    lowest: Lowest | None = None
    leakage: float | None = None
    survey: FloorSplit | None = None
    phase_cost_db: float = 0.0
    check: HookUpCheck = NOT_CHECKED
    doubts: tuple[str, ...] = ()

    def channel(self, role: Role) -> Channel | None:
        """The first channel with this role, or None."""
        return next((channel for channel in self.channels if channel.role is role), None)


def channel_roles(site: Site, hookup: HookUp) -> tuple[tuple[float, Role], ...]:
    """Both channels with what this hook-up must do there; side to side both must be held back."""
    side = hookup.side
    if hookup.survey:
        return ()
    if side is None:
        return (site.low_hz, Role.REJECT), (site.high_hz, Role.REJECT)
    roles = ((site.pass_hz(side), Role.PASS), (site.reject_hz(side), Role.REJECT))
    return roles if side is Side.LOW else roles[::-1]


def floor_of(average: Average) -> Floor:
    """The floor from the scatter between sweeps, or from the roughness of a single one."""
    return floor_from_scatter(average) if average.sweeps > 1 else floor_from_one_sweep(average.mean)


def goals_of(site: Site, channels: list[Channel], proof: Proof, *, doubtful: bool = False) -> tuple[GoalResult, ...]:
    """Each goal against its figure; nothing passes without condition on a calibration in doubt."""
    results = _goals(site, channels, proof)
    if not doubtful:
        return results
    return tuple(
        replace(goal, verdict=Verdict.CONDITIONAL_PASS) if goal.verdict is Verdict.PASS else goal for goal in results
    )


def _goals(site: Site, channels: list[Channel], proof: Proof) -> tuple[GoalResult, ...]:
    results = []
    for channel in channels:
        if channel.role is Role.REJECT:
            goal, figure = site.goals.rejection_db, channel.transmission
            verdict = judge_rejection(figure, proof.proven_db, goal)
            results.append(GoalResult("rejection", goal, figure, verdict))
        else:
            loss, match = channel.transmission, channel.return_loss
            results.append(GoalResult("loss", site.goals.loss_db, loss, judge_at_most(loss, site.goals.loss_db)))
            goal = site.goals.return_loss_db
            results.append(GoalResult("return loss", goal, match, judge_at_least(match, goal)))
    return tuple(results)


def too_busy(site: Site, hookup: HookUp, frequency_hz: NDArray[np.float64], s21: Average) -> Assessment:
    """Bursts hit too much."""
    return withheld(site, hookup, frequency_hz, s21, BUSY, "bursts", None, NOT_CHECKED)


def withheld(
    site: Site,
    hookup: HookUp,
    frequency_hz: NDArray[np.float64],
    s21: Average,
    why: str,
    limit: str,
    floor: Floor | None,
    check: HookUpCheck,
) -> Assessment:
    """No figure of the device is believed, and why; the trace and the floor may still be looked at."""
    nothing = cant_say("dB", why, limited_by=limit)
    channels = [Channel(hz, role, nothing, nothing) for hz, role in channel_roles(site, hookup)]
    return Assessment(
        site=site,
        hookup=hookup,
        frequency_hz=frequency_hz,
        level_db=np.full(frequency_hz.shape, np.nan) if floor is None else level_db(s21.mean),
        sweeps=s21.sweeps,
        thrown_sweeps=s21.thrown_sweeps,
        too_busy=floor is None,
        floor_now=nothing if floor is None else floor.one_sweep,
        floor_averaged=nothing if floor is None else floor.averaged,
        threshold_db=math.nan if floor is None else floor.detection_db,
        channels=tuple(channels),
        clipped=None if floor is None else find_clipped(frequency_hz, s21.mean, floor.averaged_power),
        notch=None,
        notch_offset=cant_say("Hz", why, limited_by=limit),
        pooled_points=0,
        goals=goals_of(site, channels, Proof()),
        cautions=(why,),
        check=check,
    )


def overall(assessment: Assessment) -> bool | None:
    """True when every goal is met, False when one is shown to be missed, None when something can't be said."""
    met = [result.met for result in assessment.goals]
    if any(state is False for state in met):
        return False
    return None if not met or None in met else True


def with_zoom(wide: Assessment, zoomed: Assessment) -> Assessment:
    """The wide run's figures with the rejection from the zoomed run, which carries it lower."""
    better = {channel.frequency_hz: channel for channel in zoomed.channels if channel.role is Role.REJECT}
    channels = tuple(
        replace(
            channel, transmission=better[channel.frequency_hz].transmission, parts=better[channel.frequency_hz].parts
        )
        if channel.frequency_hz in better
        else channel
        for channel in wide.channels
    )
    cautions = tuple(text for text in wide.cautions if "zoom in" not in text) + zoomed.cautions
    return replace(
        wide,
        channels=channels,
        sweeps=zoomed.sweeps,
        thrown_sweeps=wide.thrown_sweeps + zoomed.thrown_sweeps,
        floor_now=zoomed.floor_now,
        floor_averaged=zoomed.floor_averaged,
        pooled_points=zoomed.pooled_points,
        proof=zoomed.proof,
        goals=goals_of(wide.site, list(channels), zoomed.proof, doubtful=bool(wide.doubts or zoomed.doubts)),
        doubts=tuple(dict.fromkeys(wide.doubts + zoomed.doubts)),
        cautions=cautions,
    )
