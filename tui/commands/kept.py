"""The commands over visit files that were measured before: `together`, `report`, `export`, `copy`, `trend`, `archive`,
`note`, `freeze`.

Owns: opening the file, printing what is asked, the exit status. Refuses: to measure, and figures of its own.
"""

from __future__ import annotations

import argparse
import sys

from protocol.errors import RequestError, not_written
from protocol.files.small_files import write_private
from tui.commands.beside import opened
from tui.commands.exit_status import ExitStatus
from tui.commands.printing import COPIED, Bar, data, row, say, show
from visit.record.visit_file import VisitFile


def together(options: argparse.Namespace) -> ExitStatus:
    """What several hook-ups show together."""
    from visit.figures.together import Together  # noqa: PLC0415

    with opened(options.visit, write=False) as visit:
        lines = Together(visit).lines()
    data(lines)
    return ExitStatus.GOALS_MET


def report(options: argparse.Namespace) -> ExitStatus:
    """The report of a visit."""
    from visit.report.report import build_report  # noqa: PLC0415 - only reports need it
    from visit.report.report_html import report_html  # noqa: PLC0415
    from visit.report.report_text import report_text  # noqa: PLC0415

    with opened(options.visit, write=False) as visit:
        made = build_report(visit, options.earlier or ())
    if options.html is None:
        data(report_text(made).splitlines())
        return ExitStatus.GOALS_MET
    try:
        write_private(options.html, report_html(made))
    except OSError as error:
        raise not_written(error)(f"can't write {options.html}: {error.strerror}; choose another folder") from None
    data([options.html])
    return ExitStatus.GOALS_MET


def export(options: argparse.Namespace) -> ExitStatus:
    """Sweeps and figures for other programs."""
    from visit.report.exports import export_visit  # noqa: PLC0415

    with opened(options.visit, write=False) as visit:
        written = export_visit(visit, options.to, singly=options.sweeps)
    data(written)
    return ExitStatus.GOALS_MET


def copy(options: argparse.Namespace) -> ExitStatus:
    """A whole copy of a visit in one file."""
    from visit.record.copying import copy_visit  # noqa: PLC0415 - only this command needs it

    to = options.to / options.visit.name if options.to.is_dir() else options.to
    with opened(options.visit, write=False) as visit:
        runs, sweeps = copy_visit(visit, to, lambda done, of: visit.tell(COPIED, done, of))
    data([to])
    say(f"{runs} runs, {sweeps} sweeps")
    return ExitStatus.GOALS_MET


def trend(options: argparse.Namespace) -> ExitStatus:
    """Visits of one site against one another."""
    from visit.report.trend import points_of, trend_lines  # noqa: PLC0415

    points = []
    for path in options.visits:
        with Bar(path) as bar:
            points += points_of(path, bar.tell)
    if len({point.site for point in points}) > 1:
        raise RequestError("these are visits to different sites; give those of one site")
    data(trend_lines(points))
    return ExitStatus.GOALS_MET


def archive(options: argparse.Namespace) -> ExitStatus:
    """Questions over a folder of visits."""
    from visit.report.archive import ask, build  # noqa: PLC0415

    if options.build:
        count = build(options.folder, options.scheduler, _counted)
        say(f"{count} visit files read")
    if options.ask is not None:
        names, rows = ask(options.folder, options.ask)
        row(*names)
        for answer in rows:
            row(*("" if value is None else _short(value) for value in answer))
    elif not options.build:
        raise RequestError("nothing asked: give --ask (worst, unproven, overdue, drift, faults) or --build")
    return ExitStatus.GOALS_MET


def _counted(done: int, of: int) -> None:
    """Progress on a terminal."""
    if sys.stderr.isatty() and (done % 10 == 0 or done == of):
        end = "\n" if done == of else ""
        show(f"\r{done} of {of} visit files{end}")


def _short(value: object) -> str:
    """A cell: numbers short."""
    return f"{value:.6g}" if isinstance(value, float) else str(value)


def note(options: argparse.Namespace) -> ExitStatus:
    """Write down in a visit what the day asks for."""
    from tui.commands.noting import note as write_down  # noqa: PLC0415

    return write_down(options)


def freeze(options: argparse.Namespace) -> ExitStatus:
    """Freeze the figures of a visit."""
    from visit.day.stages import AS_FOUND, AS_LEFT  # noqa: PLC0415
    from visit.day.stages import freeze as freeze_now  # noqa: PLC0415

    visit = VisitFile.open(options.visit)
    try:
        frozen = freeze_now(visit, AS_FOUND if options.name == "found" else AS_LEFT)
    finally:
        visit.close()
    for stage in frozen:
        row(stage.name, stage.hookup, f"runs {' '.join(map(str, stage.run_ids))}")
    return ExitStatus.GOALS_MET
