"""Curves as SVG inside a page: a sweep with its floor, the place of a notch over the visits.

Owns: scales, ticks, strokes; everything takes the colour of the text, so that it is seen on light and on dark pages and
on paper. Refuses: text that is not escaped, and a curve drawn where nothing was measured.
"""

from __future__ import annotations

import html
import math
import time
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from protocol.files.harmless import harmless
from rf.values.stretches import stretches
from visit.report.pictures import FOUND, Picture, Trace
from visit.report.trend import Point

DATE_WIDTH = 95.0
WIDTH, HEIGHT, LEFT, RIGHT, TOP, BOTTOM = 720, 300, 52, 12, 26, 58
MOST_TICKS = 6
LINE_HEIGHT = 14


def safe(text: str) -> str:
    """Harmless, and escaped for text and for attributes in quotes."""
    return html.escape(harmless(text))


@dataclass(frozen=True, slots=True)
class _Scale:
    """Where a frequency and a level stand in a picture, in units of its view box; `bottom_db` is its lowest line."""

    low_hz: float
    high_hz: float
    bottom_db: float

    @classmethod
    def of(cls, picture: Picture) -> _Scale:
        """All curves, floors and the goal within it."""
        floors = [trace.floor_db for trace in picture.traces if math.isfinite(trace.floor_db)]
        levels = [float(np.nanmin(t.level_db)) for t in picture.traces if np.isfinite(t.level_db).any()]
        return cls(
            min(float(trace.frequency_hz[0]) for trace in picture.traces),
            max(float(trace.frequency_hz[-1]) for trace in picture.traces),
            math.floor((min([*levels, *floors, picture.goal_db]) - 5.0) / 10.0) * 10.0,
        )

    def x(self, hz: float) -> float:
        """From the left."""
        return LEFT + (hz - self.low_hz) / (self.high_hz - self.low_hz) * (WIDTH - LEFT - RIGHT)

    def y(self, db: float) -> float:
        """From the top; what lies outside stands at the edge."""
        share = min(max((0.0 - db) / (0.0 - self.bottom_db), 0.0), 1.0)
        return TOP + share * (HEIGHT - TOP - BOTTOM)


def picture_svg(picture: Picture) -> str:
    """Curves over frequency, each with its own floor; below it nothing is drawn."""
    scale = _Scale.of(picture)
    if not scale.high_hz > scale.low_hz:
        return ""
    height = HEIGHT + (len(picture.traces) - 1) * LINE_HEIGHT
    parts = [
        f'<svg viewBox="0 0 {WIDTH} {height}" role="img" aria-label="{safe(picture.says)}" font-size="11">',
        f'<rect x="{LEFT}" y="{TOP}" width="{WIDTH - LEFT - RIGHT}" height="{HEIGHT - TOP - BOTTOM}" class="frame"/>',
        *_grid(scale),
        *_marks(picture, scale),
    ]
    for trace in picture.traces:
        if math.isfinite(trace.floor_db):
            first, last = scale.x(float(trace.frequency_hz[0])), scale.x(float(trace.frequency_hz[-1]))
            parts.append(
                f'<rect x="{first:.1f}" y="{scale.y(trace.floor_db):.1f}" width="{last - first:.1f}"'
                f' height="{max(HEIGHT - BOTTOM - scale.y(trace.floor_db), 0.0):.1f}" class="floor"/>'
            )
    for number, trace in enumerate(picture.traces):
        kind, line = "found" if trace.stage == FOUND else "left", HEIGHT - 24 + number * LINE_HEIGHT
        parts += _curve(trace, kind, scale)
        floor = f"; floor {trace.floor_db:.1f} dB, shaded" if math.isfinite(trace.floor_db) else ""
        parts.append(
            f'<line x1="{LEFT}" x2="{LEFT + 26}" y1="{line}" y2="{line}" class="{kind}"/>'
            f'<text x="{LEFT + 32}" y="{line + 4}">{safe(trace.label + floor)}</text>'
        )
    return "".join(parts) + "</svg>"


def _grid(scale: _Scale) -> Iterator[str]:
    """Lines and words of both axes."""
    step = 20.0 if scale.bottom_db < -60.0 else 10.0
    for level in np.arange(0.0, scale.bottom_db - 1.0, -step):
        yield (
            f'<line x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{scale.y(level):.1f}" y2="{scale.y(level):.1f}" class="grid"/>'
            f'<text x="{LEFT - 6}" y="{scale.y(level) + 4:.1f}" text-anchor="end">{level:.0f}</text>'
        )
    yield f'<text x="{LEFT - 6}" y="{TOP - 10}" text-anchor="end">dB</text>'
    for hz, label in frequency_ticks(scale.low_hz, scale.high_hz):
        x = scale.x(hz)
        yield (
            f'<line x1="{x:.1f}" x2="{x:.1f}" y1="{TOP}" y2="{HEIGHT - BOTTOM + 4}" class="grid"/>'
            f'<text x="{x:.1f}" y="{HEIGHT - BOTTOM + 16}" text-anchor="middle">{label}</text>'
        )
    yield f'<text x="{WIDTH - RIGHT}" y="{HEIGHT - BOTTOM + 30}" text-anchor="end">MHz</text>'


def _marks(picture: Picture, scale: _Scale) -> Iterator[str]:
    """The channels and the goal."""
    for name, hz in picture.marks_hz:
        if scale.low_hz <= hz <= scale.high_hz:
            x = scale.x(hz)
            anchor = "start" if x < LEFT + 40 else "end" if x > WIDTH - RIGHT - 40 else "middle"
            yield (
                f'<line x1="{x:.1f}" x2="{x:.1f}" y1="{TOP}" y2="{HEIGHT - BOTTOM}" class="mark"/>'
                f'<text x="{x:.1f}" y="{TOP - 10}" text-anchor="{anchor}">{safe(name)} {hz / 1e6:.4f}</text>'
            )
    if math.isfinite(picture.goal_db):
        y = scale.y(picture.goal_db)
        yield (
            f'<line x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{y:.1f}" y2="{y:.1f}"'
            f' class="goal"/><text x="{WIDTH - RIGHT - 4}" y="{y - 3:.1f}"'
            f' text-anchor="end" class="goal-text">goal {-picture.goal_db:g}</text>'
        )


def _curve(trace: Trace, kind: str, scale: _Scale) -> Iterator[str]:
    """The pieces of a curve that lie above its floor; a sample that stands alone is a dot."""
    known = np.isfinite(trace.level_db)
    for first, last in stretches(known):
        points = [
            (scale.x(float(trace.frequency_hz[i])), scale.y(float(trace.level_db[i]))) for i in range(first, last)
        ]
        if len(points) == 1:
            yield f'<circle cx="{points[0][0]:.1f}" cy="{points[0][1]:.1f}" r="1.6" class="dot"/>'
        else:
            yield f'<polyline class="{kind}" points="{" ".join(f"{a:.1f},{b:.1f}" for a, b in points)}"/>'


def frequency_ticks(low_hz: float, high_hz: float) -> list[tuple[float, str]]:
    """Round frequencies within a span (1, 2 or 5 times a power of ten apart) with their labels in MHz."""
    span = high_hz - low_hz
    step = next(
        step
        for power in range(0, 12)
        for step in (10.0**power, 2.0 * 10.0**power, 5.0 * 10.0**power)
        if span / step <= MOST_TICKS
    )
    decimals = max(0, 6 - math.floor(math.log10(step)))
    first = math.ceil(low_hz / step)
    return [(n * step, f"{n * step / 1e6:.{decimals}f}") for n in range(first, math.floor(high_hz / step) + 1)]


def years_svg(points: list[Point]) -> str:
    """Where the notch was at each visit, with its interval; the line is the channel. "" with fewer than two visits."""
    known = [point for point in points if point.notch_offset.known]
    if len(known) < 2:
        return ""
    first_s, last_s = known[0].at_s, max(known[-1].at_s, known[0].at_s + 86400.0)
    low = min(0.0, *(point.notch_offset.low for point in known))
    high = max(0.0, *(point.notch_offset.high for point in known))

    def x(at_s: float) -> float:
        return LEFT + 30 + (at_s - first_s) / (last_s - first_s) * (WIDTH - LEFT - RIGHT - 60)

    def y(hz: float) -> float:
        return TOP + 8 + (high - hz) / (high - low) * (HEIGHT - TOP - BOTTOM - 16)

    says = ", ".join(
        f"{time.strftime('%Y-%m-%d', time.localtime(point.at_s))} {point.notch_offset.value / 1e3:+.1f} kHz"
        for point in known
    )
    parts = [
        f'<h3>{safe(years_title(points))}</h3><svg viewBox="0 0 {WIDTH} {HEIGHT}" role="img"'
        f' aria-label="{safe(f"Place of the notch against the channel: {says}")}" font-size="11">'
        f'<rect x="{LEFT}" y="{TOP}" width="{WIDTH - LEFT - RIGHT}" height="{HEIGHT - TOP - BOTTOM}" class="frame"/>'
        f'<text x="{LEFT - 6}" y="{TOP - 10}" text-anchor="end">kHz</text>'
    ]
    parts += [
        f'<line x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{y(level):.1f}" y2="{y(level):.1f}"'
        f' class="{"goal" if level == 0.0 else "grid"}"/>'
        f'<text x="{LEFT - 6}" y="{y(level) + 4:.1f}" text-anchor="end">{level / 1e3:+.1f}</text>'
        for level in (low, 0.0, high)
        if level == 0.0 or abs(y(level) - y(0.0)) > 12
    ]
    free = -math.inf
    for point in known:
        at, figure = x(point.at_s), point.notch_offset
        parts.append(
            f'<line x1="{at:.1f}" x2="{at:.1f}" y1="{y(figure.high):.1f}" y2="{y(figure.low):.1f}" class="left"/>'
            f'<circle cx="{at:.1f}" cy="{y(figure.value):.1f}" r="3" class="dot"/>'
        )
        if at - free >= DATE_WIDTH:  # dates that would cover one another are left out; the table below has all
            free = at
            warm = "" if point.temperature_c is None else f" {point.temperature_c:.0f} C"
            day = time.strftime("%Y-%m-%d", time.localtime(point.at_s))
            parts.append(f'<text x="{at:.1f}" y="{HEIGHT - BOTTOM + 15}" text-anchor="middle">{day}{warm}</text>')
    return "".join(parts) + "</svg>"


def years_title(points: list[Point]) -> str:
    """What `years_svg` shows."""
    return f"Side {points[0].side}: notch against {points[0].reject_hz / 1e6:.4f} MHz over the visits"
