"""A survey between two turns: each key press says that the hands have done what stood there."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

from protocol.sweep import SweepSettings
from rf.repeater.hookup_check import HookUpCheck, State
from tests.tui.picture import first_order
from tests.tui.states import states
from tests.tui.test_nothing_is_cut import a_tool, own_world, shown
from tests.visit.test_tuning import REJECT_HZ, at
from tui.drawing.marks import MarkSet
from tui.screens.tune_screen import TuneScreen
from tui.screens.tune_survey import SurveyBetween
from visit.day.cavities import track
from visit.day.planner import SurveyPlan
from visit.run.conductor import Phase, Progress, RunOrder
from visit.run.live import LiveState
from visit.run.tool import Tool
from visit.site.hookup import HookUp

__all__ = ["own_world"]

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
    assert stage(survey) == "leads back" and "ended early (the port is gone): leads" in survey.words
    assert survey.give_up() and not survey.going


async def test_no_look_begins_while_the_leads_come_off_and_none_is_left_on_loads(tmp_path: Path) -> None:
    state = states()[0]
    with a_tool(tmp_path, state) as tool:
        station: Any = tool.station
        screen = TuneScreen(tool, first_order(state), MarkSet.BRAILLE)
        async with shown(screen, (80, 24)) as (app, pilot):
            tune = station.orders[-1]
            screen._tuning = at(track([], REJECT_HZ, 3), 80.0, survey=PLAN)
            ended = Progress(phase=Phase.COMPLETE, order=tune, done=tune.planned_sweeps or 0, run_id=7)
            station.shown = replace(state, progress=ended)
            ordered = len(station.orders)
            screen.action_survey()
            screen._look()
            await pilot.press("q")
            assert len(station.orders) == ordered and app.screen is screen and screen._between.going
            assert "first the leads back" in screen._last
            await pilot.press("u")
            assert len(station.orders) > ordered and not screen._between.going
