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

import numpy as np

from rf.values.figure import Figure, cant_say, inferred
from rf.values.words import text
from visit.day.day import Day
from visit.day.stages import stages
from visit.figures.assessment import Role
from visit.figures.replay import Replay
from visit.figures.run_figures import no_figures
from visit.record.database import Tell
from visit.record.visit_file import VisitFile
from visit.site.hookup import HookUp

COMPENSATED_PPM, LOOSE_PPM = 5.0, 12.0
"""A compensated rod stays below the first; metal without compensation lies above the second (copper 17, aluminium
23)."""
FEWEST_KELVIN = 3.0
FEWEST_YEARS = 0.25
FEWEST_VISITS = 4
"""Three unknowns (place, slope with temperature, slope with time) and one visit to see whether they fit."""
MOST_ALIKE = 20.0
"""Condition number of the three columns, each of length 1, up to which temperature and time can be told apart."""
NORMAL_95 = 1.959964
YEAR_S = 365.25 * 86400.0
CHART_COLUMNS = 60


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
    goal_db: float = math.nan
    verdict: str = ""
    """Of the rejection against its goal, with its condition."""
    surveyed: bool = False
    """Whether the leak at the rejected channel was surveyed."""
    stage: str = ""
    """What was frozen of this side last: "as found", "as left" or ""."""
    next_due: str = ""


def points_of(path: Path, tell: Tell = lambda *_: None) -> list[Point]:
    """The points of one visit file; `tell` hears how far a long reading is. Raises RecordError."""
    visit = VisitFile.open(path, read_only=True, tell=tell)
    try:
        replay = Replay(visit)
        site = replay.site
        warm = Day(visit).value("temperature of the duplexer")
        warm = site.temperature_c if warm is None else warm
        found, frozen, due = [], stages(visit), Day(visit).words("next due")
        for side in ("L", "H"):
            with no_figures(visit, f"side {side}"):
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
                    site.goals.rejection_db,
                    next((goal.words for goal in a.goals if goal.name == "rejection"), ""),
                    reject.leakage is not None,
                    next((one.name for one in reversed(frozen) if one.hookup == figures.hookup.text), ""),
                    due,
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


@dataclass(frozen=True, slots=True)
class Slopes:
    """What three visits and more say together: movement with temperature and with time, and what both leave over."""

    per_kelvin: Figure
    """In ppm/K of the channel, the unit in which metals are told."""
    per_year: Figure
    """In kHz/year."""


def slopes(points: Sequence[Point]) -> Slopes:
    """Both slopes of one side's notch by weighted least squares over all visits, each 95 % (JCGM 100, annex H.3, has
    the straight line; Student's factor and the scatter that is seen, where it is more than the places' own).

    Without enough visits, or where temperature and time ran together, the slope is CAN'T SAY.
    """
    usable = [p for p in points if p.notch_offset.known and p.temperature_c is not None]
    few = f"{FEWEST_VISITS} visits with a temperature are needed, there are {len(usable)}"
    if len(usable) < FEWEST_VISITS:
        return Slopes(cant_say("ppm/K", few), cant_say("kHz/year", few))
    years = np.array([point.at_s for point in usable]) / YEAR_S
    kelvin = np.array([point.temperature_c or 0.0 for point in usable])
    weight = 1.0 / np.array([max((p.notch_offset.high - p.notch_offset.low) / 2 / NORMAL_95, 1.0) for p in usable])
    changed = [np.ptp(kelvin) >= FEWEST_KELVIN, np.ptp(years) >= FEWEST_YEARS]
    columns = [column - column.mean() for column, used in zip((kelvin, years), changed, strict=True) if used]
    design = np.column_stack([np.ones_like(years), *columns])
    place = np.array([point.notch_offset.value for point in usable])
    weighted = design * weight[:, None]
    alike = np.linalg.cond(weighted / np.maximum(np.linalg.norm(weighted, axis=0), 1e-30))
    if not alike < MOST_ALIKE:
        why = "temperature and time ran together over these visits"
        return Slopes(cant_say("ppm/K", why), cant_say("kHz/year", why))
    found, *_ = np.linalg.lstsq(weighted, place * weight, rcond=None)
    spare = len(usable) - design.shape[1]
    scatter = float(np.sum((weighted @ found - place * weight) ** 2)) / spare
    spread = np.sqrt(np.diag(np.linalg.inv(weighted.T @ weighted)) * max(scatter, 1.0))
    from scipy.special import stdtrit  # noqa: PLC0415 - Student's factor, 0.1 s that only this needs

    half = float(stdtrit(spare, 0.975)) * spread
    told = iter(zip(found[1:], half[1:], strict=True))

    def slope(used: bool, factor: float, unit: str, why: str) -> Figure:
        if not used:
            return cant_say(unit, why)
        value, width = next(told)
        return inferred(value * factor, (value - width) * factor, (value + width) * factor, unit)

    return Slopes(
        slope(changed[0], 1e6 / usable[-1].reject_hz, "ppm/K", "all visits were about equally warm"),
        slope(changed[1], 1e-3, "kHz/year", "all visits were within a few weeks"),
    )


def by_side(points: Sequence[Point]) -> dict[str, list[Point]]:
    """Points of each side in time order."""
    sides = {side: sorted((p for p in points if p.side == side), key=lambda point: point.at_s) for side in ("L", "H")}
    return {side: mine for side, mine in sides.items() if mine}


def trend_lines(points: Sequence[Point]) -> list[str]:
    """All sides, each with its lines and its chart."""
    lines = []
    for mine in by_side(points).values():
        lines += side_lines(mine) + chart(mine)
    return lines or ["no visit with a wide sweep of a side was found"]


def side_lines(mine: Sequence[Point]) -> list[str]:
    """One side in time order, with the drift from visit to visit and both slopes."""
    lines = [f"{mine[0].site}, side {mine[0].side}, notch against {mine[0].reject_hz / 1e6:.4f} MHz"]
    for before, point in zip([None, *mine[:-1]], mine, strict=True):
        day = time.strftime("%Y-%m-%d", time.localtime(point.at_s))
        warm = "   ? C" if point.temperature_c is None else f"{point.temperature_c:4.0f} C"
        lines.append(
            f"  {day} {warm}  notch {text(point.notch_offset, signed=True)}  rejection {text(point.rejection)}"
            f"  loss {text(point.loss)}"
        )
        if before is not None:
            lines.append(f"      since the last visit: {drift_between(before, point).says}")
    both = slopes(mine)
    for name, slope in (("with temperature", both.per_kelvin), ("with time", both.per_year)):
        lines.append(f"  {name}: {text(slope, signed=True)}{'' if slope.known else ': ' + slope.why}")
    return lines


def chart(points: Sequence[Point]) -> list[str]:
    """One line a visit: where the notch was with its interval, `|` at the channel (letters only: it is printed,
    mailed and read aloud)."""
    known = [point for point in points if point.notch_offset.known]
    if len(known) < 2:
        return []
    low = min(0.0, *(point.notch_offset.low for point in known))
    high = max(0.0, *(point.notch_offset.high for point in known))

    def at(hz: float) -> int:
        return round((hz - low) / (high - low) * (CHART_COLUMNS - 1))

    lines = [f"  {'notch':10}  {low / 1e3:<+9.1f}{'kHz':^{CHART_COLUMNS - 18}}{high / 1e3:>+9.1f}"]
    for point in known:
        cells = [" "] * CHART_COLUMNS
        first, last = at(point.notch_offset.low), at(point.notch_offset.high)
        cells[first : last + 1] = "-" * (last - first + 1)
        cells[first], cells[last] = "[", "]"
        cells[at(0.0)] = "|"
        cells[at(point.notch_offset.value)] = "o"
        lines.append(f"  {time.strftime('%Y-%m-%d', time.localtime(point.at_s))}  {''.join(cells).rstrip()}")
    return lines
