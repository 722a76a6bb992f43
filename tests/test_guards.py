"""The list of faults and promises is true: guards stand where it says, tests exist, the page is made from it."""

from __future__ import annotations

from pathlib import Path

import pytest

from scripts.guards import FAST, ROOT, SLICE, TABLE, Guard, guards, slice_of, table, tried


@pytest.mark.parametrize("guard", guards(), ids=lambda guard: guard.name)
def test_guard_and_test_are_there(guard: Guard) -> None:
    assert guard.there in (ROOT / guard.file).read_text(encoding="utf-8")
    file, _, name = guard.test.partition("::")
    assert f"def {name}(" in (ROOT / "tests" / file).read_text(encoding="utf-8")


@pytest.mark.parametrize("one", tried(), ids=lambda one: one["test"])
def test_what_is_tried_is_there(one: dict[str, str]) -> None:
    file, _, name = one["test"].partition("::")
    if not name:
        assert (ROOT / file).is_file()
        return
    assert f"def {name}(" in (ROOT / "tests" / file).read_text(encoding="utf-8")


def test_the_page_is_made_from_the_list() -> None:
    assert Path(TABLE).read_text(encoding="utf-8") == table(), "run: python scripts/guards.py --table"


def test_every_fast_guard_has_its_day() -> None:
    """A year's slices leave none out, and a day's are as many as promised, all different, the same on the same day."""
    seen = {guard.name for day in range(1, 367) for guard in slice_of(day)}
    assert seen == {guard.name for guard in guards() if guard.test.startswith(FAST)}
    assert len({guard.name for guard in slice_of(331)}) == SLICE
    assert slice_of(331) == slice_of(331)
