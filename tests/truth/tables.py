"""From the lines of many cases to the tables of docs/truth.md: coverage, refusals, false passes, time.

Owns: the counting, what a cell must hold to, and the words of the page. Refuses: to leave a failing cell out.
"""

from __future__ import annotations

import json
import math
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from statistics import median
from typing import Any

WANTED = (0.93, 0.97)
"""Share of intervals that must hold the truth; wider than the second is told as such."""
ALLOWED_PASSES = 0.05
"""False passes without condition in any cell."""
FEWEST = 30
"""A cell with fewer says nothing."""
Z = 2.576
"""A cell fails beyond 99 % of binomial chance: hundreds of cells are looked at."""
ONE_SIDED = ("bound", "proof", "leak limit", "holding range")
LEAKING = ("rejection", "bound rejection", "zoomed rejection", "bound zoomed rejection", "proof", "zoomed proof")
"""Figures that a leak enters: told apart where nobody surveyed it."""

Line = dict[str, Any]


def read_lines(paths: Iterable[Path]) -> list[Line]:
    """All lines of the files, one a case; a torn last line (a run that was broken off) is passed over."""
    found = []
    for path in paths:
        for text in path.read_text().splitlines():
            try:
                found.append(json.loads(text))
            except ValueError:
                continue
    return found


def wilson(hits: int, n: int, z: float = Z) -> tuple[float, float]:
    """Limits of a share (E. B. Wilson, J. Am. Stat. Assoc. 22, 1927)."""
    if n == 0:
        return 0.0, 1.0
    p, scale = hits / n, 1.0 + z * z / n
    middle = (p + z * z / (2 * n)) / scale
    half = z * math.sqrt(p * (1 - p) / n + z * z / (4 * n * n)) / scale
    return middle - half, middle + half


@dataclass
class Count:
    """One figure in one cell."""

    n: int = 0
    said: int = 0
    covered: int = 0
    eager: int = 0
    halves: list[float] = field(default_factory=list)
    worst: float = 0.0

    def add(self, row: dict[str, Any]) -> None:
        """A row more."""
        self.n += 1
        if row["covered"] is None:
            return
        self.said += 1
        self.covered += row["covered"]
        self.eager += row["eager"]
        self.worst = max(self.worst, abs(row["err"]))
        if row["half"] is not None:
            self.halves.append(row["half"])

    @property
    def share(self) -> float:
        """Covered of said."""
        return self.covered / self.said if self.said else math.nan


def name_of(row: dict[str, Any], line: Line) -> str:
    """The figure's name, apart where a leak was there that nobody surveyed."""
    name = str(row["figure"])
    leaking = line["leak"].startswith("unsurveyed") and name.removesuffix(", ideal load") in LEAKING
    return f"{name}, leak not surveyed" if leaking else name


def floor_word(line: Line) -> str:
    """Floors in steps of 12 dB."""
    low = -60 - 12 * int((-60 - min(line["floor_db"], -60.0)) // 12)
    return f"floor {low}..{low - 12}"


AXES: dict[str, Callable[[Line], str]] = {
    "kind": lambda line: line["kind"],
    "cavities": lambda line: f"{line['cavities']} a side",
    "count": lambda line: "count told" if line["told"] else "count not told",
    "hook-up": lambda line: "side to side" if "A" not in line["hookup"] else f"port 1 on {line['hookup'][0]}",
    "floor": floor_word,
    "sweeps": lambda line: f"{line['averages']} sweeps",
    "errors": lambda line: f"errors: {line['errors']}",
    "leak": lambda line: f"leak: {line['leak']}",
    "stated": lambda line: "errors beyond the stated" if line["beyond"] else "errors within the stated",
}


def cells(line: Line, pairs: bool = True) -> Iterator[str]:
    """Every cell that a case belongs to: each axis alone, and each pair of axes."""
    words = [axis(line) for axis in AXES.values()]
    yield from words
    if pairs:
        for i, one in enumerate(words):
            for other in words[i + 1 :]:
                yield f"{one} x {other}"


def counted(lines: list[Line]) -> tuple[dict[str, Count], dict[tuple[str, str], Count]]:
    """Each figure over all, and in each cell."""
    overall: dict[str, Count] = defaultdict(Count)
    parted: dict[tuple[str, str], Count] = defaultdict(Count)
    for line in lines:
        mine = list(cells(line))
        for row in line["rows"]:
            name = name_of(row, line)
            overall[name].add(row)
            for cell in mine:
                parted[name, cell].add(row)
    return overall, parted


@dataclass
class Verdicts:
    """Verdicts on goals that were missed, and on goals that were met."""

    missed: int = 0
    false_passes: int = 0
    false_conditional: int = 0
    met: int = 0
    passes: int = 0
    conditional: int = 0
    false_fails: int = 0

    def add(self, step: float, verdict: str) -> None:
        """A verdict more."""
        if step > 0:
            self.missed += 1
            self.false_passes += verdict == "pass"
            self.false_conditional += verdict == "conditional pass"
        else:
            self.met += 1
            self.passes += verdict == "pass"
            self.conditional += verdict == "conditional pass"
            self.false_fails += verdict == "fail"


def judged(lines: list[Line]) -> dict[tuple[str, str, str], Verdicts]:
    """Verdicts by goal, nearest step or all, and cell. Only the goal that lies nearest beyond the truth counts as
    missed: a farther one is easier."""
    found: dict[tuple[str, str, str], Verdicts] = defaultdict(Verdicts)
    for line in lines:
        mine = ["all", *cells(line)]
        for where, goal, step, verdict in line["verdicts"]:
            near = 0.0 < step <= 0.05 + 1e-9
            for cell in mine if near else ["all"]:
                if near or step < 0:
                    found[f"{where}: {goal}", "nearest" if near else f"{step:g}", cell].add(step, verdict)
    return found


def percent(part: int, whole: int) -> str:
    """A share for a table."""
    return f"{100 * part / whole:.1f}" if whole else "-"


def number(value: float) -> str:
    """Three digits."""
    return f"{value:.3g}"


def one_sided(name: str) -> bool:
    """Whether the figure is a bound."""
    return any(word in name for word in ONE_SIDED)


def fails(name: str, count: Count) -> str:
    """Why a cell fails; empty when it holds."""
    if count.said < FEWEST:
        return ""
    low, high = wilson(count.covered, count.said)
    if "leak not surveyed" in name:
        eager = wilson(count.eager, count.said)[0]
        return "too good" if eager > 1 - WANTED[0] else ""
    if high < WANTED[0]:
        return "covered too seldom"
    return "wider than asked" if low > WANTED[1] and not one_sided(name) else ""


def page(lines: list[Line], probes: list[Line], command: str) -> str:
    """docs/truth.md."""
    from tests.truth.holes import summed, worst_units

    overall, parted = counted(lines)
    runs, tried = sum(line["runs"] for line in lines), sum(line["runs"] for line in probes)
    faults = [line for line in lines if "fault" in line]
    out = [
        "# Figures against an independent truth",
        "",
        f"Made by `{command}`. A duplexer and bench model that shares no code with the program (`tests/truth/`) is",
        f"measured the way a visit is. {len(lines)} benches, {runs} runs of sweeps; {tried} runs more on benches",
        "made to deceive. Every figure is compared with the truth of its bench.",
        "",
        "- Each bench has a wide run. A survey comes first where the case has one. Two zooms follow where a notch was",
        "  fitted, and in a quarter of these a screw is turned. Side to side, the wide run of a side comes before.",
        "- `said`: not CAN'T SAY. `covered`: the 95 % interval holds the truth. `too good`: the whole interval lies on",
        "  the better side of it. Half-widths in dB, or in Hz for places. For bounds the half-width is the margin.",
        "- Truth is the third port ended as it was, or with an ideal load where the row says so.",
        "- Goals are drawn 0.05 dB beyond the truth (loss: 0.005 dB), where every pass is false.",
        f"- A cell fails beyond 99 % of binomial chance; cells with fewer than {FEWEST} are left out.",
        "- `errors beyond the stated`: port 2 worse than 20 dB, directivity worse than 35 dB or tracking worse than",
        "  0.1 dB. So much does the program say that it allows for without a calibration of its own.",
        "",
        "## Every figure",
        "",
        "| figure | n | said % | covered % | too good % | worst miss | median half-width |",
        "|---|---|---|---|---|---|---|",
    ]
    for name in sorted(overall):
        c = overall[name]
        half = number(median(c.halves)) if c.halves else "-"
        out.append(
            f"| {name} | {c.n} | {percent(c.said, c.n)} | {percent(c.covered, c.said)} | {percent(c.eager, c.said)} |"
            f" {number(c.worst)} | {half} |"
        )
    out += ["", *_verdict_table(lines), "", *_axis_table(overall, parted), "", *_refusals(lines), "", *_times(lines)]
    out += ["", *_failing(parted, lines)]
    out += ["", *_misses(lines)]
    if probes:
        out += ["", "## Benches made to deceive", "", *summed(probes), "", *worst_units(probes)]
    warned = Counter(words for line in lines for words in line.get("warned", ()))
    if warned:
        out += ["", "## Warnings of the arithmetic", "", *(f"- {n} times {words}" for words, n in warned.items())]
    if faults:
        out += ["", "## Faults", ""]
        out += [f"- case {line['number']}: `{line['fault'].strip().splitlines()[-1][:160]}`" for line in faults]
    return "\n".join(out) + "\n"


def _verdict_table(lines: list[Line]) -> Iterator[str]:
    found = judged(lines)
    yield from ("## Verdicts", "", "Goal missed by a hair: passes are false. Goal met with room: passes are due.", "")
    yield "| goal | missed n | false pass % | on condition % | room | met n | pass % | on condition % | fail % |"
    yield "|---|---|---|---|---|---|---|---|---|"
    goals = sorted({key[0] for key in found})
    for goal in goals:
        near = found[goal, "nearest", "all"]
        first = (
            f"{near.missed} | {percent(near.false_passes, near.missed)} |"
            f" {percent(near.false_conditional, near.missed)}"
        )
        for step in sorted(({key[1] for key in found if key[0] == goal} - {"nearest"}), key=float, reverse=True):
            v = found[goal, step, "all"]
            yield (
                f"| {goal} | {first} | {abs(float(step)):g} dB | {v.met} | {percent(v.passes, v.met)} |"
                f" {percent(v.conditional, v.met)} | {percent(v.false_fails, v.met)} |"
            )
            first = " | | "


KEY = (
    "place",
    "each cavity",
    "fitted rejection, ideal load",
    "unloaded Q",
    "loss",
    "return loss, pass",
    "zoomed proof",
)


def _axis_table(overall: dict[str, Count], parted: dict[tuple[str, str], Count]) -> Iterator[str]:
    yield from ("## By cell", "", "Covered % (said %) of n, one axis at a time.", "")
    yield "| cell | " + " | ".join(KEY) + " |"
    yield "|---|" + "---|" * len(KEY)
    alone = sorted({cell for _, cell in parted if " x " not in cell})
    for cell in alone:
        row = []
        for name in KEY:
            c = parted.get((name, cell))
            row.append("-" if c is None or not c.n else f"{percent(c.covered, c.said)} ({percent(c.said, c.n)}) {c.n}")
        yield f"| {cell} | " + " | ".join(row) + " |"
    _ = overall


def _refusals(lines: list[Line]) -> Iterator[str]:
    yield from ("## What was refused, and why", "")
    why: dict[str, dict[str, int]] = defaultdict(lambda: defaultdict(int))
    n: dict[str, int] = defaultdict(int)
    for line in lines:
        for stopped in line["stopped"]:
            why["gate"][stopped[:60]] += 1
        n["gate"] += 1
        for row in line["rows"]:
            if row["figure"] in ("place", "loss", "return loss, pass", "zoomed rejection", "nudge, movement"):
                n[row["figure"]] += 1
                if row["covered"] is None:
                    why[row["figure"]][_plain(row["why"])] += 1
    yield "| figure | n | refused % | said |"
    yield "|---|---|---|---|"
    for name in sorted(why):
        total = sum(why[name].values())
        yield f"| {name} | {n[name]} | {percent(total, n[name])} | all |"
        for words, count in sorted(why[name].items(), key=lambda item: -item[1])[:8]:
            yield f"| | | {percent(count, n[name])} | {words} |"


def _plain(words: str) -> str:
    return "".join("#" if letter.isdigit() else letter for letter in words).replace("|", "/")[:90]


def _times(lines: list[Line]) -> Iterator[str]:
    yield from ("## Time", "", "CPU seconds of the figures of one run.", "")
    yield "| run | n | median | 95 % | most |"
    yield "|---|---|---|---|---|"
    times: dict[str, list[float]] = defaultdict(list)
    for line in lines:
        for name, seconds in line["seconds"].items():
            times[name] += seconds
            if name == "wide":
                times[f"wide, {line['cavities']} a side" + ("" if line["told"] else ", count not told")] += seconds
    for name in sorted(times):
        mine = sorted(times[name])
        yield (
            f"| {name} | {len(mine)} | {number(median(mine))} | {number(mine[int(0.95 * (len(mine) - 1))])} |"
            f" {number(mine[-1])} |"
        )


def _failing(parted: dict[tuple[str, str], Count], lines: list[Line]) -> Iterator[str]:
    """Cells that fail, the worst first; a pair is left out where one of its own axes fails as badly."""
    yield from ("## Cells that fail", "", "Intervals:", "")
    yield "| figure | cell | n said | covered % | too good % | worst miss | why |"
    yield "|---|---|---|---|---|---|---|"
    bad = {key: why for key, count in parted.items() if (why := fails(key[0], count)) and why != "wider than asked"}
    shown = [key for key in bad if not _shadowed(key, parted, bad)]
    for key in sorted(shown, key=lambda key: (key[0], parted[key].share)):
        c = parted[key]
        yield (
            f"| {key[0]} | {key[1]} | {c.said} | {percent(c.covered, c.said)} | {percent(c.eager, c.said)} |"
            f" {number(c.worst)} | {bad[key]} |"
        )
    if not shown:
        yield "| none | | | | | | |"
    wide = sorted({name for (name, cell), count in parted.items() if fails(name, count) == "wider than asked"})
    yield from ("", f"Wider than asked in some cell: {', '.join(wide) or 'none'}.", "")
    yield from ("False passes without condition over 5 %:", "")
    yield "| goal | cell | missed | false pass % | on condition % |"
    yield "|---|---|---|---|---|"
    some = False
    for (goal, step, cell), v in sorted(judged(lines).items()):
        if step == "nearest" and v.missed >= FEWEST and wilson(v.false_passes, v.missed)[0] > ALLOWED_PASSES:
            some = True
            yield (
                f"| {goal} | {cell} | {v.missed} | {percent(v.false_passes, v.missed)} |"
                f" {percent(v.false_conditional, v.missed)} |"
            )
    if not some:
        yield "| none | | | | |"


LISTED = 40
"""Single misses that are shown, the worst against their own half-width first."""


def _misses(lines: list[Line]) -> Iterator[str]:
    """Figures whose interval does not hold the truth, with all that is needed to see the case again."""
    yield from (
        "## Single misses",
        "",
        f"The {LISTED} farthest, in half-widths; leaks nobody surveyed are left out.",
        "",
    )
    yield "| case | unit | hook-up | errors | leak | floor, sweeps | figure | miss | half-width |"
    yield "|---|---|---|---|---|---|---|---|---|"
    found = []
    for line in lines:
        for row in line["rows"]:
            name = name_of(row, line)
            twice = "ideal" in name or name == "floor of the average"  # stands in another row with less
            if row["covered"] is False and row["half"] and "leak not surveyed" not in name and not twice:
                found.append((abs(row["err"]) / abs(row["half"]), line, name, row))
    for _, line, name, row in sorted(found, key=lambda one: -one[0])[:LISTED]:
        yield (
            f"| {line['number']} | {line['unit']} | {line['hookup']} | {line['errors']} | {line['leak']} |"
            f" {line['floor_db']}, {line['averages']} | {name} | {number(row['err'])} | {number(row['half'])} |"
        )


def _shadowed(key: tuple[str, str], parted: dict[tuple[str, str], Count], bad: dict[tuple[str, str], str]) -> bool:
    name, cell = key
    if " x " not in cell:
        return False
    return any(
        (name, part) in bad and parted[name, part].share <= parted[key].share + 0.05 for part in cell.split(" x ")
    )
