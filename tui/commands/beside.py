"""The commands of what stands beside the duplexer: `feeder`.

Owns: writing down what was typed, printing a page or its JSON. Refuses: figures and sentences of its own.
"""

from __future__ import annotations

import argparse
import contextlib
from collections.abc import Iterator, Mapping
from pathlib import Path

from protocol.errors import RequestError
from protocol.files.harmless import harmless_json
from tui.commands.exit_status import ExitStatus
from tui.commands.printing import Bar, data, row, say
from visit.record.visit_file import VisitFile


@contextlib.contextmanager
def opened(path: Path, *, write: bool) -> Iterator[VisitFile]:
    """A visit file, with a bar where reading it takes a while."""
    with Bar(path) as bar:
        visit = VisitFile.open(path, read_only=not write, tell=bar.tell)
        try:
            yield visit
        finally:
            visit.close()


def written_down(visit: VisitFile, typed: Mapping[str, str | None]) -> None:
    """Write down what was typed under the names of the sheet. Raises RequestError, with nothing of it written."""
    from visit.record.sheet import LINES, checked, write  # noqa: PLC0415 - only commands that type

    given = {name: words for name, words in typed.items() if words is not None}
    for name, words in given.items():
        checked(LINES[name], words)
    for name, words in given.items():
        write(visit, LINES[name], words)
        say(f"{name} written down: {words}")


def feeder(options: argparse.Namespace) -> ExitStatus:
    """Feeder and antenna: match, loss, distances; or the cable table."""
    from visit.day.day import FEEDER_STEP, Day  # noqa: PLC0415
    from visit.figures.feeder import INCOMING, feeder_sight  # noqa: PLC0415
    from visit.figures.run_figures import RunFigures  # noqa: PLC0415
    from visit.report.feeder_page import (  # noqa: PLC0415
        CABLE_NOTE,
        against_earlier,
        cable_rows,
        feeder_data,
        feeder_lines,
    )

    if options.cables:
        for cells in cable_rows():
            row(*cells)
        say(CABLE_NOTE)
        return ExitStatus.GOALS_MET
    if options.visit is None:
        raise RequestError("give a visit file, or --cables for the table of cables")
    typed = {"feeder cable": options.cable, "feeder length": options.length, "feeder velocity": options.velocity}
    with opened(options.visit, write=any((*typed.values(), options.incoming))) as visit:
        written_down(visit, typed)
        if options.incoming is not None:
            Day(visit).enter(FEEDER_STEP, INCOMING, options.incoming)
        sight = feeder_sight(RunFigures(visit))
        then = against_earlier(visit, sight, options.earlier or ())
    if options.json:
        data(harmless_json({**feeder_data(sight), "against_earlier": then}).splitlines())
    else:
        data([*feeder_lines(sight), *then])
    return ExitStatus.GOALS_MET if sight.runs else ExitStatus.CANT_SAY
