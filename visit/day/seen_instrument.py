"""What a visit's own runs show of its analyzer: floor at their bandwidth, pace, leak by the survey.

Owns: which runs count, and the sentence for each number. Refuses: to stand before a card or before what was typed, and
anything that no run shows; that is assumed where `of_sheet` assumes it.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from protocol.errors import RequestError
from rf.values.decibel import amplitude_db
from visit.day.instrument import NOTHING, QUICKEST, KnownInstrument, of_sheet
from visit.figures.run_figures import RunFigures
from visit.record.visit_file import RunRow
from visit.site.hookup import Side

FEWEST = 5
"""Sweeps of a run whose scatter tells a floor."""
TIMED = 5
"""Sweeps that tell how long one lasts."""
BY_RUNS = "by the runs of this visit"


def seen_instrument(figures: RunFigures) -> KnownInstrument:
    """The analyzer of a visit by its runs; nothing where none tells a level. Raises RecordError."""
    runs = [
        run for run in figures.runs if (not run.hookup.alone or run.hookup.survey) and figures.sweeps(run) >= FEWEST
    ]
    for run in reversed(runs):
        made = figures.settled(run)
        if made is None or not made.floor_now.known or made.too_busy:
            continue
        bandwidth_hz = run.settings.bandwidth_hz
        alike = [one for one in runs if one.settings.bandwidth_hz == bandwidth_hz]
        overhead_s, point_s = _pace(figures, alike)
        typed = {
            "floor": f"{-made.floor_now.value:.1f}@{bandwidth_hz:g}",
            "points": f"{max(one.settings.points for one in runs)}",
        }
        if point_s * bandwidth_hz >= QUICKEST:  # a bench that runs faster than time tells no pace
            typed |= {"point-time": f"{point_s:.3g}@{bandwidth_hz:g}", "overhead": f"{overhead_s:.3g}"}
        leak = _leak(figures, runs)
        if leak is not None:
            typed["leak"] = f"{-amplitude_db(leak):.1f}"
        try:
            known = of_sheet(typed)
        except RequestError:  # numbers that no receiver has: a run of a wrong unit tells nothing
            return NOTHING
        sources = tuple(words.replace("as typed", BY_RUNS) for words in known.sources)
        if known.ability is None:
            return known
        return replace(known, sources=sources, ability=replace(known.ability, leak_by_sheet=False))
    return NOTHING


def _pace(figures: RunFigures, runs: list[RunRow]) -> tuple[float, float]:
    """Seconds of a sweep beside its points, and a point's; where all runs have as many points all of it is theirs."""
    found: dict[int, float] = {}
    for run in runs:
        if run.settings.points not in found:
            taken = [sweep.duration_s for sweep in figures.visit.sweeps(run.id, limit=TIMED)]
            found[run.settings.points] = float(np.median(taken))
    fewest, most = min(found), max(found)
    if fewest == most:
        return 0.0, found[most] / most
    slope = (found[most] - found[fewest]) / (most - fewest)
    if slope <= 0.0:
        return 0.0, found[most] / most
    return max(found[fewest] - slope * fewest, 0.0), slope


def _leak(figures: RunFigures, runs: list[RunRow]) -> float | None:
    """The worse limit of both channels, as the newest run of each side has it; None where a side has none."""
    limits = []
    for side in Side:
        run = next((one for one in reversed(runs) if one.hookup.side is side), None)
        limit = None if run is None else figures.known(run).leak_at(figures.site.reject_hz(side))
        if limit is None or not math.isfinite(limit):
            return None
        limits.append(limit)
    return max(limits)
