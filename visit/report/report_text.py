"""A report as plain text, 80 columns, for mail and paper.

Owns: the layout. Refuses: figures of its own.
"""

from __future__ import annotations

import textwrap

from protocol.files.harmless import harmless
from visit.report.report import Report
from visit.report.trend import chart, side_lines

WIDTH = 79


ALL_SHOWN = "nothing: every goal of what was measured was shown to be met or missed"
KINDS = (
    "READING keeps clear of floor and leak; AT LEAST is a bound (95 %); INFERRED is from a fitted model and proves"
    " nothing; CAN'T SAY: nothing follows from it."
)


def report_text(report: Report, width: int = WIDTH) -> str:
    """The whole report in lines of `width`."""
    site = report.site
    lines = [f"VISIT REPORT  {site.name}" + (f"  {site.call_sign}" if site.call_sign else "")]
    wide = max((len(name) for name, _ in report.heading), default=0)
    lines += [f"  {name:<{wide}}  {value}" for name, value in report.heading]
    for title, entries in report.summary:
        lines += _section(title, entries, width)
    lines += ["", "SIGNED  date, place ____________________  technician ____________________", "", KINDS]
    lines += report.hookups
    hookup = ""
    wide = max(len("as found"), len(report.left_name))
    for row in report.rows:
        if row.hookup != hookup:
            hookup = row.hookup
            lines += ["", f"{hookup}"]
        lines.append(f"  {row.name}")
        lines.append(f"    {'as found':<{wide}}  {row.found}")
        lines.append(f"    {report.left_name:<{wide}}  {row.left}")
        if row.goal:
            limit = f"; limited by {row.limited_by}" if row.limited_by else ""
            lines.append(f"    {'goal':<{wide}}  {row.goal}: {row.verdict}{limit}")
    for title, entries in sections(report):
        lines += _section(title, entries, width)
    lines += ["", f"sweeps SHA-256 {report.digest}"]
    return "\n".join(line for text in lines for line in _fits(harmless(text), width)) + "\n"


def _section(title: str, entries: list[str], width: int) -> list[str]:
    lines = ["", title.upper()]
    for entry in entries:
        lines += textwrap.wrap(harmless(entry), width - 2, initial_indent="  ", subsequent_indent="    ")
    return lines


def _fits(line: str, width: int) -> list[str]:
    """As it stands where it fits, else in lines; a table's row goes on under its second column."""
    if len(line) <= width:
        return [line]
    indent = len(line) - len(line.lstrip())
    return textwrap.wrap(line, width, subsequent_indent=" " * min(indent + 4, 8)) if line.strip() else [""]


def years_lines(report: Report, *, drawn: bool = True) -> list[str]:
    """How this visit stands against the earlier ones; `drawn`: with the chart of letters."""
    lines = []
    for mine in report.years.values():
        lines += side_lines(mine) + (chart(mine) if drawn else [])
    return [line[2:] if line.startswith("  ") else line for line in lines]


def sections(report: Report, *, drawn: bool = True) -> list[tuple[str, list[str]]]:
    """Titles and lines of everything behind the table, only what is there; `drawn`: charts of letters included."""
    found = [
        ("sentences for the file", report.sentences),
        ("what could not be shown", report.not_shown or [ALL_SHOWN]),
        ("in doubt", report.doubts),
        ("evidence of the floor", report.evidence),
        ("next due", [report.next_due or "not written down (step 40 asks for it)"]),
        ("against earlier visits", years_lines(report, drawn=drawn)),
        ("what the repeater gains", report.gains),
        ("is the analyzer good enough", report.suits),
        ("feeder and antenna", report.feeder),
        ("resonators", report.resonators),
        ("second witness", report.witness),
        ("several hook-ups together", report.together),
        ("calibration and checks", report.calibration),
        ("instrument", report.instrument),
        ("screws", report.nudges),
        ("computed beside", report.computed),
        ("entered by hand", report.entered),
        ("steps left out", report.left_out),
    ]
    return [(title, lines) for title, lines in found if lines]
