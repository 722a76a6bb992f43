"""What would settle the leak: a survey and how long it takes, a longer one, or two states of the path.

Owns: the choice of the cheapest one, and its words. Refuses: to sweep; the plan of a proof and the figures of a survey
say it.

A survey with both leads on loads needs nothing but loads, so it comes first. It is taken with the settings of the zoom
it is for: all of a zoom's samples carry one leak, as they carry one value. Where a leak was found that keeps the goal
from being shown, no survey helps: a half-wave jumper turns the signal and not the leak, and parts them; a pad at port 2
only tells which of them it is.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rf.floor.leakage import FloorSplit, leak_limit_at, leak_points, survey_sweeps
from rf.values.figure import Kind
from visit.site.site import Site

SPARED_DB = 2.5
"""What a proof spares for mismatch, load and shape, where no plan says it: nine tenths of a decibel each for port 2 and
a load nobody described, and a little."""

TOO_SHORT = "too short"
_ASKS = re.compile(rf"{TOO_SHORT} for .* dB: survey (\d+) sweeps")

JUMPER = "jumper=half"
APART = f"{JUMPER} parts leak and signal"
PAST_IT = f"jumper test (k, {JUMPER}) or second witness (W)"
"""What looks past a leak where no proof does: signal and leak parted, or another instrument."""


@dataclass(frozen=True, slots=True)
class Advice:
    """`sweeps` of a survey that is asked for (None: none helps), and what to do in one line."""

    sweeps: int | None
    says: str


def survey_advice(
    goal_db: float, one_sweep_power: float, frequency_hz: NDArray[np.float64], spared_db: float = SPARED_DB
) -> Advice:
    """How long a survey over these frequencies must be for a goal; `spared_db` by what the proof stays below."""
    sweeps = survey_sweeps(one_sweep_power, leak_points(frequency_hz), goal_db + spared_db)
    return Advice(sweeps, f"a survey of {sweeps} sweeps (k, leads on loads) settles the leak for {goal_db:g} dB")


def after_survey(site: Site, frequency_hz: NDArray[np.float64], split: FloorSplit | None, sweeps: int) -> str:
    """What a survey still lacks for the site's goal, in one line; empty when it has enough of it."""
    goal_db = site.goals.rejection_db
    room = 10.0 ** (-(goal_db + SPARED_DB) / 20.0)
    if split is None:
        return ""
    limits = [leak_limit_at(frequency_hz, split, hz) for hz in (site.low_hz, site.high_hz)]
    reached = [limit for limit in limits if limit is not None]
    if not reached or max(reached) <= room / 2.0:
        return ""
    if found(split):
        return f"leak keeps {goal_db:g} dB from being shown; {APART}" if max(reached) >= room else ""
    needed = survey_advice(goal_db, split.floor.additive_power, frequency_hz).sweeps
    assert needed is not None
    if needed <= sweeps:
        return ""
    zoomed = ", or fewer zoomed" if frequency_hz[-1] - frequency_hz[0] > 2e6 else ""
    return f"{TOO_SHORT} for {goal_db:g} dB: survey {needed} sweeps{zoomed}; no leak yet"


def planned_enough(caution: str, planned: int | None) -> bool:
    """Whether a caution says that a survey is too short which will be long enough with the sweeps that it is `planned`
    for (None: it is not going on)."""
    asked = _ASKS.match(caution)
    return asked is not None and planned is not None and planned >= int(asked[1])


def found(split: FloorSplit) -> bool:
    """Whether the survey found a leak, and not only noise over it."""
    return split.leakage.kind is Kind.READING
