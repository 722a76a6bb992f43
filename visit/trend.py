"""Visits of one site against one another: where the notch went with temperature and with the years.

Owns: one point per visit and side, the slope in ppm per kelvin, what it says of the rods. Refuses: to call drift
what two intervals cover.
"""

from __future__ import annotations

import math
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from rf.figure import Figure
from rf.words import text
from visit.assessment import Role
from visit.day import Day
from visit.hookup import HookUp
from visit.record import VisitFile
from visit.replay import Replay

COMPENSATED_PPM, LOOSE_PPM = 5.0, 12.0
"""A compensated rod stays below the first; metal without compensation lies above the second (copper 17, aluminium
23)."""
FEWEST_KELVIN = 3.0


@dataclass(frozen=True, slots=True)
class Point:
    """One side at one visit, as it was left (the newest runs)."""

    path: str
    site: str
    at_s: float
    side: str
    reject_hz: float
    temperature_c: float | None
    notch_offset: Figure
    rejection: Figure
    loss: Figure


def points_of(path: Path) -> list[Point]:
    """The points of one visit file. Raises RecordError."""
    visit = VisitFile.open(path, read_only=True)
    try:
        replay = Replay(visit)
        site = replay.site
        warm = Day(visit).value("temperature of the duplexer")
        warm = site.temperature_c if warm is None else warm
        found = []
        for side in ("L", "H"):
            figures = replay.figures(HookUp("A", side))
            if figures is None:
                continue
            a = figures.assessment
            reject, passing = a.channel(Role.REJECT), a.channel(Role.PASS)
            if reject is None or passing is None:
                continue
            at = max(run.started_s for run in replay.runs if run.id in figures.run_ids)
            found.append(
                Point(
                    str(path),
                    site.name,
                    at,
                    side,
                    reject.frequency_hz,
                    warm,
                    a.notch_offset,
                    reject.transmission,
                    passing.transmission,
                )
            )
        return found
    finally:
        visit.close()


@dataclass(frozen=True, slots=True)
class Drift:
    """Between two visits: `ppm_per_k` (None where the temperatures are too alike or not known), `shift_hz`, and
    words."""

    shift_hz: float
    kelvin: float | None
    ppm_per_k: float | None
    says: str


def drift_between(earlier: Point, later: Point) -> Drift:
    """What two visits say of one side (study, scenario 37)."""
    if not (earlier.notch_offset.known and later.notch_offset.known):
        return Drift(math.nan, None, None, "no notch place in one of the visits")
    shift = later.notch_offset.value - earlier.notch_offset.value
    half = sum((figure.high - figure.low) / 2 for figure in (earlier.notch_offset, later.notch_offset))
    kelvin = None
    if earlier.temperature_c is not None and later.temperature_c is not None:
        kelvin = later.temperature_c - earlier.temperature_c
    words = f"{shift / 1e3:+.1f} kHz"
    if abs(shift) <= half:
        words += f", within the uncertainty of {half / 1e3:.1f} kHz"
    if kelvin is None or abs(kelvin) < FEWEST_KELVIN:
        return Drift(shift, kelvin, None, f"{words}; temperatures too alike, or not written down, for a slope")
    ppm = abs(shift / kelvin / later.reject_hz * 1e6)
    says = "compensated" if ppm <= COMPENSATED_PPM else "between" if ppm < LOOSE_PPM else "is a rod unlocked?"
    return Drift(shift, kelvin, ppm, f"{words} over {kelvin:+.0f} K: {ppm:.2g} ppm/K, {says}")


def trend_lines(points: Sequence[Point]) -> list[str]:
    """A table in time order per side, with the drift from visit to visit and a small curve."""
    lines = []
    for side in ("L", "H"):
        mine = sorted((point for point in points if point.side == side), key=lambda point: point.at_s)
        if not mine:
            continue
        lines.append(f"{mine[0].site}, side {side}, notch against {mine[0].reject_hz / 1e6:.4f} MHz")
        for before, point in zip([None, *mine[:-1]], mine, strict=True):
            day = time.strftime("%Y-%m-%d", time.localtime(point.at_s))
            warm = "   ? C" if point.temperature_c is None else f"{point.temperature_c:4.0f} C"
            lines.append(
                f"  {day} {warm}  notch {text(point.notch_offset, signed=True)}  rejection {text(point.rejection)}"
                f"  loss {text(point.loss)}"
            )
            if before is not None:
                lines.append(f"      since the last visit: {drift_between(before, point).says}")
        known = [point.notch_offset.value for point in mine if point.notch_offset.known]
        if len(known) > 1:
            lines.append(f"  notch  {spark(known)}  {min(known) / 1e3:+.1f} to {max(known) / 1e3:+.1f} kHz")
    return lines or ["no visit with a wide sweep of a side was found"]


def spark(values: Sequence[float]) -> str:
    """A curve of digits 0 to 9 (no special glyphs: it is printed, mailed and read aloud)."""
    low, high = min(values), max(values)
    return "".join(str(round((value - low) / (high - low) * 9)) if high > low else "5" for value in values)
