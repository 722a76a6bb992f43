"""The curves of a report: each run with its own floor, the wide sweep, the zoom that proves, the match.

Owns: which runs are drawn and where a curve ends because nothing lies above the floor. Refuses: to draw noise as if it
were the duplexer.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rf.values.decibel import level_db
from visit.figures.assessment import Assessment, Role
from visit.figures.averaging import floor_of
from visit.figures.replay import Figures, Replay
from visit.record.visit_file import RunRow
from visit.site.site import Site

TRACE_POINTS = 400
FOUND, LEFT, LATEST = "as found", "as left", "latest, not frozen"
"""Names of the stages in a report; the last where nobody froze as left."""


@dataclass(frozen=True, slots=True)
class Trace:
    """One curve for a plot: arrays (K,) of at most `TRACE_POINTS`; NaN where the level lies under the run's own floor.
    `floor_db` is that floor (NaN: not known)."""

    label: str
    stage: str
    frequency_hz: NDArray[np.float64]
    level_db: NDArray[np.float64]
    floor_db: float


@dataclass(frozen=True, slots=True)
class Picture:
    """Curves of one hook-up with the channels; `goal_db` as a level (NaN: none). `says` tells the picture in words."""

    title: str
    says: str
    traces: tuple[Trace, ...]
    marks_hz: tuple[tuple[str, float], ...]
    goal_db: float


def pictures_of(replay: Replay, before: Figures | None, after: Figures | None, last: str) -> Iterator[Picture]:
    """Transmission of the wide runs, each zoom, and the match, as found and after it; `last` names the later stage."""
    stages = [(stage, one) for stage, one in ((FOUND, before), (last, after)) if one is not None]
    runs = {run.id: run for run in replay.runs}
    wides, zooms, matches = list[Trace](), dict[str, list[Trace]](), list[Trace]()
    for stage, one in stages:
        for number, run_id in enumerate(one.run_ids):
            run = runs[run_id]
            assessment = replay.figures_of.assess(run, sweeps=one.sweeps.get(run_id))
            if assessment is None:
                continue
            trace = _transmission(assessment, stage, run)
            if number == 0:
                wides.append(trace)
                matches += _match(replay, run, stage)
            else:
                zooms.setdefault(_channel(replay.site, run), []).append(trace)
    name, goals, site = stages[0][1].hookup.text, replay.site.goals, replay.site
    yield _picture(f"{name}: transmission", "transmission", wides, site, -goals.rejection_db)
    for place, traces in zooms.items():
        yield _picture(
            f"{name}: zoom at {place}", "transmission close to the channel", traces, site, -goals.rejection_db
        )
    if matches and stages[0][1].hookup.side is not None:
        yield _picture(f"{name}: match at port 1", "reflection", matches, site, -goals.return_loss_db)


def _picture(title: str, what: str, traces: list[Trace], site: Site, goal_db: float) -> Picture:
    marks = (("low", site.low_hz), ("high", site.high_hz))
    parts = []
    for trace in traces:
        level = trace.level_db[np.isfinite(trace.level_db)]
        low, high = trace.frequency_hz[0] / 1e6, trace.frequency_hz[-1] / 1e6
        reach = f"from {level.max():.0f} to {level.min():.0f} dB" if level.size else "nowhere above its floor"
        hidden = f", floor {trace.floor_db:.0f} dB" if np.isfinite(trace.floor_db) else ""
        parts.append(f"{trace.label}: {low:.3f} to {high:.3f} MHz, {reach}{hidden}")
    return Picture(title, f"Curve of {what}. {'; '.join(parts)}. Goal {goal_db:g} dB.", tuple(traces), marks, goal_db)


def _channel(site: Site, run: RunRow) -> str:
    middle = (run.settings.start_hz + run.settings.stop_hz) / 2.0
    nearest = min((site.low_hz, site.high_hz), key=lambda hz: abs(hz - middle))
    return f"{nearest / 1e6:.4f} MHz"


def _transmission(a: Assessment, stage: str, run: RunRow) -> Trace:
    """A level that is not above the detection threshold is not drawn: it is noise, however deep a sample falls."""
    level = np.where(a.level_db > a.threshold_db, a.level_db, np.nan) if np.isfinite(a.threshold_db) else a.level_db
    keep = _thinned(a.frequency_hz, [channel.frequency_hz for channel in a.channels if channel.role is Role.REJECT])
    floor = a.floor_averaged.value if a.floor_averaged.known else float("nan")
    return Trace(f"{stage} (run {run.id})", stage, a.frequency_hz[keep], level[keep], floor)


def _match(replay: Replay, run: RunRow, stage: str) -> list[Trace]:
    made = replay.figures_of.averaged(run)
    if made is None:
        return []
    keep = _thinned(made.frequency_hz, [])
    floor = floor_of(made.s11).averaged
    return [
        Trace(
            f"{stage} (run {run.id})", stage, made.frequency_hz[keep], level_db(made.s11.mean)[keep],
            floor.value if floor.known else float("nan"),
        )
    ]  # fmt: skip


def _thinned(frequency_hz: NDArray[np.float64], keep_hz: list[float]) -> NDArray[np.intp]:
    """Indices of at most about `TRACE_POINTS` samples, those nearest the channels among them."""
    step = max(-(-frequency_hz.size // TRACE_POINTS), 1)
    kept = set(range(0, frequency_hz.size, step)) | {frequency_hz.size - 1}
    kept |= {int(np.argmin(np.abs(frequency_hz - hz))) for hz in keep_hz}
    return np.array(sorted(kept), dtype=np.intp)
