"""Over a real sshd: the link drops, another session watches the run and takes it over on its screen, in turns."""

from __future__ import annotations

import getpass
import re
import shlex
import shutil
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from protocol.simulated.bench import Bench, start_bench
from scripts.thin_line import server
from tests.tui.terminal import ROOT, Terminal
from tests.tui.test_terminal_gone import SITE, outcomes, remarks, sequences, wait_until

SWEEPS, TURNS = 20_000, 4
pytestmark = [
    pytest.mark.long,
    pytest.mark.skipif(
        shutil.which("ssh") is None or (shutil.which("sshd") is None and not Path("/usr/sbin/sshd").exists()),
        reason="no sshd here",
    ),
]


@pytest.fixture
def ssh() -> Iterator[list[str]]:
    """Words that log in here."""
    with server() as (port, folder):
        yield [
            "ssh", "-tt", "-q", "-p", str(port), "-i", str(folder / "user"), "-o", "StrictHostKeyChecking=no",
            "-o", "UserKnownHostsFile=/dev/null", f"{getpass.getuser()}@127.0.0.1",
        ]  # fmt: skip


@pytest.fixture
def bench() -> Iterator[Bench]:
    with start_bench(["--speed", "0.2", "--seed", "4"]) as bench:
        yield bench


@pytest.mark.timeout(900)
def test_taken_over_on_the_screen_again_and_again(ssh: list[str], bench: Bench, tmp_path: Path) -> None:
    path = tmp_path / "a.visit"
    words = ["live", "--port", bench.node, "--site", SITE, "--visit", str(path), "--sweeps", str(SWEEPS)]
    command = f"cd {ROOT} && PYTHONPATH={ROOT} LANG=C.UTF-8 {shlex.join([sys.executable, '-m', 'tui', *words])}"

    def sweeping(screen: Terminal) -> int:
        screen.wait_for(lambda text: bool(re.search(rf"SWEEPS +[1-9]\d* of {SWEEPS}", text)), 120.0)
        found = re.search(r"SWEEPS +(\d+)", screen.text)
        assert found is not None
        return int(found[1])

    screens = [Terminal([command], command=ssh)]
    try:
        seen = sweeping(screens[0])
        for turn in range(TURNS):
            if turn % 2:  # the link drops first
                screens[-1].process.kill()
                wait_until(
                    lambda turn=turn: sum("went away" in str(words) for _, words in remarks(path)) == turn // 2 + 1,  # type: ignore[misc]
                    "the hang-up is noted",
                )
            screens.append(Terminal([command], command=ssh))
            screens[-1].wait_for("WATCHING", 120.0)
            screens[-1].type("o")
            screens[-1].wait_for(lambda text: "WATCHING" not in text and "q quit" in text, 120.0)
            before, seen = seen, sweeping(screens[-1])
            assert seen > before, (remarks(path), outcomes(path))  # the average goes on
        screens[-1].type("q\r")
        assert screens[-1].wait_for_end() == 0
    finally:
        for screen in screens:
            screen.close()
    kept = sequences(path)
    assert kept == list(range(len(kept))) and len(kept) >= seen and outcomes(path) == ["stopped"]
    assert sum(kind == "handed over" for kind, _ in remarks(path)) == TURNS
