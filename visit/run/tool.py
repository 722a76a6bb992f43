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

    @property
    def visit(self) -> SiteVisit:
        """The visit that the station measures into."""
        return self.station.visit


def default_profile_path(now_s: float) -> Path:
    """Where a learned profile is kept."""
    return data_folder() / "profiles" / time.strftime("learned-%Y%m%d-%H%M%S.toml", time.localtime(now_s))


def default_visit_path(site: Site, now_s: float) -> Path:
    """A new visit file in the user's data folder, named after site and time. Raises RequestError without a folder."""
    folder = data_folder()
    letters = "".join(letter if letter.isalnum() else "-" for letter in site.name.lower())
    safe = letters[:LONGEST_NAME].strip("-") or "site"
    stamp = time.strftime("%Y%m%d-%H%M%S", time.localtime(now_s))
    return folder / f"{safe}-{stamp}-{os.getpid()}.visit"
