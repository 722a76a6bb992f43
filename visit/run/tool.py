"""What a screen or command works with: site, profile, station, and in the demo the simulated bench.

Owns: the bundle, and the names under which visit files are kept. Refuses: any logic of measuring.
"""

from __future__ import annotations

import os
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from protocol.profiles.profile import Profile
from visit.record.database import Tell
from visit.run.site_visit import SiteVisit
from visit.run.station import Station
from visit.site.folders import data_folder
from visit.site.site import Site

LONGEST_NAME = 40
"""Letters of the site's name in the name of its visit file."""


class BenchLike(Protocol):
    """The simulated bench as far as a screen needs it."""

    def say(self, line: str) -> str:
        """Send one line of words, return the answer; raises RequestError when the bench refuses it."""


@dataclass(frozen=True, slots=True)
class Tool:
    """All that a screen needs."""

    site: Site
    profile: Profile
    station: Station
    bench: BenchLike | None = None
    site_path: Path | None = None
    """File of the site, where it may be edited."""

    @property
    def visit(self) -> SiteVisit:
        """The visit that the station measures into."""
        return self.station.visit

    def _shown(self) -> dict[int, int]:
        """Sweeps of the run in hand that stand on the screen: only they are frozen."""
        state = self.station.state()
        if state.progress.run_id is None or state.assessment is None:
            return {}
        return {state.progress.run_id: state.assessment.sweeps}

    def to_freeze(self, name: str, tell: Tell = lambda *_: None) -> list[str]:
        """What freezing under a name would freeze now, a hook-up a line; `tell` hears how far it is. Raises
        RequestError."""
        return self.visit.to_freeze(name, self._shown(), tell)

    def freeze(self, name: str) -> list[str]:
        """Freeze as found or as left: what was shown as asked, else the sweeps that stand on the screen; the hook-ups
        that were. Raises RequestError."""
        frozen = self.visit.freeze(name, self._shown())
        self.station.advise()
        return frozen


def default_visit_path(site: Site, now_s: float) -> Path:
    """A new visit file in the user's data folder, named after site and time. Raises RequestError without a folder."""
    folder = data_folder()
    letters = "".join(letter if letter.isalnum() else "-" for letter in site.name.lower())
    safe = letters[:LONGEST_NAME].strip("-") or "site"
    stamp = time.strftime("%Y%m%d-%H%M%S", time.localtime(now_s))
    return folder / f"{safe}-{stamp}-{os.getpid()}.visit"
