"""The table of what is changed and of what survives is true: files and tests are there, explained lines too."""

from __future__ import annotations

import ast
import functools
import types
from pathlib import Path

import pytest

from scripts.mutate import ROOT, Explained, Target, changed, mutants_of, table
from scripts.mutate_fast import changed_functions, function_at, functions_of
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


def test_a_mutant_takes_the_place_of_its_function_only(tmp_path: Path) -> None:
    """Functions of a class and wrapped ones are found; what lies in none is told to be elsewhere."""
    source = (
        "import functools\nK = 2\n\n\nclass A:\n    @functools.cached_property\n    def twice(self):\n"
        "        return K * 2\n\n    def one(self, b):\n        return [b + k for k in range(2)]\n"
    )
    path = tmp_path / "deepnotch_mutated.py"
    path.write_text(source)
    module = types.ModuleType("deepnotch_mutated")
    whole = compile(source, str(path), "exec")
    exec(whole, vars(module))
    assert functions_of(source) == [(6, 8), (10, 11)]
    for old, new, name in (("b + k", "b - k", "A.one"), ("K * 2", "K / 2", "A.twice")):
        (code,) = changed_functions(whole, compile(source.replace(old, new), str(path), "exec"))
        assert code.co_qualname == name
        found = function_at(module, name)
        assert found is not None
        found.__code__ = code
    assert module.A().one(1) == [1, 0] and module.A().twice == 1.0
    (code,) = changed_functions(whole, compile(source.replace("K = 2", "K = 3"), str(path), "exec"))
    assert function_at(module, code.co_qualname) is None
    assert list(changed_functions(whole, compile(source, str(path), "exec"))) == []
