"""Figures that several hook-ups or several visits give together: isolation of the three ports, slopes of a trend.

Owns: measuring what they need, and their rows beside the truth. Refuses: everything that one hook-up shows by itself.
"""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from rf.values.words import as_json
from tests.truth.bench import Bench
from tests.truth.cases import Case
from tests.truth.judging import Row, compared
from tests.truth.visits import BEGAN_S, TruthVisit, beside, site_of
from visit.figures.three_ports import three_ports
from visit.figures.together import Together
from visit.report.trend import points_of, slopes
from visit.site.hookup import HookUp

PRINTED = re.compile(r"(READING|AT LEAST|INFERRED) ([-\d.]+)(?: ±([\d.]+)| \(([-\d.]+)\.\.([-\d.]+|inf)\))? dB")
YEAR_S = 365.25 * 86400.0
VISITS = 6
WARM_K = (-10.0, 6.0, -2.0, 12.0, -6.0, 3.0)
"""Above the temperature of tuning; in no order, so that it does not run together with time."""


def printed(words: str) -> dict[str, Any]:
    """A figure as it was printed, in its JSON form."""
    found = PRINTED.search(words)
    if found is None:
        return {"kind": "cannot_say", "why": words}
    word, value, half, low, high = found.groups()
    ends = (low, high) if low is not None else (value, value)
    wide = float(half or 0.0)
    bound = word == "AT LEAST"
    return {
        "kind": word.lower().replace(" ", "_"), "limited_by": "", "why": "", "low": float(ends[0]) - wide,
        "high": None if bound or ends[1] == "inf" else float(ends[1]) + wide,
    }  # fmt: skip


def isolation_rows(case: Case, bench: Bench, path: Path) -> list[Row]:
    """A>L, L>H and H>A by presets, and the isolation between the sides that they give together."""
    visit = TruthVisit(site_of(case, case.cavities), path)
    try:
        for name in ("A>L", "L>H", "H>A"):
            visit.wide(beside(bench, name, case.seed), HookUp.parse(name), case.averages)
        lines = [line for line in three_ports(Together(visit.file)) if line.startswith("  isolation at")]
    finally:
        visit.close()
    across = beside(bench, "L>H", case.seed)
    truths = -20.0 * np.log10(np.abs(across.truth_ideal_load([case.low_hz, case.high_hz])[1]))
    if not lines:
        return [Row("isolation of three ports", "refused")]
    return [
        compared("isolation of three ports", printed(line), (float(true), float(true)), 1)
        for line, true in zip(lines, truths, strict=True)
    ]


def slope_rows(case: Case, bench: Bench, path: Path) -> list[Row]:
    """Six visits within two years at six temperatures, one hook-up of a side, and the slopes that they give."""
    site = site_of(case, case.cavities)
    places, points = [], []
    for number, kelvin in enumerate(WARM_K):
        at = beside(bench, f"A>{case.side}", case.seed + number)
        at.unit.dtemp = kelvin
        mine = path.with_name(f"{path.stem}-{number}.visit")
        warm = replace(site, temperature_c=20.0 + kelvin, source=_told(site.source, 20.0 + kelvin))
        visit = TruthVisit(warm, mine, BEGAN_S + number * 2.0 * YEAR_S / (VISITS - 1))
        try:
            visit.wide(at, HookUp.parse(f"A>{case.side}"), case.averages)
            points += [point for point in points_of(mine) if point.side == case.side]
        finally:
            visit.close()
        places.append(at.unit.mean_zero_hz(case.side))
    told = slopes(points)
    reject_hz = case.high_hz if case.side == "L" else case.low_hz
    true = float(np.polyfit(WARM_K, places, 1)[0]) / reject_hz * 1e6
    return [
        compared("trend, slope with temperature", as_json(told.per_kelvin), (true, true), 0),
        compared("trend, slope with time", as_json(told.per_year), (0.0, 0.0), 0),
    ]


def _told(source: str, celsius: float) -> str:
    return source.replace("[goals]", f"temperature_c = {celsius!r}\n[goals]")
