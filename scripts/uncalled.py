"""Lists what stands in a room of the program and is called by nothing in the program, tests apart.

`python scripts/uncalled.py [rf protocol visit tui]`; exit status 0 when there is nothing. A name counts as called where
it is read anywhere in the rooms outside its own definition and outside what is uncalled itself; names that a library
calls (a base class of Textual, `ast`) are told by their first letters. Refuses: to delete.
"""

from __future__ import annotations

import ast
import sys
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[1]
ROOMS = ("rf", "protocol", "visit", "tui")
BY_NAME = ("__", "on_", "_on_", "action_", "watch_", "validate_", "render", "compose", "visit_", "get_")
"""Beginnings of names that a library looks up."""

Definition = ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef


@dataclass(frozen=True, slots=True)
class Uncalled:
    """A definition that nothing in the program reads."""

    file: str
    line: int
    lines: int
    name: str


def _names(node: ast.AST) -> Iterator[str]:
    """Every name that is read under a node; words too, for `getattr` and tables of names."""
    for each in ast.walk(node):
        if isinstance(each, ast.Name):
            yield each.id
        elif isinstance(each, ast.Attribute):
            yield each.attr
        elif isinstance(each, ast.Constant) and isinstance(each.value, str) and each.value.isidentifier():
            yield each.value


def uncalled(rooms: tuple[str, ...] = ROOMS) -> list[Uncalled]:
    """All of `rooms`, judged against the whole program."""
    trees = {
        path.relative_to(ROOT): ast.parse(path.read_text(encoding="utf-8"))
        for room in ROOMS
        for path in sorted((ROOT / room).rglob("*.py"))
    }
    read = Counter(name for tree in trees.values() for name in _names(tree))
    defined = [(path, node) for path, tree in trees.items() for node in ast.walk(tree) if isinstance(node, Definition)]
    found: list[tuple[Path, Definition]] = []
    while True:
        gone = {id(node) for _, top in found for node in ast.walk(top)}
        more = [
            (path, node)
            for path, node in defined
            if id(node) not in gone
            and not node.name.startswith(BY_NAME)
            and read[node.name] <= Counter(_names(node))[node.name]
        ]
        if not more:
            break
        for _, node in more:
            read.subtract(_names(node))
        found += more
    inner = {id(each) for _, node in found for each in ast.walk(node) if each is not node}
    return [
        Uncalled(str(path), node.lineno, (node.end_lineno or node.lineno) - node.lineno + 1, node.name)
        for path, node in sorted(found, key=lambda one: (str(one[0]), one[1].lineno))
        if path.parts[0] in rooms and id(node) not in inner
    ]


def main(words: list[str]) -> int:
    """Print them."""
    found = uncalled(tuple(words) or ROOMS)
    for one in found:
        print(f"{one.file}:{one.line} {one.name}: {one.lines} lines")
    print(f"{len(found)} definitions, {sum(one.lines for one in found)} lines")
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
