"""A report as one self-contained HTML page: table, curves as SVG, all text escaped, prints to A4.

Owns: layout and drawing. Refuses: scripts, links, and anything from outside the page.
"""

from __future__ import annotations

import html
import math
import time

import numpy as np

from protocol.files.harmless import harmless
from visit.report.report import Picture, Report, Trace
from visit.report.report_text import sections
from visit.report.trend import Point

STYLE = """
body { font: 10.5pt/1.4 sans-serif; max-width: 19cm; margin: 1cm auto; color: #111; }
h1 { font-size: 16pt; margin: 0 0 .2em; }
h2 { font-size: 12pt; margin: 1.2em 0 .3em; border-bottom: 1px solid #888; }
table { border-collapse: collapse; width: 100%; }
td, th { border: 1px solid #999; padding: .15em .4em; text-align: left; vertical-align: top; overflow-wrap: anywhere; }
th { background: #eee; } p, li { margin: .2em 0; overflow-wrap: anywhere; }
svg { width: 100%; height: auto; } .small { font-size: 9pt; color: #444; } tr, svg, li { break-inside: avoid; }
@page { size: A4; margin: 1.5cm; }
@media print { body { max-width: none; margin: 0; } }
"""
DATE_WIDTH = 95.0
WIDTH, HEIGHT, LEFT, RIGHT, TOP, BOTTOM = 720, 300, 52, 12, 26, 40
STROKES = {"as found": 'stroke="#888" stroke-dasharray="5 3"', "as left": 'stroke="#000"'}


def report_html(report: Report) -> str:
    """The whole page."""
    site = report.site
    first, last = (time.strftime("%Y-%m-%d %H:%M", time.localtime(at)) for at in report.visited_s)
    title = f"Visit report: {site.name}" + (f", {site.call_sign}" if site.call_sign else "")
    parts = [
        "<!DOCTYPE html>",
        f'<html lang="en"><head><meta charset="utf-8"><title>{_safe(title)}</title>',
        f"<style>{STYLE}</style></head><body>",
        f"<h1>{_safe(title)}</h1>",
        f"<p>low {site.low_hz / 1e6:.4f} MHz, high {site.high_hz / 1e6:.4f} MHz, transmitter on the"
        f" {site.transmit.word} side, {_safe(site.kind)}; measured {first} to {last}</p>",
        '<p class="small">READING keeps clear of floor and leak; AT LEAST is a bound (95 %); INFERRED comes from a'
        " fitted model and proves nothing; CAN'T SAY: nothing follows from the data.</p>",
        _table(report),
        *(_svg(picture) for picture in report.pictures),
        *(_years_svg(points) for points in report.years.values()),
    ]
    for name, lines in sections(report, drawn=False):
        items = "".join(f"<li>{_safe(line)}</li>" for line in lines)
        parts.append(f"<h2>{_safe(name.capitalize())}</h2><ul>{items}</ul>")
    parts.append(f'<p class="small">SHA-256 of all sweeps: {report.digest}</p></body></html>')
    return "\n".join(parts) + "\n"


def _safe(text: str) -> str:
    """Harmless, and escaped for text and for attributes in quotes."""
    return html.escape(harmless(text))


def _table(report: Report) -> str:
    rows = [
        "<table><tr><th>hook-up</th><th>figure</th><th>as found</th><th>as left</th><th>goal</th><th>verdict</th></tr>"
    ]
    for row in report.rows:
        cells = (row.hookup, row.name, row.found, row.left, row.goal, row.verdict)
        rows.append("<tr>" + "".join(f"<td>{_safe(cell)}</td>" for cell in cells) + "</tr>")
    return "".join(rows) + "</table>"


def _svg(picture: Picture) -> str:
    """Curves over frequency; what lies under the averaged floor is hatched as no information."""
    low_hz = min(float(trace.frequency_hz[0]) for trace in picture.traces)
    high_hz = max(float(trace.frequency_hz[-1]) for trace in picture.traces)
    floors = [trace.floor_db for trace in picture.traces if math.isfinite(trace.floor_db)]
    bottom = math.floor((min([*floors, picture.goal_db]) - 5.0) / 10.0) * 10.0

    def x(hz: float) -> float:
        return LEFT + (hz - low_hz) / (high_hz - low_hz) * (WIDTH - LEFT - RIGHT)

    def y(db: float) -> float:
        share = min(max((0.0 - db) / (0.0 - bottom), 0.0), 1.0)
        return TOP + share * (HEIGHT - TOP - BOTTOM)

    parts = [
        f'<h2>{_safe(picture.title)}</h2><svg viewBox="0 0 {WIDTH} {HEIGHT}" role="img"'
        f' aria-label="{_safe(picture.title)}" font-family="sans-serif" font-size="11">',
        f'<rect x="{LEFT}" y="{TOP}" width="{WIDTH - LEFT - RIGHT}" height="{HEIGHT - TOP - BOTTOM}" fill="none"'
        ' stroke="#666"/>',
    ]
    parts += [
        f'<line x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{y(level):.1f}" y2="{y(level):.1f}" stroke="#ddd"/>'
        f'<text x="{LEFT - 6}" y="{y(level) + 4:.1f}" text-anchor="end">{level:.0f}</text>'
        for level in np.arange(0.0, bottom - 1.0, -20.0)
    ]
    parts.append(f'<text x="{LEFT - 6}" y="{TOP - 10}" text-anchor="end">dB</text>')
    for name, hz in picture.marks_hz:
        if low_hz <= hz <= high_hz:
            parts.append(
                f'<line x1="{x(hz):.1f}" x2="{x(hz):.1f}" y1="{TOP}" y2="{HEIGHT - BOTTOM}" stroke="#aaa"/>'
                f'<text x="{x(hz):.1f}" y="{TOP - 10}" text-anchor="middle">{_safe(name)} {hz / 1e6:.3f}</text>'
            )
    parts.append(
        f'<line x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{y(picture.goal_db):.1f}" y2="{y(picture.goal_db):.1f}"'
        f' stroke="#b50" stroke-dasharray="2 3"/><text x="{WIDTH - RIGHT - 4}" y="{y(picture.goal_db) - 3:.1f}"'
        f' text-anchor="end" fill="#b50">goal {-picture.goal_db:g}</text>'
    )
    if floors:
        floor = max(floors)
        parts.append(
            f'<rect x="{LEFT}" y="{y(floor):.1f}" width="{WIDTH - LEFT - RIGHT}"'
            f' height="{max(HEIGHT - BOTTOM - y(floor), 0.0):.1f}" fill="#000" fill-opacity="0.07"/>'
            f'<text x="{LEFT + 4}" y="{HEIGHT - BOTTOM - 4}">averaged floor:'
            " no information below</text>"
        )
    for trace in picture.traces:
        points = " ".join(f"{x(hz):.1f},{y(db):.1f}" for hz, db in _finite(trace))
        parts.append(f'<polyline fill="none" stroke-width="1.4" {STROKES[trace.label]} points="{points}"/>')
    for place, anchor, hz in ((LEFT, "start", low_hz), (WIDTH - RIGHT, "end", high_hz)):
        parts.append(f'<text x="{place}" y="{HEIGHT - BOTTOM + 15}" text-anchor="{anchor}">{hz / 1e6:.3f} MHz</text>')
    at = LEFT
    for trace in picture.traces:
        parts.append(
            f'<line x1="{at}" x2="{at + 26}" y1="{HEIGHT - 10}" y2="{HEIGHT - 10}" stroke-width="1.6"'
            f' {STROKES[trace.label]}/><text x="{at + 32}" y="{HEIGHT - 6}">{_safe(trace.label)}</text>'
        )
        at += 120
    return "".join(parts) + "</svg>"


def _years_svg(points: list[Point]) -> str:
    """Where the notch was at each visit, with its interval; the line is the channel."""
    known = [point for point in points if point.notch_offset.known]
    if len(known) < 2:
        return ""
    title = f"Side {known[0].side}: notch against {known[0].reject_hz / 1e6:.4f} MHz over the visits"
    first_s, last_s = known[0].at_s, max(known[-1].at_s, known[0].at_s + 86400.0)
    low = min(0.0, *(point.notch_offset.low for point in known))
    high = max(0.0, *(point.notch_offset.high for point in known))

    def x(at_s: float) -> float:
        return LEFT + 30 + (at_s - first_s) / (last_s - first_s) * (WIDTH - LEFT - RIGHT - 60)

    def y(hz: float) -> float:
        return TOP + 8 + (high - hz) / (high - low) * (HEIGHT - TOP - BOTTOM - 16)

    parts = [
        f'<h2>{_safe(title)}</h2><svg viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-label="{_safe(title)}"'
        ' font-family="sans-serif" font-size="11">'
        f'<rect x="{LEFT}" y="{TOP}" width="{WIDTH - LEFT - RIGHT}" height="{HEIGHT - TOP - BOTTOM}" fill="none"'
        f' stroke="#666"/><text x="{LEFT - 6}" y="{TOP - 10}" text-anchor="end">kHz</text>'
    ]
    parts += [
        f'<line x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{y(level):.1f}" y2="{y(level):.1f}"'
        f' stroke="{"#b50" if level == 0.0 else "#ddd"}"/>'
        f'<text x="{LEFT - 6}" y="{y(level) + 4:.1f}" text-anchor="end">{level / 1e3:+.1f}</text>'
        for level in (low, 0.0, high)
        if level == 0.0 or abs(y(level) - y(0.0)) > 12
    ]
    free = -math.inf
    for point in known:
        at, figure = x(point.at_s), point.notch_offset
        parts.append(
            f'<line x1="{at:.1f}" x2="{at:.1f}" y1="{y(figure.high):.1f}" y2="{y(figure.low):.1f}" stroke="#000"/>'
            f'<circle cx="{at:.1f}" cy="{y(figure.value):.1f}" r="3"/>'
        )
        if at - free >= DATE_WIDTH:  # dates that would cover one another are left out; the table below has all
            free = at
            warm = "" if point.temperature_c is None else f" {point.temperature_c:.0f} C"
            day = time.strftime("%Y-%m-%d", time.localtime(point.at_s))
            parts.append(f'<text x="{at:.1f}" y="{HEIGHT - BOTTOM + 15}" text-anchor="middle">{day}{warm}</text>')
    return "".join(parts) + "</svg>"


def _finite(trace: Trace) -> list[tuple[float, float]]:
    return [
        (float(hz), float(db)) for hz, db in zip(trace.frequency_hz, trace.level_db, strict=True) if math.isfinite(db)
    ]
