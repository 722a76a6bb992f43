"""The station through a real device node: measuring, stopping, faults, unplugging, and what is left in the file."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from protocol.errors import AnalyzerError, PortLostError, RequestError
from protocol.profiles.profile import load_profile
from protocol.simulated.bench import Bench, start_bench
from protocol.sweep import SweepSettings
from visit.record.visit_file import VisitFile
from visit.run.conductor import Phase, RunOrder, new_visit
from visit.run.live import LiveState
from visit.run.station import Station
from visit.site.hookup import HookUp
from visit.site.site import load_site

SITE = load_site(Path(__file__).parents[2] / "fixtures/sites/demo-450.toml")
SETTINGS = SweepSettings(442.5e6, 462.5e6, 401, 1000.0)
PATIENCE_S = 20.0


@pytest.fixture(params=["scpi", "console-lines"])
def bench(request: pytest.FixtureRequest) -> Iterator[Bench]:
    with start_bench(["--speed", "0", "--seed", "4", "--profile", request.param]) as bench:
        bench.profile = request.param  # type: ignore[attr-defined]
        yield bench


@pytest.fixture
def visit(tmp_path: Path) -> Iterator[VisitFile]:
    visit = new_visit(tmp_path / "a.visit", SITE, "demo")
    yield visit
    visit.close()


def make_station(bench: Bench, visit: VisitFile, **options: Any) -> Station:
    profile = load_profile(bench.profile)  # type: ignore[attr-defined]
    return Station(bench.node, profile, SITE, visit, HookUp("A", "L"), **options)


def order(count: int | None) -> RunOrder:
    return RunOrder(HookUp("A", "L"), SETTINGS, count)


def wait_for(station: Station, condition: Callable[[LiveState], bool]) -> LiveState:
    """Look until the picture is as expected; the deadline only ends a test that fails."""
    deadline = time.monotonic() + PATIENCE_S
    pause = threading.Event()
    while not condition(station.state()):
        assert time.monotonic() < deadline, f"waited in vain; last picture: {station.state().progress}"
        pause.wait(0.02)
    return station.state()


def test_measure_and_assess(bench: Bench, visit: VisitFile) -> None:
    with make_station(bench, visit) as station:
        station.measure(order(12))
        found = station.assess_now()
        assert found.sweeps == 12
        assert found.floor_now.value == pytest.approx(-70.0, abs=0.5)
        state = wait_for(station, lambda s: s.assessment is not None and s.assessment.sweeps == 12)
        assert state.progress.phase is Phase.COMPLETE
        assert "SIM-0001" in state.progress.identity
    (run,) = visit.runs()
    assert (run.outcome, len(visit.sweeps(run.id))) == ("complete", 12)


def test_stop_keeps_what_was_taken(bench: Bench, visit: VisitFile) -> None:
    with make_station(bench, visit) as station:
        station.order(order(None))
        wait_for(station, lambda s: s.progress.done >= 3)
        station.stop_run().result()
        assert not station.running
        assert station.state().progress.phase is Phase.STOPPED
        done = station.state().progress.done
        station.measure(order(2))  # the port is still good
    first, second = visit.runs()
    assert first.outcome == "stopped"
    assert len(visit.sweeps(first.id)) in (done, done + 1)
    assert second.outcome == "complete"


def test_a_new_order_replaces_the_running_one(bench: Bench, visit: VisitFile) -> None:
    with make_station(bench, visit) as station:
        station.order(order(None))
        wait_for(station, lambda s: s.progress.done >= 2)
        station.order(RunOrder(HookUp("A", "L"), SweepSettings(454e6, 456e6, 201, 1000.0), 3))
        state = wait_for(station, lambda s: s.progress.phase is Phase.COMPLETE and s.assessment is not None)
        assert state.assessment is not None
        assert state.assessment.frequency_hz[0] == 454e6
    assert [run.outcome for run in visit.runs()] == ["stopped", "complete"]


def test_unplugged_for_good(bench: Bench, visit: VisitFile) -> None:
    with make_station(bench, visit, come_back_s=0.0) as station:
        station.order(order(None))
        wait_for(station, lambda s: s.progress.done >= 2)
        bench.say("unplug")
        state = wait_for(station, lambda s: s.progress.phase is Phase.FAULT)
        assert "\n" not in state.progress.message
        bench.say("replug")
        station.close()
    (run,) = visit.runs()
    assert run.outcome == state.progress.message
    assert len(visit.sweeps(run.id)) >= 2


def test_a_silent_analyzer_is_a_fault_in_one_line(bench: Bench, visit: VisitFile) -> None:
    with make_station(bench, visit) as station:
        station.measure(order(1))
        bench.say("fault silence 9")
        with pytest.raises(AnalyzerError) as caught:
            station.measure(order(3))
        assert "\n" not in str(caught.value)
        assert not isinstance(caught.value, PortLostError)


def test_one_bad_reply_does_not_end_a_run(bench: Bench, visit: VisitFile) -> None:
    with make_station(bench, visit) as station:
        station.measure(order(1))
        bench.say("fault half 1")
        station.measure(order(3))
        assert station.state().progress.retried == 1
    assert len(visit.sweeps(visit.runs()[-1].id)) == 3


def test_nothing_to_assess_before_the_first_sweep(bench: Bench, visit: VisitFile) -> None:
    with make_station(bench, visit) as station, pytest.raises(RequestError, match="measure again"):
        station.assess_now()
