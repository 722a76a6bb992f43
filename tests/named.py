"""What pages name in code style, and whether it exists: files, and `file.py:function` or `file.py:Class.method`."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).parents[1]
FILE = re.compile(r"\b(?:rf|protocol|visit|tui|fixtures|tests|scripts|docs|locks)/[\w./-]*[\w/]")
PLACE = re.compile(r"\b([a-z_]+(?:/[\w.*]+)*\.py):(?: (?=[\w.]+`))?([A-Za-z_]\w*(?:\.\w+)?)")


def absent_files(text: str) -> list[str]:
    """Paths below the rooms that a page names and that are not there."""
    here = (ROOT, ROOT / "tests")  # the list of promises names tests from their folder
    return [name for name in sorted(set(FILE.findall(text))) if not any((root / name).exists() for root in here)]


def absent_places(text: str) -> list[str]:
    """`file.py:name` or `folder/*.py:name` of a page, where no such file has that function, class or method."""
    found = sorted(set(PLACE.findall(text)))
    return [
        f"{file}:{name}" for file, name in found if name not in {at for path in ROOT.glob(file) for at in _names(path)}
    ]


def _names(path: Path) -> Iterator[str]:
    """Functions and classes of a file; methods as `Class.method` and by their own name."""
    for node in ast.parse(path.read_text(encoding="utf-8")).body:
        if isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef)):
            yield node.name
        elif isinstance(node, ast.ClassDef):
            yield node.name
            for inner in node.body:
                if isinstance(inner, (ast.FunctionDef, ast.AsyncFunctionDef)):
                    yield from (inner.name, f"{node.name}.{inner.name}")
