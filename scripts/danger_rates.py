"""Learns skeleton consoles whose listings hold harmful words, pagers, confirmations and menus; counts what was sent.

Use: danger_rates.py 0:400 [--jobs 8] [--verbose]. Everything runs in this process; harm is what the console logged.
"""

from __future__ import annotations

import argparse
import asyncio
import os
import sys
from collections import Counter
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
sys.path[:0] = [str(ROOT)]


async def run(seeds: range, jobs: int, verbose: bool) -> int:
    from tests.protocol.learn.danger import Told, told

    gate = asyncio.Semaphore(jobs)

    async def one(seed: int) -> Told:
        async with gate:
            result = await told(seed)
        if verbose or result.harm:
            print(f"{seed:5d} {result.seconds:4.0f} s  {result.outcome[:150]}", flush=True)
        for line in result.harm:
            print(f"      HARM {line}", flush=True)
        return result

    results = await asyncio.gather(*(one(seed) for seed in seeds))
    harmed = [result for result in results if result.harm]
    words = Counter(len(result.sent) for result in results)
    print(f"{len(results)} listings, harm in {len(harmed)}: {[result.seed for result in harmed]}")
    print(
        f"lines sent to a console: {sum(n * count for n, count in words.items()) / max(len(results), 1):.1f} on average"
    )
    for why, count in Counter(" ".join(result.outcome.split()[:6]) for result in results).most_common(12):
        print(f"  {count:4d}  {why}")
    return 1 if harmed else 0


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("seeds", help="first:last, the last left out; 0:10000 is all")
    parser.add_argument("--jobs", type=int, default=8)
    parser.add_argument("--verbose", action="store_true")
    options = parser.parse_args()
    low, high = map(int, options.seeds.split(":"))
    os.nice(5)
    return asyncio.run(run(range(low, high), options.jobs, options.verbose))


if __name__ == "__main__":
    sys.exit(main())
