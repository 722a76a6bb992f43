"""What a live screen may look at: one frozen picture of where the measurement stands.

Owns: `LiveState`. Refuses: to change anything; `visit.run.station` makes it.
"""

from __future__ import annotations

from dataclasses import dataclass

from visit.day.next_deed import NextDeed
from visit.figures.assessment import Assessment
from visit.run.conductor import Phase, Progress
from visit.site.hookup import HookUp
from visit.site.site import Site


@dataclass(frozen=True, slots=True)
class LiveState:
    """A picture of the running measurement; replaced as a whole, never changed."""

    site: Site
    hookup: HookUp
    progress: Progress
    assessment: Assessment | None = None
    corrects_itself: bool = False
    port: str = ""
    visit_name: str = ""
    figures_fault: str = ""
    taken_in: str = ""
    """How far the sweeps of a long run, which were there before, are averaged again; empty: nothing is waited for."""
    calibrated_at_s: float | None = None
    """Unix time of this computer's own calibration, None without one."""
    doubts: tuple[str, ...] = ()
    deed: NextDeed | None = None
    """What to do next, by all that the visit holds; None before anything is known."""

    @property
    def phase(self) -> Phase:
        """Where the conductor stands."""
        return self.progress.phase
