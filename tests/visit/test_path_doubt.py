"""A pad that nobody told of: no level is believed while it may lie in the path, in the wide run and in its zoom."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest

from rf.values.figure import Kind
from rf.values.verdict import Verdict
from tests.benchtop import make_unit, take
from tests.visit.simulated_visits import WIDE, SimulatedVisit, _wide_sweeps, fitted_once
from visit.figures.assessment import Assessment, Role, with_zoom
from visit.figures.assessor import Assessor
from visit.figures.known import Known
from visit.figures.run_figures import RunFigures
from visit.site.hookup import HookUp
from visit.site.site import load_site

SITE = load_site(Path(__file__).parents[2] / "fixtures/sites/demo-450.toml")
POOR = dataclasses.replace(SITE, goals=dataclasses.replace(SITE.goals, rejection_db=60.0))


def assessed(known: Known, span_hz: tuple[float, float], bench: tuple[str, ...], points: int = 401) -> Assessment:
    assessor = Assessor(POOR, HookUp("A", "L"), planned=20, known=known)
    for sweep in take(make_unit("U6"), span_hz, 20, seed=3, points=points, bench=bench, floor_db=-100.0):
        assessor.add(sweep)
    made = assessor.assess()
    assert made is not None
    return made


@pytest.mark.parametrize("pad", ["pad 1 6", "pad 1 10", "pad 2 6", "pad 2 10"])
def test_no_level_is_believed_while_the_path_is_in_doubt(pad: str) -> None:
    """Return loss was read 19 and 26 dB and passed, where it is 7.6; the rejection reads better by the pad, too."""
    wide = assessed(Known(leakage=1e-9, trusted=True), (442.5e6, 462.5e6), (pad,))
    zoom = assessed(
        Known(leakage=1e-9, trusted=True, path_doubt=wide.check.doubt), (454.97e6, 455.03e6), (pad,), points=101
    )
    for shown in (wide, zoom, with_zoom(wide, zoom)):
        for channel in shown.channels:
            for figure in (channel.transmission, channel.return_loss):
                assert figure.kind is Kind.CANT_SAY
        assert all(goal.verdict is Verdict.CANT_SAY for goal in shown.goals)
        assert any("take it out, or declare it" in caution for caution in shown.cautions)
    reject = wide.channel(Role.REJECT)
    assert reject is not None and "a pad at" in reject.transmission.why
    assert wide.notch is not None and wide.notch.centre.known  # the place needs no level


def test_without_a_pad_the_same_passes() -> None:
    wide = assessed(Known(leakage=1e-9, trusted=True), (442.5e6, 462.5e6), ())
    assert all(goal.verdict is Verdict.PASS for goal in wide.goals), [goal.words for goal in wide.goals]


def test_a_zoom_inherits_the_doubt_of_the_wide_run_before_it(tmp_path: Path) -> None:
    visit = SimulatedVisit(tmp_path / "a.visit", 3, truth_db=97.0)
    with fitted_once():
        visit.zoom(100)
        assert visit.verdict() is not Verdict.CANT_SAY
        s11, s21 = _wide_sweeps()
        visit.write(WIDE, None, s11, s21 * 10 ** (-6 / 20))
        visit.zoom(100)
        figures = RunFigures(visit.file)
        assert "a pad at" in figures.known(figures.runs[-1]).path_doubt
        assert figures.known(figures.runs[-2]).path_doubt == figures.known(figures.runs[1]).path_doubt == ""
        made = figures.assess(figures.runs[-1])
        assert made is not None and all(goal.verdict is Verdict.CANT_SAY for goal in made.goals)
        assert visit.verdict() is not Verdict.CANT_SAY  # what was shown before somebody put it in stands
    visit.file.close()
