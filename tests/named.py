"""What pages name in code style, and whether it exists: files, and `file.py:function` or `file.py:Class.method`."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).parents[1]
FILE = re.compile(r"\b(?:rf|protocol|visit|tui|fixtures|tests|scripts|docs|locks)/[\w./-]*[\w/]")
PLACE = re.compile(r"\b([a-z_]+(?:/[\w.]+)*\.py):([A-Za-z_]\w*(?:\.\w+)?)")


def absent_files(text: str) -> list[str]:
    """Paths below the rooms that a page names and that are not there."""
    here = (ROOT, ROOT / "tests")  # the list of promises names tests from their folder
    return [name for name in sorted(set(FILE.findall(text))) if not any((root / name).exists() for root in here)]


def absent_places(text: str) -> list[str]:
    """`file.py:name` of a page whose file has no such function, class or method."""
    found = {(file, name) for file, name in PLACE.findall(text)}
    return sorted(f"{file}:{name}" for file, name in found if name not in set(_names(ROOT / file)))


def _names(path: Path) -> Iterator[str]:
    if not path.is_file():
        return
    for node in ast.parse(path.read_text(encoding="utf-8")).body:
        if isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef, ast.ClassDef)):
            yield node.name
        if isinstance(node, ast.ClassDef):
            yield from (
                f"{node.name}.{inner.name}"
                for inner in node.body
                if isinstance(inner, (ast.FunctionDef, ast.AsyncFunctionDef))
            )
