"""Forecast of the proof (study, scenarios 21 and 22)."""

from __future__ import annotations

import dataclasses
import re
from pathlib import Path

import pytest

from protocol.errors import RequestError
from rf.values.figure import inferred, reading
from tests.benchtop import IDEAL, make_unit, take
from visit.day.planner import LONGEST, plan_proof, survey_for_turns
from visit.figures.assessment import Assessment
from visit.figures.assessor import Assessor
from visit.figures.known import Known, LeakSource
from visit.site.hookup import HookUp, Side
from visit.site.site import Site, load_site

SITE = load_site(Path(__file__).parents[2] / "fixtures/sites/demo-450.toml")

LOADED = dataclasses.replace(SITE, load_return_loss_db=60.0)
"""A site whose load on the third port is a good one."""


def wide_run(site: Site = SITE, leakage: float | None = None) -> Assessment:
    assessor = Assessor(site, HookUp("A", "L"), planned=20, known=Known(leakage))
    for sweep in take(make_unit("U6"), (442.5e6, 462.5e6), 20, seed=4, **IDEAL):
        assessor.add(sweep)
    made = assessor.assess()
    assert made is not None
    return made


def goal(site: Site, rejection_db: float) -> Site:
    return dataclasses.replace(site, goals=dataclasses.replace(site.goals, rejection_db=rejection_db))


def test_scenario_21_a_dozen_zoom_sweeps() -> None:
    """Floor -70, truth 97.9, goal 90: 12 zoom sweeps, 6 s at half a second each (without mismatch and the bottom's
    shape; here 20 dB at port 2 take 0.9 dB, and 0.4 dB what the curvature of an unequal bottom may hide). A load on the
    third port that nobody described takes as much again, and makes it three times as long."""
    run = wide_run(LOADED)
    assert run.notch is not None
    notch = dataclasses.replace(run.notch, rejection_at=(inferred(97.9, 97.0, 98.8, "dB"),))
    run = dataclasses.replace(run, leakage=1e-9)
    plan = plan_proof(SITE, dataclasses.replace(run, notch=notch), 1000.0, 0.5 / 101)
    untold = plan_proof(SITE, dataclasses.replace(wide_run(), leakage=1e-9, notch=notch), 1000.0, 0.5 / 101)
    assert 1.5 * plan.sweeps <= untold.sweeps
    assert 10 <= plan.sweeps <= 28 and plan.limited_by == "random"
    assert "should show 90 dB" in plan.says and plan.says.startswith("skirts INFERRED 9")
    assert plan.seconds == pytest.approx(plan.sweeps * 0.55, rel=0.05)


def test_scenario_22_a_marginal_truth() -> None:
    """Goal 95 against 97.9: many more; goal 97.5: too close, conditional."""
    site = goal(SITE, 95.0)
    assert plan_proof(site, dataclasses.replace(wide_run(), site=site), 1000.0, 0.005).sweeps > 60
    close = plan_proof(goal(SITE, 97.5), wide_run(), 1000.0, 0.005)
    assert "on condition" in close.says and close.limited_by == "the unit itself"


def test_a_plan_without_a_survey_begins_with_one_and_says_how_long() -> None:
    run = wide_run(LOADED)
    plan = plan_proof(LOADED, run, 1000.0, 0.005)
    assert re.match(r"first a survey of \d+ sweeps like these \(k, leads on loads\), then skirts INFERRED", plan.says)
    assert "survey" not in plan_proof(LOADED, dataclasses.replace(run, leakage=1e-7), 1000.0, 0.005).says


def test_a_survey_that_was_too_short_asks_for_a_longer_one_and_not_for_better_leads() -> None:
    def planned(source: LeakSource) -> str:
        run = wide_run(LOADED)
        channels = tuple(dataclasses.replace(channel, leak_source=source) for channel in run.channels)
        leaky = dataclasses.replace(run, channels=channels, leakage=10 ** (-86 / 20))
        return plan_proof(LOADED, leaky, 1000.0, 0.005).says

    short = planned(LeakSource("survey, run 2", False, 7))
    assert "7 sweeps found no leak" in short and "-86 dB; survey longer, " in short and "better leads" not in short
    assert "better leads" in planned(LeakSource("survey, run 2", True, 7))


def test_a_survey_before_the_fine_turns_lasts_no_longer_than_one_may() -> None:
    run = dataclasses.replace(wide_run(), bandwidth_hz=1000.0)
    usual = survey_for_turns(SITE, Side.LOW, run, 0.5)
    noisy = dataclasses.replace(run, floor_now=reading(-45.0, -45.5, -44.5, "dB"))
    longest = survey_for_turns(SITE, Side.LOW, noisy, 0.5)
    assert usual is not None and longest is not None and usual.sweeps < longest.sweeps == LONGEST
    assert longest.seconds == LONGEST * 0.5


def test_a_leak_is_named_before_anybody_waits() -> None:
    leaky = dataclasses.replace(wide_run(), leakage=10 ** (-88 / 20))
    plan = plan_proof(SITE, leaky, 1000.0, 0.005)
    assert plan.limited_by == "leakage" and "half-wave jumper" in plan.says


def test_without_a_fit_there_is_no_plan() -> None:
    bare = dataclasses.replace(wide_run(), notch=None)
    with pytest.raises(RequestError, match="fitted wide sweep first"):
        plan_proof(SITE, bare, 1000.0, 0.005)
