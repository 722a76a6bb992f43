"""From sweeps to figures: what one hook-up shows, each figure with its word, and whether the goals are met.

Owns: the order (hook-up, notch, channels, proof, goals), the cautions, and gathering all into one `Assessment`. The
same function serves the live screen, the headless command, replay and report. Refuses: to touch a port, a file or a
screen; a channel's figures are in `visit.figures.channel_figures`, the mathematics is in `rf/`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from rf.floor.average import Average
from rf.floor.clipped import find_clipped
from rf.floor.floor import Floor
from rf.floor.lowest import Lowest, lowest_point
from rf.floor.proof import Limits
from rf.floor.settling import settling_caution
from rf.notch.notch import NotchPlace, find_notch, no_notch
from rf.repeater.hookup_check import HookUpCheck, State, check_hookup
from rf.repeater.passband import Residuals
from rf.values.decibel import amplitude, amplitude_db, level_db
from rf.values.figure import CONFIDENCE, Figure, cant_say, shifted
from visit.figures.assessment import (
    SURVEY_FIRST,
    Assessment,
    GoalResult,
    Proof,
    Role,
    channel_roles,
    goals_of,
    reject_leak,
    too_busy,
    withheld,
)
from visit.figures.averaging import Averaged, floor_of
from visit.figures.channel_figures import Basis, channel_at
from visit.figures.known import UNCONFIRMED, Known
from visit.figures.leak_advice import survey_advice
from visit.figures.marker import S11, S21, Traces, trace_of
from visit.figures.unsurveyed import NOT_SURVEYED, may_be_leak
from visit.figures.walking import step_words, walking
from visit.site.hookup import HookUp
from visit.site.presets import is_far
from visit.site.site import Site

LEAST_DEPARTURE = 0.6
"""Scale of the usual departures from an ideal circuit that measured data always have: a receiver bent by 0.04 dB at
full level alone moves the place that a wide sweep gives by its own standard deviation."""

Once = Callable[[Callable[[], NotchPlace | None]], NotchPlace | None]

PHASE_COST_SAID_DB = 0.05
"""Drifting phase that would cost less than this is not worth a line."""

SMALLEST_ERROR = 1e-4
"""Relative error assumed for the fit even when the sweeps agree better than this: 0.001 dB."""


def assess(
    site: Site,
    hookup: HookUp,
    averaged: Averaged,
    known: Known | None = None,
    confidence: float = CONFIDENCE,
    proof: Callable[[float], Proof] = lambda _: Proof(),
    begin: NDArray[np.float64] | None = None,
    seen: HookUpCheck | None = None,
    once: Once = lambda fit: fit(),
) -> Assessment:
    """Make every figure of one hook-up from its averaged sweeps (K,). Pure.

    `proof` is told the proof bound at one-sided `confidence` and answers with what all looks of the run proved so far.
    `seen`: the hook-up was judged already. `once` may remember the fit of this average, which takes longest.
    """
    known = known or Known()
    frequency_hz, s21, s11 = averaged.frequency_hz, averaged.s21, averaged.s11
    if s21.too_busy:
        return too_busy(site, hookup, frequency_hz, s21)
    floor = floor_of(s21)
    check = _as_declared(seen or _check(site, hookup, frequency_hz, s11, s21, floor, known), hookup, known)
    if check.state is State.WRONG:
        return withheld(site, hookup, frequency_hz, s21, f"{check.short}: {check.cure}", "hook-up", floor, check)
    if known.axis_doubt:
        return replace(
            withheld(site, hookup, frequency_hz, s21, known.axis_doubt, UNCONFIRMED, floor, check), clipped=None
        )
    walk = walking(averaged)
    roles = channel_roles(site, hookup)
    reject_hz = next((hz for hz, role in roles if role is Role.REJECT), None)
    calm = ~walk.s21
    clipped = find_clipped(frequency_hz[calm], s21.mean[calm], floor.averaged_power[calm], reject_hz)
    notch = once(lambda: _notch(site, hookup, frequency_hz, s21, floor, reject_hz, known, begin, calm))
    no_level = _no_level(known, check)
    basis = Basis(
        site, hookup, averaged, known, floor, floor if s11.too_busy else floor_of(s11), walk,
        bottom=notch.bottom() if notch is not None and notch.trusted else None, no_level=no_level,
        confidence=confidence,
    )  # fmt: skip
    found = [channel_at(basis, hz, role) for hz, role in roles]
    channels = tuple(one.channel for one in found)
    proven = proof(min((one.proof_db for one in found if one.proof_db is not None), default=-math.inf))
    goals = goals_of(site, channels, proven, doubts=known.doubts)
    cautions = [
        *known.doubts, *step_words(averaged), *walk.says, *(words for one in found for words in one.cautions),
        *_cautions(basis, notch, reject_hz), *_survey_asked(basis, goals), *([proven.note] if proven.note else []),
    ]  # fmt: skip
    leakage = reject_leak(site, hookup, known)
    lowest = None
    if clipped is None and (no_level is None or known.uncorrected):
        loads = [channel.load.limit_db for channel in channels if channel.load is not None]
        limits = Limits(leakage, basis.residuals.port2_return_loss_db, third_port_db=max(loads, default=0.0))
        lowest = _lowest(frequency_hz, s21, floor, reject_hz, limits, calm)
    if notch is not None and no_level is not None:
        notch = replace(notch, depth=no_level, rejection_at=tuple(no_level for _ in notch.rejection_at))
    return Assessment(
        site=site,
        hookup=hookup,
        bandwidth_hz=known.bandwidth_hz,
        frequency_hz=frequency_hz,
        level_db=level_db(s21.mean),
        sweeps=s21.sweeps,
        thrown_sweeps=s21.thrown_sweeps,
        too_busy=False,
        floor_now=floor.one_sweep if no_level is None or not known.uncorrected else no_level,
        floor_averaged=floor.averaged if no_level is None or not known.uncorrected else no_level,
        threshold_db=floor.detection_db,
        channels=channels,
        clipped=clipped,
        notch=notch,
        notch_offset=_offset(notch, reject_hz),
        pooled_points=max((one.points for one in found), default=0),
        goals=goals,
        cautions=tuple(cautions),
        proof=proven,
        lowest=lowest,
        leakage=leakage,
        phase_cost_db=averaged.phase_cost_db,
        check=check,
        doubts=known.doubts,
        carriers=walk.carriers,
        steps=averaged.steps,
        traces=_traces(basis),
    )


def _as_declared(check: HookUpCheck, hookup: HookUp, known: Known) -> HookUpCheck:
    """What the hook-up looks like; only a note where somebody went and saw that it is as declared, or where nothing
    could be judged before a calibration."""
    if known.trusted and check.state is State.WRONG:
        return HookUpCheck(State.NOTE, f"{hookup.name} declared", f"looks like: {check.short}", check.seen)
    return check


def _no_level(known: Known, check: HookUpCheck) -> Figure | None:
    """Why no level is told, as a figure; None where levels are re a thru."""
    if known.uncorrected:
        return cant_say("dB", known.uncorrected, limited_by="correction")
    path_doubt = check.doubt or known.path_doubt
    return cant_say("dB", path_doubt, limited_by="hook-up") if path_doubt else None


def _cautions(basis: Basis, notch: NotchPlace | None, reject_hz: float | None) -> Iterator[str]:
    """What must be said of the sweeps as a whole."""
    if notch is not None and notch.trusted and notch.unloaded_q.known and reject_hz is not None:
        short = settling_caution(basis.known.dwell_s, notch.unloaded_q.value, reject_hz)
        if short:
            yield short
    cost_db = basis.averaged.phase_cost_db
    if cost_db > PHASE_COST_SAID_DB:
        yield f"phase drifts between sweeps: taken out, it would cost {cost_db:.1f} dB"
    if basis.no_level is not None:
        yield basis.no_level.why


def _survey_asked(basis: Basis, goals: Sequence[GoalResult]) -> Iterator[str]:
    """That a survey must come first, where a goal hangs on it, and how many sweeps it takes."""
    if any(goal.condition == NOT_SURVEYED or may_be_leak(goal.figure) for goal in goals):
        asked = survey_advice(basis.site.goals.rejection_db, basis.floor.additive_power, basis.averaged.frequency_hz)
        least_db = -amplitude_db(basis.known.worst_leak)
        yield (
            f"{SURVEY_FIRST} {least_db:.0f} dB is shown to be met before it; {asked.sweeps} sweeps of these settings"
            " settle it"
        )


def _traces(basis: Basis) -> Traces:
    """What a marker reads from."""
    averaged, walk = basis.averaged, basis.walk
    traces = {
        S21: trace_of(averaged.s21, basis.floor, walk.s21), S11: trace_of(averaged.s11, basis.floor_s11, walk.s11),
    }  # fmt: skip
    unlevelled = "" if basis.no_level is None else basis.no_level.why
    return Traces(averaged.frequency_hz, traces, basis.residuals, unlevelled)


def _notch(
    site: Site,
    hookup: HookUp,
    frequency_hz: NDArray[np.float64],
    s21: Average,
    floor: Floor,
    reject_hz: float | None,
    known: Known,
    begin: NDArray[np.float64] | None,
    calm: NDArray[np.bool_],
) -> NotchPlace | None:
    side, residuals = hookup.side, known.residuals or Residuals()
    if side is None or reject_hz is None or site.kind == "band-pass":
        return None
    if is_far(site, frequency_hz):
        return no_notch("a sweep for cavities that are far off: its dips are told one by one", (reject_hz,))
    return find_notch(
        frequency_hz[calm],
        s21.mean[calm],
        (floor.additive_power / np.maximum(s21.kept, 1))[calm],
        relative_error=max(floor.relative_error / math.sqrt(max(s21.sweeps, 1)), SMALLEST_ERROR),
        cavities=site.cavities,
        reject_hz=reject_hz,
        pass_hz=site.pass_hz(side),
        kind=site.kind,
        port_reflection=amplitude(-residuals.port2_return_loss_db),
        least_departure=LEAST_DEPARTURE,
        ask_hz=(reject_hz,),
        begin=begin,
        leakage=known.leak_at(reject_hz),
        tracking_db=residuals.tracking_db,
    )


def _lowest(
    frequency_hz: NDArray[np.float64],
    s21: Average,
    floor: Floor,
    reject_hz: float | None,
    limits: Limits,
    calm: NDArray[np.bool_],
) -> Lowest | None:
    """Deepest point of a response that stands above the floor everywhere, read within a quarter of the span."""
    if reject_hz is None:
        return None
    reach = float(frequency_hz[-1] - frequency_hz[0]) / 4.0
    return lowest_point(
        frequency_hz[calm],
        s21.mean[calm],
        floor.averaged_power[calm],
        reject_hz - reach,
        reject_hz + reach,
        leakage=limits.leakage,
        systematic_db=limits.systematic_db,
    )


def _offset(notch: NotchPlace | None, reject_hz: float | None) -> Figure:
    """Where the notch lies against the channel, in hertz."""
    if notch is None or reject_hz is None:
        return cant_say("Hz", "this hook-up shows no notch of its own")
    return shifted(notch.centre, -reject_hz) if notch.centre.known else cant_say("Hz", notch.centre.why or notch.why)


def _check(
    site: Site,
    hookup: HookUp,
    frequency_hz: NDArray[np.float64],
    s11: Average,
    s21: Average,
    floor: Floor,
    known: Known,
) -> HookUpCheck:
    """Whether what hangs between the leads is what was declared."""
    power = floor.additive_power / max(s21.sweeps - s21.thrown_sweeps, 1)
    return check_hookup(
        frequency_hz, s11.mean, s21.mean, power, site.low_hz, site.high_hz, hookup.name, hookup.third_port,
        known.returned_db, rows=site.kind == "band-pass",
    )  # fmt: skip
