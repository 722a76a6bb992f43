"""The table of what is changed and of what survives is true: files and tests are there, explained lines too."""

from __future__ import annotations

import ast
import functools
from pathlib import Path

import pytest

from scripts.mutate import ROOT, Explained, Target, changed, mutants_of, table
from scripts.uncalled import uncalled

TARGETS, EXPLAINED = table()


@functools.cache
def tried(file: str) -> set[tuple[str, str]]:
    """Line and change of every mutant of a file: making them parses the file hundreds of times."""
    return {(one.text, one.change) for one in mutants_of(file)}


@pytest.mark.parametrize("target", TARGETS, ids=lambda target: target.file)
def test_file_and_tests_are_there(target: Target) -> None:
    assert (ROOT / target.file).is_file()
    assert all((ROOT / test).is_file() for test in target.tests if test.endswith(".py"))


@pytest.mark.parametrize("survivor", EXPLAINED, ids=lambda one: f"{Path(one.file).name}: {one.change}")
def test_an_explained_change_is_one_that_is_tried(survivor: Explained) -> None:
    assert (survivor.text, survivor.change) in tried(survivor.file)
    assert len(survivor.why) > 20


def test_each_change_is_one_place_and_still_python(tmp_path: Path) -> None:
    source = "def f(a, b=2):\n    if a < b and not b:\n        raise ValueError\n    return max(abs(a), 1.0) - b\n"
    (tmp_path / "f.py").write_text(source)
    found = mutants_of("f.py", tmp_path)
    texts = {changed(source.encode(), one).decode() for one in found}
    assert len(texts) == len(found) and source not in texts
    for text in texts:
        ast.parse(text)
    for line in ("if a <= b and not b", "if ((a < b) or (not b))", "if a < b and (b)", "        pass", "b=3",
                 "min(abs(a), 1.0)", "max((a), 1.0)", "(max(abs(a), 1.0)) + (b)", "1.25"):  # fmt: skip
        assert any(line in text for text in texts), line


def test_rf_holds_nothing_that_the_program_does_not_call() -> None:
    assert uncalled(("rf",)) == []
