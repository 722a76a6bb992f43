"""Notices that the computer slept (a lid that was closed) or that its clock was set while a run went on.

Owns: telling the two apart. Refuses: to mend times; they are stored as the clock showed them, and the log says what
happened to the clock.
"""

from __future__ import annotations

import time
from collections.abc import Callable

LEAST_S = 2.0
"""Less is a slow disk or the clock being led gently to the right time."""


def clocks() -> tuple[float, float, float]:
    """Seconds of the wall clock, of time since boot with sleep, and without sleep (clock_gettime(2))."""
    return time.time(), time.clock_gettime(time.CLOCK_BOOTTIME), time.clock_gettime(time.CLOCK_MONOTONIC)


class ClockWatch:
    """Look at it once a sweep."""

    def __init__(self, read: Callable[[], tuple[float, float, float]] = clocks) -> None:
        self._read = read
        self._wall, self._boot, self._awake = read()

    def look(self) -> str | None:
        """One sentence when the computer slept or the clock was set since the last look, else None."""
        wall, boot, awake = self._read()
        slept = (boot - self._boot) - (awake - self._awake)
        set_by = (wall - self._wall) - (boot - self._boot)
        self._wall, self._boot, self._awake = wall, boot, awake
        said = []
        if slept >= LEAST_S:
            said.append(f"the computer slept for {slept:.0f} s")
        if abs(set_by) >= LEAST_S:
            said.append(f"the computer's clock was set by {set_by:+.0f} s")
        return "; ".join(said) or None
