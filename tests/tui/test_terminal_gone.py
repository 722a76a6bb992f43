"""The terminal goes away, the process is told to end, another process takes over: nothing measured is lost.

The program runs in a process of its own on a pty, the simulated analyzer behind another.
"""

from __future__ import annotations

import contextlib
import os
import re
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from protocol.simulated.bench import Bench, start_bench
from tests.tui.terminal import PATIENCE_S, ROOT, Terminal, terminal
from tui.cli import main
from tui.commands.exit_status import ExitStatus
from tui.commands.session import TERMINATED
from visit.record.opening import RecordError
from visit.record.visit_file import VisitFile

SITE = str(ROOT / "fixtures/sites/demo-450.toml")
SWEEPS = 40
MANY = 120
"""Where a second program has to start meanwhile, on a busy machine."""


@pytest.fixture
def bench() -> Iterator[Bench]:
    """Sweeps of 0.09 s: long enough to meet a run in its middle."""
    with start_bench(["--speed", "0.2", "--seed", "4"]) as bench:
        yield bench


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "a.visit"


def words(command: str, bench: Bench, path: Path, *more: str) -> list[str]:
    return [command, "--port", bench.node, "--site", SITE, "--visit", str(path), "--sweeps", str(SWEEPS), *more]


def sequences(path: Path) -> list[int]:
    """The numbers of all sweeps in the file, in the order in which they came; none before it is a visit file."""
    try:
        visit = VisitFile.open(path, read_only=True)
    except RecordError:
        return []
    try:
        return [int(str(number)) for (number,) in visit.rows("select sequence from sweep order by id")]
    finally:
        visit.close()


def wait_until(condition: Callable[[], bool], what: str) -> None:
    until = time.monotonic() + PATIENCE_S
    while not condition():
        assert time.monotonic() < until, f"waited in vain: {what}"
        time.sleep(0.02)


def remarks(path: Path) -> list[tuple[object, ...]]:
    visit = VisitFile.open(path, read_only=True)
    try:
        return visit.rows("select kind, words from remark order by id")
    finally:
        visit.close()


def outcomes(path: Path) -> list[str | None]:
    visit = VisitFile.open(path, read_only=True)
    try:
        return [run.outcome for run in visit.runs()]
    finally:
        visit.close()


def sweeping(screen: Terminal) -> None:
    """The live screen stands and sweeps come."""
    screen.wait_for(lambda text: bool(re.search(rf"SWEEPS +[1-9]\d* of {SWEEPS}", text)))


def cpu_s(pid: int) -> float:
    """Processor seconds of a process: proc(5), stat fields 14 and 15."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def test_after_a_hang_up_the_run_goes_on_to_its_end(bench: Bench, path: Path) -> None:
    with terminal(*words("live", bench, path)) as screen:
        sweeping(screen)
        screen.hang_up()
        wait_until(lambda: any(kind == "terminal" for kind, _ in remarks(path)), "the program notes the hang-up")
        screen.process.send_signal(signal.SIGCONT)  # comes with every hang-up, but not always at once
        spent, began = cpu_s(screen.process.pid), time.monotonic()
        wait_until(lambda: len(sequences(path)) > SWEEPS - 3, "sweeps go on")
        # A screen left to itself on a dead terminal takes a whole core (measured: 127 %).
        assert cpu_s(screen.process.pid) - spent < 0.7 * (time.monotonic() - began)
        assert screen.process.wait(PATIENCE_S) == 0
    assert sequences(path) == list(range(SWEEPS)) and outcomes(path) == ["complete"]


def test_the_demo_goes_on_as_well(path: Path) -> None:
    """The simulated analyzer is a child of the program; the hang-up is not for it."""
    with terminal("demo", "--speed", "0.2", "--visit", str(path), "--sweeps", str(SWEEPS)) as screen:
        sweeping(screen)
        screen.hang_up()
        assert screen.process.wait(PATIENCE_S) == 0
    assert sequences(path) == list(range(SWEEPS)) and outcomes(path) == ["complete"]


def test_a_hang_up_when_nothing_runs(bench: Bench, path: Path) -> None:
    with terminal(*words("live", bench, path)[:-1], "3") as screen:
        screen.wait_for("3 of 3")
        screen.hang_up()
        assert screen.process.wait(PATIENCE_S) == 0
    assert outcomes(path) == ["complete"] and remarks(path)[-1][1] == "the terminal went away; nothing was running"


def test_a_run_without_an_end_stops_at_a_hang_up(bench: Bench, path: Path) -> None:
    with terminal(*words("live", bench, path)) as screen:
        sweeping(screen)
        screen.type("e\t\t\t\t\b\b\b\b\r")  # no planned end
        screen.wait_for(lambda text: bool(re.search(r"SWEEPS +[1-9]\d*, until stopped", text)))
        screen.hang_up()
        assert screen.process.wait(PATIENCE_S) == 0
    assert outcomes(path)[-1] == "stopped: the terminal went away, and the run had no planned end"


def test_watch_and_take_over_after_a_hang_up(bench: Bench, path: Path) -> None:
    """60 of 100 seen in the file, the run taken over, the average continued, no sweep lost or counted twice."""
    with terminal(*words("live", bench, path, "--sweeps", str(MANY))) as first:
        first.wait_for(lambda text: bool(re.search(rf"SWEEPS +[1-9]\d* of {MANY}", text)))
        first.hang_up()
        with terminal(*words("live", bench, path, "--sweeps", str(MANY))) as second:
            second.wait_for("WATCHING")
            seen = second.wait_for(lambda text: bool(re.search(rf"SWEEPS +[1-9]\d* of {MANY}", text)))
            assert f"process {first.process.pid} measures" in seen and "CAL" in seen and "CAL none" not in seen
            second.type("o")
            assert first.process.wait(PATIENCE_S) == 0
            handed = len(sequences(path))
            second.wait_for(f"{MANY} of {MANY}")
            second.type("q")
            assert second.wait_for_end() == 0
    assert 0 < handed < MANY
    assert sequences(path) == list(range(MANY)) and outcomes(path) == ["complete"]
    said = [str(line) for kind, line in remarks(path) if kind in ("handed over", "resumed")]
    assert "to process" in said[0] and said[1] == "run 1 goes on"


def test_watching_only_changes_nothing(bench: Bench, path: Path) -> None:
    with terminal(*words("live", bench, path)) as first:
        sweeping(first)
        with terminal("watch", str(path)) as second:
            second.wait_for(lambda text: bool(re.search(rf"SWEEPS +[1-9]\d* of {SWEEPS}", text)))
            second.type("o")
            second.wait_for("to take over: deepnotch live")
            second.type("q")
            assert second.wait_for_end() == 0
        first.wait_for(f"{SWEEPS} of {SWEEPS}")
        first.type("q")
        assert first.wait_for_end() == 0
    assert outcomes(path) == ["complete"] and len(sequences(path)) == SWEEPS


def start_check(bench: Bench, path: Path, *more: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "tui.cli", *words("check", bench, path, *more)],
        cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip


def test_take_over_without_a_screen(bench: Bench, path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    first = start_check(bench, path)
    wait_until(lambda: len(sequences(path)) > 3, "sweeps come")
    assert main(words("check", bench, path)) == ExitStatus.USAGE
    refused = capfd.readouterr().err
    assert f"process {first.pid}" in refused and "--take-over" in refused and refused.count("\n") == 1
    assert main(words("check", bench, path, "--take-over")) in (0, 1, 3)
    out, err = first.communicate(timeout=PATIENCE_S)
    assert first.returncode == ExitStatus.CANT_SAY and out == ""
    assert f"handed over to process {os.getpid()}" in err and f"of {SWEEPS} sweeps kept" in err
    assert sequences(path) == list(range(SWEEPS)) and outcomes(path) == ["complete"]


@pytest.mark.parametrize("writing", [False, True])
def test_a_process_that_does_not_let_go_is_named(
    writing: bool, bench: Bench, path: Path, capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Stopped between two commits, and in the midst of one."""
    monkeypatch.setattr("visit.record.owner.PATIENCE_S", 0.5)
    monkeypatch.setattr("visit.record.opening.BUSY_TIMEOUT_S", 0.5)
    first = start_check(bench, path)
    wait_until(lambda: len(sequences(path)) > 3, "sweeps come")
    first.send_signal(signal.SIGSTOP)
    with contextlib.closing(sqlite3.connect(path)) as hand:
        try:
            if writing:
                with contextlib.suppress(sqlite3.OperationalError):  # it was stopped there indeed
                    hand.execute("begin immediate")
            assert main(words("check", bench, path, "--take-over")) == ExitStatus.USAGE
        finally:
            hand.rollback()
            first.send_signal(signal.SIGCONT)
    assert f"end it with `kill {first.pid}`" in capfd.readouterr().err
    first.communicate(timeout=PATIENCE_S)


def test_termination_ends_the_run_at_a_sweep(bench: Bench, path: Path) -> None:
    with terminal(*words("live", bench, path)) as screen:
        sweeping(screen)
        screen.process.terminate()
        assert screen.wait_for_end() == ExitStatus.TERMINATED
        assert screen.raw.rstrip().endswith(f"visit file: {path}".encode()) and b"\x1b[?1049l" in screen.raw
        assert b"Traceback" not in screen.raw
    assert outcomes(path) == [TERMINATED] and sequences(path) == list(range(len(sequences(path))))


def test_termination_without_a_screen_says_how_to_go_on(bench: Bench, path: Path) -> None:
    process = start_check(bench, path)
    wait_until(lambda: len(sequences(path)) > 3, "sweeps come")
    process.terminate()
    out, err = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == ExitStatus.TERMINATED and out == ""
    assert "--resume" in err and "Traceback" not in err
    assert main(words("check", bench, path, "--resume")) in (0, 1, 3)
    assert sequences(path) == list(range(SWEEPS)) and outcomes(path) == ["complete"]


def test_a_hang_up_does_not_end_a_run_without_a_screen(bench: Bench, path: Path) -> None:
    with terminal(*words("check", bench, path)) as screen:
        wait_until(lambda: len(sequences(path)) > 3, "sweeps")
        screen.hang_up()
        assert screen.process.wait(PATIENCE_S) in (0, 1, 3)
    assert sequences(path) == list(range(SWEEPS)) and outcomes(path) == ["complete"]


@pytest.mark.parametrize("term", ["dumb", ""])
def test_a_terminal_that_cannot_place_a_cursor(bench: Bench, path: Path, term: str) -> None:
    with terminal(*words("live", bench, path), environment={"TERM": term}) as screen:
        assert screen.wait_for_end() == ExitStatus.USAGE
        said = screen.raw.decode().strip()
    assert said.startswith("deepnotch: this terminal") and "deepnotch check" in said and "\n" not in said
    assert not path.exists()


def test_no_terminal_at_all(bench: Bench, path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "tui.cli", *words("live", bench, path)],
        cwd=ROOT, stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=PATIENCE_S, check=False,
    )  # fmt: skip
    assert done.returncode == ExitStatus.USAGE and done.stderr.count("\n") == 1 and "no terminal" in done.stderr


def test_the_plain_locale_gets_plain_bytes(bench: Bench, path: Path) -> None:
    with terminal(*words("live", bench, path), environment={"LC_ALL": "C"}) as screen:
        sweeping(screen)
        screen.type("q\r")
        assert screen.wait_for_end() == 0
        assert max(screen.raw) < 0x80


def test_the_same_port_twice(bench: Bench, path: Path, tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    first = start_check(bench, path)
    wait_until(lambda: len(sequences(path)) > 3, "sweeps come")
    (tmp_path / "other").symlink_to(bench.node)  # as the system has several names for a port
    for name in (bench.node, str(tmp_path / "other")):
        second = words("check", bench, tmp_path / "b.visit")
        second[second.index(bench.node)] = name
        assert main(second) == ExitStatus.USAGE
        said = capfd.readouterr().err
        assert f"{name} is in use by" in said and f"(pid {first.pid})" in said
    out, _ = first.communicate(timeout=PATIENCE_S)
    assert out.startswith("hook-up") and len(sequences(path)) == SWEEPS


def test_a_folder_that_cannot_be_written(bench: Bench, path: Path) -> None:
    """A home that is read-only: said in one line; with a file elsewhere the measurement runs."""
    home = {"HOME": "/proc/1", "XDG_DATA_HOME": "/proc/1/nowhere"}
    for more, status in (([], ExitStatus.USAGE), (["--visit", str(path)], None)):
        done = subprocess.run(
            [sys.executable, "-m", "tui.cli", "check", "--port", bench.node, "--site", SITE, "--sweeps", "3", *more],
            cwd=ROOT, env={**os.environ, **home}, capture_output=True, text=True, timeout=PATIENCE_S, check=False,
        )  # fmt: skip
        assert "Traceback" not in done.stderr
        if status is not None:
            assert done.returncode == status and "can't make /proc/1/nowhere" in done.stderr
            assert done.stderr.count("\n") == 1
        else:
            assert done.returncode in (0, 1, 3)
