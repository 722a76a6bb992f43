"""1,000 starts and stops of the program: `python scripts/starts.py [N]`. What do they leave behind?

Each start measures one sweep into the same visit, every tenth is killed; the simulated analyzer lives through all of
them. Prints the statuses, and what grew: descriptors and memory of the bench, files beside the visit, in the folder for
temporary files, in the user's folders; locks that stayed. Exit status 1 when anything did. Refuses: the user's own
folders.
"""

from __future__ import annotations

import os
import signal
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

ROOT = Path(__file__).parents[1]
sys.path.insert(0, str(ROOT))

from protocol.simulated.bench import start_bench  # noqa: E402 - after the path was set
from tests.tui.forked import Programs  # noqa: E402

MOST_GROWTH_MB = 8.0
"""Of the bench: what its numbers library keeps for reuse."""


def main(count: int) -> int:
    """Start and stop; say what was left."""
    with tempfile.TemporaryDirectory(prefix="deepnotch-starts-") as name:
        folder = Path(name)
        for variable, part in (("TMPDIR", "tmp"), ("XDG_DATA_HOME", "data"), ("XDG_STATE_HOME", "state")):
            (folder / part).mkdir()
            os.environ[variable] = str(folder / part)
        tempfile.tempdir = None
        (folder / "visit").mkdir()
        return _started(folder, folder / "visit/a.visit", count)


def _started(folder: Path, path: Path, count: int) -> int:
    site = folder / "site.toml"
    text = (ROOT / "fixtures/sites/demo-450.toml").read_text(encoding="utf-8")
    site.write_text(text.replace("band-reject", "band-pass"))  # nothing is fitted: figures take nine tenths of the time
    statuses: Counter[int] = Counter()
    began = time.monotonic()
    with start_bench(["--speed", "0", "--seed", "4", "--hookup", "A>L"]) as bench:
        pipes = bench._process.stdin, bench._process.stdout
        assert pipes[0] is not None and pipes[1] is not None
        with Programs(folder / "tmp", (pipes[0].fileno(), pipes[1].fileno())) as programs:
            words = ["check", "--port", bench.node, "--site", str(site), "--visit", str(path), "--sweeps", "1"]
            programs.run(*words)
            before = _held(bench._process.pid)
            for number in range(count):
                pid = programs.start(*words)
                if number % 10 == 9:
                    time.sleep(0.05 + number % 7 / 50)
                    os.kill(pid, signal.SIGKILL)
                statuses[programs.wait(pid)[0]] += 1
            programs.run(*words)
            after = _held(bench._process.pid)
    for file in (folder / "tmp").glob("[0-9]*.*"):
        file.unlink()  # what the programs said
    left = [str(file.relative_to(folder)) for file in folder.rglob("*") if file.is_file() and file not in (path, site)]
    print(f"{count} starts in {time.monotonic() - began:.0f} s, statuses {dict(statuses)}")
    print(f"bench: descriptors {before[0]} -> {after[0]}, memory {before[1]:.1f} -> {after[1]:.1f} MB; left: {left}")
    good = after[0] == before[0] and after[1] - before[1] < MOST_GROWTH_MB and not left
    return 0 if good and set(statuses) <= {0, 1, 3, -signal.SIGKILL} else 1


def _held(pid: int) -> tuple[int, float]:
    """Descriptors and resident megabytes of a process: proc(5)."""
    pages = int(Path(f"/proc/{pid}/statm").read_text().split()[1])
    return len(list(Path(f"/proc/{pid}/fd").iterdir())), pages * os.sysconf("SC_PAGE_SIZE") / 1e6


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 1000))
