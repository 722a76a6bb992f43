"""Measures what docs/speed.md says, and prints its table. Medians; for a quiet machine.

Run by hand: make speed     (under ten minutes; the rows over ssh need `apt install openssh-server`)
"""

from __future__ import annotations

import contextlib
import os
import re
import shutil
import signal
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))
from protocol.simulated.bench import start_bench
from scripts import first_paint, thin_line
from tests.tui.terminal import ROOT, Terminal
from tui.terminal.thin_driver import ASK
from visit.record.visit_file import VisitFile

HELP_RUNS, PAINT_RUNS = 11, 7
WATCHED_S, IDLE_S = 30.0, 10.0
MEMORY_S = 60.0
PROGRAM = Path(sys.executable).with_name("deepnotch")


def help_s() -> float:
    """From the shell's point of view: start, print, end."""
    times = []
    for _ in range(HELP_RUNS):
        began = time.perf_counter()
        subprocess.run([PROGRAM, "--help"], check=True, capture_output=True)
        times.append(time.perf_counter() - began)
    return statistics.median(times)


@contextlib.contextmanager
def demo(*words: str) -> Iterator[tuple[Terminal, Path]]:
    """The live screen on a pty, and its visit file."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "a.visit"
        screen = Terminal(["demo", "--visit", str(path), *words])
        try:
            screen.wait_for(lambda text: re.search(r"SWEEPS +[1-9]", text) is not None)
            yield screen, path
        finally:
            screen.process.send_signal(signal.SIGTERM)
            screen.wait_for_end()
            screen.close()


def cpu_s(pid: int, thread: str = "") -> float:
    """Processor seconds of a process, or of its main thread, which is the screen's: proc(5), stat fields 14 and 15."""
    fields = Path(f"/proc/{pid}/{thread}stat").read_text(encoding="ascii").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def look(screen: Terminal, seconds: float) -> tuple[float, float, int, float, float]:
    """Bytes a picture, bytes a second, bytes altogether, processor seconds a minute of screen and of process."""
    pid = screen.process.pid
    main = f"task/{pid}/"
    before, began, spent, drawing = len(screen.raw), time.monotonic(), cpu_s(pid), cpu_s(pid, main)
    while time.monotonic() - began < seconds:
        screen.read(0.05)
    took, came = time.monotonic() - began, len(screen.raw) - before
    pictures = screen.raw[before:].count(ASK.encode())
    minutes = (60 * (cpu_s(pid, main) - drawing) / took, 60 * (cpu_s(pid) - spent) / took)
    return came / max(pictures, 1), came / took, came, *minutes


def without_screen() -> float:
    """Processor seconds a minute of the same run without a screen."""
    with tempfile.TemporaryDirectory() as folder, start_bench() as bench:
        process = subprocess.Popen(
            [PROGRAM, "check", "--port", bench.node, "--site", ROOT / "fixtures/sites/demo-450.toml", "--visit",
             Path(folder) / "a.visit", "--sweeps", "100000"],
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        time.sleep(5)
        before = cpu_s(process.pid)
        time.sleep(WATCHED_S)
        spent = 60 * (cpu_s(process.pid) - before) / WATCHED_S
        process.terminate()
        process.wait()
    return spent


def memory() -> tuple[float, int]:
    """Largest resident size in MB, and the sweeps taken: a run at full speed."""
    with demo("--speed", "0", "--sweeps", "1000000") as (screen, path):
        look(screen, MEMORY_S)
        status = Path(f"/proc/{screen.process.pid}/status").read_text(encoding="ascii")
        visit = VisitFile.open(path, read_only=True)
        sweeps = int(str(visit.rows("select count(*) from sweep")[0][0]))
        visit.close()
    return int(re.findall(r"VmHWM:\s+(\d+)", status)[0]) / 1024, sweeps


def rows() -> Iterator[tuple[str, str, str]]:
    """What, measured, at most."""
    yield "`--help`", f"{help_s():.2f} s", "0.25 s"
    paint = [first_paint.once() for _ in range(PAINT_RUNS)]
    yield "screen stands", f"{statistics.median(screen for screen, _ in paint):.2f} s", "0.6 s"
    yield (
        "first figures (the sweep itself takes 0.5 s)",
        f"{statistics.median(figures for _, figures in paint):.2f} s",
        "",
    )
    with demo("--sweeps", "100000") as (screen, _):
        look(screen, 5)
        picture, second, _, drawing, whole = look(screen, WATCHED_S)
        screen.type(" ")
        screen.wait_for("stopped")
        look(screen, 3)
        idle = look(screen, IDLE_S)
    yield "a refresh of the live screen, 80 by 24", f"{picture:.0f} bytes", "2000 bytes"
    yield "the live screen while sweeps come", f"{second:.0f} bytes/s", "10 000 bytes/s"
    yield f"the live screen at rest, {IDLE_S:.0f} s", f"{idle[2]} bytes", "0 bytes"
    plain = without_screen()
    yield "processor time of the screen's thread, a minute", f"{drawing:.1f} s", ""
    said = f"{whole:.1f} s ({plain:.1f} s without a screen, figures at the end only)"
    yield "... of the whole process, figures after each sweep", said, ""
    resident, sweeps = memory()
    yield f"resident after {sweeps} sweeps of 401 points", f"{resident:.0f} MB", "120 MB"
    if shutil.which("sshd", path=f"{os.environ.get('PATH', '')}:/usr/sbin"):
        for kbit_s in (64.0, 4.0):
            line = thin_line.measure(kbit_s)
            keys = f"{statistics.median(line.keys_s):.2f} s, longest {max(line.keys_s):.2f} s"
            yield f"`ssh -C` at {kbit_s:g} kbit/s, 0.2 s there and back: key to effect", keys, ""
            live = f"{line.live_down:.0f} + {line.live_up:.0f} bytes/s, {line.pictures_s:.1f} pictures/s"
            yield "... on the line while sweeps come (down + up)", live, ""
            yield "... on the line at rest", f"{line.idle_down:.0f} + {line.idle_up:.0f} bytes/s", "0 bytes/s"


def main() -> None:
    print("| what | measured | at most |\n|---|---|---|")
    for what, measured, most in rows():
        print(f"| {what} | {measured} | {most} |", flush=True)


if __name__ == "__main__":
    main()
