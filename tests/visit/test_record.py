"""The visit file keeps every sweep as it came, and says in one line what is wrong with a file that is not one."""

from __future__ import annotations

import dataclasses
import os
import signal
import sqlite3
import stat
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from protocol.sweep import OWN_BANDWIDTH, Applied, Sweep, SweepSettings
from visit.record.opening import RecordError
from visit.record.visit_file import RunRow, VisitFile
from visit.site.hookup import HookUp
from visit.site.site import Site, load_site

SITE_FILE = Path(__file__).parents[2] / "fixtures/sites/demo-450.toml"


@pytest.fixture
def site() -> Site:
    return load_site(SITE_FILE)


def make_sweep(sequence: int, points: int = 11) -> Sweep:
    rng = np.random.default_rng(sequence)
    settings = SweepSettings(450e6, 460e6, points, 1000.0)
    trace = rng.normal(size=(2, points)) + 1j * rng.normal(size=(2, points))
    return Sweep(settings, settings.frequency_hz(), trace[0], trace[1], sequence, 100.0 + sequence, 0.5)


def begin(visit: VisitFile) -> int:
    settings = SweepSettings(450e6, 460e6, 11, 1000.0)
    return visit.begin_run("check", HookUp("A", "L"), Applied(settings, settings, ("took 11 points",)), 3, None, 1.0)


def test_what_goes_in_comes_out(tmp_path: Path, site: Site) -> None:
    path = tmp_path / "a.visit"
    visit = VisitFile.create(path, site, "demo", 1.0)
    run = begin(visit)
    for sequence in range(3):
        visit.add_sweep(run, make_sweep(sequence))
    visit.end_run(run, "complete", 5.0)
    visit.end_run(run, "changed my mind", 6.0)
    visit.close()
    again = VisitFile.open(path, read_only=True)
    (row,) = again.runs()
    assert (row.outcome, row.hookup.name, row.changes, row.planned_sweeps) == (
        "complete",
        "A>L",
        ("took 11 points",),
        3,
    )
    assert again.site() == site
    stored = again.sweeps(run)
    assert [s.started_s for s in stored] == [100.0, 101.0, 102.0]
    for sequence, kept in enumerate(stored):
        sent = make_sweep(sequence)
        assert np.array_equal(kept.s21, sent.s21)
        assert np.array_equal(kept.s11, sent.s11)
        assert np.array_equal(kept.frequency_hz, sent.frequency_hz)
    assert again.sweeps(run, after_id=stored[1].id)[0].started_s == 102.0
    assert again.sweep_count(run) == 3
    again.close()


def test_no_sweep_counts_twice(tmp_path: Path, site: Site) -> None:
    visit = VisitFile.create(tmp_path / "a.visit", site, "demo", 1.0)
    run = begin(visit)
    visit.add_sweep(run, make_sweep(0))
    with pytest.raises(RecordError, match="UNIQUE"):
        visit.add_sweep(run, make_sweep(0))
    assert visit.sweep_count(run) == 1
    visit.close()


def test_the_file_is_private(tmp_path: Path, site: Site) -> None:
    visit = VisitFile.create(tmp_path / "a.visit", site, "demo", 1.0)
    assert stat.S_IMODE((tmp_path / "a.visit").stat().st_mode) == 0o600
    visit.close()


def test_an_existing_file_is_never_overwritten(tmp_path: Path, site: Site) -> None:
    path = tmp_path / "a.visit"
    path.write_text("mine")
    with pytest.raises(RecordError, match="exists already"):
        VisitFile.create(path, site, "demo", 1.0)
    assert path.read_text() == "mine"


def test_files_that_are_no_visit(tmp_path: Path, site: Site) -> None:
    (tmp_path / "text").write_text("not a database at all, but long enough to look at" * 40)
    other = sqlite3.connect(tmp_path / "other")
    other.execute("create table t (x)")
    other.close()
    newer = VisitFile.create(tmp_path / "newer", site, "demo", 1.0)
    newer.close()
    raw = sqlite3.connect(tmp_path / "newer")
    raw.execute("pragma user_version = 99")
    raw.close()
    for name, words in (
        ("text", "can't be read"), ("other", "not a visit file"), ("newer", "version 99"), ("absent", "no such"),
    ):  # fmt: skip
        with pytest.raises(RecordError, match=words) as caught:
            VisitFile.open(tmp_path / name)
        assert name in str(caught.value)


def test_a_folder_that_is_not_there(tmp_path: Path, site: Site) -> None:
    with pytest.raises(RecordError, match="No such file"):
        VisitFile.create(tmp_path / "no" / "a.visit", site, "demo", 1.0)


KILLED = """
import os, sys
sys.path[:0] = [{tests!r}]
from tests.visit.test_record import *
visit = VisitFile.create(Path({path!r}), load_site(SITE_FILE), "demo", 1.0)
run = begin(visit)
for sequence in range(10_000):
    visit.add_sweep(run, make_sweep(sequence))
    os.write(1, b"%d\\n" % (sequence + 1))
"""


def test_a_kill_loses_no_committed_sweep(tmp_path: Path) -> None:
    path = tmp_path / "a.visit"
    root = str(Path(__file__).parents[2])
    child = subprocess.Popen([sys.executable, "-c", KILLED.format(tests=root, path=str(path))], stdout=subprocess.PIPE)
    assert child.stdout is not None
    acknowledged = [int(child.stdout.readline()) for _ in range(40)][-1]
    os.kill(child.pid, signal.SIGKILL)
    rest = child.stdout.read().split()
    child.wait()
    child.stdout.close()
    acknowledged = int(rest[-1]) if rest else acknowledged
    visit = VisitFile.open(path)
    (row,) = visit.runs()
    assert row.outcome is None
    assert visit.sweep_count(row.id) >= acknowledged
    visit.close()


def test_a_bandwidth_that_nobody_knows_is_not_told() -> None:
    settings = SweepSettings(440e6, 450e6, 11, 1e3)
    known = RunRow(1, "live", HookUp("A", "L"), settings, ("asked 21 points, analyzer took 11",), 1, None, 0.0)
    assert known.bandwidth_words == "1000 Hz bandwidth"
    assert dataclasses.replace(known, changes=(*known.changes, OWN_BANDWIDTH)).bandwidth_words == "bandwidth not known"
