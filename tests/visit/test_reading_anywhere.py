"""A visit is read wherever it lies: on a read-only medium, alone, beside a log, of an earlier version; and nothing
stays behind. Who wants to write hears what he may not."""

from __future__ import annotations

import contextlib
import ctypes
import os
import shutil
import stat
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from protocol.sweep import Applied, Sweep, SweepSettings
from tui.cli import main
from tui.commands.exit_status import ExitStatus
from visit.record.opening import RecordError
from visit.record.owner import register
from visit.record.visit_file import VisitFile
from visit.run.conductor import new_visit
from visit.site.hookup import HookUp
from visit.site.site import load_site

ROOT = Path(__file__).parents[2]
OLD = ROOT / "tests/visit/old_files"
SITE = ROOT / "fixtures/sites/demo-450.toml"
SETTINGS = SweepSettings(450e6, 455e6, 21, 1000.0)
PATIENCE_S = 60.0


def begun(path: Path, sweeps: int = 6) -> VisitFile:
    """A visit with a run that has no end yet."""
    visit = new_visit(path, load_site(SITE), "site")
    register(visit, "/dev/none")
    run = visit.begin_run("check", HookUp("A", "L"), Applied(SETTINGS, SETTINGS), 20, None, 1e9)
    for number in range(sweeps):
        add(visit, run, number)
    return visit


def add(visit: VisitFile, run: int, number: int) -> None:
    trace = np.full(SETTINGS.points, 0.01 * number + 0.5j)
    visit.add_sweep(run, Sweep(SETTINGS, SETTINGS.frequency_hz(), trace, trace, number, 1e9 + number, 0.5))


@pytest.fixture
def locked(tmp_path: Path) -> Iterator[Path]:
    """A folder into which nobody may write by its mode, once `lock` has closed it."""
    folder = tmp_path / "medium"
    folder.mkdir()
    yield folder
    folder.chmod(0o755)


def without_privilege() -> None:
    """Root obeys the modes of files like everybody: capabilities(7), CAP_DAC_OVERRIDE and CAP_DAC_READ_SEARCH."""
    if os.geteuid() == 0:
        for capability in (1, 2):
            ctypes.CDLL(None).prctl(24, capability, 0, 0, 0)  # PR_CAPBSET_DROP


def as_anybody(*words: str) -> subprocess.CompletedProcess[str]:
    """The program as a user without privileges."""
    return subprocess.run(
        [sys.executable, "-m", "tui", *words], cwd=ROOT, capture_output=True, text=True, stdin=subprocess.DEVNULL,
        timeout=PATIENCE_S, check=False, preexec_fn=without_privilege,
    )  # fmt: skip


def lock(folder: Path) -> set[str]:
    for file in folder.iterdir():
        file.chmod(0o444)
    folder.chmod(0o555)
    return {file.name for file in folder.iterdir()}


@pytest.mark.parametrize("name", ["own-correction", "version5-looked", "version5-killed"])
def test_readers_need_no_permission_to_write(locked: Path, name: str) -> None:
    """Complete, of earlier versions, and with the log of a process that was killed beside it."""
    for file in OLD.glob(f"{name}.visit*"):
        shutil.copy(file, locked)
    before = lock(locked)
    visit = str(locked / f"{name}.visit")
    for words in (["report", visit], ["watch", visit]):
        done = as_anybody(*words)
        assert done.returncode in (0, ExitStatus.CANT_SAY), done.stderr
        assert done.stderr == ""
        if name == "version5-killed":
            assert "12 of 40 sweeps" in " ".join(done.stdout.split())
    assert {file.name for file in locked.iterdir()} == before


def test_who_wants_to_write_hears_what_he_may_not(locked: Path) -> None:
    shutil.copy(OLD / "version5-looked.visit", locked / "a.visit")
    (locked / "a.visit").chmod(0o444)
    file = as_anybody("freeze", str(locked / "a.visit"), "left")
    (locked / "a.visit").chmod(0o666)
    locked.chmod(0o555)
    folder = as_anybody("freeze", str(locked / "a.visit"), "left")
    for done, words in (
        (file, f"may not write {locked}/a.visit (mode 0444"),
        (folder, f"write into the folder {locked}"),
    ):
        assert done.returncode == ExitStatus.USAGE and words in done.stderr and "deepnotch copy" in done.stderr
        assert done.stderr.count("\n") == 1


def test_readers_leave_nothing_behind(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "a.visit"
    shutil.copy(OLD / "version5-looked.visit", path)
    before = path.read_bytes()
    for words in (["report"], ["trend"], ["together"], ["watch"]):
        assert main([*words, str(path)]) in (0, ExitStatus.CANT_SAY)
    assert [file.name for file in tmp_path.iterdir()] == ["a.visit"] and path.read_bytes() == before
    capsys.readouterr()


def test_beside_the_file_nothing_stays_after_a_run(tmp_path: Path) -> None:
    """While a run comes its log is short; at its end, and when the file is left, it is empty or gone."""
    path = tmp_path / "a.visit"
    visit = begun(path, 300)
    assert Path(f"{path}-wal").stat().st_size < 2 << 20
    visit.end_run(1, "complete", 1e9)
    assert Path(f"{path}-wal").stat().st_size == 0
    shutil.copy(path, tmp_path / "alone.visit")
    visit.close()
    assert sorted(file.name for file in tmp_path.iterdir()) == ["a.visit", "alone.visit"]
    alone = VisitFile.open(tmp_path / "alone.visit", read_only=True)
    assert alone.sweep_count(1) == 300 and alone.runs()[0].outcome == "complete"
    alone.close()


def test_a_lone_copy_of_a_run_says_what_may_be_missing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    visit = begun(tmp_path / "a.visit")
    (tmp_path / "alone").mkdir()
    shutil.copy(tmp_path / "a.visit", tmp_path / "alone/a.visit")
    visit.close()
    assert main(["report", str(tmp_path / "alone/a.visit")]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "run 1 was broken off" in said and "of 20 sweeps are here" in said and "deepnotch copy" in said


def test_a_copy_of_a_live_visit_is_whole(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    visit = begun(tmp_path / "a.visit")
    (tmp_path / "away").mkdir()
    assert main(["copy", str(tmp_path / "a.visit"), str(tmp_path / "away")]) == 0
    add(visit, 1, 6)
    visit.close()
    (copy,) = (tmp_path / "away").iterdir()
    assert capsys.readouterr().out.strip() == str(copy) and stat.S_IMODE(copy.stat().st_mode) == 0o600
    read = VisitFile.open(copy, read_only=True)
    assert read.sweep_count(1) == 6
    read.close()
    before = copy.read_bytes()
    assert main(["copy", str(tmp_path / "a.visit"), str(copy)]) == ExitStatus.USAGE
    assert copy.read_bytes() == before and "exists already" in capsys.readouterr().err


def test_names_under_which_no_visit_can_stand(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One true line each, for readers and for who would begin a run there; nothing is made."""
    (tmp_path / "empty.visit").write_bytes(b"")
    (tmp_path / "nowhere.visit").symlink_to("gone.visit")
    (tmp_path / "circle.visit").symlink_to("circle.visit")
    names = {
        "n" * 300: "File name too long", "empty.visit": "empty (0 bytes)", "nowhere.visit": "a link to gone.visit",
        "circle.visit": "a link that leads in a circle", ".": "a folder",
    }  # fmt: skip
    before = sorted(tmp_path.iterdir())
    for name, words in names.items():
        for command in (
            ["report"],
            ["watch"],
            ["freeze"],
            ["check", "--port", "/dev/none", "--site", str(SITE), "--visit"],
        ):
            more = ["left"] if command == ["freeze"] else []
            assert main([*command, str(tmp_path / name), *more]) == ExitStatus.USAGE
            said = capsys.readouterr()
            assert words in said.err and said.err.count("\n") == 1 and said.out == ""
    assert sorted(tmp_path.iterdir()) == before


def test_a_journal_that_lies_beside_a_visit_is_not_played_back(tmp_path: Path) -> None:
    """SQLite would write it into a file that is only to be read."""
    path = tmp_path / "a.visit"
    shutil.copy(OLD / "version5-looked.visit", path)
    before = path.read_bytes()
    Path(f"{path}-journal").write_bytes(b"\xd9\xd5\x05\xf9\x20\xa1\x63\xd7" + bytes(2000))
    with contextlib.suppress(RecordError):
        VisitFile.open(path, read_only=True).close()
    assert path.read_bytes() == before and Path(f"{path}-journal").exists()


@pytest.mark.parametrize("ending", ["-wal", "-shm", "-journal"])
def test_links_under_the_names_of_the_log_lead_nowhere(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], ending: str
) -> None:
    """Somebody else may write into the folder and knows the names that SQLite will use there."""
    private, path, new = tmp_path / "private", tmp_path / "a.visit", tmp_path / "new.visit"
    private.write_text("not ours to touch")
    begun(path).close()
    for name in (path, new):
        Path(f"{name}{ending}").unlink(missing_ok=True)
        Path(f"{name}{ending}").symlink_to(private)
    before = path.read_bytes()
    measure = ["check", "--port", "/dev/none", "--site", str(SITE), "--visit"]
    for command in (
        ["report", str(path)], ["note", str(path), "technician", "x"], ["freeze", str(path), "left"],
        [*measure, str(path)], [*measure, str(new)], ["copy", str(path), str(new)],
    ):  # fmt: skip
        assert main(command) == ExitStatus.USAGE
        said = capsys.readouterr().err
        assert said.count("\n") == 1 and f"{ending}: a link" in said, (command, said)
    assert private.read_text() == "not ours to touch" and path.read_bytes() == before and not new.exists()
    with pytest.raises(RecordError, match="a link"):
        new_visit(new, load_site(SITE), "site")
    assert not new.exists()
    Path(f"{path}{ending}").unlink()
    os.mkfifo(f"{path}{ending}")  # nobody writes into it: whoever opens it waits for ever
    assert main(["report", str(path)]) == ExitStatus.USAGE and "no regular file" in capsys.readouterr().err


def test_reading_beside_a_writer_of_the_same_process_keeps_its_locks(tmp_path: Path) -> None:
    """A lock of a process is gone when it closes any descriptor of the file; another process would then take the file
    for its own and throw the log away."""
    path = tmp_path / "a.visit"
    visit = begun(path)
    for glance in (False, True):
        VisitFile.open(path, read_only=True, glance=glance).close()
    steal = (
        "import sqlite3, sys; c = sqlite3.connect(sys.argv[1], timeout=0.1)\n"
        "print(c.execute('pragma journal_mode = delete').fetchone())"
    )
    stolen = subprocess.run(
        [sys.executable, "-c", steal, str(path)], capture_output=True, text=True, timeout=PATIENCE_S, check=False
    )
    assert "locked" in stolen.stderr and stolen.stdout == ""
    visit.close()
