"""Measures how long the demo takes from the start of the interpreter to the first painted screen and first figures.

Run by hand: .venv/bin/python scripts/first_paint.py [RUNS]
"""

from __future__ import annotations

import os
import pty
import select
import signal
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

PATIENCE_S = 20.0


def once() -> tuple[float, float]:
    """Seconds until the screen stands, and until the first rejection figure stands on it."""
    near, far = pty.openpty()
    with tempfile.TemporaryDirectory() as folder:
        began = time.perf_counter()
        program = subprocess.Popen(
            [Path(sys.executable).with_name("deepnotch"), "demo", "--visit", str(Path(folder) / "a.visit")],
            stdin=far, stdout=far, stderr=far, start_new_session=True,
            env={**os.environ, "TERM": "xterm-256color", "COLUMNS": "80", "LINES": "24"},
        )  # fmt: skip
        os.close(far)
        seen, screen = b"", 0.0
        while time.perf_counter() - began < PATIENCE_S:
            if select.select([near], [], [], 0.05)[0]:
                seen += os.read(near, 65536)
            if not screen and b"SAFETY" in seen:
                screen = time.perf_counter() - began
            if b"AT LEAST" in seen or b"READING" in seen:
                break
        figures = time.perf_counter() - began
        program.send_signal(signal.SIGTERM)
        program.wait(10)
    os.close(near)
    return screen, figures


def main() -> None:
    runs = [once() for _ in range(int(sys.argv[1]) if len(sys.argv) > 1 else 5)]
    for name, column in (("screen", 0), ("first figures", 1)):
        values = [run[column] for run in runs]
        print(f"{name}: median {statistics.median(values):.2f} s, slowest {max(values):.2f} s of {len(values)} runs")


if __name__ == "__main__":
    main()
