"""The figures of the hook-ups of a visit from its file alone: what a report, an export or a later program sees.

Owns: which runs a hook-up's figures rest on: its newest wide run and its newest zoom. Refuses: ports and screens; the
figures of a run come from `visit.figures.run_figures`, as the station's own do.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from visit.figures.assessment import Assessment, Role, with_zoom
from visit.figures.run_figures import RunFigures
from visit.record.visit_file import RunRow, VisitFile
from visit.site.hookup import ANTENNA, HookUp


@dataclass(frozen=True, slots=True)
class Figures:
    """One hook-up's figures and the runs that they rest on."""

    hookup: HookUp
    assessment: Assessment
    run_ids: tuple[int, ...]


class Replay:
    """Reads a visit once; every answer is computed from its sweeps."""

    def __init__(self, visit: VisitFile) -> None:
        """Raises RecordError when the file can't be read."""
        self.figures_of = RunFigures(visit)
        self.visit, self.site, self.runs = visit, self.figures_of.site, self.figures_of.runs
        self.calibrations = self.figures_of.calibrations

    def assess(self, run: RunRow, as_of_s: float = math.inf) -> Assessment | None:
        """The figures of one run by what was known up to a time; None when it kept no sweep."""
        return self.figures_of.assess(run, as_of_s)

    def figures(self, hookup: HookUp, *, after_s: float = -math.inf, before_s: float = math.inf) -> Figures | None:
        """The newest wide run of a hook-up within a time, its rejection from the newest zoom after it where there is
        one."""
        covers_both = self.figures_of.covers_both
        runs = [run for run in self.runs if run.hookup == hookup and after_s <= run.started_s < before_s]
        for wide in reversed(runs):
            assessment = self.assess(wide, before_s) if covers_both(wide) else None
            if assessment is not None:
                break
        else:
            return None
        zoomed = [run for run in runs if run.id > wide.id and not covers_both(run)]
        used, carried = [wide.id], set[float]()
        for run in reversed(zoomed):
            closer = self.assess(run, before_s)
            fresh = {
                channel.frequency_hz
                for channel in (closer.channels if closer is not None else ())
                if channel.role is Role.REJECT and channel.transmission.known
            } - carried
            if closer is not None and fresh:  # side to side there is one for each channel
                assessment, carried = with_zoom(assessment, closer), carried | fresh
                used.append(run.id)
        return Figures(hookup, assessment, tuple(used))

    def all_figures(self, *, after_s: float = -math.inf, before_s: float = math.inf) -> list[Figures]:
        """Figures of the three hook-ups as far as they were measured within a time."""
        found = [
            self.figures(HookUp(driven, read), after_s=after_s, before_s=before_s)
            for driven, read in (("A", "L"), ("A", "H"), ("L", "H"))
        ]
        return [one for one in found if one is not None]

    def feeder(self) -> Assessment | None:
        """What the newest run on the feeder shows; None without one."""
        runs = (self.assess(run) for run in reversed(self.runs) if run.hookup.name == ANTENNA)
        return next((found for found in runs if found is not None and found.echo is not None), None)
