"""Both sides of the duplexer at once: the best valid evidence of each, and how old it is.

Owns: which hook-ups are asked, and the age of what is known of each. Refuses: to make a figure; `visit.figures.replay`
does, as for the report, so that a summary never says otherwise than the page that is printed.
"""

from __future__ import annotations

from dataclasses import dataclass

from visit.figures.replay import Figures, Replay
from visit.record.visit_file import VisitFile
from visit.site.hookup import HookUp, Side

LAST_SWEEP = "select max(started_s + duration_s) from sweep where run_id = ?"


@dataclass(frozen=True, slots=True)
class SideState:
    """What is known of one hook-up. `figures` None: never swept wide; `measured_s`: Unix time of the newest sweep that
    the figures rest on."""

    hookup: HookUp
    figures: Figures | None = None
    measured_s: float | None = None


def sides_of(visit: VisitFile) -> list[SideState]:
    """The low and the high side, then side to side where that was measured. Raises RecordError when the file can't be
    read."""
    replay = Replay(visit)
    hookups = [HookUp("A", side.value) for side in Side]
    found = [_state(visit, hookup, replay.figures(hookup)) for hookup in hookups]
    between = HookUp("L", "H")
    across = replay.figures(between)
    return found if across is None else [*found, _state(visit, between, across)]


def _state(visit: VisitFile, hookup: HookUp, figures: Figures | None) -> SideState:
    if figures is None:
        return SideState(hookup)
    ends = [visit.rows(LAST_SWEEP, (run_id,))[0][0] for run_id in figures.run_ids]
    newest = max((float(str(end)) for end in ends if end is not None), default=None)
    return SideState(hookup, figures, newest)
