"""A key is held down for a minute (a book on the keyboard): thirty a second, faster than any screen needs them."""

from __future__ import annotations

import signal
from pathlib import Path

import pytest

from protocol.simulated.bench import start_bench
from tests.tui.terminal import PATIENCE_S, Terminal
from tests.tui.test_terminal_gone import SITE
from tui.commands.exit_status import ExitStatus
from visit.record.visit_file import VisitFile

HELD = 1800
KEYS = (*" wzn?eukcvpgxdyftsl9ü", "\r", "\t", "\x1b", "\x1b[A", "\x1b[B", "\x7f")
MOST_GROWTH_MB = 40.0


def resident_mb(pid: int) -> float:
    """proc(5)."""
    status = Path(f"/proc/{pid}/status").read_text()
    return int(status.partition("VmRSS:")[2].split()[0]) / 1e3


@pytest.mark.long
@pytest.mark.timeout(900)
@pytest.mark.parametrize("key", KEYS, ids=[repr(key) for key in KEYS])
def test_a_key_that_is_held_down(key: str, tmp_path: Path) -> None:
    path = tmp_path / "a.visit"
    with start_bench(["--speed", "0.05", "--seed", "4"]) as bench:
        words = ["live", "--port", bench.node, "--site", SITE, "--visit", str(path), "--sweeps", "30"]
        screen = Terminal(words, {"XDG_STATE_HOME": str(tmp_path / "state")})
        try:
            screen.wait_for("30 of 30")
            before = resident_mb(screen.process.pid)
            for _ in range(HELD // 30):
                screen.type(30 * key)
                while screen.read(0.0):
                    pass
            screen.type("\x1b" * 3)
            grown = resident_mb(screen.process.pid) - before
            screen.process.send_signal(signal.SIGTERM)
            assert screen.wait_for_end(3 * PATIENCE_S) == ExitStatus.TERMINATED
            assert b"Traceback" not in screen.raw and grown < MOST_GROWTH_MB, grown
        finally:
            screen.close()
    assert not list(tmp_path.glob("state/deepnotch/crashes/*"))
    visit = VisitFile.open(path, read_only=True)
    try:
        for run in visit.runs():
            assert run.outcome is not None
            numbers = [n for (n,) in visit.rows("select sequence from sweep where run_id = ? order by id", (run.id,))]
            assert len(set(numbers)) == len(numbers)
        assert visit.sweep_count(1) == 30
    finally:
        visit.close()
