"""Carriers and turned screws in a run: said, and taken out of its figures.

The physics is the simulated bench's; its exact loss is the truth.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from protocol.simulated.duplexer import Duplexer
from rf.values.figure import Kind
from rf.values.verdict import Verdict
from tests.benchtop import IDEAL, exact, make_unit, take
from visit.figures.assessment import Assessment, Role
from visit.figures.assessor import Assessor
from visit.figures.figures_json import assessment_data
from visit.figures.known import Known
from visit.record.visit_file import StoredSweep
from visit.site.hookup import HookUp
from visit.site.site import load_site

SITE = load_site(Path(__file__).parents[2] / "fixtures/sites/demo-450.toml")
WIDE_HZ = (442.5e6, 462.5e6)


def assessed(sweeps: list[StoredSweep], **told: Any) -> Assessment:
    assessor = Assessor(SITE, HookUp("A", "L"), planned=len(sweeps), known=Known(), **told)
    for sweep in sweeps:
        assessor.add(sweep)
    made = assessor.assess()
    assert made is not None
    return made


def loss(a: Assessment) -> Any:
    channel = a.channel(Role.PASS)
    assert channel is not None
    return channel.transmission


def test_a_carrier_on_the_pass_channel_takes_the_reading_of_the_loss_away() -> None:
    """It was read as 3.58 +-0.12 dB where the loss is 1.01."""
    on_it = assessed(take(make_unit("U6"), WIDE_HZ, 20, seed=5, carrier_hz=450e6, carrier_db=10.0))
    assert loss(on_it).kind is Kind.CANT_SAY
    assert "carrier at 450.0000 MHz" in loss(on_it).why and "sits on the channel" in loss(on_it).why
    assert next(goal for goal in on_it.goals if goal.name == "loss").verdict is Verdict.CANT_SAY
    assert any("carrier at 450.0000 MHz, about" in caution for caution in on_it.cautions)
    assert abs(on_it.carriers[0].level_db - 10.0) < 2.0
    assert assessment_data(on_it)["carriers"][0]["frequency_hz"] == 450e6


@pytest.mark.parametrize("beside", [2, -3])
def test_a_carrier_beside_the_pass_channel_is_left_out_of_its_figures(beside: int) -> None:
    step = (WIDE_HZ[1] - WIDE_HZ[0]) / 400
    told: Any = {"carrier_hz": 450e6 + beside * step, "carrier_db": -10.0}
    found = assessed(take(make_unit("U6"), WIDE_HZ, 20, seed=6, **told))
    truth = -20 * np.log10(abs(exact(make_unit("U6"), [450e6])[0]))
    assert loss(found).kind is Kind.READING and loss(found).low <= truth <= loss(found).high
    assert len(found.carriers) == 1


def test_a_quiet_site_has_no_carrier_and_no_step() -> None:
    for seed in range(3):
        found = assessed(take(make_unit("U6"), WIDE_HZ, 40, seed=seed))
        assert found.carriers == () and found.steps == ()


def turned(count: int, at: int, *, unit: Duplexer, **told: Any) -> list[StoredSweep]:
    first = take(unit, WIDE_HZ, at, seed=7, **IDEAL, **told)
    unit.turn("L", 1, 300e3)
    return first + take(unit, WIDE_HZ, count - at, seed=8, **IDEAL, **told)


def test_a_screw_turned_while_averaging_begins_a_fresh_average_and_is_said() -> None:
    sweeps = turned(40, 15, unit=make_unit("U6"))
    found, alone = assessed(sweeps), assessed(sweeps[15:])
    assert found.steps == (15,) and not found.too_busy
    assert any("it changed after sweep 15: a screw turned" in caution for caution in found.cautions)
    assert assessment_data(found)["steps_after_sweeps"] == [15]
    assert found.sweeps == alone.sweeps == 25 and found.thrown_sweeps == alone.thrown_sweeps
    assert found.notch is not None and alone.notch is not None
    assert found.notch.centre.value == pytest.approx(alone.notch.centre.value, abs=2e3)


def test_bursts_are_no_step() -> None:
    found = assessed(take(make_unit("U6"), WIDE_HZ, 60, seed=5, burst_rate=0.1, burst_db=40.0))
    assert found.steps == () and found.thrown_sweeps > 0


def test_a_proof_of_the_unit_before_the_step_is_none_of_the_one_after() -> None:
    shallow: Any = {"floor_db": -110.0}
    unit = make_unit("U6")
    sweeps = take(unit, WIDE_HZ, 30, seed=7, **IDEAL, **shallow)
    before = assessed(sweeps, live=True)
    assert before.proof.proven_db is not None and before.proof.proven_db > 70
    unit.turn("L", 1, 3e6)
    unit.turn("L", 2, 3e6)
    after = assessed(sweeps + take(unit, WIDE_HZ, 10, seed=8, **IDEAL, **shallow), live=True)
    assert after.steps == (30,)
    assert after.proof.proven_db is not None and after.proof.proven_db < 50  # the look at the end, at the unit as it is
