"""From sweeps to figures: what one hook-up shows, each figure with its word, and whether the goals are met.

Owns: which number is asked at which channel, and gathering them into one `Assessment`. The same function serves the
live screen, the headless command, replay and report. Refuses: to touch a port, a file or a screen; the mathematics is
in `rf/`.
"""

from __future__ import annotations

import enum
import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rf.average import Average
from rf.clipped import ClippedBand, find_clipped
from rf.decibel import amplitude, level_db
from rf.figure import CONFIDENCE, Figure, cant_say, shifted
from rf.floor import Floor, floor_from_one_sweep, floor_from_scatter
from rf.hookup_check import HookUpCheck, State, check_hookup
from rf.leakage import FloorSplit, leak_limit_at
from rf.lowest import Lowest, lowest_point
from rf.notch import NotchPlace, find_notch
from rf.passband import Budgeted, Residuals, loss_at, return_loss_at
from rf.pool import pool_at, pool_half_width_hz
from rf.proof import Limits, judge_rejection, rejection_of
from rf.settling import largest_step_hz
from rf.uncertainty import Budget
from rf.verdict import Verdict, judge_at_least, judge_at_most
from visit.hookup import HookUp, Side
from visit.site import Site

BUSY = "site too busy: over a quarter of the sweeps was hit by bursts; wait, or move the sweep off the carriers"
UNCORRECTED = "analyzer uncorrected: levels are not re a thru; let it correct itself, then say so in its profile"
NO_MATCH = cant_say("dB", UNCORRECTED, limited_by="correction")
NOT_CHECKED = HookUpCheck(State.UNSEEN, "not checked")
LARGEST_LEAK_DB = -50.0
"""More than this between two leads that end in loads is no leak but a device left in: the worst shielding of this
class leaks at -60 dB."""

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
    `corrected`: levels are re a thru."""

    leakage: float | None = None
    bottom_width_hz: float = math.nan
    looks: int = 0
    corrected: bool = True


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

    def channel(self, role: Role) -> Channel | None:
        """The first channel with this role, or None."""
        return next((channel for channel in self.channels if channel.role is role), None)


def assess(
    site: Site,
    hookup: HookUp,
    frequency_hz: NDArray[np.float64],
    s21: Average,
    s11: Average,
    residuals: Residuals | None = None,
    known: Known | None = None,
    confidence: float = CONFIDENCE,
    proof: Callable[[float], Proof] = lambda _: Proof(),
    phase_cost_db: float = 0.0,
) -> Assessment:
    """Make every figure of one hook-up from its averaged sweeps (K,). Pure.

    `proof` is told the proof bound at one-sided `confidence` and answers with what all looks of the run proved so far.
    """
    known = known or Known()
    if s21.too_busy:
        return _too_busy(site, hookup, frequency_hz, s21)
    floor = floor_of(s21)
    check = _check(site, hookup, frequency_hz, s11, s21, floor)
    if check.state is State.WRONG:
        return _withheld(site, hookup, frequency_hz, s21, f"{check.short}: {check.cure}", "hook-up", floor, check)
    floor_s11 = floor_of(s11)
    roles = channel_roles(site, hookup)
    reject_hz = next((hz for hz, role in roles if role is Role.REJECT), None)
    clipped = find_clipped(frequency_hz, s21.mean, floor.averaged_power, reject_hz)
    notch = _notch(site, hookup, frequency_hz, s21, floor, reject_hz, residuals)
    width = notch.bottom_width_hz if notch is not None and notch.trusted else known.bottom_width_hz
    limits = Limits(known.leakage, (residuals or Residuals()).port2_return_loss_db)
    channels, pooled, cautions, proofs = [], 0, list[str](), list[float]()
    for hz, role in roles:
        returned = return_loss_at(frequency_hz, s11.mean, floor_s11.averaged_power, hz, residuals)
        budgets = [("return loss", returned.budget)]
        if role is Role.PASS:
            match_db = returned.figure.value if returned.figure.known else 10.0
            through = loss_at(frequency_hz, s21.mean, floor.averaged_power, hz, match_db, residuals)
            budgets.insert(0, ("loss", through.budget))
            figure, parts = through.figure, tuple[tuple[str, float], ...]()
        else:
            found = _rejection(frequency_hz, s21, floor, hz, width, limits, confidence)
            figure, parts = found.figure, found.parts
            pooled = max(pooled, found.points)
            proofs.append(found.proof_db)
            cautions += [found.caution] if found.caution else []
        if not known.corrected:
            figure, returned = cant_say("dB", UNCORRECTED, limited_by="correction"), Budgeted(NO_MATCH)
            parts, budgets = (), []
        made = tuple((name, budget) for name, budget in budgets if budget is not None)
        channels.append(Channel(hz, role, figure, returned.figure, parts, made))
    if phase_cost_db > 0.05:
        cautions.append(f"phase drifts between sweeps: taken out, it would cost {phase_cost_db:.1f} dB")
    if not known.corrected:
        if notch is not None:
            notch = replace(notch, depth=NO_MATCH, rejection_at=tuple(NO_MATCH for _ in notch.rejection_at))
        proofs = []
        cautions.append(UNCORRECTED)
    proven = proof(min(proofs, default=-math.inf))
    lowest = _lowest(frequency_hz, s21, floor, reject_hz, limits) if clipped is None else None
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
        goals=_goals(site, channels, proven),
        cautions=tuple(cautions),
        proof=proven,
        lowest=lowest,
        leakage=known.leakage,
        phase_cost_db=phase_cost_db,
        check=check,
    )


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
        kind=site.kind,
        port_reflection=amplitude(-(residuals or Residuals()).port2_return_loss_db),
        least_departure=LEAST_DEPARTURE,
        ask_hz=(reject_hz,),
    )


@dataclass(frozen=True, slots=True)
class _Found:
    """A rejection and how it came about."""

    figure: Figure
    proof_db: float = -math.inf
    parts: tuple[tuple[str, float], ...] = ()
    points: int = 0
    caution: str = ""


def _rejection(
    frequency_hz: NDArray[np.float64],
    s21: Average,
    floor: Floor,
    channel_hz: float,
    width_hz: float,
    limits: Limits,
    confidence: float,
) -> _Found:
    """Rejection at a channel from the samples that carry its value."""
    if not frequency_hz[0] <= channel_hz <= frequency_hz[-1]:
        return _Found(cant_say("dB", f"the sweep does not cover {channel_hz / 1e6:.4f} MHz"))
    step = float(frequency_hz[1] - frequency_hz[0])
    nearest = int(np.argmin(np.abs(frequency_hz - channel_hz)))
    off = abs(float(frequency_hz[nearest]) - channel_hz)
    if math.isfinite(width_hz) and off > pool_half_width_hz(width_hz):
        why = f"nearest sample {off / 1e3:.0f} kHz off, bottom {width_hz / 1e3:.0f} kHz wide: zoom in"
        return _Found(cant_say("dB", why, limited_by="step"), caution=why)
    if s21.too_busy_points[nearest]:
        return _Found(cant_say("dB", "a carrier sits on the channel", limited_by="ingress"))
    caution = ""
    if math.isfinite(width_hz) and step > largest_step_hz(width_hz):
        caution = f"step {step / 1e3:.3g} kHz is wide for a bottom of {width_hz / 1e3:.0f} kHz: zoom in"
    # Without a known width only the sample at the channel itself is known to carry the channel's value.
    half = pool_half_width_hz(width_hz) if math.isfinite(width_hz) else max(off, 0.01 * step)
    pooled = pool_at(frequency_hz, s21.mean, floor.averaged_power, channel_hz, half, floor.dof)
    assert pooled is not None  # the nearest sample always lies inside
    found = rejection_of(pooled, limits, confidence)
    return _Found(found.figure, found.proof_db, found.parts, pooled.points, caution)


def _lowest(
    frequency_hz: NDArray[np.float64], s21: Average, floor: Floor, reject_hz: float | None, limits: Limits
) -> Lowest | None:
    """Deepest point of a response that stands above the floor everywhere, read within a quarter of the span."""
    if reject_hz is None:
        return None
    reach = float(frequency_hz[-1] - frequency_hz[0]) / 4.0
    return lowest_point(
        frequency_hz,
        s21.mean,
        floor.averaged_power,
        reject_hz - reach,
        reject_hz + reach,
        leakage=limits.leakage,
        systematic_db=limits.mismatch_db,
    )


def _offset(notch: NotchPlace | None, reject_hz: float | None) -> Figure:
    """Where the notch lies against the channel, in hertz."""
    if notch is None or reject_hz is None:
        return cant_say("Hz", "this hook-up shows no notch of its own")
    return shifted(notch.centre, -reject_hz) if notch.centre.known else cant_say("Hz", notch.centre.why or notch.why)


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


def assess_survey(
    site: Site, hookup: HookUp, frequency_hz: NDArray[np.float64], s21: Average, split: Callable[[], FloorSplit | None]
) -> Assessment:
    """What both leads on loads show: no channels and no goals, only floor and leakage; `split` is asked for when the
    sweeps look like a survey at all."""
    if s21.too_busy:
        return _too_busy(site, hookup, frequency_hz, s21)
    floor = floor_of(s21)
    through_db = float(level_db(s21.mean).max())
    cautions: tuple[str, ...] = ()
    found: FloorSplit | None = None
    if through_db <= LARGEST_LEAK_DB:
        found = split()
    else:
        cautions = (f"no survey: a signal of {through_db:.0f} dB comes through; put both leads on loads, then again",)
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
        channels=(),
        clipped=None,
        notch=None,
        notch_offset=cant_say("Hz", "both leads on loads: no notch here"),
        pooled_points=0,
        goals=(),
        cautions=cautions,
        leakage=_leak_limit(site, frequency_hz, found),
        survey=found,
    )


def _leak_limit(site: Site, frequency_hz: NDArray[np.float64], split: FloorSplit | None) -> float | None:
    """The leak's limit at the worse of both channels; None where the survey does not reach one of them."""
    if split is None:
        return None
    limits = [leak_limit_at(frequency_hz, split, hz) for hz in (site.low_hz, site.high_hz)]
    known = [limit for limit in limits if limit is not None]
    return max(known) if len(known) == len(limits) else None


def _check(
    site: Site, hookup: HookUp, frequency_hz: NDArray[np.float64], s11: Average, s21: Average, floor: Floor
) -> HookUpCheck:
    """Whether what hangs between the leads is what was told."""
    power = floor.additive_power / max(s21.sweeps - s21.thrown_sweeps, 1)
    return check_hookup(
        frequency_hz, s11.mean, s21.mean, power, site.low_hz, site.high_hz, hookup.name, hookup.third_port
    )


def _too_busy(site: Site, hookup: HookUp, frequency_hz: NDArray[np.float64], s21: Average) -> Assessment:
    return _withheld(site, hookup, frequency_hz, s21, BUSY, "bursts", None, NOT_CHECKED)


def _withheld(
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
        goals=_goals(site, channels, Proof()),
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
        goals=_goals(wide.site, list(channels), zoomed.proof),
        cautions=cautions,
    )
