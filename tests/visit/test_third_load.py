"""The load on the third port in every figure of a rejection: where it is known from, and what it costs."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from protocol.sweep import SweepSettings
from rf.floor.third_port import COMMON_LOAD_DB, ON_THE_ANTENNA, ThirdLoad
from rf.values.figure import Figure, at_least, cant_say, reading
from rf.values.verdict import Verdict
from tests.visit.simulated_visits import A_TO_L, SITE, SimulatedVisit, fitted_once
from tui.drawing.report_lines import budget_lines
from visit.figures.assessment import Channel, Proof, Role, goals_of
from visit.figures.figures_json import assessment_data
from visit.figures.known import Known
from visit.figures.replay import Replay
from visit.figures.third_load import MEASURED, STATED, third_load
from visit.record.visit_file import VisitFile
from visit.site.hookup import HookUp
from visit.site.typed import check_fields, fields_of

HIGH = SITE.high_hz
TOLD = dataclasses.replace(SITE, load_return_loss_db=26.0)
GOOD = reading(30.0, 28.0, 33.0, "dB")
POOR = reading(14.0, 13.0, 15.0, "dB")


def test_what_is_measured_counts_before_what_is_stated_and_both_before_common_practice() -> None:
    measured = Known(third_loads=((HIGH, 31.0),))
    assert third_load(TOLD, A_TO_L, measured, HIGH, POOR) == ThirdLoad(31.0, source=MEASURED)
    assert third_load(TOLD, A_TO_L, measured, SITE.low_hz, POOR) == ThirdLoad(26.0, source=STATED)
    plain = third_load(SITE, A_TO_L, Known(), HIGH, GOOD)
    assert plain is not None and plain.return_loss_db == COMMON_LOAD_DB and "common practice" in plain.source


def test_a_poor_load_that_s11_shows_needs_nobodys_word() -> None:
    def seen(hookup: str, figure: Figure) -> float:
        found = third_load(SITE, HookUp.parse(hookup), Known(), HIGH, figure)
        assert found is not None
        return found.return_loss_db

    assert seen("A>L", POOR) == 14.0
    assert seen("L>A", POOR) == COMMON_LOAD_DB  # driven from the side, S11 there is the side's own
    assert seen("A>L", at_least(14.0, "dB")) == seen("A>L", cant_say("dB", "no")) == COMMON_LOAD_DB
    assert seen("A>L", reading(-0.2, -0.3, 0.1, "dB")) == 0.5


def test_from_a_side_no_rejection_passes_on_a_load_that_nobody_saw() -> None:
    """An open third port looks the same from there, and took 4.8 dB."""
    found = third_load(TOLD, HookUp.parse("L>A"), Known(), HIGH, GOOD)
    assert found is not None and found.unseen and found.return_loss_db == 26.0
    seen = third_load(TOLD, HookUp.parse("L>A"), Known(third_seen=True), HIGH, GOOD)
    assert seen is not None and not seen.unseen
    for hookup in ("A>L", "L>H"):
        each = third_load(SITE, HookUp.parse(hookup), Known(), HIGH, GOOD)
        assert each is not None and not each.unseen
    deep = at_least(99.0, "dB")
    channel = Channel(HIGH, Role.REJECT, deep, GOOD, leakage=1e-9, load=found)
    (goal,) = goals_of(SITE, [channel], Proof(95.0))
    assert goal.verdict is Verdict.CONDITIONAL_PASS and "can't be seen from this side" in goal.condition
    (goal,) = goals_of(SITE, [dataclasses.replace(channel, load=seen)], Proof(95.0))
    assert goal.verdict is Verdict.PASS


def test_a_port_that_is_declared_open_is_meant_to_be() -> None:
    assert third_load(SITE, HookUp.parse("A>L third=open"), Known(), HIGH, GOOD) is None
    across = third_load(SITE, HookUp.parse("L>H"), Known(), HIGH, GOOD)
    assert across is not None and across.share == ON_THE_ANTENNA


@pytest.fixture
def visit(tmp_path: Path) -> Iterator[SimulatedVisit]:
    made = SimulatedVisit(tmp_path / "loads.visit", 3, truth_db=97.0)
    with fitted_once():
        yield made
    made.file.close()


def load_run(visit: SimulatedVisit, return_loss_db: float) -> None:
    settings = SweepSettings(442.5e6, 462.5e6, 201, 1000.0)
    noise = visit.rng.normal(size=(4, 3, settings.points)) * 1e-5
    gamma = np.full((3, settings.points), 10 ** (-return_loss_db / 20)) + noise[0] + 1j * noise[1]
    visit.write(settings, 3, gamma, noise[2] + 1j * noise[3], hookup=HookUp("load", "load", ""))


def zoomed(file: VisitFile) -> Channel:
    figures = Replay(file).figures(A_TO_L)
    assert figures is not None
    found = figures.assessment.channel(Role.REJECT)
    assert found is not None and found.load is not None
    return found


def test_a_measured_load_stands_in_the_budget_and_on_every_face(visit: SimulatedVisit) -> None:
    load_run(visit, 24.0)
    visit.zoom(100)
    channel = zoomed(visit.file)
    assert channel.load is not None and channel.load.source == MEASURED
    # What is left of directivity (35 dB), tracking (0.3 dB) and port 1 (20 dB) of common practice may have made it
    # look better.
    seen = 10 ** (-24 / 20) + 10 ** (-35 / 20)
    worst = -20 * np.log10(seen / (2.0 - 10 ** (0.3 / 20) - 10 ** (-20 / 20) * seen))
    assert channel.load.return_loss_db == pytest.approx(worst, abs=0.1)
    assert dict(channel.parts)["load"] == pytest.approx(channel.load.limit_db)
    figures = Replay(visit.file).figures(A_TO_L)
    assert figures is not None
    data = assessment_data(figures.assessment)["channels"][1]
    assert data["third_port_load"] == {"return_loss_db": channel.load.return_loss_db, "source": MEASURED}
    assert data["proof_parts_db"]["load"] == dict(channel.parts)["load"]
    shown = "\n".join(budget_lines(figures.assessment))
    assert "load on the third port 21.5 dB (measured as hook-up load)" in shown


def test_a_load_that_nobody_described_costs_nine_tenths_of_a_decibel(visit: SimulatedVisit) -> None:
    visit.zoom(100)
    untold = zoomed(visit.file)
    load_run(visit, 24.0)
    told = zoomed(visit.file)
    assert dict(untold.parts)["load"] == pytest.approx(0.915, abs=1e-3)
    assert told.load is not None
    assert told.transmission.low - untold.transmission.low == pytest.approx(0.915 - told.load.limit_db, abs=1e-3)


def test_the_site_form_takes_the_load() -> None:
    typed = fields_of(SITE)
    assert typed["load"] == "" and check_fields(typed).remarks["load"] == "not told: 20 dB"
    made = check_fields({**typed, "load": "26 dB"})
    assert made.site is not None and made.site.load_return_loss_db == 26.0
    assert fields_of(made.site)["load"] == "26"
    assert "load" in check_fields({**typed, "load": "2"}).faults
