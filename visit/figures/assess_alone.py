"""Figures of hook-ups without the duplexer: both leads on loads, a part of the kit, the feeder.

Owns: what a survey says of the leak, what a known part shows, the antenna's match through its feeder. Refuses:
goals; no duplexer is there.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from rf.floor.average import Average
from rf.floor.leakage import FloorSplit, leak_limit_at
from rf.repeater.antenna import unwound
from rf.repeater.fault_distance import Echo, strongest_echo
from rf.repeater.passband import Residuals, return_loss_at
from rf.values.decibel import amplitude_db, level_db
from rf.values.figure import cant_say
from rf.values.words import text
from visit.figures.assessment import Assessment, Channel, Role, too_busy
from visit.figures.averaging import FEWEST_POINTS, Averaged, floor_of
from visit.figures.known import UNCONFIRMED, Known
from visit.figures.leak_advice import after_survey, survey_advice
from visit.figures.marker import S11, Traces, trace_of
from visit.site.hookup import HookUp
from visit.site.site import Site

LEFT_IN_DB = 10.0
"""So much more than the worst leak between two leads that end in loads is no leak but a device left in."""


def assess_alone(
    site: Site,
    hookup: HookUp,
    averaged: Averaged,
    split: Callable[[], FloorSplit | None],
    known: Known,
) -> Assessment:
    """What a hook-up without the duplexer shows; `split` is asked for a survey that looks like one. Arrays (K,)."""
    frequency_hz, s21, s11 = averaged.frequency_hz, averaged.s21, averaged.s11
    if hookup.survey:
        return _survey(site, hookup, frequency_hz, s21, split, amplitude_db(known.worst_leak) + LEFT_IN_DB)
    if s21.too_busy or s11.too_busy:
        return too_busy(site, hookup, frequency_hz, s21)
    shown = s11 if hookup.one_port else s21
    plain = _bare(site, hookup, frequency_hz, shown, f"{hookup.name}: no duplexer here")
    if not hookup.feeder:
        return plain
    nothing = cant_say("dB", "nothing hangs on port 2 here")
    floor, echo = floor_of(s11), _echo(frequency_hz, s11, known)
    turned = unwound(frequency_hz, s11.mean, echo.delay_s)
    channels = []
    for hz in (site.low_hz, site.high_hz):
        match = return_loss_at(frequency_hz, turned, floor.averaged_power, hz, known.residuals).figure
        if known.uncorrected or known.axis_doubt:
            limit = "correction" if known.uncorrected else UNCONFIRMED
            match = cant_say("dB", known.uncorrected or known.axis_doubt, limited_by=limit)
        channels.append(Channel(hz, Role.PASS, nothing, match))
    cautions = ("measure what comes down the feeder first", echo_line(echo), *known.doubts)
    doubt = known.uncorrected or known.axis_doubt
    traces = Traces(frequency_hz, {S11: trace_of(s11, floor)}, known.residuals or Residuals(), doubt)
    return replace(plain, channels=tuple(channels), cautions=cautions, echo=echo, traces=traces)


def _echo(frequency_hz: NDArray[np.float64], s11: Average, known: Known) -> Echo:
    """The feeder's strongest echo; its level only where levels are re a calibrated port."""
    residuals = known.residuals or Residuals()
    echo = strongest_echo(
        frequency_hz, s11.mean, known.velocity, tracking_db=residuals.tracking_db + residuals.drift_db
    )
    if known.axis_doubt:
        nothing = cant_say("m", known.axis_doubt, limited_by=UNCONFIRMED)
        return replace(echo, place=nothing, level=replace(nothing, unit="dB"))
    if known.uncorrected and echo.level.known:
        echo = replace(echo, level=cant_say("dB", known.uncorrected, limited_by="correction"))
    return echo


def echo_line(echo: Echo) -> str:
    """The strongest echo in one line, each number with its word."""
    if not echo.place.known:
        return f"strongest echo of the feeder: {text(echo.place)} ({echo.place.why})"
    return f"strongest echo of the feeder: {text(echo.place)}, as seen here {text(echo.level)}; {echo.limits}"


def _bare(site: Site, hookup: HookUp, frequency_hz: NDArray[np.float64], shown: Average, why: str) -> Assessment:
    """The trace and its floor, nothing else."""
    floor = floor_of(shown)
    return Assessment(
        site=site,
        hookup=hookup,
        frequency_hz=frequency_hz,
        level_db=level_db(shown.mean),
        sweeps=shown.sweeps,
        thrown_sweeps=shown.thrown_sweeps,
        too_busy=False,
        floor_now=floor.one_sweep,
        floor_averaged=floor.averaged,
        threshold_db=floor.detection_db,
        channels=(),
        clipped=None,
        notch=None,
        notch_offset=cant_say("Hz", why),
        pooled_points=0,
        goals=(),
        cautions=(),
    )


def _survey(
    site: Site,
    hookup: HookUp,
    frequency_hz: NDArray[np.float64],
    s21: Average,
    split: Callable[[], FloorSplit | None],
    most_db: float,
) -> Assessment:
    """What both leads on loads show: no channels and no goals, only floor and leakage; `split` is asked for when the
    sweeps look like a survey at all, with no more than `most_db` anywhere."""
    levels_db = level_db(s21.mean)
    calm = np.isfinite(levels_db)  # a point that a steady carrier hits in most sweeps has no level
    if s21.too_busy or not calm.any():
        return too_busy(site, hookup, frequency_hz, s21)
    through_db = float(levels_db[calm].max())
    cautions: tuple[str, ...] = ()
    found: FloorSplit | None = None
    if through_db <= most_db:
        found = split()
    else:
        cautions = (f"no survey: a signal of {through_db:.0f} dB comes through; put both leads on loads, then again",)
    plain = _bare(site, hookup, frequency_hz, s21, "both leads on loads: no notch here")
    if through_db <= most_db:
        lacks = _how_long(site, frequency_hz, s21, found)
        cautions = (lacks,) if lacks else ()
    return replace(plain, cautions=cautions, leakage=_leak_limit(site, frequency_hz, found), survey=found)


def _how_long(site: Site, frequency_hz: NDArray[np.float64], s21: Average, split: FloorSplit | None) -> str:
    """What the survey needs yet, from its first sweep on."""
    if split is not None:
        return after_survey(site, frequency_hz, split, s21.sweeps)
    if frequency_hz.size < FEWEST_POINTS:
        return ""
    return survey_advice(site.goals.rejection_db, floor_of(s21).additive_power, frequency_hz).says


def leak_limits(site: Site, frequency_hz: NDArray[np.float64], split: FloorSplit) -> tuple[tuple[float, float], ...]:
    """The leak's limit at each channel that a survey reaches (Hz, amplitude re thru)."""
    limits = [(hz, leak_limit_at(frequency_hz, split, hz)) for hz in (site.low_hz, site.high_hz)]
    return tuple((hz, limit) for hz, limit in limits if limit is not None)


def _leak_limit(site: Site, frequency_hz: NDArray[np.float64], split: FloorSplit | None) -> float | None:
    """The leak's limit at the worse of both channels; None where the survey does not reach one of them."""
    limits = () if split is None else leak_limits(site, frequency_hz, split)
    return max(limit for _, limit in limits) if len(limits) == 2 else None
