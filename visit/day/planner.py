"""The proof run: zoom, points and sweeps from what the wide run told, how long it will take, what will stop it.

Owns: the plan and its forecast in words. Refuses: to promise; it says what has a chance of 90 %.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from protocol.errors import RequestError
from protocol.sweep import SweepSettings
from rf.floor.forecast import sweeps_needed
from rf.floor.pool import planned_bias_db
from rf.floor.proof import Limits
from rf.floor.sequential import ERROR, spent_at
from rf.values.decibel import amplitude, amplitude_db
from rf.values.words import text
from visit.figures.assessment import Assessment
from visit.figures.leak_advice import APART, survey_advice
from visit.figures.looks import WIDE_PART
from visit.site.presets import zoom
from visit.site.site import Site

LONGEST = 2000
"""More sweeps than this are not planned: leads and temperature move meanwhile."""


@dataclass(frozen=True, slots=True)
class ProofPlan:
    """`settings` and `sweeps` of the run; `seconds` it takes; `limited_by` what will stop it; `says` all of it."""

    settings: SweepSettings
    sweeps: int
    seconds: float
    limited_by: str
    says: str


def plan_proof(
    site: Site, wide: Assessment, bandwidth_hz: float, seconds_per_point: float, *, port2_return_loss_db: float = 20.0
) -> ProofPlan:
    """Plan the proof of the rejection goal after a fitted wide run. `seconds_per_point` from the sweeps so far.

    The goal is set higher by what averaging does not lower (mismatch, load, fit) and by the surveyed leak. Raises
    RequestError when the wide run does not tell the width.
    """
    side, notch = wide.hookup.side, wide.notch
    if side is None or notch is None or not notch.trusted or not notch.rejection_at[0].known:
        why = "this hook-up has no notch of its own" if notch is None else notch.why or "the skirts do not tell"
        raise RequestError(f"a proof needs a fitted wide sweep first (w): {why}")
    if not wide.floor_now.known:
        raise RequestError("a proof needs the floor first: take a few sweeps more")
    settings = zoom(site.reject_hz(side), notch.bottom_width_hz, bandwidth_hz)
    goal = site.goals.rejection_db
    load_db = max((channel.load.limit_db for channel in wide.channels if channel.load is not None), default=0.0)
    systematic = Limits(None, port2_return_loss_db, third_port_db=load_db).systematic_db + planned_bias_db(
        notch.bottom()
    )
    room = amplitude(-(goal + systematic)) - (wide.leakage or 0.0)
    per_sweep = seconds_per_point * settings.points + 0.05
    truth = notch.rejection_at[0]
    expected = f"skirts {text(truth)}"
    if room <= 0.0:
        return ProofPlan(settings, 25, 25 * per_sweep, "leakage", _leak_in_the_way(wide, settings, goal, systematic))
    aimed = -amplitude_db(room)
    pooled = wide.floor_now.value - 10.0 * math.log10(settings.points)
    count = sweeps_needed(truth.value, aimed, pooled)
    if count is None or count > LONGEST:
        spare = truth.value - goal
        said = f"{expected}, {spare:+.1f} dB against {goal:g}"
        says = f"{said}: too close to prove in {LONGEST} sweeps; expect a conditional verdict"
        if truth.high < goal:
            says = f"{said}: the goal is missed, and no average shows it; turn screws first (x)"
        return ProofPlan(settings, 400, 400 * per_sweep, "the unit itself" if spare <= systematic else "random", says)
    count = max(math.ceil(count * _dearer(count)), 10)
    limited = "leakage" if (wide.leakage or 0.0) > amplitude(-(goal + systematic)) / 2.0 else "random"
    says = (
        f"{expected}: {count} zoom sweeps = {_clock(count * per_sweep)} at {per_sweep:.2f} s each should"
        f" show {goal:g} dB (90 % chance); limited by {limited}"
    )
    if wide.leakage is None:
        power = 10.0 ** (wide.floor_now.value / 10.0)
        asked = survey_advice(goal, power, settings.frequency_hz(), systematic).sweeps
        says = f"first a survey of {asked} sweeps like these (k, leads on loads), then {says}"
    return ProofPlan(settings, count, count * per_sweep, limited, says)


def _leak_in_the_way(wide: Assessment, settings: SweepSettings, goal_db: float, systematic_db: float) -> str:
    """What to do about a limit of the leak that leaves no room: a longer survey where noise alone made the limit."""
    level = f"{amplitude_db(wide.leakage or 1.0):.0f} dB"
    source = next((each.leak_source for each in wide.channels if each.leak_source is not None), None)
    if source is None or source.found or not source.sweeps:
        cure = f"a half-wave jumper ({APART}), or better leads"
        return f"the leak's limit ({level}) alone keeps {goal_db:g} dB from being shown: {cure}"
    power = 10.0 ** (wide.floor_now.value / 10.0)
    asked = survey_advice(goal_db, power, settings.frequency_hz(), systematic_db).sweeps
    return (
        f"the survey was too short: {source.sweeps} sweeps found no leak, and leave room for one of {level}; survey"
        f" longer, {asked} sweeps with these settings (k, leads on loads), before {goal_db:g} dB can be shown"
    )


def _dearer(count: int) -> float:
    """How many times the sweeps of a plain 95 % bound the last look of a first zoom needs: the noise that may be left
    falls with the logarithm of the chance that it may spend."""
    last = spent_at(1, count, count, part=1.0 - WIDE_PART)
    return math.log(last) / math.log(ERROR)


def _clock(seconds: float) -> str:
    return f"{seconds:.0f} s" if seconds < 90 else f"{seconds / 60:.1f} min"
