"""Sums that are kept with a long run stand for its sweeps only where they are proved to be theirs; and a visit of any
length is read in little memory."""

from __future__ import annotations

import tracemalloc
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from protocol.sweep import SweepSettings
from tests.visit.simulated_visits import SimulatedVisit, fitted_once
from tui.cli import main
from tui.commands import printing
from visit.calibration.corrector import Corrector
from visit.day.stages import freeze
from visit.figures import kept_sums
from visit.figures.averaging import RunAverage
from visit.figures.run_figures import RunFigures
from visit.record.visit_file import StoredSweep, VisitFile
from visit.report.exports import export_visit
from visit.report.report import _digest, build_report
from visit.run.conductor import Progress
from visit.run.figure_maker import FigureMaker, Follower
from visit.run.live import LiveState
from visit.site.hookup import HookUp
from visit.site.hookup import Path as BenchPath

SWEEPS = 150


@pytest.fixture(autouse=True)
def short(monkeypatch: pytest.MonkeyPatch) -> None:
    """Runs count as long from 40 sweeps on, and every 20th has its sums."""
    monkeypatch.setattr(kept_sums, "EVERY", 20)
    monkeypatch.setattr(kept_sums, "LONG", 40)


@pytest.fixture
def visit(tmp_path: Path) -> Iterator[SimulatedVisit]:
    made = SimulatedVisit(tmp_path / "a.visit", 1, truth_db=97.0)
    yield made
    made.file.close()


@pytest.fixture
def run(visit: SimulatedVisit) -> int:
    """A run that was followed as it came, in three parts, so that its looks and sums are written down."""
    s11, s21 = visit.zoom_sweeps(SWEEPS)
    with fitted_once():
        run = visit.write(ZOOMED, SWEEPS, s11[:60], s21[:60])
        follower = Follower(visit.file, visit.file)
        follower.look(run)
        visit.write(ZOOMED, SWEEPS, s11[60:61], s21[60:61], run_id=run)
        follower.look(run)
        visit.write(ZOOMED, SWEEPS, s11[61:], s21[61:], run_id=run)
        follower.look(run)
    return run


ZOOMED = SweepSettings(455e6 - 28e3, 455e6 + 28e3, 101, 1000.0)


def test_a_screen_hears_how_far_a_long_run_is_averaged_again(visit: SimulatedVisit, run: int) -> None:
    state = LiveState(visit.file.site(), HookUp("A", "L"), Progress())
    seen: list[str] = []
    nobody: Any = None  # a calibrator is asked of refused sweeps alone
    maker = FigureMaker(
        visit.file, visit.file.site(), nobody, lambda: state, lambda change: seen.append(change(state).taken_in)
    )
    with fitted_once():
        maker._latest(Progress(run_id=run))
    assert maker._reader is not None
    maker._reader.close()
    assert seen == [f"64 of {SWEEPS} sweeps", f"128 of {SWEEPS} sweeps"]


def figures(visit: SimulatedVisit, run: int, monkeypatch: pytest.MonkeyPatch) -> tuple[str, int]:
    """What a reader who begins anew says of a run, and how many of its sweeps he averaged."""
    averaged = 0
    add = RunAverage.add

    def counting(self: RunAverage, sweep: object) -> None:
        nonlocal averaged
        averaged += np.size(getattr(sweep, "s21", ())) == ZOOMED.points
        add(self, sweep)  # type: ignore[arg-type]

    with fitted_once(), monkeypatch.context() as patched:
        patched.setattr(RunAverage, "add", counting)
        made = RunFigures(visit.file)
        said = made.assess(visit.file.run(run))
    return repr(said), averaged


def from_sweeps(visit: SimulatedVisit, run: int, monkeypatch: pytest.MonkeyPatch) -> str:
    with monkeypatch.context() as patched:
        patched.setattr(kept_sums, "LONG", 10**9)
        said, averaged = figures(visit, run, monkeypatch)
    assert averaged == SWEEPS
    return said


def test_sums_stand_for_the_sweeps_to_the_last_bit(
    visit: SimulatedVisit, run: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    said, averaged = figures(visit, run, monkeypatch)
    assert averaged <= 2 * 20 and said == from_sweeps(visit, run, monkeypatch)


def test_looks_are_taken_again_where_the_leak_is_known_otherwise(
    visit: SimulatedVisit, run: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each look needs the average as it was then: the sums at the looks serve."""
    visit.file.add_row("told_leak", {"at_s": 1e9, "amplitude": 10 ** (-104 / 20)})
    monkeypatch.setattr("visit.figures.run_figures.Knowledge.told_leaks", lambda *_: [10 ** (-94 / 20)])
    said, averaged = figures(visit, run, monkeypatch)
    assert averaged < SWEEPS and said == from_sweeps(visit, run, monkeypatch)


@pytest.mark.parametrize("where", [3, 70, SWEEPS - 1])
def test_sums_of_other_sweeps_are_not_used(
    where: int, visit: SimulatedVisit, run: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    before, _ = figures(visit, run, monkeypatch)
    with visit.file.writing() as connection:
        connection.execute(
            "update sweep set s21 = (select s21 from sweep where run_id = ? and sequence = ?) where run_id = ?"
            " and sequence = ?",
            (run, where - 1, run, where),
        )
    said, averaged = figures(visit, run, monkeypatch)
    assert said == from_sweeps(visit, run, monkeypatch) != before and averaged >= 20


@pytest.mark.parametrize("lie", ["s21", "count", "cut"])
def test_sums_that_the_sweeps_do_not_reach_are_not_used(
    lie: str, visit: SimulatedVisit, run: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Somebody, or a bad disk, changed the sums: a mean that is smaller would prove what is not there."""
    rows = visit.file.rows("select id, sums from sums where run_id = ? order by sweeps", (run,))
    for number, sums in rows[:-1] if lie == "s21" else rows[-3:]:
        assert isinstance(sums, bytes)
        told = {name: np.array(value) for name, value in kept_sums.unpacked(sums).items()}
        told["s21_mean"] *= 0.1
        false = {"s21": kept_sums.packed(told), "count": sums.replace(b"s21_kept", b"s21_keep"), "cut": sums[:-1]}[lie]
        with visit.file.writing() as connection:
            connection.execute("update sums set sums = ? where id = ?", (false, number))
    said, _ = figures(visit, run, monkeypatch)
    assert said == from_sweeps(visit, run, monkeypatch)


def test_another_correction_has_other_sums() -> None:
    bases = {Corrector(None, path).basis() for path in (BenchPath(), BenchPath(pad2_db=10.0), BenchPath(amp_db=20.0))}
    assert len(bases) == 3


def test_a_short_run_keeps_none(visit: SimulatedVisit) -> None:
    run = visit.write(ZOOMED, 30, *visit.zoom_sweeps(30))
    with fitted_once():
        Follower(visit.file, visit.file).look(run)
    assert visit.file.rows("select 1 from sums") == []


def test_a_large_visit_is_read_in_little_memory(visit: SimulatedVisit, monkeypatch: pytest.MonkeyPatch) -> None:
    """However many sweeps, a few are in memory at a time: 15 MB of them take less than 10 of memory."""
    settings = replace(ZOOMED, points=1601)
    rng = np.random.default_rng(1)
    s11, s21 = (rng.normal(size=(2, 100, 1601)) * 1e-3).astype(complex) + 0.1
    big = visit.write(settings, 300, s11, s21)
    for _ in range(2):
        visit.write(settings, 300, s11 + rng.normal() * 1e-3, s21 + rng.normal(size=s21.shape) * 1e-3, run_id=big)
    figures = RunFigures(visit.file)
    monkeypatch.setattr(kept_sums, "LONG", 10**9)
    tracemalloc.start()
    try:
        assert figures.averaged(visit.file.run(big)) is not None
        _digest(visit.file)
        assert tracemalloc.get_traced_memory()[1] < 10e6
    finally:
        tracemalloc.stop()


def test_each_sweep_is_read_once_for_a_report_and_for_an_export(
    visit: SimulatedVisit, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """What the runs show together, and what differs from the frozen figures, is made of the same averages."""
    visit.write(ZOOMED, 80, *visit.zoom_sweeps(80))
    read = Counter[int]()
    whole = VisitFile.each_sweep

    def each(self: VisitFile, run_id: int, after_id: int = 0, limit: int = -1) -> Iterator[StoredSweep]:
        for sweep in whole(self, run_id, after_id, limit):
            read[sweep.id] += 1
            yield sweep

    monkeypatch.setattr(VisitFile, "each_sweep", each)
    with fitted_once():
        build_report(visit.file)
        assert len(read) >= 80 and set(read.values()) == {1}
        freeze(visit.file, "as found")
        read.clear()
        export_visit(visit.file, tmp_path / "out")
        assert len(read) >= 80 and set(read.values()) == {1}


def test_a_large_visit_is_named_at_once(
    visit: SimulatedVisit, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """And how far the reading is, where it takes a while."""
    visit.write(ZOOMED, 200, *visit.zoom_sweeps(200))
    monkeypatch.setattr(printing, "LARGE_BYTES", 100_000)
    monkeypatch.setattr(printing, "LINE_EVERY_S", 0.0)
    with fitted_once():
        assert main(["together", str(visit.file.path)]) == 0
    assert "checking the file" in (line := capsys.readouterr().err.splitlines()[0]) and "a.visit" in line
    site = str(Path(__file__).parents[2] / "fixtures/sites/demo-450.toml")
    words = ["check", "--port", "/dev/null", "--site", site, "--visit", str(visit.file.path), "--resume"]
    assert main(words) == 2  # no port; who measures on is told before that
    assert "checking the file" in capsys.readouterr().err.splitlines()[0]
    with printing.Bar("a.visit") as bar:
        bar.tell("run 1", 64, 200)
    assert "run 1, 64 of 200 sweeps" in capsys.readouterr().err


def test_what_is_watched_goes_on_as_if_nothing_had_been_passed_over(visit: SimulatedVisit, run: int) -> None:
    """A step of the device is told behind kept sums by the same sweeps as without them."""
    sweeps = visit.file.sweeps(run)
    whole = RunAverage()
    for count, sweep in enumerate(sweeps, 1):
        whole.add(sweep)
        if count == 83:
            sums = whole.sums()
    assert sums is not None
    later = RunAverage()
    for sweep in sweeps[:83]:
        later.pass_over(sweep)
    later.restore(kept_sums.unpacked(kept_sums.packed(sums)))
    for sweep in sweeps[83:]:
        later.add(sweep)
    for mine, other in ((whole._watch, later._watch), (whole._watch_s11, later._watch_s11)):
        assert all(np.array_equal(a, b) for a, b in zip(mine._held, other._held, strict=True))
        assert mine._weighed == other._weighed and mine._weight is not None and other._weight is not None
        assert np.array_equal(mine._weight, other._weight)
    first, second = whole.sums(), later.sums()
    assert first is not None and second is not None
    assert kept_sums.packed(first) == kept_sums.packed(second)
