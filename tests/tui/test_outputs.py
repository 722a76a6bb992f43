"""Where the data go may be closed early or full: no traceback, no wrong status."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.tui.terminal import PATIENCE_S, ROOT
from tui.commands.exit_status import ExitStatus

OLD = str(ROOT / "tests/visit/old_files/own-correction.visit")
ENVIRONMENT = {name: value for name, value in os.environ.items() if name != "PYTHONUNBUFFERED"}


def run(words: list[str], stdout: int | None, unbuffered: str = "") -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "tui", *words], cwd=ROOT, stdout=stdout, stderr=subprocess.PIPE, text=True,
        env={**ENVIRONMENT, "PYTHONUNBUFFERED": unbuffered}, timeout=PATIENCE_S, check=False,
    )  # fmt: skip


@pytest.mark.parametrize("words", [["profiles"], ["--help"], ["report", OLD]])
def test_an_output_that_was_closed_is_no_fault(words: list[str]) -> None:
    """`| head -1` when head has gone already: the first line fails."""
    reads, writes = os.pipe()
    os.close(reads)
    try:
        done = run(words, writes)
    finally:
        os.close(writes)
    assert (done.returncode, done.stderr) == (ExitStatus.GOALS_MET, "")


@pytest.mark.parametrize("unbuffered", ["", "1"])
@pytest.mark.parametrize("words", [["profiles"], ["--version"], ["--help"]])
def test_a_full_output_is_one_line_and_a_fault_of_the_computer(words: list[str], unbuffered: str) -> None:
    with Path("/dev/full").open("w") as full:
        done = run(words, full.fileno(), unbuffered)
    assert done.returncode == ExitStatus.MACHINE
    assert done.stderr.startswith("deepnotch: the output takes no more (No space left on device)")
    assert done.stderr.count("\n") == 1


def test_without_the_three_streams_no_file_gets_their_numbers(tmp_path: Path) -> None:
    """Started with all of them closed: what is opened next would be stdout."""
    told = tmp_path / "numbers"
    program = (
        "import os, sys; from tui.cli import main; status = main(['profiles'])\n"
        f"file = open({str(told)!r}, 'w'); file.write(f'{{file.fileno()}} {{status}}')"
    )
    done = subprocess.run(
        ["sh", "-c", '"$0" -c "$1" <&- >&- 2>&-', sys.executable, program], cwd=ROOT, timeout=PATIENCE_S, check=False
    )
    number, status = told.read_text().split()
    assert (done.returncode, int(number) > 2, status) == (0, True, "0")
