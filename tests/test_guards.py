"""The list of faults and promises is true: guards stand where it says, tests exist, the page is made from it."""

from __future__ import annotations

from pathlib import Path

import pytest

from scripts.guards import ROOT, TABLE, Guard, guards, table


@pytest.mark.parametrize("guard", guards(), ids=lambda guard: guard.name)
def test_guard_and_test_are_there(guard: Guard) -> None:
    assert guard.there in (ROOT / guard.file).read_text(encoding="utf-8")
    file, _, name = guard.test.partition("::")
    assert f"def {name}(" in (ROOT / "tests" / file).read_text(encoding="utf-8")


def test_the_page_is_made_from_the_list() -> None:
    assert Path(TABLE).read_text(encoding="utf-8") == table(), "run: python scripts/guards.py --table"
