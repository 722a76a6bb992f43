"""What is known of a run, from the rows of the file: leak limits that only add, a test of two states, an axis in doubt.

Sources: two states of the path (study, F8); a leak adds to a bound as an amplitude (EURAMET cg-12, worst case).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from protocol.sweep import SweepSettings
from rf.values.figure import Kind
from rf.values.verdict import Verdict
from tests.visit.simulated_visits import A_TO_L, FLOOR, POINTS, ZOOM, SimulatedVisit, fitted_once
from visit.figures.assessment import Role
from visit.figures.known import AXIS, CONFIRMED, Known
from visit.figures.replay import Replay
from visit.figures.run_figures import RunFigures
from visit.figures.unsurveyed import NOT_SURVEYED
from visit.record.visit_file import PORT_BACK
from visit.site.hookup import HookUp

LOADS = HookUp.parse("loads")
BOTH = SweepSettings(442.5e6, 462.5e6, 201, 1000.0)
LOW_ONLY = SweepSettings(448e6, 452e6, 201, 1000.0)


@pytest.fixture
def visit(tmp_path: Path) -> Iterator[SimulatedVisit]:
    with fitted_once():
        made = SimulatedVisit(tmp_path / "a.visit", 3, truth_db=97.0, leak_db=None)
        yield made
        made.file.close()


def survey(visit: SimulatedVisit, settings: SweepSettings, sweeps: int) -> None:
    noise = visit.rng.normal(size=(4, sweeps, settings.points)) * np.sqrt(FLOOR / 2.0)
    s11, s21 = noise[0] + 1j * noise[1], noise[2] + 1j * noise[3]
    visit.write(settings, sweeps, 1e-3 + s11, s21, hookup=LOADS)


def known(visit: SimulatedVisit) -> Known:
    figures = RunFigures(visit.file)
    return figures.known([run for run in figures.runs if run.hookup == A_TO_L][-1])


def test_surveys_only_add(visit: SimulatedVisit) -> None:
    """A second, narrower survey takes nothing from the wider one, and improves what it reaches."""
    visit.zoom(25)
    assert known(visit).leaks == ()
    survey(visit, BOTH, 50)
    wide = dict(known(visit).leaks)
    assert set(wide) == {450e6, 455e6} and max(wide.values()) < 1e-4
    survey(visit, LOW_ONLY, 400)
    both = dict(known(visit).leaks)
    assert both[455e6] == wide[455e6] and both[450e6] < wide[450e6]
    survey(visit, LOW_ONLY, 5)  # a rougher one changes nothing
    assert dict(known(visit).leaks) == both


def test_a_survey_leaves_room_for_leads_that_were_moved(visit: SimulatedVisit) -> None:
    """A leak of -80 dB that stood out: a fifth more of it in the bounds."""
    noise = visit.rng.normal(size=(4, 50, BOTH.points)) * np.sqrt(FLOOR / 2.0)
    visit.write(BOTH, 50, 1e-3 + noise[0] + 1j * noise[1], 1e-4 + 1e-3 * (noise[2] + 1j * noise[3]), hookup=LOADS)
    visit.zoom(25)
    assert known(visit).leak_at(455e6) == pytest.approx(1.2e-4, rel=1e-3)
    source = known(visit).leak_source_at(455e6)
    assert source is not None and source.found and source.sweeps == 50 and not source.doubt


def test_an_old_survey_holds_on_condition_only_and_a_fresh_one_takes_its_place(visit: SimulatedVisit) -> None:
    survey(visit, BOTH, 400)
    visit.now_s += 4000.0
    visit.zoom(400)
    figures = Replay(visit.file).figures(A_TO_L)
    assert figures is not None
    goal = next(goal for goal in figures.assessment.goals if goal.name == "rejection")
    assert goal.verdict is Verdict.CONDITIONAL_PASS and "min old: survey again" in goal.condition
    assert goal.condition in figures.assessment.cautions
    survey(visit, BOTH, 300)  # rougher, but fresh
    source = known(visit).leak_source_at(455e6)
    assert source is not None and source.sweeps == 300 and not source.doubt
    assert visit.verdict() is Verdict.PASS


def test_an_analyzer_that_was_unplugged_puts_the_survey_in_doubt(visit: SimulatedVisit) -> None:
    survey(visit, BOTH, 400)
    visit.file.remark(PORT_BACK, "the analyzer came back", visit.now_s + 600.0)
    visit.zoom(400)
    source = known(visit).leak_source_at(455e6)
    assert source is not None and "unplugged since the survey" in source.doubt
    assert visit.verdict() is Verdict.CONDITIONAL_PASS


def test_a_survey_says_how_long_it_must_be_from_its_first_sweep_on(visit: SimulatedVisit) -> None:
    figures = RunFigures(visit.file)

    def said(sweeps: int, settings: SweepSettings) -> tuple[str, ...]:
        survey(visit, settings, sweeps)
        figures.refresh()
        made = figures.assess(figures.runs[-1])
        assert made is not None
        return made.cautions

    (first,) = said(1, ZOOM)
    found = re.search(r"a survey of (\d+) sweeps \(k, leads on loads\) settles the leak for 90 dB", first)
    assert found is not None
    needed = int(found.group(1))
    (short,) = said(needed // 5, ZOOM)
    assert re.search(r"too short for 90 dB: survey \d+ sweeps; no leak yet", short)
    assert said(round(1.5 * needed), ZOOM) == ()
    visit.zoom(25)
    leak = known(visit).leak_at(455e6)
    assert leak is not None and leak < 0.7 * 10 ** (-92.5 / 20)


def test_a_narrow_survey_alone_leaves_the_other_channel_unknown(visit: SimulatedVisit) -> None:
    survey(visit, LOW_ONLY, 50)
    visit.zoom(50)
    assert known(visit).leak_at(455e6) is None
    assert visit.verdict() is Verdict.CONDITIONAL_PASS


def jumped(visit: SimulatedVisit, leak: complex) -> None:
    """The bare zoom and the one through a half-wave jumper, which turns the signal and not the leak."""
    noise = visit.rng.normal(size=(4, 400, POINTS)) * np.sqrt(FLOOR / 2.0)
    for sign, hookup in ((1.0, A_TO_L), (-1.0, HookUp.parse("A>L jumper=half"))):
        s21 = sign * visit.level + leak + noise[2] + 1j * noise[3]
        visit.write(ZOOM, 400, 0.1 + noise[0] + 1j * noise[1], s21, hookup=hookup)


def test_a_test_of_two_states_counts_as_a_survey(visit: SimulatedVisit) -> None:
    visit.level = 10 ** (-100 / 20)
    jumped(visit, 1e-6)
    leak = known(visit).leak_at(455e6)
    assert leak is not None and 1e-6 < leak < 1e-5
    assert visit.verdict() is Verdict.PASS


def test_two_states_find_a_leak_that_keeps_the_pass_away(visit: SimulatedVisit) -> None:
    jumped(visit, 1e-4j)
    leak = known(visit).leak_at(455e6)
    assert leak is not None
    assert leak == pytest.approx(1e-4, rel=0.15) and leak > 1e-4  # a limit, so with the noise added
    assert visit.verdict() not in (Verdict.PASS, Verdict.CONDITIONAL_PASS)


@pytest.mark.parametrize(("level_db", "kind"), [(-30.0, Kind.READING), (-45.0, Kind.AT_LEAST)])
def test_what_is_read_without_a_survey_may_be_a_leak(visit: SimulatedVisit, level_db: float, kind: Kind) -> None:
    """Above what this class of analyzer leaks through a normalisation with pads it stays a reading; below it is a bound
    on condition, and no goal fails or passes on it."""
    visit.level = 10 ** (level_db / 20)
    visit.zoom(100)
    figures = Replay(visit.file).figures(A_TO_L)
    assert figures is not None
    channel = figures.assessment.channel(Role.REJECT)
    assert channel is not None
    assert (channel.transmission.kind, channel.transmission.why) == (kind, NOT_SURVEYED)
    assert channel.transmission.low < -level_db
    assert visit.verdict() is (Verdict.FAIL if kind is Kind.READING else Verdict.CANT_SAY)


def test_an_axis_that_nobody_confirmed_gives_nothing_until_somebody_does(visit: SimulatedVisit) -> None:
    visit.zoom(50)
    visit.file.remark(AXIS, "the profile's frequencies were never checked: confirm them", visit.now_s)
    figures = Replay(visit.file).figures(A_TO_L)
    assert figures is not None
    assert not any(channel.transmission.known for channel in figures.assessment.channels)
    assert "confirm them" in figures.assessment.cautions[0]
    visit.file.remark(AXIS, CONFIRMED, visit.now_s)
    figures = Replay(visit.file).figures(A_TO_L)
    assert figures is not None and figures.assessment.channels[0].transmission.known


def test_what_was_told_on_the_way_is_read_back(visit: SimulatedVisit) -> None:
    """Time on a point, temperature, and untrusted words in their place."""
    figures = RunFigures(visit.file)
    assert figures.known(figures.runs[0]).dwell_s == 0.0
    visit.file.remark("point time", "0.001 2.0", visit.now_s - 10.0)
    figures.refresh()
    assert figures.known(figures.runs[0]).dwell_s == pytest.approx(0.003)
    visit.file.remark("point time", "[" * 50, visit.now_s - 5.0)
    visit.file.remark("temperature", "nan C", visit.now_s - 5.0)
    figures.refresh()
    assert figures.known(figures.runs[0]).dwell_s == 0.0
