"""From sweeps to figures: what one hook-up shows, each figure with its word, and whether the goals are met.

Owns: which number is asked at which channel, and gathering them into one `Assessment`. The same function serves the
live screen, the headless command, replay and report. Refuses: to touch a port, a file or a screen; the mathematics is
in `rf/`.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rf.floor.average import Average
from rf.floor.clipped import find_clipped
from rf.floor.floor import Floor
from rf.floor.lowest import Lowest, lowest_point
from rf.floor.pool import Bottom, pool_at, pool_half_width_hz
from rf.floor.proof import Limits, rejection_of
from rf.floor.settling import largest_step_hz, settling_caution
from rf.notch.notch import NotchPlace, find_notch, no_notch
from rf.repeater.hookup_check import HookUpCheck, State, check_hookup
from rf.repeater.passband import Budgeted, Residuals, loss_at, return_loss_at
from rf.values.decibel import amplitude, amplitude_db, level_db
from rf.values.figure import CONFIDENCE, Figure, cant_say, shifted
from visit.figures.assessment import (
    SURVEY_FIRST,
    Assessment,
    Channel,
    Proof,
    Role,
    channel_roles,
    goals_of,
    reject_leak,
    too_busy,
    withheld,
)
from visit.figures.averaging import Averaged, floor_of
from visit.figures.known import UNCONFIRMED, Known
from visit.figures.leak_advice import survey_advice
from visit.figures.marker import S11, S21, Traces, trace_of
from visit.figures.match_cure import with_cure
from visit.figures.third_load import third_load
from visit.figures.unsurveyed import NOT_SURVEYED, may_be_leak, unsurveyed
from visit.figures.walking import Walking, hidden, step_words, walking
from visit.site.hookup import HookUp
from visit.site.presets import is_far
from visit.site.site import Site

LEAST_DEPARTURE = 0.6
"""Scale of the usual departures from an ideal circuit that measured data always have: a receiver bent by 0.04 dB at
full level alone moves the place that a wide sweep gives by its own standard deviation."""

Once = Callable[[Callable[[], NotchPlace | None]], NotchPlace | None]

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
    residuals = known.residuals
    if s21.too_busy:
        return too_busy(site, hookup, frequency_hz, s21)
    floor = floor_of(s21)
    check = seen or _check(site, hookup, frequency_hz, s11, s21, floor)
    if known.trusted and check.state is State.WRONG:
        check = HookUpCheck(State.NOTE, f"{hookup.name} as declared", f"looks like: {check.short}", check.seen)
    if check.state is State.WRONG:
        return withheld(site, hookup, frequency_hz, s21, f"{check.short}: {check.cure}", "hook-up", floor, check)
    if known.axis_doubt:
        return replace(
            withheld(site, hookup, frequency_hz, s21, known.axis_doubt, UNCONFIRMED, floor, check), clipped=None
        )
    floor_s11 = floor if s11.too_busy else floor_of(s11)
    walk = walking(averaged)
    roles = channel_roles(site, hookup)
    reject_hz = next((hz for hz, role in roles if role is Role.REJECT), None)
    calm = ~walk.s21
    clipped = find_clipped(frequency_hz[calm], s21.mean[calm], floor.averaged_power[calm], reject_hz)
    notch = once(lambda: _notch(site, hookup, frequency_hz, s21, floor, reject_hz, known, begin, calm))
    own = notch.bottom() if notch is not None and notch.trusted else None
    port2_db = (residuals or Residuals()).port2_return_loss_db
    no_level = cant_say("dB", known.uncorrected, limited_by="correction")
    path_doubt = "" if known.uncorrected else check.doubt or known.path_doubt
    unlevelled = known.uncorrected or path_doubt
    if path_doubt:
        no_level = cant_say("dB", path_doubt, limited_by="hook-up")
    channels, pooled, proofs = [], 0, list[float]()
    cautions = [*known.doubts, *step_words(averaged), *walk.says]
    for hz, role in roles:
        nearest = int(np.argmin(np.abs(frequency_hz - hz)))
        passing = float(np.abs(s21.mean[nearest]))
        quiet = ~walk.s11
        returned = Budgeted(walk.hides("dB", hz))
        if s11.too_busy:
            returned = Budgeted(cant_say("dB", "S11 was not the same from sweep to sweep", limited_by="bursts"))
        elif not hidden(walk.s11, frequency_hz, hz):
            returned = return_loss_at(
                frequency_hz[quiet], s11.mean[quiet], floor_s11.averaged_power[quiet], hz, residuals, passing
            )
        returned = replace(returned, figure=with_cure(returned.figure, residuals))
        budgets, leak, load = [("return loss", returned.budget)], known.leak_at(hz), None
        if role is Role.PASS:
            match_db = returned.figure.value if returned.figure.known else 10.0
            through = Budgeted(walk.hides("dB", hz))
            if not hidden(walk.s21, frequency_hz, hz):
                through = loss_at(
                    frequency_hz[calm], s21.mean[calm], floor.averaged_power[calm], hz, match_db, residuals
                )
            budgets.insert(0, ("loss", through.budget))
            figure, parts = through.figure, tuple[tuple[str, float], ...]()
        else:
            load = third_load(site, hookup, known, hz, returned.figure)
            limits = Limits(leak, port2_db, third_port_db=load.limit_db if load else 0.0)
            found = _rejection(frequency_hz, s21, floor, hz, own or known.bottom_at(hz), limits, confidence, walk)
            figure, parts = found.figure, found.parts
            figure = unsurveyed(figure, known.worst_leak) if leak is None else figure
            pooled = max(pooled, found.points)
            if frequency_hz[0] <= hz <= frequency_hz[-1]:
                proofs.append(found.proof_db)
            cautions += [found.caution] if found.caution else []
        if unlevelled:
            figure, returned = no_level, Budgeted(no_level)
            parts, budgets = (), []
        made = tuple((name, budget) for name, budget in budgets if budget is not None)
        source = known.leak_source_at(hz) if role is Role.REJECT else None
        cautions += [source.doubt] if source is not None and source.doubt else []
        channels.append(Channel(hz, role, figure, returned.figure, parts, made, leak, source, load, known.worst_leak))
    if notch is not None and notch.trusted and notch.unloaded_q.known and reject_hz is not None:
        short = settling_caution(known.dwell_s, notch.unloaded_q.value, reject_hz)
        cautions += [short] if short else []
    if averaged.phase_cost_db > 0.05:
        cautions.append(f"phase drifts between sweeps: taken out, it would cost {averaged.phase_cost_db:.1f} dB")
    if unlevelled:
        if notch is not None:
            notch = replace(notch, depth=no_level, rejection_at=tuple(no_level for _ in notch.rejection_at))
        proofs = []
        cautions.append(unlevelled)
    proven = proof(min(proofs, default=-math.inf))
    leakage = reject_leak(site, hookup, known)
    loads = [channel.load.limit_db for channel in channels if channel.load is not None]
    limits = Limits(leakage, port2_db, third_port_db=max(loads, default=0.0))
    lowest = None
    if clipped is None and not path_doubt:
        lowest = _lowest(frequency_hz, s21, floor, reject_hz, limits, calm)
    goals = goals_of(site, channels, proven, doubts=known.doubts)
    if any(goal.condition == NOT_SURVEYED or may_be_leak(goal.figure) for goal in goals):
        asked = survey_advice(site.goals.rejection_db, floor.additive_power, frequency_hz)
        least_db = -amplitude_db(known.worst_leak)
        cautions.append(
            f"{SURVEY_FIRST} {least_db:.0f} dB is shown to be met before it; {asked.sweeps} sweeps of these settings"
            " settle it"
        )
    cautions += [proven.note] if proven.note else []
    return Assessment(
        site=site,
        hookup=hookup,
        bandwidth_hz=known.bandwidth_hz,
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
        traces=Traces(
            frequency_hz, {S21: trace_of(s21, floor, walk.s21), S11: trace_of(s11, floor_s11, walk.s11)},
            residuals or Residuals(), unlevelled,
        ),
    )  # fmt: skip


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
    bottom: Bottom,
    limits: Limits,
    confidence: float,
    walk: Walking,
) -> _Found:
    """Rejection at a channel from the samples that carry its value."""
    if not frequency_hz[0] <= channel_hz <= frequency_hz[-1]:
        return _Found(cant_say("dB", f"the sweep does not cover {channel_hz / 1e6:.4f} MHz"))
    step, width_hz = float(frequency_hz[1] - frequency_hz[0]), bottom.width_hz
    nearest = int(np.argmin(np.abs(frequency_hz - channel_hz)))
    off = abs(float(frequency_hz[nearest]) - channel_hz)
    if bottom.known and off > pool_half_width_hz(width_hz):
        why = f"nearest sample {off / 1e3:.0f} kHz off, bottom {width_hz / 1e3:.0f} kHz wide: zoom in"
        return _Found(cant_say("dB", why, limited_by="step"), caution=why)
    half = pool_half_width_hz(width_hz) if bottom.known else max(off, 0.01 * step)
    within = np.abs(frequency_hz - channel_hz) <= half
    calm = ~(walk.s21 | s21.too_busy_points)
    if not calm[nearest] and (within & calm).sum() < max(within.sum() / 2.0, 2.0):
        return _Found(walk.hides("dB", channel_hz))
    caution = ""
    if bottom.known and step > largest_step_hz(width_hz):
        caution = f"points {step / 1e3:.3g} kHz apart, wide for a notch bottom of {width_hz / 1e3:.0f} kHz: zoom in"
    # Without a known width only the sample at the channel itself is known to carry the channel's value.
    f, mean, power = frequency_hz[calm], s21.mean[calm], floor.averaged_power[calm]
    pooled = pool_at(f, mean, power, channel_hz, half, floor.dof, bottom.shape)
    assert pooled is not None  # the nearest sample always lies inside
    found = rejection_of(pooled, limits, confidence)
    return _Found(found.figure, found.proof_db, found.parts, pooled.points, caution)


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
    site: Site, hookup: HookUp, frequency_hz: NDArray[np.float64], s11: Average, s21: Average, floor: Floor
) -> HookUpCheck:
    """Whether what hangs between the leads is what was declared."""
    power = floor.additive_power / max(s21.sweeps - s21.thrown_sweeps, 1)
    return check_hookup(
        frequency_hz, s11.mean, s21.mean, power, site.low_hz, site.high_hz, hookup.name, hookup.third_port
    )
