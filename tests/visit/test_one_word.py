"""Screen, headless output, JSON, text and page never disagree in word, number or verdict, over visits drawn at random.

What is compared are the program's own ways out with one another, each read as its reader reads it: the screen's rows,
the lines of `check`, the JSON object, the text, the cells of the page.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from rf.values.figure import Figure, Kind
from rf.values.words import JSON_KINDS, text
from tests.visit.simulated_visits import WIDE, SimulatedVisit, _wide_sweeps, fitted_once
from tests.visit.test_report import Page
from tui.drawing.marks import MarkSet
from tui.drawing.report_lines import figures_lines, json_text
from tui.screens import live_rows
from visit.day.stages import freeze
from visit.figures.replay import Replay
from visit.record.visit_file import VisitFile
from visit.report.report import build_report
from visit.report.report_html import report_html
from visit.report.report_text import report_text
from visit.run.watch import Watcher

KINDS = {spelt: kind for kind, spelt in JSON_KINDS.items()}
SEEDS = 8


@pytest.fixture(autouse=True)
def _once() -> Iterator[None]:
    with fitted_once():
        yield


def drawn(path: Path, seed: int) -> VisitFile:
    """Truth, leak, order and length of the runs, and what was frozen when, all by chance."""
    rng = np.random.default_rng(seed)
    leak = (None, -200.0, -105.0, -92.0)[int(rng.integers(4))]
    visit = SimulatedVisit(path, seed, truth_db=float(rng.uniform(80.0, 96.0)), leak_db=leak)
    frozen = False
    for _ in range(int(rng.integers(1, 5))):
        what = rng.random()
        if what < 0.55:
            visit.zoom(int(rng.integers(2, 60)), watched=bool(rng.random() < 0.7))
        elif what < 0.8:
            s11, s21 = _wide_sweeps()
            visit.write(WIDE, 3, s11, s21)
        elif not frozen:
            freeze(visit.file, "as found")
            frozen = True
    return visit.file


def as_figure(told: dict[str, Any]) -> Figure:
    """A figure read back from JSON."""
    ends = [(-math.inf if told["low"] is None else told["low"]), (math.inf if told["high"] is None else told["high"])]
    value = math.nan if told["value"] is None else told["value"]
    return Figure(KINDS[told["kind"]], told["unit"], value, ends[0], ends[1])


@pytest.mark.parametrize("seed", range(SEEDS))
def test_every_way_out_says_the_same(tmp_path: Path, seed: int) -> None:
    visit = drawn(tmp_path / "a.visit", seed)
    try:
        for one in Replay(visit).all_figures():
            a = one.assessment
            told, lines = json.loads(json_text(a)), figures_lines(a)
            for channel, said in zip(a.channels, told["channels"], strict=True):
                name = "rejection" if "rejection" in said else "loss"
                shown = text(as_figure(said[name]))
                assert shown == text(channel.transmission)
                assert any(line.startswith(name) and shown in line for line in lines)
            for goal, said in zip(a.goals, told["goals"], strict=True):
                assert (said["verdict"], said["condition"]) == (goal.verdict.value, goal.condition)
                assert f"goal          {goal.name} {goal.goal_db:g} dB: {goal.words}" in lines
            _report_says(visit, one.hookup.text, told)
        _screen_says(visit)
    finally:
        visit.close()


def _report_says(visit: VisitFile, hookup: str, told: dict[str, Any]) -> None:
    """Rows, text and page of the report hold the JSON's figures and verdicts, where the report shows the same stage."""
    report = build_report(visit)
    page, words = Page(), " ".join(report_text(report).split())
    page.feed(report_html(report))
    frozen = {row[0] for row in visit.rows("select distinct name from stage")}
    for channel in told["channels"]:
        name = "rejection" if "rejection" in channel else "loss"
        row = next(
            row
            for row in report.rows
            if row.hookup == hookup and row.name == f"{name} at {channel['frequency_hz'] / 1e6:.4f} MHz"
        )
        verdict = next(goal for goal in told["goals"] if goal["name"] == name)
        for cell in (row.found, row.left, row.verdict):
            assert cell in page.cells and " ".join(cell.split()) in words
        if not frozen:
            assert row.left == text(as_figure(channel[name]))
            assert row.verdict.startswith(verdict["verdict"])
            state = {"pass": "met.", "fail": "NOT met."}.get(verdict["verdict"])
            if state:
                assert f"{name} {row.left}, goal {verdict['goal_db']:g} dB: {state}" in words


def _screen_says(visit: VisitFile) -> None:
    """What a watcher sees of the newest run is what the file gives for it."""
    replay = Replay(visit)
    with Watcher(visit.path) as watcher:
        state = watcher.state()
    mine = replay.assess(replay.runs[-1])
    assert mine is not None and state.assessment is not None
    shown = state.assessment
    assert json_text(shown) == json_text(mine)
    screen = " ".join(part for row in live_rows.reject_rows(state, 80, MarkSet.ASCII) for part, _ in row)
    figure = next(c.transmission for c in mine.channels if c.role.value == "reject")
    assert figure.kind.value in screen
    if figure.kind is not Kind.CANT_SAY:
        verdict = next(goal for goal in mine.goals if goal.name == "rejection")
        assert verdict.verdict.value in screen.lower() or verdict.condition in screen
