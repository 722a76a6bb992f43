"""What the program writes is its user's alone; it opens no door to any network and asks no shell."""

from __future__ import annotations

import argparse
import ast
import json
import os
import re
import stat
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from protocol.files.small_files import write_private
from protocol.profiles.profile import load_profile
from protocol.simulated.bench import Bench, start_bench
from tests.hostile.visits import SITE, changed
from tests.tui.terminal import terminal
from tui.cli import main
from tui.commands import commands
from tui.commands.exit_status import ExitStatus
from visit.record.visit_file import VisitFile

ROOT = Path(__file__).parents[2]
ROOMS = ("rf", "protocol", "visit", "tui", "fixtures")


@pytest.fixture
def bench() -> Iterator[Bench]:
    with start_bench(["--speed", "0", "--seed", "4"]) as bench:
        yield bench


@pytest.fixture
def open_umask() -> Iterator[None]:
    before = os.umask(0)
    yield
    os.umask(before)


def modes(folder: Path) -> dict[str, int]:
    return {str(path.relative_to(folder)): stat.S_IMODE(path.stat().st_mode) for path in folder.rglob("*")}


@pytest.mark.usefixtures("open_umask")
def test_what_is_written_is_private(
    bench: Bench, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    """Whatever the umask: visit files with their logs, exports, pages, profiles, cards, the archive, all folders."""
    home = tmp_path / "home"
    monkeypatch.setenv("XDG_DATA_HOME", str(home / "share"))
    words = ["--port", bench.node, "--site", str(SITE)]
    main(["check", *words, "--sweeps", "5"])
    (path,) = home.rglob("*.visit")
    bench.say("connect loads")
    assert main(["card", bench.node, "--site", str(SITE), "--sweeps", "5"]) == ExitStatus.GOALS_MET
    assert main(["export", str(path), "--to", str(home / "a/b")]) == ExitStatus.GOALS_MET
    assert main(["report", str(path), "--html", str(home / "a/page.html")]) == ExitStatus.GOALS_MET
    assert main(["archive", str(path.parent), "--build", "--ask", "worst"]) == ExitStatus.GOALS_MET

    class Learned:
        text, proof, unknown, profile = "# learned\n", "", (), load_profile("scpi")

    async def learn(*_: object) -> type[Learned]:
        return Learned

    monkeypatch.setattr("protocol.learn.learner.learn", learn)
    assert main(["learn", bench.node, "--ask", "no"]) == ExitStatus.GOALS_MET
    capfd.readouterr()
    visit = VisitFile.open(path)
    visit.remark("note", "so that there is a log", 1.0)
    found = modes(home)
    visit.close()
    assert {name.rpartition(".")[2] for name in found} >= {
        "visit", "visit-wal", "visit-shm", "s2p", "csv", "json", "html", "toml", "jsonl", "parquet",
    }  # fmt: skip
    assert found == {name: 0o700 if (home / name).is_dir() else 0o600 for name in found}


@pytest.mark.usefixtures("open_umask")
def test_a_file_that_is_there_keeps_its_mode(tmp_path: Path) -> None:
    path = tmp_path / "page.html"
    path.write_text("old")
    path.chmod(0o640)
    write_private(path, "new")
    assert (path.read_text(), stat.S_IMODE(path.stat().st_mode)) == ("new", 0o640)
    with pytest.raises(FileExistsError):
        write_private(path, "newer", new=True)


def test_a_learned_profile_is_never_written_over_another(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text("mine")
    options = argparse.Namespace(port="x", out=path, ask="no")
    with pytest.raises(Exception, match="exists already"):
        commands.learn(options)


# No listener

WATCHED = """
import json, os, sys
def look(event, arguments):
    if event in ("socket.bind", "socket.connect", "socket.sendto", "socket.getaddrinfo", "socket.gethostbyname"):
        os.write(2, f"SOCKET {event} {arguments}".encode())
        os._exit(99)
    if event == "socket.__new__" and arguments[1] in (2, 10, 17):
        os.write(2, f"SOCKET {event} {arguments}".encode())
        os._exit(99)
    if event in ("os.system", "subprocess.Popen") and (event == "os.system" or arguments[0].endswith("sh")):
        os.write(2, f"SHELL {arguments}".encode())
        os._exit(98)
sys.addaudithook(look)
from tui.cli import main
for words in json.loads(sys.argv[1]):
    status = main(words)
    if status not in (0, 1, 3):
        sys.exit(status)
"""


def watched(*commands: list[str]) -> subprocess.CompletedProcess[str]:
    """All commands in turn in one process, which ends with the first that fails."""
    words = [sys.executable, "-c", WATCHED, json.dumps(commands)]
    return subprocess.run(words, cwd=ROOT, capture_output=True, text=True, timeout=50, check=False)


def test_commands_open_no_socket_and_no_shell(bench: Bench, tmp_path: Path) -> None:
    """Audit events of the interpreter itself: a socket of IPv4, IPv6 or packets, or a shell, ends the process."""
    visit = str(tmp_path / "a.visit")
    done = watched(
        ["check", "--port", bench.node, "--site", str(SITE), "--sweeps", "3", "--visit", visit],
        ["watch", visit],
        ["report", visit, "--html", str(tmp_path / "a.html")],
        ["export", visit, "--to", str(tmp_path / "out")],
        ["archive", str(tmp_path), "--build", "--ask", "worst"],
        ["ports"],
    )
    assert done.returncode == 0, done.stderr
    assert "max_by" not in done.stdout and "Windmill Ridge" in done.stdout
    code = "import socket; socket.socket(socket.AF_INET)"
    look = [sys.executable, "-c", WATCHED.replace("from tui.cli import main", code)]
    assert subprocess.run(look, capture_output=True, check=False).returncode == 99, "the watch itself sees nothing"


def inodes(pid: int) -> set[str]:
    """Sockets that a process and its children hold, by inode."""
    found: set[str] = set()
    for entry in Path(f"/proc/{pid}/fd").iterdir():
        found |= set(re.findall(r"socket:\[(\d+)\]", os.readlink(entry)))  # noqa: PTH115
    for task in Path(f"/proc/{pid}/task").iterdir():
        for child in (task / "children").read_text().split():
            found |= inodes(int(child))
    return found


def listening() -> dict[str, str]:
    """All listening or unconnected sockets of IP on this machine: inode to address."""
    found = {}
    for name in ("tcp", "tcp6", "udp", "udp6"):
        for line in Path(f"/proc/net/{name}").read_text().splitlines()[1:]:
            cells = line.split()
            found[cells[9]] = f"{name} {cells[1]}"
    return found


def test_the_live_screen_listens_nowhere(tmp_path: Path) -> None:
    """With its simulated analyzer in a process beside it."""
    with terminal("demo", "--visit", str(tmp_path / "a.visit"), "--sweeps", "3") as screen:
        screen.wait_for("q quit")
        mine = inodes(screen.process.pid)
        assert not mine & listening().keys()
        screen.type("q\r")
        assert screen.wait_for_end() == 0


def test_two_workers_here_listen_nowhere(tmp_path: Path) -> None:
    for number in range(3):
        changed(tmp_path / f"{number}.visit")
    done = watched(["archive", str(tmp_path), "--build", "--scheduler", "local"])
    assert (done.returncode, done.stderr.splitlines()[-1]) == (0, "3 visit files read")


# No shell

FORBIDDEN = {
    ("os", "system"), ("os", "popen"), ("pickle", "loads"), ("pickle", "load"), ("marshal", "loads"),
    ("subprocess", "getoutput"), ("subprocess", "getstatusoutput"), ("asyncio", "create_subprocess_shell"),
    ("np", "load"), ("numpy", "load"), ("yaml", "load"), ("webbrowser", "open"), ("asyncio", "start_server"),
}  # fmt: skip


@pytest.mark.parametrize("room", ROOMS)
def test_no_shell_no_pickle_no_eval(room: str) -> None:
    looked = 0
    for path in (ROOT / room).rglob("*.py"):
        looked += 1
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.Call):
                continue
            where = f"{path.name}, line {node.lineno}"
            for keyword in node.keywords:
                off = isinstance(keyword.value, ast.Constant) and not keyword.value.value
                assert keyword.arg not in ("shell", "allow_pickle") or off, where
            if isinstance(node.func, ast.Name):
                assert node.func.id not in ("eval", "exec", "compile", "__import__"), where
                assert node.func.id != "Network" or not node.args, f"{where}: scikit-rf would unpickle the file"
            if isinstance(node.func, ast.Attribute) and isinstance(node.func.value, ast.Name):
                assert (node.func.value.id, node.func.attr) not in FORBIDDEN, where
    assert looked
