"""Tries mutants in one process of pytest: collected once, each mutant in a fork, only the tests that reach it.

Owns: which tests call the function that a mutant lies in, and putting its code into that function. Refuses: the last
word on a survivor, for what a test module worked out while it was loaded knows nothing of the mutant;
`scripts/mutate.py` tries those, and what lies in no function, with tests that are loaded anew.
"""

from __future__ import annotations

import ast
import json
import os
import signal
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from types import CodeType, FrameType, FunctionType, ModuleType
from typing import Any

import pytest

NOTICED, LIVED, ELSEWHERE = "noticed", "lived", "elsewhere"
HANGS, LEAST_S = 10.0, 5.0
"""A mutant whose tests take this many times what they take without it, and this many seconds more, hangs: noticed."""


class InOneProcess:
    """A plug-in of pytest that tries `mutants`, each the line of its place and the changed source, instead of only
    running the tests of `file`, which is the module `name`; `report` is a list of one word for each. Empty where the
    tests are red without any mutant."""

    def __init__(self, file: Path, name: str, mutants: Sequence[tuple[int, str]], report: Path) -> None:
        self.file, self.name, self.mutants, self.report = file, name, mutants, report

    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        """All of it."""
        sys.setswitchinterval(1.0)
        watched = self._watch(session.items)
        words = [] if watched is None else [self._try(session.items, watched, *mutant) for mutant in self.mutants]
        self.report.write_text(json.dumps(words), encoding="utf-8")
        return True

    def _watch(self, items: Sequence[pytest.Item]) -> list[tuple[float, list[int]]] | None:
        """How long each test takes and in which lines the functions begin that it calls; None where one is red. In a
        fork: what tests keep for one another is not to be there for a mutant."""
        said = self.report.with_suffix(".watched")

        def watch() -> int:
            found = []
            for item in items:
                called: set[int] = set()

                def look(frame: FrameType, _event: str, _arg: object, called: set[int] = called) -> None:
                    if frame.f_code.co_filename == str(self.file):
                        called.add(frame.f_code.co_firstlineno)

                began = time.monotonic()
                sys.settrace(look)
                red = _red(item)
                sys.settrace(None)
                if red:
                    return 1
                found.append((time.monotonic() - began, sorted(called)))
            said.write_text(json.dumps(found), encoding="utf-8")
            return 0

        if forked(watch, 600.0) != 0:
            return None
        return [(took, lines) for took, lines in json.loads(said.read_text(encoding="utf-8"))]

    def _try(
        self, items: Sequence[pytest.Item], watched: Sequence[tuple[float, list[int]]], line: int, source: str
    ) -> str:
        """One mutant."""
        whole = self.file.read_text(encoding="utf-8")
        around = [first for first, last in functions_of(whole) if first <= line <= last]
        reach = [(took, item) for (took, lines), item in zip(watched, items, strict=True) if set(lines) & set(around)]
        reach.sort(key=lambda one: one[0])
        changed = list(
            changed_functions(compile(whole, str(self.file), "exec"), compile(source, str(self.file), "exec"))
        )
        module = sys.modules.get(self.name)
        placed = [] if module is None else [(function_at(module, code.co_qualname), code) for code in changed]
        if not placed or any(found is None for found, _ in placed):
            return ELSEWHERE

        def with_it() -> int:
            for found, code in placed:
                assert found is not None  # looked for above
                found.__code__ = code
            return int(any(_red(item) for _, item in reach))

        return LIVED if forked(with_it, HANGS * sum(took for took, _ in reach) + LEAST_S) == 0 else NOTICED


def _red(item: pytest.Item) -> bool:
    from _pytest.runner import runtestprotocol

    return any(report.failed for report in runtestprotocol(item, nextitem=None, log=False))


def forked(work: Callable[[], int], limit_s: float) -> int | None:
    """What `work` returns in a fork; None where it takes longer, and 1 where it ends by an error.

    A process group of its own: what it starts ends with it.
    """
    child = os.fork()
    if child == 0:
        os.setsid()
        try:
            status = work()
        except BaseException:
            status = 1
        os._exit(status)
    end_s = time.monotonic() + limit_s
    while True:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            return os.waitstatus_to_exitcode(status)
        if time.monotonic() > end_s:
            os.killpg(child, signal.SIGKILL)
            os.waitpid(child, 0)
            return None
        time.sleep(0.005)


def functions_of(source: str) -> list[tuple[int, int]]:
    """First line, decorators included, and last line of every function."""
    found = [node for node in ast.walk(ast.parse(source)) if isinstance(node, ast.FunctionDef)]
    return [
        (min([node.lineno, *(each.lineno for each in node.decorator_list)]), node.end_lineno or 0) for node in found
    ]


def changed_functions(old: CodeType, new: CodeType) -> Iterator[CodeType]:
    """Code of the outermost functions that differ between two compiled files, as it is in the new one; the file's own
    where something differs that lies in no function."""
    inner = [[const for const in code.co_consts if isinstance(const, CodeType)] for code in (old, new)]
    rest = [[const for const in code.co_consts if not isinstance(const, CodeType)] for code in (old, new)]
    if len(inner[0]) != len(inner[1]) or rest[0] != rest[1] or old.co_code != new.co_code:
        yield new
        return
    for before, after in zip(*inner, strict=True):
        if before == after:
            continue
        if before.co_flags & 0x02:  # CO_NEWLOCALS: a function, not the body of a class
            yield after
        else:
            yield from changed_functions(before, after)


def function_at(module: ModuleType, path: str) -> FunctionType | None:
    """The function itself, out of whatever wraps it."""
    at: Any = module
    for name in path.split("."):
        at = vars(at).get(name) if isinstance(at, ModuleType | type) else None
    for inside in ("fget", "func", "__func__", "__wrapped__"):
        at = getattr(at, inside, at)
    return at if isinstance(at, FunctionType) else None
