"""What was learned so far of one console, and the errors that say what is missing.

Owns: the data only. Refuses: to find or to write anything.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from protocol.learn.sweeps.acquire import Acquisition
from protocol.learn.sweeps.axis import Meaning
from protocol.learn.sweeps.bounds import Bounds


class MissingError(Exception):
    """What stands in the way, as the end of a sentence."""


class UnitUnknownError(MissingError):
    """Nothing tells the unit of the frequencies, and the answer to the question for it is not known."""


@dataclass
class Found:
    """All that was learned so far; commands are templates by their key in a profile."""

    identify: str = ""
    identity: str = ""
    help: str = ""
    unlock: str = ""
    """The line that opens the console, only where it may be kept."""
    unlocked: bool = False
    commands: dict[str, str] = field(default_factory=dict)
    readback: dict[str, list[str]] = field(default_factory=dict)
    acquisition: Acquisition | None = None
    meaning: Meaning | None = None
    axis: str = "unconfirmed"
    listed: str = ""
    """Unit of the list of frequencies."""
    resolution_hz: float = 1.0
    bounds: Bounds = field(default_factory=Bounds)
    evidence: dict[str, str] = field(default_factory=dict)
    unknown: list[str] = field(default_factory=list)
