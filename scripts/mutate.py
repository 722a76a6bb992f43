"""Changes the program's arithmetic in one place at a time and looks whether the targeted tests notice.

`python scripts/mutate.py` tries every file of the table in tests/mutants.toml, with names some of them; `--most N`
takes N mutants of a file (always the same ones), `--list` only shows them. What survives is printed with line and
change, and with the reason where tests/mutants.toml says why nothing can notice it. Exit status 0 when nothing else
survived.
Works in a copy of the tree, one mutant at a time, at low priority. Refuses: to touch the tree itself.
"""

from __future__ import annotations

import argparse
import ast
import hashlib
import json
import os
import sys
import tempfile
import time
import tomllib
from bisect import bisect_left
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[1]
sys.path.insert(0, str(ROOT))

from scripts.guards import copy_of_tree  # noqa: E402 - after the path

TABLE = ROOT / "tests/mutants.toml"
PATIENCE, LEAST_S = 4.0, 10.0
"""A mutant whose tests take this many times what they take without it, and this many seconds more, hangs: noticed."""
AT_MOST_S = 3600.0
"""For all mutants of a file in one process."""
QUIETLY = ("-q", "-x", "-n", "0", "--timeout", "0", "--assert", "plain", "--hypothesis-seed", "0")

COMPARED: dict[type[ast.cmpop], tuple[str, ...]] = {
    ast.Lt: ("<=", ">"), ast.LtE: ("<", ">"), ast.Gt: (">=", "<"), ast.GtE: (">", "<"),
    ast.Eq: ("!=",), ast.NotEq: ("==",), ast.Is: ("is not",), ast.IsNot: ("is",), ast.In: ("not in",),
    ast.NotIn: ("in",),
}  # fmt: skip
SIGNS: dict[type[ast.cmpop], str] = {
    ast.Lt: "<", ast.LtE: "<=", ast.Gt: ">", ast.GtE: ">=", ast.Eq: "==", ast.NotEq: "!=", ast.Is: "is",
    ast.IsNot: "is not", ast.In: "in", ast.NotIn: "not in",
}  # fmt: skip
COMPUTED = {ast.Add: "-", ast.Sub: "+", ast.Mult: "/", ast.Div: "*", ast.BitAnd: "|", ast.BitOr: "&"}
TURNED = {"max": "min", "min": "max", "maximum": "minimum", "minimum": "maximum", "any": "all", "all": "any",
          "argmax": "argmin", "argmin": "argmax", "floor": "ceil", "ceil": "floor"}  # fmt: skip
BARED = ("abs", "sqrt")
"""Calls of one argument that are taken away from around it."""


@dataclass(frozen=True, slots=True)
class Mutant:
    """In `file` at `line`, bytes `start`..`stop` become `new`; `text` is the line without its indent."""

    file: str
    line: int
    text: str
    start: int
    stop: int
    old: str
    new: str

    @property
    def change(self) -> str:
        """The change in one line."""
        return f"{' '.join(self.old.split())}  ->  {' '.join(self.new.split())}"

    @property
    def order(self) -> str:
        """By this a sample is drawn: even, and the same every time."""
        return hashlib.sha256(f"{self.file}{self.text}{self.change}".encode()).hexdigest()


class _Places(ast.NodeVisitor):
    """Collects (node that is replaced, text that stands there instead)."""

    def __init__(self, source: str) -> None:
        self.source = source
        self.found: list[tuple[ast.AST, str]] = []

    def said(self, node: ast.AST) -> str:
        return ast.get_source_segment(self.source, node) or ""

    def put(self, node: ast.AST, new: str) -> None:
        self.found.append((node, new))

    def visit_FunctionDef(self, node: ast.FunctionDef) -> None:
        for default in (*node.args.defaults, *node.args.kw_defaults):
            if default is not None:
                self.visit(default)
        for each in node.body:
            self.visit(each)

    def visit_ClassDef(self, node: ast.ClassDef) -> None:
        for each in node.body:
            self.visit(each)

    def visit_AnnAssign(self, node: ast.AnnAssign) -> None:
        if node.value is not None:
            self.visit(node.value)

    def visit_Raise(self, node: ast.Raise) -> None:
        self.put(node, "pass")

    def visit_Compare(self, node: ast.Compare) -> None:
        sides = [node.left, *node.comparators]
        for index, op in enumerate(node.ops):
            place = _between(sides[index], sides[index + 1])
            said = self.said(place)
            for new in COMPARED[type(op)]:
                self.put(place, said.replace(SIGNS[type(op)], new))
        self.generic_visit(node)

    def visit_BinOp(self, node: ast.BinOp) -> None:
        words = (ast.JoinedStr, ast.List, ast.Tuple)
        joined = any(isinstance(side, words) or _is_text(side) for side in (node.left, node.right))
        if type(node.op) in COMPUTED and not joined:
            self.put(node, f"({self.said(node.left)}) {COMPUTED[type(node.op)]} ({self.said(node.right)})")
        elif isinstance(node.op, ast.Pow):
            self.put(node, f"({self.said(node.left)})")
        self.generic_visit(node)

    def visit_BoolOp(self, node: ast.BoolOp) -> None:
        word = " or " if isinstance(node.op, ast.And) else " and "
        self.put(node, f"({word.join(f'({self.said(value)})' for value in node.values)})")
        if len(node.values) > 2:  # each condition left out by itself
            joined = " and " if isinstance(node.op, ast.And) else " or "
            for gone in range(len(node.values)):
                rest = [value for k, value in enumerate(node.values) if k != gone]
                self.put(node, f"({joined.join(f'({self.said(value)})' for value in rest)})")
        else:
            for value in node.values:
                self.put(node, f"({self.said(value)})")
        self.generic_visit(node)

    def visit_UnaryOp(self, node: ast.UnaryOp) -> None:
        self.put(node, f"({self.said(node.operand)})")
        self.generic_visit(node)

    def visit_If(self, node: ast.If) -> None:
        if not isinstance(node.test, ast.Compare | ast.UnaryOp):
            self.put(node.test, f"(not ({self.said(node.test)}))")
        self.generic_visit(node)

    def visit_IfExp(self, node: ast.IfExp) -> None:
        for branch in (node.body, node.orelse):
            self.put(node, f"({self.said(branch)})")
        self.generic_visit(node)

    def visit_Call(self, node: ast.Call) -> None:
        name = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
        if name in TURNED:
            self.put(node.func, self.said(node.func).removesuffix(name) + TURNED[name])
        if name in BARED and len(node.args) == 1:
            self.put(node, f"({self.said(node.args[0])})")
        if name in ("max", "maximum", "min", "minimum") and len(node.args) == 2:
            for argument in node.args:
                self.put(node, f"({self.said(argument)})")
        self.generic_visit(node)

    def visit_Constant(self, node: ast.Constant) -> None:
        value = node.value
        if isinstance(value, bool):
            self.put(node, str(not value))
        elif isinstance(value, int):
            self.put(node, str(value + 1))
        elif isinstance(value, float):
            self.put(node, repr(value * 1.25 if value else 1.0))

    def visit_JoinedStr(self, node: ast.JoinedStr) -> None:
        """Words are for people: left alone."""


def _is_text(node: ast.AST) -> bool:
    return isinstance(node, ast.Constant) and isinstance(node.value, str | bytes)


def _between(left: ast.expr, right: ast.expr) -> ast.AST:
    """The place of an operator, as a node with the positions of what stands between two sides."""
    place = ast.Constant(None)
    place.lineno, place.col_offset = left.end_lineno or left.lineno, left.end_col_offset or 0
    place.end_lineno, place.end_col_offset = right.lineno, right.col_offset
    return place


def mutants_of(file: str, root: Path = ROOT) -> list[Mutant]:
    """All mutants of a file that are Python, in the order of its lines."""
    source = (root / file).read_text(encoding="utf-8")
    whole = source.encode()
    begins = [0]
    for line in whole.splitlines(keepends=True):
        begins.append(begins[-1] + len(line))
    places = _Places(source)
    tree = ast.parse(source)
    places.visit(tree)
    # A change stays inside its statement of the module: only that is parsed again, the file has hundreds of them.
    ends = [begins[one.end_lineno] for one in tree.body if one.end_lineno]
    found = []
    lines = source.splitlines()
    for node, new in places.found:
        start = begins[node.lineno - 1] + node.col_offset  # type: ignore[attr-defined]
        stop = begins[node.end_lineno - 1] + node.end_col_offset  # type: ignore[attr-defined]
        old = whole[start:stop].decode()
        line = node.lineno  # type: ignore[attr-defined]
        text = lines[line - 1].strip()
        one = Mutant(file, line, text, start, stop, old, new)
        after = bisect_left(ends, stop)
        before = ends[after - 1] if after else 0
        try:
            ast.parse(whole[before:start] + new.encode() + whole[stop : ends[after]])
        except SyntaxError:
            continue
        found.append(one)
    return sorted(dict.fromkeys(found), key=lambda one: (one.start, one.stop, one.new))


def changed(whole: bytes, mutant: Mutant) -> bytes:
    """The file with the mutant in it."""
    return whole[: mutant.start] + mutant.new.encode() + whole[mutant.stop :]


@dataclass(frozen=True, slots=True)
class Target:
    """A file of the program and the tests (from the tree on) that must notice a change of it."""

    file: str
    tests: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Explained:
    """A mutant that no test can notice, or need not: by file, line's text and change, with the `why`."""

    file: str
    text: str
    change: str
    why: str


def table() -> tuple[list[Target], list[Explained]]:
    """What is tried, and what is known to survive."""
    read = tomllib.loads(TABLE.read_text(encoding="utf-8"))
    targets = [Target(entry["file"], tuple(entry["tests"])) for entry in read["target"]]
    return targets, [Explained(**entry) for entry in read.get("survivor", [])]


def run_tests(tree: Path, tests: Sequence[str], limit_s: float, plugin: object = None) -> int | None:
    """Exit status of pytest over `tests` in `tree`, with a `plugin`; None when it took longer than `limit_s`.

    In a fork of this process, which has the large libraries in memory already; none of the program's own modules.
    """
    from scripts.mutate_fast import forked

    def work() -> int:
        os.chdir(tree)
        sys.path[:] = [str(tree), *(path for path in sys.path if Path(path or ".").resolve() != ROOT)]
        for name in [name for name in sys.modules if name.split(".")[0] in ("scripts", "tests", "fixtures")]:
            del sys.modules[name]
        sys.dont_write_bytecode = True
        nothing = os.open(os.devnull, os.O_RDWR)
        for descriptor in (0, 1, 2):
            os.dup2(nothing, descriptor)
        import pytest

        return int(pytest.main([*QUIETLY, *tests], plugins=[plugin] if plugin else None))

    return forked(work, limit_s)


def survivors(tree: Path, target: Target, mutants: Sequence[Mutant]) -> Iterator[Mutant]:
    """Those of `mutants` that the target's tests don't notice: tried in one process, and what lived there, or lies in
    no function, once more with everything loaded anew. Raises RuntimeError when the tests are red to begin with."""
    from scripts.mutate_fast import NOTICED, InOneProcess

    path, report = tree / target.file, tree / "mutants.json"
    whole = path.read_bytes()
    name = target.file.removesuffix(".py").replace("/", ".")
    sources = [(one.line, changed(whole, one).decode()) for one in mutants]
    began = time.monotonic()
    run_tests(tree, target.tests, AT_MOST_S, InOneProcess(path, name, sources, report))
    words = json.loads(report.read_text(encoding="utf-8")) if report.exists() else []
    if len(words) != len(mutants):
        raise RuntimeError(f"the tests of {target.file} are not green to begin with")
    limit_s = PATIENCE * (time.monotonic() - began) / max(len(mutants), 1) + 6.0 * LEAST_S
    for mutant, word in zip(mutants, words, strict=True):
        if word == NOTICED:
            continue
        try:
            path.write_bytes(changed(whole, mutant))
            noticed = run_tests(tree, target.tests, limit_s) != 0
        finally:
            path.write_bytes(whole)
        if not noticed:
            yield mutant


def _chosen(target: Target, most: int | None) -> list[Mutant]:
    found = mutants_of(target.file)
    if most is None or len(found) <= most:
        return found
    return sorted(sorted(found, key=lambda one: one.order)[:most], key=lambda one: one.start)


def _preload() -> None:
    import hypothesis
    import numpy as np
    import pytest
    import scipy.optimize
    import scipy.special
    import scipy.stats

    del hypothesis, np, pytest, scipy


def main(words: list[str]) -> int:
    """Try the mutants of the files that are named, or of all in the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("files", nargs="*")
    parser.add_argument("--most", type=int, help="mutants of a file")
    parser.add_argument("--list", action="store_true", help="show the mutants, run nothing")
    asked = parser.parse_args(words)
    targets, known = table()
    targets = [target for target in targets if not asked.files or target.file in asked.files]
    if asked.list:
        for target in targets:
            for one in _chosen(target, asked.most):
                print(f"{one.file}:{one.line}: {one.change}")
        return 0
    os.nice(10)
    _preload()
    tried = unexplained = explained = 0
    with tempfile.TemporaryDirectory() as folder:
        tree = copy_of_tree(Path(folder))
        for target in targets:
            mutants = _chosen(target, asked.most)
            began, lived, excused = time.monotonic(), 0, 0
            for one in survivors(tree, target, mutants):
                why = next((e.why for e in known if (e.file, e.text, e.change) == (one.file, one.text, one.change)), "")
                excused += bool(why)
                lived += not why
                print(f"{one.file}:{one.line}: {one.change}" + (f"  [{why}]" if why else ""), flush=True)
            tried, unexplained, explained = tried + len(mutants), unexplained + lived, explained + excused
            noticed = len(mutants) - lived - excused
            print(
                f"{target.file}: {noticed} of {len(mutants)} noticed, {excused} explained, {lived} SURVIVED,"
                f" {time.monotonic() - began:.0f} s",
                flush=True,
            )
    count = tried - explained
    print(f"{count - unexplained} of {count} noticed ({100.0 * (count - unexplained) / max(count, 1):.0f} %)")
    return 1 if unexplained else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
