"""How many consoles that nobody wrote for the learner are learned, rightly, wrongly, harmfully; by kind of console.

Use: stranger_rates.py 0:30 [--hand] [--one SEED] [--jobs 2] [--tries alone|answers|both]. Starts each console behind a
pseudo-terminal, learns it with nobody there, where that fails again with two answers at most of a scripted person who
knows its facts, drives the profile, and reads the console's own log.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import re
import subprocess
import sys
import tempfile
import time
from collections import Counter, defaultdict
from concurrent.futures import ThreadPoolExecutor, as_completed
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


UNITS = {"10Hz": "10 Hz", "MHzcomma": "MHz comma"}
ROLES = {
    "start": "sets start", "stop": "sets stop", "centre": "sets centre", "span": "sets span", "step": "sets step",
    "points": "sets points", "bw": "sets bandwidth", "avg": "sets average", "range": "sets start and stop",
    "s11": "reads s11", "s21": "reads s21", "both": "gives data", "freqs": "gives frequencies",
    "ident": "gives identity", "status": "gives settings", "poll": "gives status", "single": "sweeps",
    "hold": "holds the sweep", "select": "chooses the trace",
}  # fmt: skip
FREQUENCIES = ("start", "stop", "centre", "span", "step", "range")
MOST_ANSWERS = 2
REASONS = {
    "one port": r"one trace|S21", "magnitude only": r"only magnitudes|no phase", "no frequency": r"no word sets freq",
    "harmful keys": r"single keys", "mute": r"refuses|every word|no list|answers .* to all|nothing answers|knows none",
    "unguessable": r"no list|every word|refuses|nothing answers",
}  # fmt: skip
"""What must be said of a console that can't be learned, by the reason in its facts."""


class Person:
    """Knows the console's paper manual, and answers twice at most: words, a unit, a password, a deed."""

    def __init__(self, which: str, bench: Path) -> None:
        from tests.strangers import truth

        self.key: str | int = int(which) if which.isdigit() else which
        self.facts, self.recipe = truth.facts(self.key), truth.recipe
        self.bench, self.answered = bench, list[str]()

    def progress(self, progress: object) -> None:
        """Unheard."""

    def _more(self) -> bool:
        return len(self.answered) < MOST_ANSWERS

    async def words(self, words: object, why: str = "") -> object:
        from protocol.errors import RequestError
        from protocol.learn.corrections import parse_corrections

        said: list[object] = []
        typed = [part for part in self.manual() if part not in self.answered]
        if not self._more() or not typed or any(entry.startswith("words") for entry in self.answered):
            return ()
        for part in typed:
            try:
                said += parse_corrections(part, words)
            except RequestError as error:
                self.answered[len(self.answered) :] = []
                print(f"not taken: {part}: {error}", file=sys.stderr)
        self.answered.append("words: " + ", ".join(typed))
        return tuple(said)

    def manual(self) -> list[str]:
        """What the paper manual says, in the technician's words."""
        facts, unit = self.facts, UNITS.get(str(self.facts["frequency unit"]), str(self.facts["frequency unit"]))
        if facts.get("reason") == "keys" or "single keys" in " ".join(facts.get("needs", ())):
            return self._keys(unit)
        if not facts.get("set"):
            return self._by_recipe(unit)
        parts, sets, gets = [], facts.get("set") or {}, facts.get("get") or {}
        words = dict(facts["words"])
        for role, word in words.items():
            said = "lets it sweep" if role == "run" and "single" in words else ROLES.get(role, "sweeps")
            if role.startswith("fill") or (role != "run" and role not in ROLES):
                continue
            tail = f" in {unit}" if role in FREQUENCIES and unit else ""
            parts.append(f'"{sets.get(role, word)}" {said}{tail}')
            if role in gets and role != "select":
                parts.append(f'"{gets[role].removesuffix(" ")}" tells {said.removeprefix("sets ")}')
        if not {"start", "centre"} & sets.keys() and "range" in words:
            parts += self._combined(str(words["range"]), unit)
        if facts.get("help word"):
            parts.append(f'"{facts["help word"]}" lists words')
        return parts

    def _by_recipe(self, unit: str) -> list[str]:
        """Whole commands with their fields, from the raw strings that drive a console whose facts list no forms."""
        asked = {"start": (430e6, 410e6), "stop": (440e6, 450e6), "points": (51, 71)}

        def lines(name: str = "", trace: str = "s11") -> list[str]:
            values = {key: pair[key == name] for key, pair in asked.items()}
            return [
                line.strip("\r\n")
                for line in self.recipe(self.key, values["start"], values["stop"], values["points"], trace)
            ]

        base, words = lines(), dict(self.facts["words"])
        if not base:
            return []
        parts = [f'"{words["help"]}" lists words'] if words.get("help") else []
        for at, line in enumerate(base[:-1]):
            fields, form, grew = list[str](), line, False
            for name in asked:
                other = lines(name)[at]
                if other == line:
                    continue
                number = r"[-+]?[0-9]+(?:[.,][0-9]+)?" if "comma" in unit else r"[-+]?[0-9]+(?:[.][0-9]+)?"
                pieces = zip(re.findall(number, line), re.findall(number, other), strict=False)
                mine, then = next(((one, two) for one, two in pieces if one != two), ("", ""))
                grew = grew or (name == "start" and float(then or 0) > float(mine or 0))
                form = form.replace(mine, "{" + name + "}", 1)
                fields.append(name)
            if len(fields) > 1 and form.count("{") == 1:  # one value made of several
                role = "step" if "points" in fields else "span" if grew else "centre"
                parts.append(f'"{form.replace("{start}", "{v}")}" sets {role} in {unit}')
                continue
            if len(fields) == 1 and fields != ["points"]:
                parts.append(f'"{form}" sets {fields[0]} in {unit}')
            elif fields == ["points"]:
                parts.append(f'"{form}" sets points')
            elif fields:
                parts.append(f'"{form}" sets start and stop in {unit}')
            elif line:
                role = next((role for role, word in words.items() if word == line and role in ROLES), "single")
                parts.append(f'"{line}" {ROLES[role]}')
        reads = [(lines(trace=trace) or [""])[-1] for trace in ("s11", "s21")]
        if reads[0] == reads[1]:
            return [*parts, f'"{reads[0]}" gives data']
        parts += [f'"{read}" reads {trace}' for read, trace in zip(reads, ("s11", "s21"), strict=True) if read]
        return [*parts, f'"{words["poll"]}" gives status'] if words.get("poll") else parts

    def _keys(self, unit: str) -> list[str]:
        """Keys of a one-key menu, from the raw strings that drive it."""
        *settings, data = [
            line.strip("\r\n") for line in self.recipe(self.key, 430e6, 440e6, 51, "s11") if line.strip()
        ]
        settings = [line for line in settings if len(line) > 1]  # a lone key may come first, to leave a question
        roles = (f"sets start in {unit}", f"sets stop in {unit}", "sets points")
        parts = [f'"{line[0]}{{v}}" {role}' for line, role in zip(settings, roles, strict=True)]
        return [*parts, f"{data} gives data", '"?" lists words']

    def _combined(self, word: str, unit: str) -> list[str]:
        for line in self.recipe(self.key, 430e6, 440e6, 51, "s11"):
            text = line.strip("\r\n")
            if text.startswith(word):
                sign = "." if "comma" not in unit else ".,"
                pieces = re.findall(rf"[-+]?[0-9][0-9A-F{sign}]*[kMG]?", text[len(word) :])
                names = ["start", "stop", "points"] if len(pieces) > 2 else ["start", "stop"]
                rest = text[len(word) :]
                for piece, name in zip(pieces, names, strict=False):
                    rest = rest.replace(piece.rstrip(","), "{" + name + "}", 1)
                return [f'"{word}{rest}" sets start and stop in {unit}']
        return []

    async def question(self, text: str, answers: object, *, secret: bool = False) -> str:
        facts = self.facts
        if not self._more():
            return ""
        reply = ""
        if "unit" in text:
            reply = {"10Hz": "10 Hz"}.get(
                str(facts["frequency unit"]), str(facts["frequency unit"]).removesuffix("comma")
            )
            reply = reply if reply in answers else "Hz"
        elif secret:
            reply = str(facts.get("password") or "")
        elif "profile" in text:
            reply = answers[0]
        if reply:
            self.answered.append(f"{text[:40]}: {reply}")
        return reply

    async def deed(self, text: str) -> bool:
        if not self._more():
            return False
        self.bench.write_text("joined" if "join" in text.lower() else "shorted" if "short" in text.lower() else "open")
        self.answered.append(f"deed: {text[:40]}")
        return True


def one(which: str, verbose: bool = False, tries: str = "both") -> dict[str, object]:
    """Alone first; where that does not give a right profile, once more with a person who knows the manual."""
    out = attempt(which, verbose, alone=True) if tries != "answers" else {"outcome": "-", "harm": [], "seconds": 0.0}
    out["alone"], out["why alone"] = out["outcome"], out.get("why", "")
    if out["outcome"] == "right" or tries == "alone":
        return out
    second = attempt(which, verbose, alone=False)
    second |= {"alone": out["alone"], "why alone": out["why alone"]}
    second["harm"] = [*out["harm"], *second["harm"]]
    return second


def attempt(which: str, verbose: bool, *, alone: bool) -> dict[str, object]:
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
        person = Nobody() if alone else Person(which, served.bench)
        began = time.monotonic()
        try:
            learned = asyncio.run(asyncio.wait_for(learn(served.port, person), 240))
            out["seconds"] = time.monotonic() - began
            out["text"] = learned.text
            served.bench.write_text("open")
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
        out["answers"] = getattr(person, "answered", [])
        log = served.close()
        out["harm"] = [entry for entry in log if entry["effect"] == "HARM"]
        if verbose:
            for entry in log:
                if entry["detail"] != "bytes":
                    print(entry)
            print("answers:", out["answers"])
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
    parser.add_argument("--tries", choices=("alone", "answers", "both"), default="both")
    parser.add_argument("--json")
    parser.add_argument("--list")
    options = parser.parse_args()
    if options.one:
        result = one(options.one, verbose=True, tries=options.tries)
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
        done = subprocess.run(
            [sys.executable, __file__, "--worker", name, options.tries], capture_output=True, text=True, check=False
        )
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
        for future in as_completed([pool.submit(apart, name) for name in names]):
            result = future.result()
            results.append(result)
            harm = " HARM " + str([h["line"] for h in result["harm"]]) if result["harm"] else ""
            first, last = result.get("alone", ""), result["outcome"]
            said = f"{first} > {last} ({len(result.get('answers', []))})" if first != last else last
            head = f"{result['which']:>10} {result['learnable']:13} {said:28} {result['seconds']:5.0f} s"
            print(f"{head} {str(result['why'])[:170]}{harm}", flush=True)
    show(results)
    if options.json:
        Path(options.json).write_text(json.dumps(results))


def show(results: list[dict[str, object]]) -> None:
    can = [result for result in results if result["learnable"] != "not"]
    for name, key in (("alone", "alone"), ("with answers", "outcome")):
        right = sum(result.get(key) == "right" for result in can)
        wrong = sum(result.get(key) == "WRONG" for result in results)
        print(f"{name}: {right} of {len(can)} that can be learned ({right / max(len(can), 1):.1%}), {wrong} wrong")
    not_learnable = [r for r in results if r["learnable"] == "not"]
    untrue = [
        r
        for r in not_learnable
        if not re.search(REASONS.get(str(r["reason"]), "^$"), str(r.get("why alone") or r["why"]))
    ]
    print(f"true reason told: {len(not_learnable) - len(untrue)} of {len(not_learnable)} that can't be learned")
    for result in untrue:
        print(f"  {result['which']}: {result['reason']}, but it says: {result['why alone']}")
    print("seconds:", " ".join(f"{np.percentile([r['seconds'] for r in results], q):.0f}" for q in (50, 90, 100)))
    print(Counter((r["learnable"], r["outcome"]) for r in results))
    print("harm:", sum(bool(r["harm"]) for r in results))
    table: dict[tuple[str, str], list[tuple[bool, bool]]] = defaultdict(list)
    for result in results:
        if result["learnable"] != "not":
            for key, value in result["dims"].items():
                table[key, value].append((result.get("alone") == "right", result["outcome"] == "right"))
    for (key, value), good in sorted(table.items(), key=lambda item: np.mean([last for _, last in item[1]])):
        first, last = (sum(column) for column in zip(*good, strict=True))
        if min(first, last) < 0.9 * len(good):
            print(f"  {key}={value}: {first} alone, {last} with answers, of {len(good)}")


if __name__ == "__main__":
    if len(sys.argv) > 2 and sys.argv[1] == "--worker":
        print(json.dumps(one(sys.argv[2], tries=sys.argv[3]), default=str))
    else:
        os.nice(5)
        main()
