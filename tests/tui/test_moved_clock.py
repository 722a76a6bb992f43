"""The computer's clock is set back and forth, or the computer sleeps for an hour, while a run goes on.

The program runs with a library before libc that moves its clocks (`moved_clock.c`); without a C compiler the tests are
left out.
"""

from __future__ import annotations

import os
import shutil
import signal
import struct
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from protocol.simulated.bench import Bench, start_bench
from tests.tui.terminal import PATIENCE_S, ROOT, Terminal
from tests.tui.test_terminal_gone import SITE, outcomes, remarks, sequences, wait_until
from tui.cli import main
from tui.commands.exit_status import ExitStatus

SWEEPS = 60
HOUR_S, YEAR_S = 3600.0, 365.25 * 86400.0


@pytest.fixture
def bench() -> Iterator[Bench]:
    with start_bench(["--speed", "0.2", "--seed", "4"]) as bench:
        yield bench


@pytest.fixture
def library(tmp_path: Path) -> Path:
    compiler = shutil.which("cc") or shutil.which("gcc")
    if compiler is None:
        pytest.skip("no C compiler")
    built = tmp_path / "moved_clock.so"
    source = Path(__file__).with_name("moved_clock.c")
    subprocess.run([compiler, "-shared", "-fPIC", "-O1", "-o", built, source, "-ldl", "-lm"], check=True)
    return built


class Clock:
    """What the program's clocks show more than the true ones."""

    def __init__(self, folder: Path, library: Path) -> None:
        self._file = folder / "moved"
        self.wall_s = self.boot_s = 0.0
        self._write()
        self.environment = {"LD_PRELOAD": str(library), "MOVED_CLOCK": str(self._file)}

    def _write(self) -> None:
        with self._file.open("r+b" if self._file.exists() else "wb") as file:
            file.write(struct.pack("dd", self.wall_s, self.boot_s))

    def set(self, by_s: float) -> None:
        """Somebody, or the network, sets the clock."""
        self.wall_s += by_s
        self._write()

    def sleep(self, pid: int, for_s: float) -> None:
        """The lid is closed, and opened again."""
        os.kill(pid, signal.SIGSTOP)
        self.wall_s += for_s
        self.boot_s += for_s
        self._write()
        os.kill(pid, signal.SIGCONT)


def day_of_a_clock(clock: Clock, pid: int, path: Path, look: Callable[[], object]) -> None:
    """Back by an hour, on by twenty years, to 1970 (an empty battery), to the right time; then a sleep of an hour."""

    def noted(number: int) -> bool:
        look()
        return len([words for kind, words in remarks(path) if kind == "clock"]) == number

    wait_until(lambda: bool(look()) or len(sequences(path)) >= 3, "a sweep")
    for number, by_s in enumerate((-HOUR_S, 20 * YEAR_S, 10.0 - time.time() - 20 * YEAR_S + HOUR_S), 1):
        clock.set(by_s)
        wait_until(lambda number=number: noted(number), f"the clock is noted ({by_s:+.0f} s)")  # type: ignore[misc]
    clock.set(-clock.wall_s)
    wait_until(lambda: noted(4), "the right time is noted")
    clock.sleep(pid, HOUR_S)
    wait_until(lambda: noted(5), "the sleep is noted")


def check_visit(path: Path, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """All sweeps, what happened to the clock, and every way out."""
    assert sequences(path) == list(range(SWEEPS)) and outcomes(path) == ["complete"]
    said = [str(words) for kind, words in remarks(path) if kind == "clock"]
    assert "slept for 3600 s" in said[-1] and "set by" in said[0]
    measured = (ExitStatus.GOALS_MET, ExitStatus.GOALS_NOT_MET, ExitStatus.CANT_SAY)
    for words in (
        ["report", str(path)], ["report", str(path), "--html", str(folder / "page.html")], ["together", str(path)],
        ["trend", str(path)], ["export", str(path), "--to", str(folder / "out")], ["freeze", str(path), "left"],
    ):  # fmt: skip
        assert main(words) in measured, (words, capsys.readouterr())


def test_a_clock_that_is_set_and_a_sleep_end_no_run(
    bench: Bench, library: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path, clock = tmp_path / "a.visit", Clock(tmp_path, library)
    words = ["check", "--port", bench.node, "--site", SITE, "--visit", str(path), "--sweeps", str(SWEEPS)]
    program = subprocess.Popen(
        [sys.executable, "-m", "tui", *words], cwd=ROOT, env={**os.environ, **clock.environment},
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    try:
        day_of_a_clock(clock, program.pid, path, lambda: None)
        assert program.wait(PATIENCE_S) in (ExitStatus.GOALS_MET, ExitStatus.GOALS_NOT_MET, ExitStatus.CANT_SAY)
    finally:
        program.kill()
        program.wait()
    check_visit(path, tmp_path, capsys)


@pytest.mark.long
def test_a_clock_that_is_set_and_a_sleep_end_no_screen(
    bench: Bench, library: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path, clock = tmp_path / "a.visit", Clock(tmp_path, library)
    words = ["live", "--port", bench.node, "--site", SITE, "--visit", str(path), "--sweeps", str(SWEEPS)]
    screen = Terminal(words, clock.environment)
    try:
        day_of_a_clock(clock, screen.process.pid, path, lambda: screen.read(0.0) and None)
        screen.wait_for(f"{SWEEPS} of {SWEEPS}")
        screen.type("q")
        assert screen.wait_for_end() == 0
    finally:
        screen.close()
    check_visit(path, tmp_path, capsys)
