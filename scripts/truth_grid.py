"""Runs the grid of the independent bench (`tests/truth/`) and writes docs/truth.md.

.venv/bin/python scripts/truth_grid.py run --cases 6000 --out build/truth.jsonl     (goes on where it was broken off)
.venv/bin/python scripts/truth_grid.py table build/truth.jsonl                      (writes docs/truth.md)
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
ROOT = Path(__file__).parents[1]
sys.path.insert(0, str(ROOT))

SEED = 20240711
PAGE = ROOT / "docs/truth.md"
CHUNK = 10


def _nice(by: int) -> None:
    os.nice(by)


def _some(job: tuple[int, int, list[int]]) -> list[dict[str, Any]]:
    from tests.truth.cases import grid
    from tests.truth.running import run_case

    cases, seed, wanted = job
    numbers = set(wanted)
    return [run_case(case) for case in grid(cases, seed) if case.number in numbers]


def _jobs(cases: int, seed: int, done: set[int]) -> Iterator[tuple[int, int, list[int]]]:
    left = [number for number in range(cases) if number not in done]
    for at in range(0, len(left), CHUNK):
        yield cases, seed, left[at : at + CHUNK]


def run(options: argparse.Namespace) -> None:
    options.out.parent.mkdir(parents=True, exist_ok=True)
    done = set()
    if options.out.exists():
        from tests.truth.tables import read_lines

        done = {line["number"] for line in read_lines([options.out])}
    began, ready = time.time(), 0
    with (
        ProcessPoolExecutor(options.processes, initializer=_nice, initargs=(options.nice,)) as pool,
        options.out.open("a") as out,
    ):
        jobs = list(_jobs(options.cases, options.seed, done))
        if options.part:
            jobs = jobs[: options.part]
        for lines in pool.map(_some, jobs):
            for line in lines:
                out.write(json.dumps(line) + "\n")
            out.flush()
            ready += len(lines)
            print(f"{len(done) + ready} of {options.cases}, {time.time() - began:.0f} s", file=sys.stderr)


def table(options: argparse.Namespace) -> None:
    from tests.truth.tables import page, read_lines

    options.page.write_text(page(read_lines(options.files), "scripts/truth_grid.py"))
    print(options.page)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    commands = parser.add_subparsers(required=True)
    one = commands.add_parser("run")
    one.add_argument("--cases", type=int, default=6000)
    one.add_argument("--seed", type=int, default=SEED)
    one.add_argument("--processes", type=int, default=2)
    one.add_argument("--nice", type=int, default=15)
    one.add_argument("--part", type=int, default=0, help="so many chunks only")
    one.add_argument("--out", type=Path, default=ROOT / "build/truth.jsonl")
    one.set_defaults(call=run)
    two = commands.add_parser("table")
    two.add_argument("files", type=Path, nargs="+")
    two.add_argument("--page", type=Path, default=PAGE)
    two.set_defaults(call=table)
    options = parser.parse_args()
    options.call(options)


if __name__ == "__main__":
    main()
