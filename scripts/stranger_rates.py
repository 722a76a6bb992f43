"""How many consoles that nobody wrote for the learner are learned, rightly, wrongly, harmfully; by kind of console.

Use: stranger_rates.py 0:30 [--hand] [--one SEED] [--jobs 2]. Starts each console behind a pseudo-terminal, learns it
with nobody there, then with answers from its facts, drives the profile, and reads the console's own log.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import subprocess
import sys
import tempfile
import time
from collections import Counter, defaultdict
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parent.parent
sys.path[:0] = [str(ROOT)]


class Served:
    """One console in a process of its own."""

    def __init__(self, which: str, folder: Path) -> None:
        self.log, self.bench = folder / f"{which}.jsonl", folder / f"{which}.bench"
        self.bench.write_text("open")
        what = ["serve", "--seed", which] if which.isdigit() else ["handwritten", which]
        self.process = subprocess.Popen(
            [sys.executable, "-m", "tests.strangers", *what, "--log", str(self.log), "--bench", str(self.bench)],
            cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
        )  # fmt: skip
        assert self.process.stdout
        self.port = self.process.stdout.readline().strip()

    def close(self) -> list[dict[str, object]]:
        assert self.process.stdin and self.process.stdout
        self.process.stdin.close()
        try:
            self.process.wait(3)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
        self.process.stdout.close()
        return [json.loads(line) for line in self.log.read_text().splitlines()] if self.log.exists() else []


def one(which: str, verbose: bool = False) -> dict[str, object]:
    from protocol.errors import AnalyzerError, RequestError
    from protocol.learn.dialogue import Nobody
    from protocol.learn.learner import NotLearnedError, learn
    from tests.strangers import truth

    facts = truth.facts(which if not which.isdigit() else int(which))
    out: dict[str, object] = {
        "which": which,
        "learnable": facts["learnable"],
        "dims": facts["dimensions"],
        "reason": facts.get("reason", ""),
    }
    with tempfile.TemporaryDirectory() as folder:
        served = Served(which, Path(folder))
        began = time.monotonic()
        try:
            learned = asyncio.run(asyncio.wait_for(learn(served.port, Nobody()), 240))
            out["seconds"] = time.monotonic() - began
            out["text"] = learned.text
            out["outcome"], out["why"] = asyncio.run(drive(served, learned.profile, which, facts))
        except NotLearnedError as error:
            out["outcome"], out["why"], out["text"] = (
                "not learned",
                str(error).partition(": not learned: ")[2] or str(error),
                error.half,
            )
        except (AnalyzerError, RequestError) as error:
            out["outcome"], out["why"] = "error", str(error)
        except TimeoutError:
            out["outcome"], out["why"] = "error", "took longer than 240 s"
        except Exception as error:
            import traceback

            out["outcome"], out["why"] = "BUG", f"{type(error).__name__}: {error} {traceback.format_exc()[-500:]}"
        out.setdefault("seconds", time.monotonic() - began)
        log = served.close()
        out["harm"] = [entry for entry in log if entry["effect"] == "HARM"]
        if verbose:
            for entry in log:
                if entry["detail"] != "bytes":
                    print(entry)
    return out


async def drive(served: Served, profile: object, which: str, facts: dict[str, object]) -> tuple[str, str]:
    from protocol.analyzer import Analyzer
    from protocol.errors import AnalyzerError, RequestError
    from protocol.sweep import SweepSettings
    from tests.strangers import truth

    limits = profile.limits
    counts = limits.points or (limits.min_points, (limits.min_points + limits.max_points) // 2, limits.max_points)
    counts = [counts[len(counts) // 2], counts[0], counts[-1]]
    width = limits.stop_hz - limits.start_hz
    bandwidths = limits.bandwidths_hz or (1000.0,)
    world = truth.build(which if not which.isdigit() else int(which)).world
    try:
        analyzer = await Analyzer.open(served.port, profile)
    except AnalyzerError as error:
        return "not driven", str(error)
    try:
        for number, (low, high) in enumerate(((0.2, 0.4), (0.1, 0.8), (0.6, 0.7))):
            points = min(max(counts[number], 5 if limits.min_points <= 5 else limits.min_points), 401)
            if limits.points:
                points = counts[number]
            start, stop = (round((limits.start_hz + part * width) / 1e5) * 1e5 for part in (low, high))
            bandwidth = bandwidths[number % len(bandwidths)]
            try:
                applied = await analyzer.apply(
                    SweepSettings(start, stop, max(points, 2), max(bandwidth, 100.0) if bandwidth >= 100 else bandwidth)
                )
                sweep = await analyzer.sweep()
            except (AnalyzerError, RequestError) as error:
                return "not driven", f"{start:.0f} {stop:.0f} {points}: {error}"
            if applied.changes:
                start, stop, points = applied.actual.start_hz, applied.actual.stop_hz, applied.actual.points
            grid = np.linspace(start, stop, points)
            step = (stop - start) / max(points - 1, 1)
            if sweep.frequency_hz.size != points or np.max(np.abs(sweep.frequency_hz - grid)) > max(step, 2e3):
                return "WRONG", f"frequencies: {sweep.frequency_hz[0]}..{sweep.frequency_hz[-1]} for {start}..{stop}"
            s11, s21 = world.response("open", sweep.frequency_hz)
            slack = 8 * world.sigma(max(limits.bandwidths_hz or (10000.0,)), 1) + 0.02
            for name, got, want in (("S11", sweep.s11, s11), ("S21", sweep.s21, s21)):
                worst = float(np.median(np.abs(got - want)))
                if worst > slack:
                    return (
                        "WRONG",
                        f"{name} is off by {worst:.3g} (allowed {slack:.3g}) at {start:.0f}..{stop:.0f}",
                    )
        return "right", f"axis {profile.console.axis}"
    finally:
        await analyzer.close()


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("seeds", nargs="?", default="")
    parser.add_argument("--hand", action="store_true")
    parser.add_argument("--one")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--json")
    parser.add_argument("--list")
    options = parser.parse_args()
    if options.one:
        result = one(options.one, verbose=True)
        print(result.pop("text", ""))
        print(result)
        return
    from tests.strangers import truth

    names = options.list.split(",") if options.list else []
    if options.seeds:
        low, high = map(int, options.seeds.split(":"))
        names += [str(seed) for seed in range(low, high)]
    names += truth.names() if options.hand else []

    def apart(name: str) -> dict[str, object]:
        done = subprocess.run([sys.executable, __file__, "--worker", name], capture_output=True, text=True, check=False)
        try:
            return dict(json.loads(done.stdout.splitlines()[-1]))
        except (IndexError, ValueError):
            return {
                "which": name,
                "outcome": "BUG",
                "why": done.stderr[-300:],
                "harm": [],
                "seconds": 0,
                "learnable": "?",
                "dims": {},
            }

    with ThreadPoolExecutor(options.jobs) as pool:
        results = []
        for result in pool.map(apart, names):
            results.append(result)
            harm = " HARM " + str([h["line"] for h in result["harm"]]) if result["harm"] else ""
            head = f"{result['which']:>10} {result['learnable']:13} {result['outcome']:12} {result['seconds']:5.0f} s"
            print(f"{head} {str(result['why'])[:170]}{harm}", flush=True)
    show(results)
    if options.json:
        Path(options.json).write_text(json.dumps(results))


def show(results: list[dict[str, object]]) -> None:
    print(Counter((r["learnable"], r["outcome"]) for r in results))
    print("harm:", sum(bool(r["harm"]) for r in results))
    table: dict[tuple[str, str], list[bool]] = defaultdict(list)
    for result in results:
        if result["learnable"] == "alone":
            for key, value in result["dims"].items():
                table[key, value].append(result["outcome"] == "right")
    for (key, value), good in sorted(table.items(), key=lambda item: np.mean(item[1])):
        if np.mean(good) < 0.9:
            print(f"  {key}={value}: {sum(good)}/{len(good)}")


if __name__ == "__main__":
    if len(sys.argv) > 2 and sys.argv[1] == "--worker":
        print(json.dumps(one(sys.argv[2]), default=str))
    else:
        os.nice(5)
        main()
