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
from concurrent.futures import ProcessPoolExecutor, as_completed
from pathlib import Path
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
ROOT = Path(__file__).parents[1]
sys.path.insert(0, str(ROOT))

SEED = 20240711
PAGE = ROOT / "docs/truth.md"
CHUNK = 5


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
        for made in as_completed([pool.submit(_some, job) for job in jobs]):
            lines = made.result()
            for line in lines:
                out.write(json.dumps(line) + "\n")
            out.flush()
            ready += len(lines)
            print(f"{len(done) + ready} of {options.cases}, {time.time() - began:.0f} s", file=sys.stderr)


def _probes(job: tuple[str, int]) -> list[dict[str, Any]]:
    from tests.truth.holes import probed

    return probed(*job)


def probes(options: argparse.Namespace) -> None:
    from tests.truth.holes import order
    from tests.truth.tables import read_lines

    options.out.parent.mkdir(parents=True, exist_ok=True)
    done = {line["unit"] for line in read_lines([options.out])} if options.out.exists() else set()
    jobs = [(name, options.draws) for name in order(1)[: options.units] if name not in done]
    with (
        ProcessPoolExecutor(options.processes, initializer=_nice, initargs=(options.nice,)) as pool,
        options.out.open("a") as out,
    ):
        for made in as_completed([pool.submit(_probes, job) for job in jobs]):
            lines = made.result()
            out.write("".join(json.dumps(line) + "\n" for line in lines))
            out.flush()
            print(f"{lines[0]['unit']}: {len(lines)} probes", file=sys.stderr)


def table(options: argparse.Namespace) -> None:
    from tests.truth.tables import page, read_lines

    lines = read_lines(options.files)
    cases, tried = [line for line in lines if "probe" not in line], [line for line in lines if "probe" in line]
    options.page.write_text(page(cases, tried, "scripts/truth_grid.py"))
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
    three = commands.add_parser("probes")
    three.add_argument("--units", type=int, default=70)
    three.add_argument("--draws", type=int, default=14)
    three.add_argument("--processes", type=int, default=2)
    three.add_argument("--nice", type=int, default=15)
    three.add_argument("--out", type=Path, default=ROOT / "build/truth-probes.jsonl")
    three.set_defaults(call=probes)
    two = commands.add_parser("table")
    two.add_argument("files", type=Path, nargs="+")
    two.add_argument("--page", type=Path, default=PAGE)
    two.set_defaults(call=table)
    options = parser.parse_args()
    options.call(options)


if __name__ == "__main__":
    main()
