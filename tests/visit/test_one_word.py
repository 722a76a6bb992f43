"""Screen, headless output, JSON, text, page, exports and archive never disagree in word, number or verdict, over visits
drawn at random.

What is compared are the program's own ways out with one another, each read as its reader reads it: the screen's rows,
the lines of `check`, the JSON object, the text, the cells of the page, the rows of the tables.
"""

from __future__ import annotations

import contextlib
import csv
import functools
import io
import json
import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from protocol.errors import RequestError
from rf.values.figure import Figure, Kind
from rf.values.verdict import Verdict
from rf.values.words import JSON_KINDS, text
from tests.benchtop import IDEAL, make_unit, take
from tests.visit.simulated_visits import WIDE, SimulatedVisit, _wide_sweeps, fitted_once
from tests.visit.test_report import Page
from tui.drawing.marks import MarkSet
from tui.drawing.report_lines import figures_lines, json_text
from tui.screens import live_rows
from visit.day.next_deed import REPORT, facts_of, next_deed
from visit.day.stages import AS_FOUND, AS_LEFT, freeze
from visit.figures.replay import Replay
from visit.record.visit_file import VisitFile
from visit.report.archive import summary_rows
from visit.report.exports import figures_csv
from visit.report.report import build_report
from visit.report.report_html import report_html
from visit.report.report_text import report_text
from visit.run.watch import Watcher
from visit.site.hookup import HookUp

KINDS = {spelt: kind for kind, spelt in JSON_KINDS.items()}
SEEDS, MANY = 8, 300


@pytest.fixture(autouse=True)
def _once() -> Iterator[None]:
    with fitted_once():
        yield


@functools.cache
def _other_wide(kind: str) -> tuple[np.ndarray, np.ndarray]:
    """Wide sweeps that are fitted once: the high side, a side off tune, a carrier on the channel, leads on loads,
    bursts in nearly half of the sweeps, a screw turned half way."""
    unit = make_unit("U6", (60e3, -90e3, 20e3)) if kind == "detuned" else make_unit("U6")
    more: dict[str, Any] = {"carrier": {"carrier_hz": 455e6, "carrier_db": -50.0}, "bursts": {"burst_rate": 0.45}}
    bench = ("connect loads",) if kind == "loads" else ()
    hookup, span = "A>H" if kind == "high" else "A>L", (WIDE.start_hz, WIDE.stop_hz)
    options = {**IDEAL, **more.get(kind, {})}
    sweeps = take(unit, span, 12, points=WIDE.points, seed=3, hookup=hookup, bench=bench, **options)
    if kind == "step":
        off = make_unit("U6", (0.0, 150e3, 0.0))
        sweeps = [*sweeps[:6], *take(off, span, 6, points=WIDE.points, seed=5, **options)]
    return np.array([sweep.s11 for sweep in sweeps]), np.array([sweep.s21 for sweep in sweeps])


KINDS_OF_WIDE = ("plain", "high", "detuned", "carrier", "bursts", "step", "loads")


def drawn(path: Path, seed: int) -> VisitFile:
    """Truth, leak, order and length of the runs, what was wrong in them, and what was frozen when, all by chance."""
    rng = np.random.default_rng(seed)
    leak = (None, -200.0, -105.0, -92.0)[int(rng.integers(4))]
    visit = SimulatedVisit(path, seed, truth_db=float(rng.uniform(80.0, 96.0)), leak_db=leak)
    frozen = False
    for _ in range(int(rng.integers(1, 6))):
        what = rng.random()
        if what < 0.4:
            visit.zoom(int(rng.integers(2, 60)), watched=bool(rng.random() < 0.7))
        elif what < 0.8:
            kind = KINDS_OF_WIDE[int(rng.integers(len(KINDS_OF_WIDE)))]
            s11, s21 = _wide_sweeps() if kind == "plain" else _other_wide(kind)
            taken = int(rng.integers(3, len(s21) + 1))
            hookup = HookUp.parse({"high": "A>H", "loads": "loads"}.get(kind, "A>L"))
            visit.write(WIDE, 12, s11[:taken], s21[:taken], hookup=hookup, watched=bool(rng.random() < 0.7))
        elif not frozen:
            freeze(visit.file, AS_FOUND)
            frozen = True
        else:
            with contextlib.suppress(RequestError):  # nothing was measured since
                freeze(visit.file, AS_LEFT)
    return visit.file


def as_figure(told: dict[str, Any]) -> Figure:
    """A figure read back from JSON."""
    ends = [(-math.inf if told["low"] is None else told["low"]), (math.inf if told["high"] is None else told["high"])]
    value = math.nan if told["value"] is None else told["value"]
    return Figure(KINDS[told["kind"]], told["unit"], value, ends[0], ends[1])


@pytest.mark.parametrize("seed", range(SEEDS))
def test_every_way_out_says_the_same(tmp_path: Path, seed: int) -> None:
    every_way_out(tmp_path, seed)


@pytest.mark.long
@pytest.mark.timeout(0)
def test_three_hundred_visits_say_the_same(tmp_path: Path) -> None:
    wrong = []
    for seed in range(1000, 1000 + MANY):
        try:
            every_way_out(tmp_path, seed)
        except AssertionError as error:
            wrong.append(f"{seed}: {error}")
    assert not wrong, f"{len(wrong)} of {MANY}:\n" + "\n\n".join(wrong)


def every_way_out(folder: Path, seed: int) -> None:
    """Draw a visit and read it in all ways."""
    visit = drawn(folder / f"{seed}.visit", seed)
    try:
        replay = Replay(visit)
        found = replay.all_figures()
        for one in found:
            a = one.assessment
            told, lines = json.loads(json_text(a)), figures_lines(a)
            for channel, said in zip(a.channels, told["channels"], strict=True):
                name = "rejection" if "rejection" in said else "loss"
                both = ((channel.transmission, name), (channel.return_loss, "return_loss"))
                for figure, key in both if name == "loss" else both[:1]:
                    shown = text(as_figure(said[key]))
                    assert shown == text(figure), (seed, name)
                    assert any(line.startswith(key.replace("_", " ")) and shown in line for line in lines), seed
            for goal, said in zip(a.goals, told["goals"], strict=True):
                assert (said["verdict"], said["condition"]) == (goal.verdict.value, goal.condition)
                assert f"goal          {goal.name} {goal.goal_db:g} dB: {goal.words}" in lines
            _report_says(visit, one.hookup.text, told)
            _archive_says(visit.path, one.hookup, told)
        _table_says(
            figures_csv("site", found), {one.hookup.text: json.loads(json_text(one.assessment)) for one in found}
        )
        _screen_says(visit)
        _next_is_one(visit)
    finally:
        visit.close()


def _archive_says(path: Path, hookup: HookUp, told: dict[str, Any]) -> None:
    """The row of a side has the JSON's kinds, numbers and verdict."""
    if hookup.side is None:
        return
    row = next(row for row in summary_rows(str(path)) if row["side"] == hookup.side.value)
    channel = next(channel for channel in told["channels"] if "rejection" in channel)
    verdict = next(goal for goal in told["goals"] if goal["name"] == "rejection")
    figure = as_figure(channel["rejection"])
    assert (row["rejection_kind"], row["rejection_db"]) == (figure.kind.value, channel["rejection"]["value"])
    assert row["verdict"].startswith(Verdict(verdict["verdict"]).word) and verdict["condition"] in row["verdict"]


def _table_says(table: str, told: dict[str, dict[str, Any]]) -> None:
    """Each line of the exported figures is a figure of the JSON."""
    for line in csv.DictReader(io.StringIO(table)):
        if not line["frequency_hz"]:
            continue
        channels = told[line["hookup"].lstrip("'")]["channels"]
        channel = next(c for c in channels if abs(c["frequency_hz"] - float(line["frequency_hz"])) < 1.0)
        figure = as_figure(channel[line["figure"].replace(" ", "_")])
        assert line["kind"].lstrip("'") == figure.kind.value
        assert line["value"] == ("" if not math.isfinite(figure.value) else f"{figure.value:.6g}")


def _next_is_one(visit: VisitFile) -> None:
    """What the watching screen, a command and the report call the next thing to do."""
    replay = Replay(visit)
    with Watcher(visit.path) as watcher:
        state = watcher.state()
    facts = facts_of(
        visit, replay.figures_of, state.assessment, state.progress.time_left_s, state.progress.sweep_time_s
    )
    assert state.deed is not None and state.deed == next_deed(facts)
    owed = " ".join(report_text(build_report(visit)).split())
    deed = next_deed(facts_of(visit, replay.figures_of))
    said = "Left as it is" if deed.do == REPORT.do else f"Next: {deed.do}"
    assert deed == REPORT or f"{said}: {' '.join(deed.why.split())}" in owed


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
            assert row.verdict.startswith(Verdict(verdict["verdict"]).word)
            state = {"pass": "met.", "fail": "missed."}.get(verdict["verdict"])
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
    figure = next((c.transmission for c in mine.channels if c.role.value == "reject"), None)
    if figure is None:
        assert mine.hookup.survey and "SURVEY" in screen and not mine.goals
        return
    assert figure.kind.value in screen
    passes = next((c for c in mine.channels if c.role.value == "pass"), None)
    row = "".join(part for part, _ in live_rows.pass_row(state))
    assert passes is None or (text(passes.transmission) in row and text(passes.return_loss) in row)
    if figure.kind is not Kind.CANT_SAY:
        verdict = next(goal for goal in mine.goals if goal.name == "rejection")
        assert verdict.verdict.word in screen.lower() or verdict.condition in screen
