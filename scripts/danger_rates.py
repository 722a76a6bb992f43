"""Learns skeleton consoles whose listings hold harmful words, pagers, confirmations and menus; counts what was sent.

Use: danger_rates.py 0:400 [--jobs 60] [--processes 4] [--verbose]. Each console stands on a thread behind a
pseudo-terminal; harm is what it logged. Learning is mostly waiting for silence (20 s a listing, 0.03 s of work), so
many are learned at once; nine open files a console keep a process below a hundred (select counts to 1,024).
"""

from __future__ import annotations

import argparse
import asyncio
import os
import sys
import time
from collections import Counter
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
sys.path[:0] = [str(ROOT)]

from tests.protocol.learn.danger import Told, told  # noqa: E402 - the folder is known only now


async def learned(seeds: Sequence[int], jobs: int, verbose: bool) -> list[Told]:
    """What the consoles of these listings were told, so many at once."""
    gate = asyncio.Semaphore(jobs)

    async def one(seed: int) -> Told:
        async with gate:
            result = await told(seed)
        if verbose or result.harm:
            print(f"{seed:5d} {result.seconds:4.0f} s  {result.outcome[:150]}", flush=True)
        for line in result.harm:
            print(f"      HARM {line}", flush=True)
        return result

    return list(await asyncio.gather(*(one(seed) for seed in seeds)))


def part(work: tuple[Sequence[int], int, bool]) -> list[Told]:
    """The same in a process of its own."""
    return asyncio.run(learned(*work))


def show(results: Sequence[Told]) -> None:
    """Counts of what was sent, of what came out, and every harm."""
    harmed = sorted(result.seed for result in results if result.harm)
    print(f"{len(results)} listings, harm in {len(harmed)}: {harmed}")
    silent = sorted(result.seed for result in results if not result.sent)
    print(f"told nothing at all: {len(silent)} {silent[:20]}")
    seconds = sorted(result.seconds for result in results)
    print(
        f"lines sent to a console: {sum(len(result.sent) for result in results) / max(len(results), 1):.1f} on average"
    )
    print(f"seconds a console: median {seconds[len(seconds) // 2]:.0f}, longest {seconds[-1]:.0f}")
    for why, count in Counter(" ".join(result.outcome.split()[:6]) for result in results).most_common(16):
        print(f"  {count:4d}  {why}")


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("seeds", help="first:last, the last left out; 0:10000 is all")
    parser.add_argument("--jobs", type=int, default=60, help="consoles at once in each process")
    parser.add_argument("--processes", type=int, default=4)
    parser.add_argument("--verbose", action="store_true")
    options = parser.parse_args()
    low, high = map(int, options.seeds.split(":"))
    os.nice(5)
    parts = [
        (range(low + at, high, options.processes), options.jobs, options.verbose) for at in range(options.processes)
    ]
    began = time.monotonic()
    with ProcessPoolExecutor(options.processes, get_context("spawn")) as pool:
        results = [result for found in pool.map(part, parts) for result in found]
    show(results)
    print(f"{time.monotonic() - began:.0f} s")
    return 1 if any(result.harm for result in results) else 0


if __name__ == "__main__":
    sys.exit(main())
