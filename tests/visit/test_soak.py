"""A day and a night of sweeps with faults at random: memory, file handles, threads and the pace of sweeps stay flat.

Long: `make soak` (24 simulated hours). The simulated clock runs as fast as the machine can.
"""

from __future__ import annotations

import os
import random
import statistics
import threading
import time
from pathlib import Path

import pytest

from protocol.profiles.profile import load_profile
from protocol.simulated.bench import Bench, start_bench
from protocol.sweep import SweepSettings
from tests.visit.stations import site
from visit.run.conductor import Phase, RunOrder, new_visit
from visit.run.station import Station
from visit.site.hookup import HookUp

HOURS = float(os.environ.get("DEEPNOTCH_SOAK_HOURS", "24"))
SWEEPS = 300
SETTINGS = SweepSettings(442.5e6, 462.5e6, 401, 100.0)
"""4.1 simulated seconds a sweep."""
FAULTS = ("garbage 1", "half 1", "garble 1", "chatter 1", "count 1", "refuse 1", "trickle 1", "silence 1")


def resident_mb() -> float:
    """Resident memory of this process, proc(5)."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def simulated_s(bench: Bench) -> float:
    return float(bench.say("status").rpartition(",")[2].split()[0])


@pytest.mark.long
def test_a_day_and_a_night(tmp_path: Path) -> None:
    rng, chosen = random.Random(7), site("demo-450")
    link = tmp_path / "lasting-name"
    visit = new_visit(tmp_path / "a.visit", chosen, "demo")
    seen: list[tuple[float, float, int, int, float]] = []
    faults = 0
    with (
        start_bench(["--speed", "0", "--seed", "4", "--link", str(link)]) as bench,
        Station(str(link), load_profile("scpi"), chosen, visit, HookUp("A", "L")) as station,
    ):
        while (hours := simulated_s(bench) / 3600.0) < HOURS:
            began, quiet_until = time.monotonic(), 3
            station.order(RunOrder(HookUp("A", "L"), SETTINGS, SWEEPS, trusted=True))
            while True:
                progress = station.state().progress
                if progress.run_id == len(seen) + 1 and progress.phase is Phase.COMPLETE:
                    break
                assert progress.phase is not Phase.FAULT, progress.message
                if progress.run_id == len(seen) + 1 and progress.done > quiet_until and rng.random() < 0.02:
                    quiet_until, fault = progress.done + 3, rng.random()
                    if fault < 0.2:
                        bench.say("unplug")
                        bench.say("replug")
                    elif fault < 0.4:
                        bench.say("restart")
                    else:
                        bench.say(f"fault {rng.choice(FAULTS)}")
                    faults += 1
                threading.Event().wait(0.01)
            station.wait()
            handles = len(list(Path("/proc/self/fd").iterdir()))
            seen.append((hours, resident_mb(), handles, threading.active_count(), time.monotonic() - began))
    runs = visit.runs()
    counts = visit.rows("select run_id, count(*) from sweep group by run_id")
    visit.close()
    assert len(runs) == len(seen) and all(count == SWEEPS for _, count in counts)
    third = max(len(seen) // 3, 1)
    first, last = seen[third : 2 * third], seen[-third:]
    memory = [statistics.median(row[1] for row in part) for part in (first, last)]
    pace = [statistics.median(row[4] for row in part) for part in (first, last)]
    words = [
        f"{HOURS:g} simulated hours, {len(seen)} runs of {SWEEPS} sweeps, {faults} faults",
        f"resident {memory[0]:.1f} MB in the middle third, {memory[1]:.1f} MB in the last",
        f"handles {min(row[2] for row in seen)} to {max(row[2] for row in seen)}, threads {seen[-1][3]}",
        f"a run takes {pace[0]:.2f} s in the middle third, {pace[1]:.2f} s in the last",
    ]
    print("\n" + "; ".join(words))
    assert faults > HOURS
    assert memory[1] < memory[0] * 1.05 + 2.0
    assert seen[-1][2] <= seen[min(1, len(seen) - 1)][2] + 2
    assert seen[-1][3] <= seen[0][3] + 1
    assert pace[1] < pace[0] * 1.3 + 0.5
