"""The wire fails during a run: what was kept stays, what is doubtful is thrown away, the run goes on or says why.

Through a device node; the analyzer is a process of its own.
"""

from __future__ import annotations

import contextlib
import os
import threading
import time
import tty
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from protocol.errors import AnalyzerError, RequestError
from protocol.profiles.profile import Profile, load_profile
from protocol.simulated.bench import Bench, start_bench
from protocol.sweep import SweepSettings
from protocol.wire import find_again
from protocol.wire.find_again import Address, address_of, names_again
from rf.values.verdict import Verdict
from tests.visit.stations import site
from visit.figures.replay import Replay
from visit.record.visit_file import VisitFile
from visit.run.clockwatch import ClockWatch
from visit.run.conductor import LOOK_FOR_PORT_S, Phase, RunOrder, new_visit
from visit.run.live import LiveState
from visit.run.station import Station
from visit.site.hookup import HookUp

SITE = site("demo-450")
SETTINGS = SweepSettings(442.5e6, 462.5e6, 401, 1000.0)
FAMILIES = ["scpi", "console-lines", "console-traces", "registers"]
PATIENCE_S = 30.0
PLANNED = 60
"""Sweeps of 22 ms: long enough to be met in their midst on a busy machine."""


@pytest.fixture
def visit(tmp_path: Path) -> Iterator[VisitFile]:
    visit = new_visit(tmp_path / "a.visit", SITE, "demo")
    yield visit
    visit.close()


@contextlib.contextmanager
def on_bench(
    visit: VisitFile, family: str, *options: str, speed: str = "0.05", profile: Profile | None = None
) -> Iterator[tuple[Bench, Station]]:
    """A station that knows its analyzer by a lasting name, as udev gives one."""
    link = visit.path.with_name("lasting-name")
    with (
        start_bench(["--speed", speed, "--seed", "4", "--profile", family, "--link", str(link), *options]) as bench,
        Station(str(link), profile or load_profile(family), SITE, visit, HookUp("A", "L"), watched=False) as station,
    ):
        yield bench, station


def order(sweeps: int = PLANNED) -> RunOrder:
    return RunOrder(HookUp("A", "L"), SETTINGS, sweeps, trusted=True)


def wait_for(station: Station, condition: Callable[[LiveState], bool]) -> LiveState:
    until = time.monotonic() + PATIENCE_S
    pause = threading.Event()
    while not condition(station.state()):
        assert time.monotonic() < until, f"waited in vain; last picture: {station.state().progress}"
        pause.wait(0.01)
    return station.state()


def kept(visit: VisitFile) -> tuple[list[int], str | None]:
    """Numbers of the sweeps of the only run, and its outcome."""
    (run,) = visit.runs()
    return [int(str(n)) for (n,) in visit.rows("select sequence from sweep order by id")], run.outcome


def said(visit: VisitFile, kind: str) -> list[str]:
    return [str(words) for (words,) in visit.rows("select words from remark where kind = ?", (kind,))]


@pytest.mark.parametrize("family", FAMILIES)
def test_unplugged_in_the_middle_of_a_run(family: str, visit: VisitFile) -> None:
    """The device comes back under another number; the run continues the same average."""
    with on_bench(visit, family) as (bench, station):
        station.order(order())
        wait_for(station, lambda s: s.progress.done >= 5)
        bench.say("unplug")
        state = wait_for(station, lambda s: s.progress.phase is Phase.WAITING)
        assert "\n" not in state.progress.message and "plug it in" in state.progress.message
        bench.say("replug")
        wait_for(station, lambda s: s.progress.phase is Phase.COMPLETE)
    assert kept(visit) == (list(range(PLANNED)), "complete")
    assert len(said(visit, "port")) == 1 and "came back" in said(visit, "port back")[0]
    (ports,) = visit.rows("select count(*) from analyzer")
    assert ports == (2,)


@pytest.mark.parametrize("family", FAMILIES)
@pytest.mark.parametrize("state", ["idle", "silence", "half", "trickle"])
def test_unplugged_in_every_state(family: str, state: str, visit: VisitFile) -> None:
    """Idle; a command sent and nothing back; half a reply or block; bytes still coming."""
    with on_bench(visit, family, speed="0") as (bench, station):
        station.measure(order(2))
        if state != "idle":
            bench.say(f"fault {state} 1")
            station.order(order(3))
            wait_for(station, lambda s: s.progress.order is not None and s.progress.order.planned_sweeps == 3)
        bench.say("unplug")
        bench.say("replug")
        if state != "idle":
            wait_for(station, lambda s: s.progress.phase is Phase.COMPLETE and s.progress.done == 3)
        station.measure(order(4))
    runs = visit.runs()
    assert [run.outcome for run in runs] == ["complete"] * len(runs)
    for run in runs:
        assert len(visit.sweeps(run.id)) == run.planned_sweeps


def test_another_analyzer_on_the_same_name_is_not_taken(visit: VisitFile, tmp_path: Path) -> None:
    """One of the same make, that answers all questions as the lost one does, but for its serial number."""
    link = tmp_path / "lasting-name"
    with on_bench(visit, "scpi") as (bench, station):
        station.order(order(None))  # type: ignore[arg-type]
        wait_for(station, lambda s: s.progress.done >= 2)
        bench.say("unplug")
        with start_bench(["--speed", "0", "--seed", "9", "--serial", "SIM-0002"]) as other:
            link.unlink()
            link.symlink_to(other.node)
            state = wait_for(station, lambda s: "still waiting" in s.progress.message)
            assert state.progress.phase is Phase.WAITING and "another analyzer" in state.progress.message
            link.unlink()
        bench.say("replug")
        wait_for(station, lambda s: s.progress.phase is Phase.SWEEPING and s.progress.done >= 6)
        station.stop_run().result()
    numbers, outcome = kept(visit)
    assert outcome == "stopped" and numbers == list(range(len(numbers)))


def test_replugged_again_and_again_while_others_come_and_go(visit: VisitFile) -> None:
    """Other devices get the number that was lost; no byte goes to any of them."""
    others: list[tuple[int, int]] = []
    nodes: list[str] = []

    def strangers(lost: str) -> None:
        for _ in range(60):
            others.append(os.openpty())
            tty.setraw(others[-1][1])
            os.set_blocking(others[-1][0], False)
            if Path(lost).exists():  # the system has given the number away, to us or to some other program
                return

    def heard() -> list[bytes]:
        said = []
        for master, _ in others:
            with contextlib.suppress(BlockingIOError):
                said.append(os.read(master, 4096))
        return said

    try:
        with on_bench(visit, "scpi") as (bench, station):
            link = visit.path.with_name("lasting-name")
            station.order(order())
            for turn in range(1, 4):
                wait_for(station, lambda s, turn=turn: s.progress.done >= 5 * turn)  # type: ignore[misc]
                nodes.append(os.path.realpath(link))
                bench.say("unplug")
                wait_for(station, lambda s: s.progress.phase is Phase.WAITING)
                strangers(nodes[-1])
                assert Path(nodes[-1]).exists()
                link.with_name(f"other{turn}").symlink_to(os.ttyname(others[-1][1]))
                before = station.state().progress.message
                threading.Event().wait(2 * LOOK_FOR_PORT_S)  # it looks for its port meanwhile
                assert heard() == [] and station.state().progress.message == before
                for end in others.pop(0):
                    os.close(end)
                bench.say("replug")
                wait_for(station, lambda s: s.progress.phase is not Phase.WAITING)
            wait_for(station, lambda s: s.progress.phase is Phase.COMPLETE)
        assert heard() == []
    finally:
        for pair in others:
            for end in pair:
                os.close(end)
    assert kept(visit) == (list(range(PLANNED)), "complete")
    assert len(said(visit, "port back")) == 3


def test_it_stays_away(visit: VisitFile) -> None:
    with on_bench(visit, "scpi") as (bench, station):
        station._conductor._come_back_s = 0.3
        station.order(order())
        wait_for(station, lambda s: s.progress.done >= 2)
        bench.say("unplug")
        state = wait_for(station, lambda s: s.progress.phase is Phase.FAULT)
        assert "is gone" in state.progress.message
        bench.say("replug")
    numbers, outcome = kept(visit)
    assert outcome == state.progress.message and len(numbers) >= 2


def test_stop_while_the_port_is_waited_for(visit: VisitFile) -> None:
    with on_bench(visit, "scpi") as (bench, station):
        station.order(order())
        wait_for(station, lambda s: s.progress.done >= 2)
        bench.say("unplug")
        wait_for(station, lambda s: s.progress.phase is Phase.WAITING)
        station.halt("enough")
        station.wait()
        assert station.state().progress.phase is Phase.STOPPED
        bench.say("replug")
    assert kept(visit)[1] == "enough"


@pytest.mark.parametrize("family", [*FAMILIES, "blind"])
def test_a_restart_without_a_word_spoils_no_sweep(family: str, visit: VisitFile) -> None:
    """Its settings are gone: the sweep taken without them is thrown away, then they are set again. A blind analyzer
    tells no frequencies and starts with as many points as were set: its replies look as they did before."""
    profile, points = load_profile("scpi" if family == "blind" else family), 401
    if family == "blind":
        assert profile.scpi is not None
        profile, points = replace(profile, scpi=replace(profile.scpi, frequencies=None)), 201
    with on_bench(visit, "scpi" if family == "blind" else family, profile=profile) as (bench, station):
        station.order(replace(order(), settings=replace(SETTINGS, points=points)))
        wait_for(station, lambda s: s.progress.done >= 5)
        bench.say("forget" if family == "blind" else "restart")
        wait_for(station, lambda s: s.progress.phase is Phase.COMPLETE)
        assert station.state().progress.retried >= 1
    numbers, outcome = kept(visit)
    assert outcome == "complete" and len(numbers) == PLANNED and numbers == sorted(set(numbers))
    stored = visit.sweeps(1)
    first = stored[0].s21
    # At 450 MHz the pass side shows 1.4 dB loss; a sweep from 100 to 500 MHz put on this grid would be far from it.
    near = int(np.argmin(np.abs(stored[0].frequency_hz - 450e6)))
    assert all(abs(abs(sweep.s21[near]) - abs(first[near])) < 0.01 for sweep in stored)


@pytest.mark.parametrize("family", FAMILIES)
def test_a_frozen_analyzer_does_not_look_like_a_falling_floor(family: str, visit: VisitFile) -> None:
    with on_bench(visit, family) as (bench, station):
        station.measure(order(5))
        bench.say("freeze on")
        with pytest.raises(AnalyzerError, match="again, to the last digit"):
            station.measure(order(30))
        bench.say("freeze off")
        station.measure(order(5))
    counts = [len(visit.sweeps(run.id)) for run in visit.runs()]
    assert counts[0] == 5 and counts[-1] == 5 and all(count <= 1 for count in counts[1:-1])


def test_after_a_restart_the_correction_must_be_proved(visit: VisitFile) -> None:
    """An analyzer that corrects itself may have lost its correction: readings are in doubt until a thru is read."""
    with on_bench(visit, "scpi") as (bench, station):
        station.order(order())
        wait_for(station, lambda s: s.progress.done >= 3)
        bench.say("unplug")
        wait_for(station, lambda s: s.progress.phase is Phase.WAITING)
        bench.say("replug")
        wait_for(station, lambda s: s.progress.phase is Phase.COMPLETE)
        found = station.assess_now()
        assert any("was off at" in doubt for doubt in found.doubts)
        assert not any(goal.verdict is Verdict.PASS for goal in found.goals)
        assert Replay(visit).assess(visit.runs()[0]).doubts == found.doubts  # type: ignore[union-attr]
        bench.say("connect thru")
        station.measure(RunOrder(HookUp.parse("thru"), SETTINGS, 5, "known part"))
        run_id = station.state().progress.run_id
        assert run_id is not None and station.visit.calibrator.read_known("thru", run_id).good
        bench.say("connect A L")
        station.measure(order(5))
        assert station.assess_now().doubts == ()
    assert Replay(visit).assess(visit.runs()[-1]).doubts == ()  # type: ignore[union-attr]


@pytest.mark.parametrize("family", FAMILIES)
def test_another_program_types_at_the_analyzer(family: str, visit: VisitFile) -> None:
    """What a modem manager does to a new port, `AT` at any moment; root and those who came first can. Sweeps that it
    spoils are taken again; none is kept that is not one."""
    with on_bench(visit, family) as (bench, station):
        station.order(order())
        other = -1
        try:
            for target in (2, 5, 9):
                wait_for(station, lambda s, n=target: s.progress.done >= n)  # type: ignore[misc]
                if other < 0:
                    try:
                        other = os.open(bench.node, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
                    except OSError:
                        pytest.skip("this user may not open a port that is held")
                os.write(other, b"AT\r\n")
            wait_for(station, lambda s: s.progress.phase is Phase.COMPLETE)
        finally:
            if other >= 0:
                os.close(other)
    assert kept(visit)[1] == "complete" and len(kept(visit)[0]) == PLANNED
    levels = [abs(sweep.s21[sweep.s21.size * 3 // 8]) for sweep in visit.sweeps(1)]  # 450 MHz: 1.4 dB of loss
    assert max(levels) - min(levels) < 0.01


@pytest.mark.parametrize("started", [False, True])
@pytest.mark.parametrize("family", ["scpi", "console-lines"])
def test_a_command_that_came_garbled_is_said_again(visit: VisitFile, family: str, started: bool) -> None:
    """Somebody else's typing makes one of our commands an unknown word: refused once, it is no refusal."""
    with on_bench(visit, family) as (bench, station):
        if started:
            station.order(order())
            wait_for(station, lambda s: s.progress.done >= 2)
            bench.say("fault mishear 1")
            bench.say("fault garbage 1")  # a sweep that failed has its settings made again
            wait_for(station, lambda s: s.progress.phase is Phase.COMPLETE)
            assert station.state().progress.retried == 2
        else:
            bench.say("fault mishear 1")
            station.measure(order())
    numbers, outcome = kept(visit)  # what was taken but not yet confirmed when the settings were in doubt is left out
    assert outcome == "complete" and len(numbers) == PLANNED and numbers == sorted(set(numbers))


def test_a_true_refusal_ends_the_run(visit: VisitFile) -> None:
    with on_bench(visit, "scpi", speed="0") as (bench, station):
        bench.say("fault mishear 1000")
        with pytest.raises(RequestError, match="refused"):
            station.measure(order(4))
    assert visit.runs() == []


def test_a_clock_that_jumps_is_noted(visit: VisitFile) -> None:
    """A lid that was closed for ten minutes, then a clock set back by an hour: in the log, the run goes on."""
    now = [1000.0, 50.0, 50.0]
    jumps = iter([(0.0, 0.0, 0.0), (0.1, 0.1, 0.1), (600.0, 600.0, 0.5), (-3600.0, 0.1, 0.1)])

    def read() -> tuple[float, float, float]:
        for index, step in enumerate(next(jumps, (0.1, 0.1, 0.1))):
            now[index] += step
        return now[0], now[1], now[2]

    with on_bench(visit, "scpi", speed="0") as (_, station):
        station._conductor._clock = ClockWatch(read)
        station.measure(order(6))
    assert said(visit, "clock") == ["the computer slept for 600 s", "the computer's clock was set by -3600 s"]
    assert len(kept(visit)[0]) == 6


# Where a device may be found again


def test_names_under_which_a_device_is_looked_for(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    by_id = tmp_path / "by-id"
    by_id.mkdir()
    node = tmp_path / "ttyX0"
    node.touch()
    (by_id / "usb-Invented_Box_7-if00").symlink_to(node)
    hardware = {str(node): (1, 2, "7"), "/dev/other": (1, 2, "8")}
    monkeypatch.setattr(find_again, "hardware_ports", lambda: hardware)
    address = address_of(str(node), by_id)
    assert address == Address(str(node), str(by_id / "usb-Invented_Box_7-if00"), (1, 2, "7"))
    moved = tmp_path / "ttyX1"
    node.unlink()
    hardware.clear()
    assert names_again(address) == ()  # away: the lasting name leads nowhere
    moved.touch()
    hardware[str(moved)] = (1, 2, "7")
    assert names_again(address) == (str(moved),)  # before udev has made the lasting name
    (by_id / "usb-Invented_Box_7-if00").unlink()
    (by_id / "usb-Invented_Box_7-if00").symlink_to(moved)
    assert names_again(address)[0] == address.stable
    (by_id / "usb-Invented_Box_7-if00").unlink()
    hardware.clear()
    node.touch()
    hardware[str(node)] = (5, 5, "")  # the old number, but other hardware now
    assert names_again(address) == ()


def test_a_number_that_was_given_away_is_not_opened(tmp_path: Path) -> None:
    """The link of a bridge that died still leads to a pseudo-terminal's number, which a login may have got since."""
    link = tmp_path / "port"
    master, slave = os.openpty()
    try:
        link.symlink_to(os.ttyname(slave))
        plain, named = address_of(os.ttyname(slave), Path("/nowhere")), address_of(str(link), Path("/nowhere"))
        assert names_again(plain) == () == names_again(named)  # there is one of that number, and it is not the same
        link.unlink()
        assert names_again(named) == ()
        (tmp_path / "keeps the first link's inode number").touch()
        link.symlink_to(os.ttyname(slave))
        assert names_again(named) == (str(link),)
    finally:
        os.close(master)
        os.close(slave)


def test_twins_without_a_serial_number_are_told_apart(monkeypatch: pytest.MonkeyPatch) -> None:
    hardware = {"/dev/a": (1, 2, ""), "/dev/b": (1, 2, "")}
    monkeypatch.setattr(find_again, "hardware_ports", lambda: hardware)
    address = address_of("/dev/a", Path("/nowhere"))
    del hardware["/dev/a"]
    assert names_again(address) == ()  # the twin is another device
    hardware["/dev/c"] = (1, 2, "")
    assert names_again(address) == ("/dev/c",)
