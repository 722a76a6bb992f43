"""How long a sweep takes on the analyzer at hand, and how long to wait for it.

Owns: the estimate from the profile, bettered by the sweeps that were seen. Refuses: to look at a clock; it is told.
"""

from __future__ import annotations

from protocol.profiles.profile import Timing
from protocol.sweep import SweepSettings

REMEMBERED = 64
"""Settings whose time is remembered; the oldest is forgotten first."""
TEXT_BYTES = 120
"""Bytes per point that a talkative console may send (two S-parameters, frequency, separators)."""


class Pace:
    """Expected times in seconds for one analyzer."""

    def __init__(self, timing: Timing, baud: int) -> None:
        self._timing = timing
        self._baud = baud
        self._seen: dict[tuple[int, float], float] = {}
        self._slowest = 1.0

    def expected_s(self, settings: SweepSettings) -> float:
        """Time of one sweep: as seen last with these settings, else the profile's, stretched as others were."""
        seen = self._seen.get((settings.points, settings.bandwidth_hz))
        return seen if seen is not None else self._model_s(settings) * self._slowest

    def patience_s(self, settings: SweepSettings) -> float:
        """A sweep that has not ended after this is lost."""
        return self.expected_s(settings) * self._timing.margin + self._timing.reply_s

    def transfer_s(self, points: int) -> float:
        """Longest time for the data of one reply, once they flow."""
        return points * TEXT_BYTES * 10 / self._baud * self._timing.margin + self._timing.reply_s

    def observe(self, settings: SweepSettings, seconds: float) -> None:
        """Learn from a sweep that came."""
        key = (settings.points, settings.bandwidth_hz)
        self._seen.pop(key, None)
        self._seen[key] = seconds
        if len(self._seen) > REMEMBERED:
            del self._seen[next(iter(self._seen))]
        self._slowest = max(self._slowest, seconds / max(self._model_s(settings), 1e-3))

    def _model_s(self, settings: SweepSettings) -> float:
        return self._timing.sweep_s(settings.points, settings.bandwidth_hz)
