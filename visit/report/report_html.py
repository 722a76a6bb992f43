"""A report as one self-contained HTML page: a first page for anybody, then table, curves and evidence; prints to A4.

Owns: layout. Refuses: scripts, links, and anything from outside the page.
"""

from __future__ import annotations

import time

from visit.report.report import Report
from visit.report.report_text import KINDS, sections
from visit.report.svg import picture_svg, safe, years_svg

STYLE = """
:root { color-scheme: light dark; --ink: #111; --paper: #fff; --line: #999; --soft: #444; --head: #eee; --goal: #a40; }
@media (prefers-color-scheme: dark) {
  :root { --ink: #e8e8e8; --paper: #161616; --line: #777; --soft: #bbb; --head: #2a2a2a; --goal: #fa6; }
}
body { font: 10.5pt/1.4 sans-serif; max-width: 19cm; margin: 1cm auto; padding: 0 .5cm; color: var(--ink);
  background: var(--paper); }
h1 { font-size: 16pt; margin: 0 0 .2em; }
h2 { font-size: 12.5pt; margin: 1.2em 0 .3em; border-bottom: 1px solid var(--line); }
h3 { font-size: 11pt; margin: 1em 0 .2em; }
h1, h2, h3 { break-after: avoid; }
table { border-collapse: collapse; width: 100%; }
td, th { border: 1px solid var(--line); padding: .15em .4em; text-align: left; vertical-align: top;
  overflow-wrap: break-word; }
th { background: var(--head); } p, li { margin: .2em 0; overflow-wrap: break-word; }
table.who th { width: 9em; }
ul { padding-left: 1.2em; } tr, svg, li, figure { break-inside: avoid; } figure { margin: 0; }
.long { overflow-wrap: anywhere; } .small { font-size: 9pt; color: var(--soft); }
.sign { margin-top: 2.2em; display: flex; flex-wrap: wrap; gap: 1em 2em; break-inside: avoid; }
.sign span { flex: 1 1 9em; border-top: 1px solid var(--ink); font-size: 9pt; padding-top: .2em; }
svg { width: 100%; height: auto; font-family: sans-serif; } svg text { fill: var(--ink); }
.frame { fill: none; stroke: var(--line); } .grid { stroke: var(--line); stroke-opacity: .35; }
.mark { stroke: var(--line); stroke-dasharray: 1 2; } .goal { stroke: var(--goal); stroke-dasharray: 2 3; }
svg .goal-text { fill: var(--goal); } .floor { fill: var(--ink); fill-opacity: .08; } .dot { fill: var(--ink); }
polyline { fill: none; } .left { stroke: var(--ink); stroke-width: 1.4; }
.found { stroke: var(--soft); stroke-width: 1.4; stroke-dasharray: 5 3; }
.evidence { break-before: page; }
@media (max-width: 600px) {
  table.figures, table.figures tbody, table.figures tr, table.figures td { display: block; border: none; }
  table.figures tr { border-bottom: 1px solid var(--line); padding: .3em 0; } table.figures .titles { display: none; }
  table.figures td.none { display: none; }
  table.figures td::before { content: attr(data-name) ": "; color: var(--soft); } table.who th { width: 6.5em; }
}
@page { size: A4; margin: 1.5cm; }
@media print {
  :root { --ink: #000; --paper: #fff; --line: #999; --soft: #444; --head: #eee; --goal: #a40; }
  body { max-width: none; margin: 0; padding: 0; }
}
"""


EMPTY = ' class="none"'


def report_html(report: Report) -> str:
    """The whole page."""
    site = report.site
    title = f"Visit report: {site.name}" + (f", {site.call_sign}" if site.call_sign else "")
    made = time.strftime("%Y-%m-%d %H:%M %Z", time.localtime(report.made_at_s))
    parts = [
        "<!DOCTYPE html>",
        '<html lang="en"><head><meta charset="utf-8">'
        f'<meta name="viewport" content="width=device-width, initial-scale=1"><title>{safe(title)}</title>',
        f"<style>{STYLE}</style></head><body>",
        f"<h1>{safe(title)}</h1>",
        _heading(report),
    ]
    parts += [f"<section><h2>{safe(name.capitalize())}</h2>{_list(lines)}</section>" for name, lines in report.summary]
    parts += [
        f'<p class="small">{safe(KINDS)}</p>',
        f'<p class="small">{safe("; ".join(report.hookups))}</p>' if report.hookups else "",
        '<div class="sign"><span>date, place</span><span>technician</span><span>received for the site</span></div>',
        '<h2 class="evidence">Figures</h2>',
        _table(report),
    ]
    for picture in report.pictures:
        parts.append(f"<figure><h3>{safe(picture.title)}</h3>{picture_svg(picture)}</figure>")
    parts += [f"<figure>{drawn}</figure>" for points in report.years.values() if (drawn := years_svg(points))]
    for name, lines in sections(report, drawn=False):
        parts.append(f"<h2>{safe(name.capitalize())}</h2>{_list(lines)}")
    parts.append(f'<p class="small long">Made {safe(made)}. SHA-256 of all sweeps: {report.digest}</p></body></html>')
    return "\n".join(part for part in parts if part) + "\n"


def _list(lines: list[str]) -> str:
    return f"<ul>{''.join(f'<li>{safe(line)}</li>' for line in lines)}</ul>"


def _heading(report: Report) -> str:
    rows = "".join(f"<tr><th>{safe(name)}</th><td>{safe(value)}</td></tr>" for name, value in report.heading)
    return f'<table class="who">{rows}</table>'


def _table(report: Report) -> str:
    names = ("hook-up", "figure", "as found", report.left_name, "goal", "verdict")
    titles = "".join(f"<th>{safe(name)}</th>" for name in names)
    rows = [f'<table class="figures"><tr class="titles">{titles}</tr>']
    for row in report.rows:
        cells = (row.hookup, row.name, row.found, row.left, row.goal, row.verdict)
        rows.append(
            "<tr>"
            + "".join(
                f'<td data-name="{safe(name)}"{"" if cell else EMPTY}>{safe(cell)}</td>'
                for name, cell in zip(names, cells, strict=True)
            )
            + "</tr>"
        )
    return "".join(rows) + "</table>"
