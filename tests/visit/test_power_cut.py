"""The power fails, the process is killed, the disk is full: what was acknowledged is there, the file opens, the run can
be resumed.

Power cuts are put together from a note of all writes and syncs (power_cut.c): at a cut the disk holds all that was
synced, and of what was written since then any part, in blocks of 512 bytes, in any order. Needs a C compiler; without
one these tests are skipped.
"""

from __future__ import annotations

import errno
import random
import resource
import shutil
import signal
import struct
import subprocess
import sys
import textwrap
import time
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from protocol.errors import MachineError, RequestError, not_written
from protocol.simulated.bench import start_bench
from tests.visit.stations import table
from tui.cli import main
from visit.record.opening import RecordError
from visit.record.visit_file import VisitFile
from visit.run.conductor import Progress, new_visit
from visit.site.presets import wide
from visit.site.site import load_site

ROOT = Path(__file__).parents[2]
SITE = str(ROOT / "fixtures/sites/demo-450.toml")
SECTOR = 512
SWEEPS = 25
PATIENCE_S = 40.0

WRITER = """
    import os, sys, sqlite3
    from pathlib import Path
    import numpy as np
    from protocol.sweep import Applied, Sweep, SweepSettings
    from visit.run.conductor import new_visit
    from visit.site.hookup import HookUp
    from visit.site.site import load_site

    visit = new_visit(Path(sys.argv[1]), load_site(Path(sys.argv[2])), "site")
    if sys.argv[3] == "careless":
        visit._connection.execute("pragma synchronous = off")
    settings = SweepSettings(450e6, 455e6, 21, 1000.0)
    run = visit.begin_run("check", HookUp("A", "L"), Applied(settings, settings), None, None, 0.0)
    acknowledged = os.open(sys.argv[1] + ".acknowledged", os.O_WRONLY | os.O_CREAT)
    rng = np.random.default_rng(1)
    for number in range(int(sys.argv[4])):
        s11, s21 = rng.standard_normal((2, 21)) + 1j * rng.standard_normal((2, 21))
        visit.add_sweep(run, Sweep(settings, settings.frequency_hz(), s11, s21, number, float(number), 0.1))
        os.write(acknowledged, b".")
        if number % 10 == 9:
            visit._connection.execute("pragma wal_checkpoint(passive)")
    os._exit(0)
"""


@pytest.fixture(scope="session")
def shim(tmp_path_factory: pytest.TempPathFactory) -> Path:
    compiler = shutil.which("cc") or shutil.which("gcc")
    if compiler is None:
        pytest.skip("no C compiler")
    built = tmp_path_factory.mktemp("shim") / "power_cut.so"
    source = Path(__file__).with_name("power_cut.c")
    subprocess.run([compiler, "-shared", "-fPIC", "-O1", "-o", str(built), str(source), "-ldl"], check=True)
    return built


@dataclass
class Disk:
    """What a disk holds of one file: what was synced, and the operations since."""

    safe: bytearray = field(default_factory=bytearray)
    pending: list[tuple[int, bytes | None]] = field(default_factory=list)
    """(offset, data), or (length, None) for a truncation."""

    def sync(self) -> None:
        for operation in self.pending:
            self._do(self.safe, *operation)
        self.pending.clear()

    def after_cut(self, rng: random.Random) -> bytes:
        """One thing that may be found afterwards: any of the pending sectors in any order."""
        image = bytearray(self.safe)
        pieces: list[tuple[int, bytes | None]] = []
        for offset, data in self.pending:
            if data is None:
                pieces.append((offset, None))
                continue
            at = offset
            while at < offset + len(data):
                end = min(at - at % SECTOR + SECTOR, offset + len(data))
                pieces.append((at, data[at - offset : end - offset]))
                at = end
        share = rng.random()
        chosen = [piece for piece in pieces if rng.random() < share]
        rng.shuffle(chosen)
        for piece in chosen:
            self._do(image, *piece)
        return bytes(image)

    @staticmethod
    def _do(image: bytearray, offset: int, data: bytes | None) -> None:
        if data is None:
            del image[offset:]
            image.extend(bytes(offset - len(image)))
            return
        image.extend(bytes(max(offset - len(image), 0)))
        image[offset : offset + len(data)] = data


def cuts(
    note: bytes, rng: random.Random, every: int, database: bytes = b"", log: bytes = b""
) -> list[tuple[int, bytes, bytes]]:
    """(sweeps acknowledged, database, log) at every so many operations, from what the disk held at first."""
    disks = {"D": Disk(bytearray(database)), "W": Disk(bytearray(log))}
    found, acknowledged, at, number = [], 0, 0, 0
    while at < len(note):
        what, file = chr(note[at]), chr(note[at + 1])
        offset, length = struct.unpack_from("<qq", note, at + 2)
        at += 18
        data = note[at : at + length] if what == "w" else None
        at += length if what == "w" else 0
        if file == "A":
            acknowledged += length if what == "w" else 0
        elif what == "s":
            disks[file].sync()
        else:
            disks[file].pending.append((offset, data))
        number += 1
        if number % every == 0:
            found.append((acknowledged, disks["D"].after_cut(rng), disks["W"].after_cut(rng)))
    return found


def survivors(folder: Path, database: bytes, log: bytes) -> int:
    """Whole sweeps in what a cut has left; -1 when it is no visit file. Raises RecordError when it is damaged."""
    path = folder / "cut.visit"
    for end in ("", "-wal", "-shm"):
        Path(f"{path}{end}").unlink(missing_ok=True)
    path.write_bytes(database)
    Path(f"{path}-wal").write_bytes(log)
    visit = VisitFile.open(path)
    try:
        runs = visit.runs()
        sweeps = visit.sweeps(runs[0].id) if runs else []
        assert all(sweep.s21.size == 21 for sweep in sweeps)
        assert [sweep.started_s for sweep in sweeps] == [float(n) for n in range(len(sweeps))]
        return len(sweeps)
    finally:
        visit.close()


def write_with_note(shim: Path, folder: Path, care: str) -> bytes:
    note = folder / "note"
    subprocess.run(
        [sys.executable, "-c", textwrap.dedent(WRITER), str(folder / "a.visit"), SITE, care, str(SWEEPS)],
        cwd=ROOT, check=True, timeout=PATIENCE_S,
        env={"LD_PRELOAD": str(shim), "POWER_CUT_NOTE": str(note), "PYTHONPATH": str(ROOT), "PATH": "/usr/bin:/bin"},
    )  # fmt: skip
    return note.read_bytes()


def test_a_power_cut_loses_no_acknowledged_sweep(shim: Path, tmp_path: Path) -> None:
    """Checkpoints in between, a cut after every third operation, three disks each."""
    note = write_with_note(shim, tmp_path, "careful")
    tried = 0
    for seed in range(3):
        for acknowledged, database, log in cuts(note, random.Random(seed), 3):
            if acknowledged:
                assert survivors(tmp_path, database, log) >= acknowledged
                tried += 1
    assert tried > 100


def test_the_same_cuts_find_a_careless_writer(shim: Path, tmp_path: Path) -> None:
    """Without syncs sweeps are lost or the file is damaged: the test above can fail."""
    note = write_with_note(shim, tmp_path, "careless")
    lost = 0
    for acknowledged, database, log in cuts(note, random.Random(0), 3):
        try:
            lost += acknowledged > 0 and survivors(tmp_path, database, log) < acknowledged
        except (RecordError, AssertionError):
            lost += 1
    assert lost > 10


BRINGS_ON = """
    import os, sys
    from pathlib import Path
    from dataclasses import replace
    from protocol.sweep import Sweep, SweepSettings
    from visit.record.visit_file import VisitFile

    visit = VisitFile.open(Path(sys.argv[1]))
    acknowledged = os.open(sys.argv[1] + ".acknowledged", os.O_WRONLY | os.O_CREAT)
    (run,) = visit.runs()
    last = visit.sweeps(run.id)[-1]
    for number in range(4):
        made = Sweep(run.settings, last.frequency_hz, last.s11, last.s21, 12 + number, 2e9 + number, 0.1)
        visit.add_sweep(run.id, made)
        os.write(acknowledged, b".")
        visit.settle()
    visit.close()
"""


def test_a_power_cut_while_a_file_is_brought_to_the_present_version(shim: Path, tmp_path: Path) -> None:
    """One of version 5 whose process was killed, its log beside it: through its recovery, the change of the layout, and
    checkpoints, a cut after every operation. It opens, by the present version, with all that was acknowledged."""
    old = Path(__file__).parent / "old_files"
    database, log = (old / f"version5-killed.visit{end}" for end in ("", "-wal"))
    path, note = tmp_path / "a.visit", tmp_path / "note"
    shutil.copy(database, path)
    shutil.copy(log, f"{path}-wal")
    subprocess.run(
        [sys.executable, "-c", textwrap.dedent(BRINGS_ON), str(path)], cwd=ROOT, check=True, timeout=PATIENCE_S,
        env={"LD_PRELOAD": str(shim), "POWER_CUT_NOTE": str(note), "PYTHONPATH": str(ROOT), "PATH": "/usr/bin:/bin"},
    )  # fmt: skip
    cut, tried = tmp_path / "cut.visit", 0
    for acknowledged, left, left_log in cuts(
        note.read_bytes(), random.Random(1), 1, database.read_bytes(), log.read_bytes()
    ):
        for end in ("", "-wal", "-shm"):
            Path(f"{cut}{end}").unlink(missing_ok=True)
        cut.write_bytes(left)
        Path(f"{cut}-wal").write_bytes(left_log)
        visit = VisitFile.open(cut)
        assert visit.sweep_count(1) >= 12 + acknowledged
        visit.rows("select * from sums")
        visit.close()
        tried += 1
    assert tried > 30


def count(path: Path) -> int:
    try:
        visit = VisitFile.open(path, read_only=True)
    except RecordError:
        return 0
    try:
        return int(str(visit.rows("select count(*) from sweep")[0][0]))
    finally:
        visit.close()


def test_killed_again_and_again_the_run_comes_to_its_end(tmp_path: Path) -> None:
    """kill -9 at five random moments; each time all that was seen before is there, and the run goes on."""
    path, rng, planned = tmp_path / "a.visit", random.Random(5), 400
    with start_bench(["--speed", "0", "--seed", "4"]) as bench:
        words = ["check", "--port", bench.node, "--site", SITE, "--visit", str(path), "--sweeps", str(planned)]
        for _ in range(5):
            before = count(path)
            process = subprocess.Popen(
                [sys.executable, "-m", "tui.cli", *words, *(["--resume"] if before else [])],
                cwd=ROOT, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
            )  # fmt: skip
            until, target = time.monotonic() + PATIENCE_S, before + rng.randint(1, 30)
            while (seen := count(path)) < target:
                assert time.monotonic() < until and process.poll() is None
            process.send_signal(signal.SIGKILL)
            process.wait()
            assert seen <= count(path) < planned
        assert main([*words, "--resume"]) in (0, 1, 3)
    visit = VisitFile.open(path, read_only=True)
    (run,) = visit.runs()
    assert run.outcome == "complete"
    assert [number for (number,) in visit.rows("select sequence from sweep order by id")] == list(range(planned))
    visit.close()


def test_a_full_disk_ends_the_run_in_one_line(tmp_path: Path) -> None:
    """The file may not grow any more (RLIMIT_FSIZE, as near to a full disk as a test without root comes)."""
    path = tmp_path / "a.visit"
    with start_bench(["--speed", "0.02", "--seed", "4"]) as bench:
        process = subprocess.Popen(
            [sys.executable, "-m", "tui.cli", "check", "--port", bench.node, "--site", SITE, "--visit", str(path),
             "--sweeps", "3000"],
            cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        )  # fmt: skip
        until = time.monotonic() + PATIENCE_S
        while count(path) < 5:
            assert time.monotonic() < until and process.poll() is None
        largest = Path(f"{path}-wal").stat().st_size + 50_000
        resource.prlimit(process.pid, resource.RLIMIT_FSIZE, (largest, largest))
        out, err = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 5 and out == ""
    fault = [line for line in err.splitlines() if line.startswith("deepnotch: ")]
    assert len(fault) == 1 and "could not be written" in fault[0] and "free space" in fault[0]
    assert "Traceback" not in err
    assert count(path) >= 5


def test_a_full_database_says_so(tmp_path: Path) -> None:
    """SQLite's own word for a full disk."""
    visit = new_visit(tmp_path / "a.visit", load_site(Path(SITE)), "site")
    visit._connection.execute("pragma max_page_count = 1").fetchone()
    with pytest.raises(RecordError, match="is full"):
        for number in range(10_000):
            visit.remark("note", "x" * 1000, float(number))
    visit.close()
    VisitFile.open(tmp_path / "a.visit").close()


def test_too_little_room_is_said_before_the_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    usage = shutil.disk_usage(tmp_path)
    monkeypatch.setattr("visit.run.conductor.shutil.disk_usage", lambda _: usage._replace(free=1_000_000))
    heard: list[str] = []
    with table(tmp_path, "demo-450", "U6") as bench:
        tell = bench.station._conductor._publish

        def hear(progress: Progress) -> None:
            heard.append(progress.message)
            tell(progress)

        bench.station._conductor._publish = hear
        bench.measure("A>L", wide(bench.site), 3)
    assert any("1 MB left" in line and "make room" in line for line in heard)


def test_too_little_room_is_said_without_a_screen(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    usage = shutil.disk_usage(tmp_path)
    monkeypatch.setattr("visit.run.conductor.shutil.disk_usage", lambda _: usage._replace(free=1_000_000))
    with start_bench(["--speed", "0"]) as bench:
        words = ["check", "--port", bench.node, "--site", SITE, "--visit", str(tmp_path / "a.visit"), "--sweeps", "3"]
        assert main(words) in (0, 1, 3)
    assert "1 MB left" in capsys.readouterr().err.splitlines()[0]


def test_a_full_disk_is_no_wrong_use(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Neither a file that can't be begun, nor one that can't be exported; what is half made does not stay."""
    monkeypatch.setattr("visit.record.visit_file.SCHEMA", "pragma max_page_count = 1; create table t (x);" * 2)
    with pytest.raises(MachineError, match="is full"):
        new_visit(tmp_path / "a.visit", load_site(Path(SITE)), "site")
    assert list(tmp_path.iterdir()) == []
    assert not_written(OSError(errno.ENOSPC, "")) is MachineError
    assert not_written(OSError(errno.ENOENT, "")) is RequestError
