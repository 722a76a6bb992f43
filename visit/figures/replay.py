"""The figures of the hook-ups of a visit from its file alone: what a report, an export or a later program sees.

Owns: putting together the figures of the runs that `visit.figures.evidence` chooses, or that a stage names. Refuses:
ports and screens; the figures of a run come from `visit.figures.run_figures`, as the station's own do.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from rf.repeater.hookup_check import State
from visit.figures.assessment import Assessment, with_zoom
from visit.figures.evidence import carries_on, choose, of_one_state
from visit.figures.looks import covers_both
from visit.figures.run_figures import RunFigures
from visit.record.visit_file import RunRow, VisitFile
from visit.site.hookup import ANTENNA_PORT, HookUp, Side

SHOWN = (("A", "L"), ("A", "H"), ("L", "H"), ("H", "L"))
"""Driven and read port of the hook-ups that show a duplexer."""

NOT_TURNED = "not turned since as found, which still counts: what was swept later agrees and is shorter"

WORTH_A_LOOK = 3
"""So many runs of a kind are assessed besides the newest: a day has dozens, and each takes a fit."""


@dataclass(frozen=True, slots=True)
class Figures:
    """One hook-up's figures, the runs that they rest on with the sweeps of each that count, and what a reader must know
    about the choice of runs."""

    hookup: HookUp
    assessment: Assessment
    run_ids: tuple[int, ...]
    sweeps: Mapping[int, int] = field(default_factory=dict)
    notes: tuple[str, ...] = ()


class Replay:
    """Reads a visit once; every answer is computed from its sweeps."""

    def __init__(
        self, visit: VisitFile, shown: Mapping[int, int] | None = None, figures: RunFigures | None = None
    ) -> None:
        """`shown`: of these runs only so many sweeps count. `figures`: what is made of the runs already. Raises
        RecordError when the file can't be read."""
        self.figures_of = figures or RunFigures(visit, shown)
        self.visit, self.site, self.runs = visit, self.figures_of.site, self.figures_of.runs
        self.calibrations = self.figures_of.calibrations
        self._moved = [
            (float(str(at_s)), str(side), int(str(after)))
            for at_s, side, after in visit.rows("select at_s, side, after_run from nudge order by id")
        ]

    def assess(self, run: RunRow, as_of_s: float = math.inf) -> Assessment | None:
        """The figures of one run by what was known up to a time; None when it kept no sweep."""
        return self.figures_of.assess(run, as_of_s)

    def figures(self, hookup: HookUp, *, after_s: float = -math.inf, before_s: float = math.inf) -> Figures | None:
        """The best valid evidence of a hook-up as it stands at the end of a time; None without a wide run."""
        runs = [run for run in self.runs if _same(run.hookup, hookup) and after_s <= run.started_s < before_s]
        moved = [after for at_s, after in self._turns(hookup) if at_s < before_s]
        runs = of_one_state([run for run in runs if self.figures_of.sweeps(run)], moved)
        wides = self._judged([run for run in runs if covers_both(run, self.site) and run.hookup == hookup], before_s)
        zooms = self._judged([run for run in runs if not covers_both(run, self.site)], before_s) if wides else []
        evidence = choose(wides, zooms)
        if evidence is None:
            return None
        notes = [*evidence.notes, *self._uncorrected([*wides, *zooms])]
        return self._put_together(hookup, [evidence.wide, *evidence.zooms], before_s, {}, notes)

    def since(self, before: Figures, since_s: float) -> Figures | None:
        """What a hook-up shows since its figures of `before` were frozen; None where it was not measured again. Where
        no screw of it was turned since and they carry farther, a short sweep takes nothing from them."""
        later = self.figures(before.hookup, after_s=since_s)
        if later is None or any(at_s > since_s for at_s, _ in self._turns(before.hookup)):
            return later
        if later.assessment.check.state is State.WRONG or not carries_on(before.assessment, later.assessment):
            return later
        return replace(before, notes=(*before.notes, *later.notes, NOT_TURNED))

    def _turns(self, hookup: HookUp) -> list[tuple[float, int]]:
        """When a screw of it was turned, and the row of the run after."""
        sides = hookup.name if hookup.side is None else hookup.side.value
        return [(at_s, after) for at_s, side, after in self._moved if side in sides]

    def _judged(self, runs: list[RunRow], before_s: float) -> list[tuple[RunRow, Assessment]]:
        """The figures of the newest run and of those that carry most, in their order: others can't be chosen."""
        newest, most = runs[-1:], sorted(runs, key=self._worth)[-WORTH_A_LOOK:]
        worthy = {run.id for run in (*newest, *most)}
        made = [(run, self.assess(run, before_s)) for run in runs if run.id in worthy]
        return [(run, assessment) for run, assessment in made if assessment is not None]

    def _worth(self, run: RunRow) -> float:
        """Samples in a hertz of span for a hertz of bandwidth: what the floor of a pooled figure falls with."""
        s = run.settings
        return self.figures_of.sweeps(run) * s.points / max((s.stop_hz - s.start_hz) * s.bandwidth_hz, 1e-9)

    def pinned(self, hookup: HookUp, run_ids: Sequence[int], sweeps: Mapping[int, int], as_of_s: float) -> Figures:
        """The figures of the runs that a stage names, of so many sweeps of each, by what was known then. Raises
        KeyError for a run that is missing."""
        by_id = {run.id: run for run in self.runs}
        return self._put_together(hookup, [by_id[run_id] for run_id in run_ids], as_of_s, sweeps, ())

    def _put_together(
        self, hookup: HookUp, runs: Sequence[RunRow], as_of_s: float, limits: Mapping[int, int], notes: Sequence[str]
    ) -> Figures:
        counts = {run.id: min(self.figures_of.sweeps(run), limits.get(run.id, 10**9)) for run in runs}
        first, *closer = [self.figures_of.assess(run, as_of_s, counts[run.id]) for run in runs]
        if first is None:
            raise KeyError(runs[0].id)
        assessment = first
        for zoomed in closer:
            assessment = assessment if zoomed is None else with_zoom(assessment, zoomed)
        return Figures(hookup, assessment, tuple(run.id for run in runs), counts, tuple(notes))

    def _uncorrected(self, found: Sequence[tuple[RunRow, Assessment]]) -> list[str]:
        """A calibration came after all runs: they were not corrected by it."""
        newest = max((calibration.at_s for calibration in self.calibrations.values()), default=-math.inf)
        if found and all(run.started_s < newest and run.calibration_id is None for run, _ in found):
            return ["nothing was measured since the calibration: sweep again"]
        return []

    def all_figures(self, *, after_s: float = -math.inf, before_s: float = math.inf) -> list[Figures]:
        """Figures of the hook-ups as far as they were measured within a time."""
        found = [self.figures(hookup, after_s=after_s, before_s=before_s) for hookup in self.hookups()]
        return [one for one in found if one is not None]

    def hookups(self) -> list[HookUp]:
        """Hook-ups that show the duplexer; a side from its own port where nobody swept it from the antenna's, as the
        resonators of a band-pass unit are."""
        swept = {run.hookup.name for run in self.runs if self.figures_of.sweeps(run)}
        own = [HookUp(side.value, ANTENNA_PORT) for side in Side]
        return [
            *(HookUp(*ports) for ports in SHOWN),
            *(one for one in own if one.name in swept and HookUp(ANTENNA_PORT, one.driven).name not in swept),
        ]


def _same(one: HookUp, other: HookUp) -> bool:
    """The same ports of the duplexer, by leads that differ in a pad or an amplifier at most."""
    ports = (one.driven, one.read, one.third) == (other.driven, other.read, other.third)
    return ports and one.path.jumper == other.path.jumper
