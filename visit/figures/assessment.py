"""What a run shows: the frozen types of an assessment, and the rules that hold between its parts.

Owns: channels and their roles, goals and verdicts, what is withheld when nothing of the device may be believed.
Refuses: to make figures; `visit.figures.assess` does.
"""

from __future__ import annotations

import enum
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rf.floor.average import Average
from rf.floor.carrier import Carrier
from rf.floor.clipped import ClippedBand, find_clipped
from rf.floor.floor import Floor
from rf.floor.leakage import FloorSplit
from rf.floor.lowest import Lowest
from rf.floor.proof import judge_rejection
from rf.floor.third_port import ThirdLoad
from rf.notch.notch import NotchPlace
from rf.repeater.fault_distance import Echo
from rf.repeater.hookup_check import HookUpCheck, State
from rf.values.decibel import amplitude, amplitude_db, level_db
from rf.values.figure import Figure, cant_say
from rf.values.uncertainty import Budget
from rf.values.verdict import Verdict, judge_at_least, judge_at_most
from visit.figures.known import Known, LeakSource
from visit.figures.marker import Traces
from visit.figures.unsurveyed import NOT_SURVEYED, WORST_LEAK_DB, may_be_leak
from visit.site.hookup import HookUp, Side
from visit.site.site import Site

UNSEEN_LOAD = "the load on the third port can't be seen from this side"
NOT_PROVEN = "no look has proven it"
SURVEY_FIRST = "next: survey (k, leads on loads): no goal over"
BUSY = "site too busy: over a quarter of the sweeps was hit by bursts; wait, or move the sweep off the carriers"
NOT_CHECKED = HookUpCheck(State.UNSEEN, "not checked")


class Role(enum.Enum):
    """What the side under test must do at a channel."""

    PASS = "pass"
    REJECT = "reject"


@dataclass(frozen=True, slots=True)
class Proof:
    """What the looks of a run proved: `proven_db` the best bound of all looks, None before the first; `next_look` the
    sweep count of the next one; `looks` taken so far, by the nth run that was looked at for this `goal` (hook-up, stage
    and kind of run); `note` what must be said of the counting."""

    proven_db: float | None = None
    next_look: int | None = None
    looks: int = 0
    nth_run: int = 1
    note: str = ""
    goal: str = ""


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
    leakage: float | None = None
    """Amplitude re thru that the leak here does not exceed; None: nobody surveyed it."""
    leak_source: LeakSource | None = None
    """Where `leakage` comes from, and what speaks against it."""
    load: ThirdLoad | None = None
    """What ended the third port, where the channel is one to hold back."""
    worst_leak: float = amplitude(WORST_LEAK_DB)
    """Amplitude re thru that may leak here where nobody surveyed it."""
    proof: Proof | None = None
    """The proof of the run that carries this channel, where others carry the other ones."""


@dataclass(frozen=True, slots=True)
class GoalResult:
    """One goal: its name, what was asked, what was found, the verdict, and the condition on which a pass stands (empty:
    on none)."""

    name: str
    goal_db: float
    figure: Figure
    verdict: Verdict
    condition: str = ""

    @property
    def words(self) -> str:
        """The verdict with its condition."""
        return f"{self.verdict.word} ({self.condition})" if self.condition else self.verdict.word

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
    proof: Proof = Proof()
    lowest: Lowest | None = None
    leakage: float | None = None
    survey: FloorSplit | None = None
    phase_cost_db: float = 0.0
    check: HookUpCheck = NOT_CHECKED
    doubts: tuple[str, ...] = ()
    echo: Echo | None = None
    carriers: tuple[Carrier, ...] = ()
    """Steady carriers on or beside the channels, loudest first."""
    steps: tuple[int, ...] = ()
    """Sweeps of the run after which the device was another one."""

    bandwidth_hz: float | None = None
    """At which the floor is what it is; None: not known."""

    traces: Traces | None = None
    """What a marker reads; None where nothing of the device is believed."""

    def channel(self, role: Role) -> Channel | None:
        """The first channel with this role, or None."""
        return next((channel for channel in self.channels if channel.role is role), None)


def leak_words(channel: Channel) -> str:
    """The leak's limit that stands in a bound, and where it comes from; empty where none does."""
    if channel.leakage is None:
        return ""
    source = channel.leak_source
    told = "" if source is None else f" ({source.says}{f', {source.sweeps} sweeps' if source.sweeps else ''})"
    return f"leak {amplitude_db(channel.leakage):.1f} dB at most{told}"


def channel_roles(site: Site, hookup: HookUp) -> tuple[tuple[float, Role], ...]:
    """Both channels with what this hook-up must do there; side to side both must be held back."""
    side = hookup.side
    if hookup.survey:
        return ()
    if side is None:
        return (site.low_hz, Role.REJECT), (site.high_hz, Role.REJECT)
    roles = ((site.pass_hz(side), Role.PASS), (site.reject_hz(side), Role.REJECT))
    return roles if side is Side.LOW else roles[::-1]


def reject_leak(site: Site, hookup: HookUp, known: Known) -> float | None:
    """Amplitude that the leak exceeds at none of the channels to hold back; None where one was not surveyed."""
    limits = [known.leak_at(hz) for hz, role in channel_roles(site, hookup) if role is Role.REJECT]
    found = [limit for limit in limits if limit is not None]
    return max(found) if found and len(found) == len(limits) else None


def goals_of(
    site: Site, channels: Sequence[Channel], proof: Proof, *, doubts: tuple[str, ...] = ()
) -> tuple[GoalResult, ...]:
    """Each goal against its figure; nothing passes without condition on a calibration in doubt, and no rejection deeper
    than an analyzer of this class may leak where nobody surveyed it."""
    results = []
    for channel in channels:
        if channel.role is Role.REJECT:
            results.append(_rejection_goal(site.goals.rejection_db, channel, channel.proof or proof))
        else:
            loss, match = channel.transmission, channel.return_loss
            results.append(GoalResult("loss", site.goals.loss_db, loss, judge_at_most(loss, site.goals.loss_db)))
            goal = site.goals.return_loss_db
            results.append(GoalResult("return loss", goal, match, judge_at_least(match, goal)))
    return tuple(_on_condition(goal, doubts[0]) if doubts else goal for goal in results)


def _rejection_goal(goal_db: float, channel: Channel, proof: Proof) -> GoalResult:
    """Pass by a proof at a look, which a reading that fails takes back: the unit has moved since that look. What is
    read above the floor and may be a leak neither passes below the goal nor fails."""
    figure, proven_db = channel.transmission, proof.proven_db if channel.transmission.known else None
    if judge_at_least(figure, goal_db) is Verdict.FAIL:
        return GoalResult("rejection", goal_db, figure, Verdict.FAIL)
    verdict = judge_rejection(figure, proven_db, goal_db)
    if may_be_leak(figure):
        verdict = Verdict.CONDITIONAL_PASS if figure.low >= goal_db else Verdict.CANT_SAY
    result = GoalResult("rejection", goal_db, figure, verdict)
    if channel.leakage is None and (proven_db is None or _with_leak_db(proven_db, channel.worst_leak) < goal_db):
        result = _on_condition(result, NOT_SURVEYED)
    elif channel.leak_source is not None and channel.leak_source.doubt:
        result = _on_condition(result, channel.leak_source.doubt)
    if channel.load is not None and channel.load.unseen:
        result = _on_condition(result, UNSEEN_LOAD)
    return _on_condition(result, NOT_PROVEN) if result.verdict is Verdict.CONDITIONAL_PASS else result


def _with_leak_db(proven_db: float, leak: float) -> float:
    """What a bound leaves when so much leaks, in the worst phase."""
    return -amplitude_db(amplitude(-proven_db) + leak)


def _on_condition(goal: GoalResult, condition: str) -> GoalResult:
    """A pass becomes one with a condition; one that has a condition keeps it."""
    if goal.verdict not in (Verdict.PASS, Verdict.CONDITIONAL_PASS) or goal.condition:
        return goal
    return replace(goal, verdict=Verdict.CONDITIONAL_PASS, condition=condition)


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
    """The wide run's figures with the rejection from the zoomed run, which carries it lower; where the zoom shows none
    (side to side it covers one channel) the wide run's stays."""
    better = {
        channel.frequency_hz: channel
        for channel in zoomed.channels
        if channel.role is Role.REJECT and channel.transmission.known
    }
    channels = tuple(
        replace(
            channel,
            transmission=better[channel.frequency_hz].transmission,
            parts=better[channel.frequency_hz].parts,
            leakage=better[channel.frequency_hz].leakage,
            leak_source=better[channel.frequency_hz].leak_source,
            load=better[channel.frequency_hz].load,
            proof=zoomed.proof,
        )
        if channel.frequency_hz in better
        else channel
        for channel in wide.channels
    )
    cautions = [text for text in wide.cautions if "zoom in" not in text and not text.startswith(SURVEY_FIRST)]
    cautions = list(dict.fromkeys([*cautions, *zoomed.cautions]))
    doubts = tuple(dict.fromkeys(wide.doubts + zoomed.doubts))
    return replace(
        wide,
        channels=channels,
        sweeps=zoomed.sweeps,
        thrown_sweeps=wide.thrown_sweeps + zoomed.thrown_sweeps,
        floor_now=zoomed.floor_now,
        floor_averaged=zoomed.floor_averaged,
        pooled_points=zoomed.pooled_points,
        proof=_worst_proof([channel.proof for channel in channels if channel.proof is not None]) or zoomed.proof,
        goals=goals_of(wide.site, channels, wide.proof, doubts=doubts),
        doubts=doubts,
        leakage=_worst_leak(channels),
        cautions=tuple(cautions),
    )


def _worst_proof(proofs: Sequence[Proof]) -> Proof | None:
    """Of several zooms, side to side, the one that proves least."""
    return min(proofs, key=lambda proof: -math.inf if proof.proven_db is None else proof.proven_db, default=None)


def _worst_leak(channels: Sequence[Channel]) -> float | None:
    """The leak's limit at the worst of the channels to hold back; None where one was not surveyed."""
    limits = [channel.leakage for channel in channels if channel.role is Role.REJECT]
    known = [limit for limit in limits if limit is not None]
    return max(known) if known and len(known) == len(limits) else None
