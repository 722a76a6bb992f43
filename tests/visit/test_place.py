"""A visit file that is removed, renamed, replaced, cut or overwritten while it is measured into: said at once, nothing
lost, the run goes on."""

from __future__ import annotations

import contextlib
import errno
import os
import shutil
import subprocess
import sys
import textwrap
import threading
import time
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

import pytest

from protocol.errors import MachineError
from protocol.sweep import Sweep
from tests.tui.terminal import ROOT
from tests.visit.stations import table
from tui.screens.live_rows import message_rows
from visit.record import place, second
from visit.record.opening import RecordError
from visit.record.visit_file import VisitFile
from visit.run.conductor import Phase, RunOrder
from visit.run.live import LiveState
from visit.run.station import Station
from visit.site.hookup import HookUp
from visit.site.presets import wide

PATIENCE_S = 40.0
OLD = ROOT / "tests/visit/old_files/own-correction.visit"


def removed(path: Path) -> None:
    path.unlink()


def renamed(path: Path) -> None:
    path.rename(path.with_name("moved.visit"))


def replaced(path: Path) -> None:
    shutil.copy(OLD, path.with_name("new"))
    path.with_name("new").replace(path)


def cut(path: Path) -> None:
    os.truncate(path, 0)


def overwritten(path: Path) -> None:
    path.write_bytes(b"minutes of a meeting\n" * 4000)


def overwritten_at_its_end(path: Path) -> None:
    """Nothing tells from outside; SQLite finds it."""
    with path.open("r+b") as file:
        file.seek(4096)
        file.write(bytes(path.stat().st_size - 4096))


@pytest.fixture
def visit(tmp_path: Path) -> Iterator[VisitFile]:
    shutil.copy(OLD, tmp_path / "a.visit")
    opened = VisitFile.open(tmp_path / "a.visit")
    opened.keep_second()
    yield opened
    opened.close()


GONE: dict[Callable[[Path], None], set[str]] = {removed: set(), renamed: {"moved.visit"}, replaced: {"a.visit"}}


@pytest.mark.parametrize("way", [removed, renamed, replaced, cut, overwritten, overwritten_at_its_end])
def test_what_was_kept_goes_to_another_file(visit: VisitFile, way: Callable[[Path], None]) -> None:
    visit.remark("note", "before", 1.0)
    visit.settle()
    before, path = visit.sweep_counts(), visit.path
    way(path)
    with contextlib.suppress(RecordError):  # what nobody could have seen is found by what fails
        visit.remark("note", "after", 2.0)
    visit.remark("note", "later", 3.0)
    rescued = path.with_name("a-rescued-1.visit")
    assert visit.path == rescued
    assert visit.file_words.startswith(f"{path} was ")
    assert visit.file_words.endswith(
        f"the run goes on in {rescued}, where all that was kept is; use that file from now on"
    )
    assert visit.sweep_counts() == before
    said = [words for (words,) in visit.rows("select words from remark where kind = 'note' order by id")]
    assert said in (["before", "after", "later"], ["before", "later"])
    visit.close()
    there = {file.name for file in path.parent.iterdir()}
    assert there - {"a.visit-wal", "a.visit-shm"} == {"a-rescued-1.visit"} | GONE.get(way, {"a.visit"})
    assert rescued.stat().st_mode & 0o777 == 0o600
    VisitFile.open(rescued).close()
    if way is replaced:
        assert len(there) == 2
        VisitFile.open(path, read_only=True).close()


@pytest.mark.parametrize("way", [cut, overwritten, overwritten_at_its_end])
def test_a_sweep_is_kept_for_all_that(visit: VisitFile, way: Callable[[Path], None]) -> None:
    run = visit.runs()[-1]
    stored = visit.sweeps(run.id, limit=1)[0]
    sweep = Sweep(run.settings, stored.frequency_hz, stored.s11, stored.s21, visit.kept(run.id)[1], 2e9, 0.5)
    visit.settle()
    way(visit.path)
    count = visit.sweep_count(run.id)
    visit.add_sweep(run.id, sweep)
    assert visit.sweep_count(run.id) == count + 1
    assert visit.path.name == "a-rescued-1.visit"


def test_without_a_second_copy_a_cut_file_ends_the_run_in_one_line(
    visit: VisitFile, monkeypatch: pytest.MonkeyPatch
) -> None:
    visit.close()
    monkeypatch.setattr(second, "LARGEST_BYTES", 1000)
    large = VisitFile.open(visit.path)
    large.keep_second()
    cut(large.path)
    for _ in range(2):
        with pytest.raises(
            MachineError, match=r"was cut .*\(there was no second copy\); begin anew under another name"
        ):
            large.remark("note", "after", 2.0)
    large.close()


def test_what_another_process_writes_is_in_the_second_copy(visit: VisitFile) -> None:
    other = VisitFile.open(visit.path)
    other.remark("note", "of another", 1.0)
    other.close()
    visit.remark("note", "mine", 2.0)
    visit.settle()
    cut(visit.path)
    visit.remark("note", "last", 3.0)
    said = [words for (words,) in visit.rows("select words from remark where kind = 'note' order by id")]
    assert said == ["of another", "mine", "last"]


def test_a_file_that_can_no_longer_be_opened_is_told(visit: VisitFile) -> None:
    visit.path.chmod(0)
    visit.look_after()
    assert visit.file_words.endswith(f"give the permission back before you leave: chmod u+rw {visit.path}")
    visit.remark("note", "kept", 1.0)
    visit.path.chmod(0o600)
    visit.look_after()
    assert visit.file_words == ""


def test_where_the_folder_went_too_the_users_own_takes_it(
    visit: VisitFile, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    home = tmp_path / "home"
    monkeypatch.setenv("XDG_DATA_HOME", str(home))
    folder = visit.path.parent / "stick"
    folder.mkdir()
    visit.close()
    moved = VisitFile.open(Path(shutil.copy(OLD, folder / "b.visit")))
    moved.remark("note", "before", 1.0)
    folder.rename(folder.with_name("other"))
    moved.remark("note", "after", 2.0)
    assert moved.path == home / "deepnotch/b-rescued-1.visit"
    moved.close()


def test_the_index_of_the_log_is_cut(tmp_path: Path) -> None:
    """Who looks into memory that is no longer behind it is killed, so this is a process of its own; then the file is
    cut, too."""
    shutil.copy(OLD, tmp_path / "a.visit")
    script = """
        import os, sys
        from pathlib import Path
        from visit.record.visit_file import VisitFile
        path = Path(sys.argv[1])
        visit, reader = VisitFile.open(path), VisitFile.open(path, read_only=True)
        visit.keep_second()
        for n in range(3):
            visit.remark("note", str(n), 1.0)
            reader.rows("select 1 from remark")
            os.truncate(f"{path}-shm", 0)
            assert reader.rows("select count(*) from remark where kind = 'note'") == [(n + 1,)]
        for ending in ("", "-wal", "-shm"):
            os.truncate(f"{path}{ending}", 0)
        visit.remark("note", "last", 2.0)
        print(visit.path.name, *(words for (words,) in visit.rows("select words from remark where kind = 'note'")))
        visit.close()
        reader.close()
    """
    done = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(script), str(tmp_path / "a.visit")],
        cwd=ROOT, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert (done.returncode, done.stdout.split()) == (0, ["a-rescued-1.visit", "0", "1", "2", "last"]), done.stderr


def test_another_number_of_the_same_file_is_no_loss(visit: VisitFile, monkeypatch: pytest.MonkeyPatch) -> None:
    """Some file systems over a network give one a new number now and then."""
    true = place._file_at

    def renumbered(path: Path) -> tuple[int, int] | None:
        found = true(path)
        return None if found is None else (found[0], found[1] + 1)

    monkeypatch.setattr(place, "_file_at", renumbered)
    visit.remark("note", "after", 2.0)
    visit.close()


def _until(station: Station, condition: Callable[[LiveState], bool]) -> LiveState:
    """Look until the picture is as expected; the deadline only ends a test that fails."""
    deadline, pause = time.monotonic() + PATIENCE_S, threading.Event()
    while not condition(station.state()):
        assert time.monotonic() < deadline, station.state()
        pause.wait(0.02)
    return station.state()


def test_a_disk_that_was_full_and_has_room_again(tmp_path: Path) -> None:
    with table(tmp_path, "demo-450", "U6", watched=True) as bench:
        until, file = partial(_until, bench.station), bench.station.visit.file
        bench.station.order(RunOrder(HookUp("A", "L"), wide(bench.site), 150))
        until(lambda state: state.progress.done >= 3)
        file.rows("pragma max_page_count = 1")  # SQLite's own word for a full disk
        state = until(lambda state: state.progress.phase is Phase.WAITING)
        assert "is full" in state.progress.message and state.progress.message.endswith("goes on by itself")
        file.rows("pragma max_page_count = 1000000")
        until(lambda state: state.progress.phase is Phase.COMPLETE)
        rows = file.rows("select sequence from sweep order by id")
        assert [number for (number,) in rows] == list(range(150))
        assert file.runs()[-1].outcome == "complete"


@pytest.mark.parametrize("way", [removed, cut])
def test_a_run_goes_on_with_all_its_sweeps(tmp_path: Path, way: Callable[[Path], None]) -> None:
    """On the live screen, too: its figures are of all sweeps, those in the first file included."""
    with table(tmp_path, "demo-450", "U6", watched=True) as bench:
        until = partial(_until, bench.station)
        bench.station.order(RunOrder(HookUp("A", "L"), wide(bench.site), 150))
        until(lambda state: state.progress.done >= 5)
        way(tmp_path / "a.visit")
        state = until(lambda state: state.progress.phase is Phase.COMPLETE and state.visit_name != "a.visit")
        assert "the run goes on in" in state.progress.file_words
        state = until(lambda state: state.assessment is not None and state.assessment.sweeps == 150)
        assert "the run goes on in" in message_rows(state, 400)[0][0][0]
        run = bench.station.visit.file.runs()[-1]
        assert (run.outcome, bench.station.visit.file.sweep_count(run.id)) == ("complete", 150)


def test_a_folder_that_can_not_be_looked_into_is_no_loss(visit: VisitFile, monkeypatch: pytest.MonkeyPatch) -> None:
    look = Path.stat

    def shut(path: Path, **how: bool) -> os.stat_result:
        if path == visit.path:
            raise PermissionError(errno.EACCES, "Permission denied")
        return look(path, **how)

    with monkeypatch.context() as patch:
        patch.setattr(Path, "stat", shut)
        visit.remark("note", "meanwhile", 1.0)
    visit.remark("note", "later", 2.0)
    assert visit.rows("select count(*) from remark where kind = 'note'") == [(2,)]
    visit.close()
    assert not list(visit.path.parent.glob("*rescued*"))
