"""The program finds its own rooms whatever lies in the current folder or on PYTHONPATH; and where it cannot run."""

from __future__ import annotations

import contextlib
import os
import re
import subprocess
import sys
import tomllib
from importlib.metadata import version
from pathlib import Path

import pytest
from packaging.requirements import Requirement

from deepnotch import FOLDER, NO_SERIAL_LINES, ROOMS, own_rooms_first
from tests.tui.terminal import Terminal

ROOT = Path(__file__).parents[1]
SITE = str(ROOT / "fixtures/sites/demo-450.toml")
INSTALLED = str(Path(sys.executable).with_name("deepnotch"))
WAYS = {
    "start": (str(ROOT / "start"),),
    "installed": (INSTALLED,),
    "python -m deepnotch": (sys.executable, "-m", "deepnotch"),
    "python -m tui": (sys.executable, "-m", "tui"),
}


@pytest.fixture
def foreign(tmp_path: Path) -> Path:
    """A folder of somebody's with packages of the rooms' names that cannot be imported."""
    for room in ROOMS:
        (tmp_path / room).mkdir()
        (tmp_path / room / "__init__.py").write_text(f"raise RuntimeError('a foreign {room}')\n")
    (tmp_path / "serial.py").write_text("raise RuntimeError('a foreign serial')\n")
    return tmp_path


def run(words: tuple[str, ...], folder: Path, **environment: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        words, cwd=folder, env={**os.environ, **environment}, capture_output=True, text=True, timeout=50, check=False
    )


def on_path(folder: Path) -> str:
    """PYTHONPATH with the foreign rooms in front and the checkout behind."""
    (folder / "serial.py").unlink()  # a library that somebody puts on PYTHONPATH is meant
    return f"{folder}{os.pathsep}{ROOT}"


def made_for(way: str, folder: Path) -> None:
    """`python -m tui` asks for the first `tui` on the path, so that only a foreign one of that name would be run."""
    if way == "python -m tui":
        (folder / "tui/__init__.py").unlink()
        (folder / "tui").rmdir()


@pytest.mark.parametrize("where", ["current folder", "PYTHONPATH"])
@pytest.mark.parametrize("way", [name for name in WAYS if name != "start" or (ROOT / ".venv/bin/pip").exists()])
def test_foreign_rooms_are_not_taken(way: str, where: str, foreign: Path) -> None:
    """One command with data on stdout, one with a fault of use: nothing else is said."""
    made_for(way, foreign)
    environment = {"PYTHONPATH": on_path(foreign)} if where == "PYTHONPATH" else {}
    done = run((*WAYS[way], "profiles"), foreign, **environment)
    assert (done.returncode, done.stderr) == (0, "")
    assert "scpi\t" in done.stdout
    told = run((*WAYS[way], "read", "none.s2p", "--site", SITE), foreign, **environment)
    assert told.returncode == 2 and told.stderr.count("\n") == 1 and "none.s2p" in told.stderr


@pytest.mark.parametrize("way", ["installed", "python -m tui"])
def test_the_demo_and_its_bench_take_no_foreign_rooms(way: str, foreign: Path) -> None:
    """The screen, and the simulated analyzer that it starts in a process of its own."""
    made_for(way, foreign)
    environment = {"PYTHONPATH": on_path(foreign)}
    words = ["demo", "--speed", "0", "--visit", str(foreign / "a.visit")]
    with contextlib.closing(Terminal(words, environment, command=WAYS[way], folder=foreign)) as terminal:
        terminal.wait_for("100 of 100")
        terminal.type("q")
        assert terminal.wait_for_end() == 0


def test_what_precedes_the_libraries_still_does() -> None:
    """Only entries with a room's name in them move; the current folder goes when `python -m` has put it there."""
    assert own_rooms_first(["/usr/lib/python3.11", FOLDER]) == ["/usr/lib/python3.11", FOLDER]
    assert own_rooms_first(["/somewhere", "/usr/lib/python3.11"], "/somewhere") == ["/usr/lib/python3.11", FOLDER]
    assert own_rooms_first([FOLDER, "/usr/lib/python3.11"], FOLDER) == ["/usr/lib/python3.11", FOLDER]


@pytest.mark.parametrize("missing", ["termios", "fcntl"])
def test_a_system_without_serial_lines_gets_one_line(missing: str) -> None:
    without = f"import sys; sys.modules[{missing!r}] = None; import deepnotch; sys.exit(deepnotch.main(['profiles']))"
    done = run((sys.executable, "-c", without), ROOT)
    assert (done.returncode, done.stdout, done.stderr) == (2, "", NO_SERIAL_LINES + "\n")
    assert NO_SERIAL_LINES.count("\n") == 0 and "Traceback" not in done.stderr


def test_the_version_has_one_place() -> None:
    done = run((INSTALLED, "--version"), ROOT)
    assert done.stdout == f"deepnotch {version('deepnotch')}\n"


def locked(name: str) -> tuple[str, dict[str, str]]:
    """A lock file and the versions in it."""
    text = (ROOT / f"locks/{name}.txt").read_text()
    return text, dict(re.findall(r"^([a-z0-9.-]+)==(\S+) ", text, re.MULTILINE))


def test_a_larger_lock_holds_the_smaller() -> None:
    """So that what `./start test` has installed will do for `./start`."""
    _, run = locked("run")
    _, test = locked("test")
    _, check = locked("check")
    assert run.items() <= test.items() <= check.items()


@pytest.mark.parametrize(("lock", "extras"), [("run", ()), ("test", ("archive", "test")), ("check", ("test", "lint"))])
def test_the_locks_hold_what_the_project_asks(lock: str, extras: tuple[str, ...]) -> None:
    """Every requirement of pyproject.toml is in the lock, in a version that it admits, with hashes and no address."""
    text, versions = locked(lock)
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())
    asked = [*project["build-system"]["requires"], *project["project"]["dependencies"]]
    for extra in extras:
        asked += project["project"]["optional-dependencies"][extra]
    for requirement in map(Requirement, asked):
        name = requirement.name.lower().replace("_", "-")
        assert name == "deepnotch" or requirement.specifier.contains(versions[name]), f"{name}: run make lock"
    assert "://" not in text
    assert all("--hash=sha256:" in block for block in re.split(r"^(?=[a-z0-9])", text, flags=re.MULTILINE)[1:])
