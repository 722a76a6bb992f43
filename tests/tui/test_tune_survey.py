"""A survey between two turns: each key press says that the hands have done what stood there."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any, cast

from protocol.sweep import SweepSettings
from rf.repeater.hookup_check import HookUpCheck, State
from tui.screens.tune_survey import SurveyBetween
from visit.day.planner import SurveyPlan
from visit.run.conductor import Phase, Progress, RunOrder
from visit.run.live import LiveState
from visit.run.tool import Tool
from visit.site.hookup import HookUp

PLAN = SurveyPlan(SweepSettings(454.5e6, 455.5e6, 401, 1e3), 60, 30.0, "")


class Station:
    def __init__(self) -> None:
        self.ordered: list[RunOrder] = []
        self.stopped = 0

    def order(self, order: RunOrder) -> None:
        self.ordered.append(order)

    def stop_run(self) -> None:
        self.stopped += 1


def between() -> tuple[SurveyBetween, Station]:
    station = Station()
    tool: Any = SimpleNamespace(station=station, bench=None, site=None)
    return SurveyBetween(cast("Tool", tool), HookUp.parse("A>L")), station


def stage(survey: SurveyBetween) -> str:
    return survey.stage.value


def state(order: RunOrder, phase: Phase, done: int = 0, **more: Any) -> LiveState:
    made: Any = SimpleNamespace(progress=replace(Progress(phase=phase, order=order, done=done), **more))
    return cast("LiveState", made)


def test_loads_are_swept_only_when_they_hang_there_and_the_duplexer_only_when_it_is_back() -> None:
    survey, station = between()
    assert not survey.next(PLAN) and stage(survey) == "leads off"
    assert station.stopped == 1 and not station.ordered and "on loads, then s" in survey.words
    assert not survey.next(None) and stage(survey) == "sweeping"
    order = station.ordered[0]
    assert order.hookup.survey and order.planned_sweeps == 60 and order.settings == PLAN.settings
    survey.look(state(order, Phase.SWEEPING, 7))
    assert survey.words == "hands off: survey on loads, 7 of 60 sweeps"
    assert not survey.next(None) and len(station.ordered) == 1  # a key too early does nothing
    survey.look(state(replace(order, planned_sweeps=8), Phase.COMPLETE))
    assert stage(survey) == "sweeping"  # another run's end
    survey.look(state(order, Phase.COMPLETE, 60))
    assert stage(survey) == "leads back" and "leads back on A>L" in survey.words
    assert survey.next(None) and not survey.going


def test_leads_that_do_not_hang_on_loads_are_said_and_it_can_be_given_up() -> None:
    survey, station = between()
    survey.next(PLAN)
    survey.next(PLAN)
    wrong = HookUpCheck(State.WRONG, "looks like a duplexer", "both leads on loads", "duplexer")
    survey.look(state(station.ordered[0], Phase.SWEEPING, 0, refusal=wrong))
    assert survey.words.startswith("both leads on loads: looks like a duplexer")
    survey.look(state(station.ordered[0], Phase.FAULT, 3, message="the port is gone"))
    assert stage(survey) == "leads back" and "the port is gone" in survey.words
    assert survey.give_up() and not survey.going
