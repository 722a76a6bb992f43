"""A visit of many sweeps read, watched and measured on: `python scripts/large_visit.py [SWEEPS [POINTS]]`.

A real run is begun on the simulated analyzer and killed; its sweeps, with noise added, are written on behind it until
there are so many (100,000 of 201 points unless told otherwise: 0.7 GB). Then each command that reads a visit, and the
two that go on with the run, on a terminal and without. Prints for each: status, seconds to its first words (of the
clock, and of the processor, which a busy machine does not change), seconds in all, most memory, how often it told how
far it was. Exit status 1 when one took more than 120 MB, or a second of the processor before its first words, or
failed.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import pty
import re
import select
import sqlite3
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[1]
sys.path.insert(0, str(ROOT))

from protocol.simulated.bench import start_bench  # noqa: E402 - after the path was set

SITE = str(ROOT / "fixtures/sites/demo-450.toml")
MOST_MB, FIRST_WORDS_S, PATIENCE_S = 120.0, 1.0, 3600.0
A_STEP = 500
PROGRESS = re.compile(r"\d+ of \d+ (?:sweeps|pages)")
COMMANDS = ["report", "trend", "together", "export", "copy", "watch", "live", "check"]
"""The last two go on with the run: after `check` it is at its end."""


@dataclass(slots=True)
class Told:
    """What a command did: its status, seconds to its first words (clock, processor) and in all, most megabytes, its
    words."""

    status: int = 0
    first_s: float = 0.0
    first_cpu_s: float = 0.0
    all_s: float = 0.0
    peak_mb: float = 0.0
    said: str = ""


def main(words: list[str]) -> int:
    """Make it, go through the commands."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("count", type=int, nargs="?", default=100_000, help="sweeps")
    parser.add_argument("points", type=int, nargs="?", default=201)
    parser.add_argument("--only", nargs="+", choices=COMMANDS, default=COMMANDS)
    parser.add_argument("--folder", type=Path, help="keep the visit there, or take the one that is there")
    options = parser.parse_args(words)
    with tempfile.TemporaryDirectory(prefix="deepnotch-large-") as name, start_bench(["--speed", "0"]) as bench:
        path = (options.folder or Path(name)) / "a.visit"
        path.parent.mkdir(parents=True, exist_ok=True)
        measure = ["--port", bench.node, "--site", SITE, "--visit", str(path)]
        if not path.exists():
            _begin([*measure, "--sweeps", str(options.count + 20), "--points", str(options.points)], path)
            _write_on(path, options.count)
        print(f"{_kept(path)} sweeps of {options.points} points, {path.stat().st_size / 1e6:.0f} MB", flush=True)
        more = {"export": ["--to", f"{name}/out"], "copy": [f"{name}/copy.visit"]}
        good = True
        for command in options.only:
            if command == "watch":
                good &= _tell(command, _on_terminal([command, str(path)], "WATCHING"))
            elif command == "live":
                bench.say("fault slow 2")
                good &= _tell("live --resume", _on_terminal(["live", *measure, "--resume"], "sweeping|complete"))
                bench.say("fault slow 0")
            elif command == "check":
                good &= _tell("check --resume", _run(["check", *measure, "--resume"]))
            else:
                good &= _tell(command, _run([command, str(path), *more.get(command, [])]))
    return 0 if good else 1


def _begin(words: list[str], path: Path) -> None:
    """A real run that is killed."""
    program = subprocess.Popen([sys.executable, "-m", "tui", "check", *words], cwd=ROOT, stdout=subprocess.DEVNULL)
    while _kept(path) < 5:
        time.sleep(0.05)
    program.kill()
    program.wait()


def _kept(path: Path) -> int:
    try:
        with sqlite3.connect(f"file:{path}?mode=ro", uri=True) as read:
            return int(read.execute("select count(*) from sweep").fetchone()[0])
    except sqlite3.Error:
        return 0


def _write_on(path: Path, count: int) -> None:
    file = sqlite3.connect(path)
    file.execute("pragma synchronous = off")
    run, grid, s11, s21 = file.execute("select run_id, grid_id, s11, s21 from sweep limit 1").fetchone()
    seen = int(file.execute("select count(*) from sweep").fetchone()[0])
    mean = np.frombuffer(s21, "<c16")
    rng = np.random.default_rng(1)
    while seen < count:
        step = min(A_STEP, count - seen)
        noise = rng.normal(size=(step, mean.size, 2)) @ np.array([1, 1j]) * 2e-4
        rows = [(run, seen + n, 1.8e9 + seen + n, 0.5, grid, s11, (mean + noise[n]).tobytes()) for n in range(step)]
        with file:
            file.executemany(
                "insert into sweep (run_id, sequence, started_s, duration_s, grid_id, s11, s21) values (?,?,?,?,?,?,?)",
                rows,
            )
        seen += step
    file.close()


def _run(words: list[str]) -> Told:
    """Without a terminal."""
    near, far = os.pipe()
    began = time.monotonic()
    program = subprocess.Popen([sys.executable, "-m", "tui", *words], cwd=ROOT, stdout=far, stderr=far)
    os.close(far)
    return _followed(program, near, began)


def _on_terminal(words: list[str], until: str) -> Told:
    """On a terminal, left by key once that (a pattern) stands on it."""
    near, far = pty.openpty()
    began = time.monotonic()
    program = subprocess.Popen(
        [sys.executable, "-m", "tui", *words], cwd=ROOT, env={**os.environ, "TERM": "xterm-256color"},
        preexec_fn=lambda: os.login_tty(far),  # noqa: PLW1509 - no other thread here
    )  # fmt: skip
    os.close(far)
    return _followed(program, near, began, until)


def _followed(program: subprocess.Popen[bytes], near: int, began: float, until: str = "") -> Told:
    """Read what it says until it ends. Memory is VmHWM of proc(5): what wait4(2) tells counts its parent's, too."""
    told, said, asked = Told(), b"", False
    while program.poll() is None and time.monotonic() - began < PATIENCE_S:
        with contextlib.suppress(OSError, IndexError):  # it has just ended
            status = Path(f"/proc/{program.pid}/status").read_text()
            told.peak_mb = int(status.partition("VmHWM:")[2].split()[0]) / 1e3
        if not select.select([near], [], [], 0.02)[0]:
            continue
        try:
            data = os.read(near, 65536)
        except OSError:
            data = b""
        if not data:
            time.sleep(0.02)
            continue
        if not said:
            told.first_s, told.first_cpu_s = time.monotonic() - began, _processor_s(program.pid)
        said += data
        if b"\x1b[6n" in data:
            os.write(near, b"\x1b[1;1R")
        if until and not asked and re.search(until.encode(), said):
            asked = True
            os.write(near, b"q\r")  # a run may go on
    if program.poll() is None:
        program.kill()
    told.status, told.all_s, told.said = program.wait(), time.monotonic() - began, said.decode(errors="replace")
    os.close(near)
    return told


def _processor_s(pid: int) -> float:
    """proc(5), stat fields 14 and 15."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def _tell(name: str, told: Told) -> bool:
    good = told.status in (0, 1, 3) and told.peak_mb <= MOST_MB and told.first_cpu_s <= FIRST_WORDS_S
    print(
        f"{name:16} status {told.status}, first words {told.first_s:.2f} s ({told.first_cpu_s:.2f} s),"
        f" {told.all_s:.1f} s, {told.peak_mb:.0f} MB, progress told {len(PROGRESS.findall(told.said))} times"
        f"{'' if good else '  MISSED'}",
        flush=True,
    )
    if told.status not in (0, 1, 3):
        print(told.said[-600:])
    return good


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
