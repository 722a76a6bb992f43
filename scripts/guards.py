"""Takes each guard of tests/guards.toml out, one at a time in a copy of the tree, and looks whether its test turns red.

`python scripts/guards.py` runs all (a quarter of an hour), with names some of them; `--slice` the few fast ones whose
day it is, within a minute (CI does that); `--table` writes docs/faults.md.
Exit status 0 when every test turned red without its guard, 1 otherwise. Refuses: to touch the tree itself.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
import time
import tomllib
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[1]
LIST, TABLE = ROOT / "tests/guards.toml", ROOT / "docs/faults.md"
SKIPPED = shutil.ignore_patterns(
    ".git", ".venv", ".fetched", "*.pyc", "__pycache__", ".mypy_cache", ".ruff_cache", ".matrix"
)
LONGEST_S = 240.0
FAST = ("protocol/", "hostile/")
"""Folders whose tests need no bench of their own and take seconds."""
SLICE, SLICE_S = 4, 60.0
"""So many guards a day; after so long no further one is begun, and one that hangs is ended."""
TRIED_HEAD = """
## Tried, with no single guard to take out

Long tests run by `pytest -m long`, scripts by hand; what they count stands in [fuzzing.md](fuzzing.md).

| fault | promise | test |
|---|---|---|
"""
HEAD = """# Faults and promises

Each row has a test in `tests/` that turns red when the guard behind the promise is taken out;
`python scripts/guards.py` takes out one after the other in a copy of the tree and looks. This table is made from
`tests/guards.toml` by `python scripts/guards.py --table`.

2026-11-28, at c6d76bc, on a machine ten times overloaded: the 29 guards of bytes that are no text and a screen that
fails, read-only folders, what lies beside a visit, take-over by several, large visits, closed and full outputs, names
under which no visit can stand, full disks, --resume before any sweep, small terminals, and visits spoiled under a run,
each taken out by itself: 29 of 29 red.

| fault | promise | test |
|---|---|---|
"""


@dataclass(frozen=True, slots=True)
class Guard:
    """In `file`, `there` is replaced by `gone`; `test` (from the folder tests/ on) must fail then."""

    name: str
    fault: str
    promise: str
    test: str
    file: str
    there: str
    gone: str


def guards() -> list[Guard]:
    """The list as it stands."""
    return [Guard(**entry) for entry in tomllib.loads(LIST.read_text(encoding="utf-8"))["guard"]]


def tried() -> list[dict[str, str]]:
    """Faults that are tried, each a fault, a promise and its test (from tests/ on) or script."""
    return list(tomllib.loads(LIST.read_text(encoding="utf-8"))["tried"])


def table() -> str:
    """docs/faults.md."""
    guarded = [(guard.fault, guard.promise, guard.test) for guard in guards()]
    beside = [(one["fault"], one["promise"], one["test"]) for one in tried()]
    rows = ["".join(f"| {fault} | {promise} | `{test}` |\n" for fault, promise, test in part)
            for part in (guarded, beside)]  # fmt: skip
    return HEAD + rows[0] + TRIED_HEAD + rows[1]


def slice_of(day: int) -> list[Guard]:
    """The guards of a day of the year: each fast one comes round within as many days as there are slices."""
    fast = [guard for guard in guards() if guard.test.startswith(FAST)]
    return [fast[(day * SLICE + k) % len(fast)] for k in range(SLICE)]


def red_without(guard: Guard, tree: Path, limit_s: float = LONGEST_S) -> str:
    """Says "red" when the test fails without the guard, else what is wrong."""
    path = tree / guard.file
    whole = path.read_text(encoding="utf-8")
    if guard.there not in whole:
        return "NOT THERE"
    path.write_text(whole.replace(guard.there, guard.gone), encoding="utf-8")
    try:
        done = subprocess.run(
            [sys.executable, "-m", "pytest", "-q", "-n", "0", "-x", "--timeout", "100", f"tests/{guard.test}"],
            cwd=tree, capture_output=True, text=True, timeout=limit_s, check=False,
        )  # fmt: skip
    except subprocess.TimeoutExpired:
        return "red"  # it hangs without its guard
    finally:
        path.write_text(whole, encoding="utf-8")
    return "red" if done.returncode == 1 else f"NOT RED ({done.returncode})"


def copy_of_tree(folder: Path) -> Path:
    """A copy of the tree under `folder` that may be spoilt."""
    return Path(shutil.copytree(ROOT, folder / "tree", ignore=SKIPPED))


def main(words: list[str]) -> int:
    """Try the guards that are named, or all."""
    if words == ["--table"]:
        TABLE.write_text(table(), encoding="utf-8")
        return 0
    today = words == ["--slice"]
    if today:
        chosen = slice_of(time.gmtime().tm_yday)
    else:
        chosen = [guard for guard in guards() if not words or guard.name in words]
    missed = tried = 0
    end_s = time.monotonic() + SLICE_S
    with tempfile.TemporaryDirectory() as folder:
        tree = copy_of_tree(Path(folder))
        for guard in chosen:
            began = time.monotonic()
            if today and tried and began > end_s - SLICE_S / SLICE:
                print(f"{guard.name:22} not reached today: python scripts/guards.py {guard.name}")
                continue
            found = red_without(guard, tree, max(end_s - began, SLICE_S / SLICE) if today else LONGEST_S)
            tried += 1
            missed += found != "red"
            print(f"{guard.name:22} {found:12} {time.monotonic() - began:5.1f} s  {guard.test}", flush=True)
    print(f"{tried - missed} of {tried} guards: their test turns red without them")
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
