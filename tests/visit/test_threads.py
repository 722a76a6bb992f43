"""The threads of a measurement: the serial loop waits for no disk, no fault of the figures stays or ends them."""

from __future__ import annotations

import asyncio
import sqlite3
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.visit.stations import Table, table
from visit.figures.assessor import Assessor
from visit.figures.run_figures import RunFigures
from visit.run.conductor import Phase, RunOrder
from visit.run.live import LiveState
from visit.run.plugged import RecordThread
from visit.site.hookup import HookUp
from visit.site.presets import wide

PATIENCE_S = 20.0
LAG_S = 1.0
"""The loop answers sooner even on a loaded machine; a writer waits 5 s for another process's commit."""


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Table]:
    with table(tmp_path, "demo-450", "U6", watched=True) as made:
        yield made


def order(bench: Table, count: int | None) -> RunOrder:
    return RunOrder(HookUp("A", "L"), wide(bench.site), count)


def until(bench: Table, condition: object) -> LiveState:
    """Look until the picture is as expected; the deadline only ends a test that fails."""
    deadline, pause = time.monotonic() + PATIENCE_S, threading.Event()
    assert callable(condition)
    while not condition(bench.station.state()):
        assert time.monotonic() < deadline, bench.station.state().progress
        pause.wait(0.02)
    return bench.station.state()


def lag_s(bench: Table) -> float:
    """How long the serial loop takes to answer."""
    began = time.monotonic()

    async def answer() -> None:
        await asyncio.sleep(0)

    bench.station._loop.submit(answer()).result(PATIENCE_S)
    return time.monotonic() - began


@pytest.mark.parametrize("end", ["stopped", "fault"])
def test_the_serial_loop_never_waits_for_the_file(bench: Table, end: str) -> None:
    """Another process holds the file in the midst of a commit while a run is stopped, or ends in a fault."""
    bench.station.order(order(bench, None))
    until(bench, lambda state: state.progress.done >= 2)
    other = sqlite3.connect(bench.station.visit.file.path, isolation_level=None)
    try:
        other.execute("begin immediate")
        if end == "fault":
            bench.station._conductor._come_back_s = 0.0
            bench.bench.say("unplug")
            until(bench, lambda state: state.progress.phase is Phase.FAULT)
            ended = None
        else:
            ended = bench.station.stop_run()
            until(bench, lambda state: state.progress.phase is Phase.STOPPED)
        assert lag_s(bench) < LAG_S
        other.execute("commit")
    finally:
        other.close()
    if ended is not None:
        ended.result(PATIENCE_S)
    bench.station.wait()
    (run,) = bench.station.visit.file.runs()
    assert run.outcome == ("stopped" if end == "stopped" else bench.station.state().progress.message)


def test_a_fault_of_the_figures_ends_neither_them_nor_the_next_run(
    bench: Table, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The fault stands where nothing caught it before: not in the figures, but in what they are made from."""
    known = RunFigures.known
    broken = threading.Event()
    broken.set()

    def knows(*args: object, **options: object) -> object:
        if broken.is_set():
            raise OSError("the disk is away")
        return known(*args, **options)  # type: ignore[arg-type]

    monkeypatch.setattr(RunFigures, "known", knows)
    bench.station.order(order(bench, 3))
    state = until(bench, lambda state: state.figures_fault)
    assert "OSError: the disk is away" in state.figures_fault and "sweeps go on and are kept" in state.figures_fault
    until(bench, lambda state: state.progress.phase is Phase.COMPLETE)
    broken.clear()
    # The run is over and no sweep comes any more: the figures are made all the same, and the fault is gone.
    state = until(bench, lambda state: state.assessment is not None)
    assert state.figures_fault == "" and state.assessment is not None and state.assessment.sweeps == 3
    bench.station.order(order(bench, 4))
    until(bench, lambda state: state.assessment is not None and state.assessment.sweeps == 4)


def test_one_fault_of_an_assessment_is_cleared(bench: Table, monkeypatch: pytest.MonkeyPatch) -> None:
    assess, failed = Assessor.assess, threading.Event()

    def once(assessor: Assessor) -> object:
        if not failed.is_set():
            failed.set()
            raise ArithmeticError("once")
        return assess(assessor)

    monkeypatch.setattr(Assessor, "assess", once)
    bench.station.order(order(bench, 2))
    until(bench, lambda state: failed.is_set())
    state = until(bench, lambda state: state.assessment is not None and state.assessment.sweeps == 2)
    assert state.figures_fault == ""


def test_a_live_run_writes_its_looks_and_a_resumed_one_goes_on_with_them(bench: Table) -> None:
    """What the live screen spends stands in the file: a report and a later session read it there."""
    bench.station.order(order(bench, 60))
    until(bench, lambda state: state.assessment is not None and state.assessment.sweeps == 60)
    file = bench.station.visit.file
    (run,) = file.runs()
    rows = file.rows("select sweeps, number, nth_run from look where run_id = ? order by sweeps", (run.id,))
    assert rows == [(25, 1, 1), (50, 2, 1), (60, 3, 1)]
    bench.station.order(order(bench, 25))
    until(bench, lambda state: state.assessment is not None and state.assessment.sweeps == 25)
    assert file.rows("select sweeps, nth_run from look where run_id = ?", (file.runs()[-1].id,)) == [(25, 2)]


def test_what_the_record_was_asked_is_done_although_nobody_waits() -> None:
    """A run that is stopped has its outcome on its way to the file; the wait for it is cancelled, the job is not."""
    done, hold = [], threading.Event()

    async def asked_and_left() -> None:
        record = RecordThread()
        first = asyncio.create_task(record.do(lambda: hold.wait(PATIENCE_S)))
        second = asyncio.create_task(record.do(lambda: done.append("outcome")))
        await asyncio.sleep(0)
        second.cancel()
        with pytest.raises(asyncio.CancelledError):
            await second
        hold.set()
        await first
        await record.close()

    asyncio.run(asked_and_left())
    assert done == ["outcome"]
