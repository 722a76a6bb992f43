"""A return loss that is only a bound says what limits it and what would lift it; a pad at port 2 does lift it."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from protocol.sweep import Applied
from rf.repeater.passband import Residuals, return_loss_at
from rf.values.figure import Kind, at_least, cant_say, reading
from tests.visit.simulated_visits import SITE, WIDE
from visit.figures.known import Knowledge
from visit.figures.match_cure import with_cure
from visit.record.visit_file import VisitFile
from visit.site.hookup import HookUp


def test_only_a_bound_is_explained() -> None:
    for figure in (reading(20.0, 18.0, 22.0, "dB"), cant_say("dB", "no"), at_least(18.0, "dB", why="said already")):
        assert with_cure(figure, None) == figure


@pytest.mark.parametrize(
    ("limit", "residuals", "says"),
    [
        ("port 2", None, r"port 2 \(20 dB\) covers it .*a calibration here .*pad2=10"),
        ("port 2", Residuals(port2_left_db=35.0), r"left of port 2 \(35 dB\) .*pad2=10"),
        ("directivity", None, r"directivity of 35 dB covers it: calibrate with a load of 40 dB"),
        ("random", None, "average longer"),
        ("port 1", None, "calibrate here"),
    ],
)
def test_what_covers_it_is_named_with_its_cure(limit: str, residuals: Residuals | None, says: str) -> None:
    made = with_cure(at_least(18.0, "dB", limited_by=limit), residuals)
    assert made.kind is Kind.AT_LEAST and made.value == 18.0
    assert re.search(says, made.why), made.why


def test_a_bound_that_was_measured_is_explained() -> None:
    f = np.linspace(449e6, 456e6, 401)
    for size, through, says in ((1e-3, 0.0, "calibrate with a load"), (0.05, 0.9, "port 2")):
        made = return_loss_at(f, np.full(401, size + 0j), np.full(401, 1e-10), 450e6, None, through).figure
        assert made.kind is Kind.AT_LEAST and says in with_cure(made, None).why


def test_a_pad_at_port_1_lifts_the_directivity(tmp_path: Path) -> None:
    """What comes back passes it twice, the directivity does not."""
    file = VisitFile.create(tmp_path / "a.visit", SITE, "demo", 1e9)
    run = file.begin_run("live", HookUp.parse("A>L pad1=6"), Applied(WIDE, WIDE), 5, None, 1e9)
    found = Knowledge(file, SITE).of(file.run(run)).residuals
    assert found is not None and found.directivity_db == 35.0 - 12.0 and found.port2_left_db == 20.0
    file.close()


def test_a_pad_at_port_2_takes_its_reflection_out(tmp_path: Path) -> None:
    """Twice the pad is gained, up to what a pad's own match is trusted for."""
    file = VisitFile.create(tmp_path / "a.visit", SITE, "demo", 1e9)

    def left_db(words: str) -> float:
        run = file.begin_run("live", HookUp.parse(words), Applied(WIDE, WIDE), 5, None, 1e9)
        found = Knowledge(file, SITE).of(file.run(run)).residuals
        return (found or Residuals()).port2_left_db

    assert [left_db(words) for words in ("A>L", "A>L pad2=6", "A>L pad2=20")] == [20.0, 32.0, 40.0]
    file.close()
