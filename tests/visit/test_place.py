"""A visit file that is removed, renamed or replaced while it is measured into: said at once, nothing lost."""

from __future__ import annotations

import errno
import os
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from protocol.errors import MachineError
from tests.tui.terminal import ROOT
from visit.record import place
from visit.record.visit_file import VisitFile

OLD = ROOT / "tests/visit/old_files/own-correction.visit"


def removed(path: Path) -> None:
    path.unlink()


def renamed(path: Path) -> None:
    path.rename(path.with_name("moved.visit"))


def replaced(path: Path) -> None:
    shutil.copy(OLD, path.with_name("new"))
    path.with_name("new").replace(path)


@pytest.fixture
def visit(tmp_path: Path) -> VisitFile:
    shutil.copy(OLD, tmp_path / "a.visit")
    return VisitFile.open(tmp_path / "a.visit")


@pytest.mark.parametrize("way", [removed, renamed, replaced])
def test_what_was_kept_goes_to_another_file(visit: VisitFile, way: Callable[[Path], None]) -> None:
    visit.remark("note", "before", 1.0)
    before = visit.sweep_counts()
    way(visit.path)
    for _ in range(2):  # said again, copied once
        with pytest.raises(MachineError, match=r"a-rescued-1\.visit --resume$"):
            visit.remark("note", "after", 2.0)
    visit.close()
    there = {file.name for file in visit.path.parent.iterdir()}
    beside = {"removed": set(), "renamed": {"moved.visit"}, "replaced": {"a.visit"}}
    assert there == {"a-rescued-1.visit"} | beside[way.__name__]
    rescued = VisitFile.open(visit.path.with_name("a-rescued-1.visit"))
    try:
        assert rescued.sweep_counts() == before
        assert rescued.rows("select words from remark where kind = 'note'") == [("before",)]
        rescued.remark("note", "later", 3.0)
    finally:
        rescued.close()
    assert rescued.path.stat().st_mode & 0o777 == 0o600
    if way is replaced:
        VisitFile.open(visit.path, read_only=True).close()


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
    with pytest.raises(MachineError, match=r"deepnotch/b-rescued-1\.visit --resume$"):
        moved.remark("note", "after", 2.0)
    moved.close()


def test_another_number_of_the_same_file_is_no_loss(visit: VisitFile, monkeypatch: pytest.MonkeyPatch) -> None:
    """Some file systems over a network give one a new number now and then."""
    true = place._file_at

    def renumbered(path: Path) -> tuple[int, int] | None:
        found = true(path)
        return None if found is None else (found[0], found[1] + 1)

    monkeypatch.setattr(place, "_file_at", renumbered)
    visit.remark("note", "after", 2.0)
    visit.close()


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
