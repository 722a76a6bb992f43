"""A computer that gives the program too little, or ends it as it begins: one line at most, a status of its own, no
traceback, nothing that waits for ever."""

from __future__ import annotations

import os
import pty
import resource
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from tests.tui.terminal import PATIENCE_S, ROOT
from tui.commands.exit_status import ExitStatus
from tui.terminal.shortage import FILES, MEMORY, THREADS, shortage

OLD = str(ROOT / "tests/visit/old_files/own-correction.visit")
SITE = str(ROOT / "fixtures/sites/demo-450.toml")


def run(words: list[str], limit: int, most: int) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "tui", *words], cwd=ROOT, capture_output=True, text=True, check=False,
        timeout=PATIENCE_S, preexec_fn=lambda: resource.setrlimit(limit, (most, most)),
    )  # fmt: skip


@pytest.mark.parametrize("files", [8, 10])
def test_few_open_files_are_one_line(tmp_path: Path, files: int) -> None:
    """With eight the serial loop can't be made, with ten the port does not open."""
    near, far = pty.openpty()
    try:
        words = ["check", "--port", os.ttyname(far), "--site", SITE, "--visit", str(tmp_path / "a.visit")]
        done = run(words, resource.RLIMIT_NOFILE, files)
    finally:
        os.close(near)
        os.close(far)
    assert done.returncode == ExitStatus.MACHINE, done.stderr
    assert done.stderr.count("\n") == 1 and "ulimit -n" in done.stderr


@pytest.mark.parametrize(("command", "megabytes"), [("report", 60), ("report", 100), ("report", 250), ("watch", 600)])
def test_little_memory_is_one_line(command: str, megabytes: int) -> None:
    """The libraries of numbers would end the process by a status that means goals, or never come back."""
    done = run([command, OLD], resource.RLIMIT_AS, megabytes << 20)
    assert (done.returncode, done.stdout, done.stderr) == (ExitStatus.MACHINE, "", f"deepnotch: {MEMORY}\n")


def test_a_disk_that_fills_during_an_export_leaves_no_part_of_a_file(tmp_path: Path) -> None:
    """A file that may not grow is told like a full disk; half a Touchstone file would be read as a shorter sweep."""
    done = run(["export", OLD, "--to", str(tmp_path / "out")], resource.RLIMIT_FSIZE, 3000)
    assert done.returncode == ExitStatus.MACHINE, done.stderr
    assert done.stderr.startswith("deepnotch: can't write ") and done.stderr.count("\n") == 1
    assert list((tmp_path / "out").iterdir()) == []


def test_what_is_a_shortage_and_what_is_not() -> None:
    assert shortage(MemoryError()) == MEMORY
    assert shortage(OSError(24, "Too many open files")) == FILES
    assert shortage(RuntimeError("can't start new thread")) == THREADS
    wrapped = ImportError("numpy is broken")
    wrapped.__cause__ = ImportError("libblas.so: failed to map segment from shared object")
    assert shortage(wrapped) == MEMORY
    assert not any(map(shortage, (ImportError("no module named x"), RuntimeError("x"), OSError(2, "x"), KeyError())))


def test_without_stderr_words_for_people_are_no_data() -> None:
    """`2>&-`: `print` to a stream that is None goes to stdout."""
    command = ["sh", "-c", 'exec "$0" -m tui report /nowhere 2>&-', sys.executable]
    done = subprocess.run(command, cwd=ROOT, stdout=subprocess.PIPE, timeout=PATIENCE_S, check=False)
    assert (done.returncode, done.stdout) == (ExitStatus.USAGE, b"")


def test_interrupted_while_it_loads_it_ends_without_a_word() -> None:
    """Ctrl-C in the second before a command listens: no traceback, and no status that means goals."""
    program = (
        "import os, signal, sys, deepnotch\n"
        "class Finder:\n"
        "    def find_spec(self, name, *_):\n"
        "        if name == 'numpy': os.kill(os.getpid(), signal.SIGINT)\n"
        "sys.meta_path.insert(0, Finder())\n"
        f"sys.argv = ['deepnotch', 'report', {OLD!r}]\n"
        "sys.exit(deepnotch.main())"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], cwd=ROOT, capture_output=True, text=True, timeout=PATIENCE_S, check=False
    )
    assert (done.returncode, done.stdout, done.stderr) == (-signal.SIGINT, "", "")
