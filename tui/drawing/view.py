"""Which part of a trace stands in the picture, which trace, and where the marker is. Pure.

Owns: zoom, pan and the steps of a marker, kept within what was measured. Refuses: to change a sweep; a picture that is
zoomed shows the same points larger.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

FEWEST_POINTS = 4
"""A part of fewer points shows nothing more."""

Span = tuple[float, float]


@dataclass(frozen=True, slots=True)
class View:
    """`window_hz` the part that is drawn (None: all), `trace` its name, `marker_hz` where the marker stands, if any."""

    window_hz: Span | None = None
    trace: str = "S21"
    marker_hz: float | None = None

    def within(self, whole: Span) -> Span:
        """The part that is drawn of a span; all of it where the two have nothing in common (the sweep was changed)."""
        if self.window_hz is None:
            return whole
        low, high = max(self.window_hz[0], whole[0]), min(self.window_hz[1], whole[1])
        return (low, high) if low < high else whole

    def marked(self, whole: Span) -> float | None:
        """The marker, where the sweep covers it."""
        at = self.marker_hz
        return at if at is not None and whole[0] <= at <= whole[1] else None


def zoomed(view: View, whole: Span, step_hz: float, factor: float) -> View:
    """Nearer (`factor` above 1) or farther, about the marker where it is in sight, else about the middle."""
    low, high = view.within(whole)
    marker = view.marked((low, high))
    at = (low + high) / 2.0 if marker is None else marker
    width = max((high - low) / factor, FEWEST_POINTS * step_hz)
    if width >= whole[1] - whole[0]:
        return replace(view, window_hz=None)
    return replace(view, window_hz=_kept((at - width / 2.0, at + width / 2.0), whole))


def panned(view: View, whole: Span, share: float) -> View:
    """Aside by a share of what is drawn."""
    if view.window_hz is None:
        return view
    low, high = view.within(whole)
    by = share * (high - low)
    return replace(view, window_hz=_kept((low + by, high + by), whole))


def stepped(view: View, whole: Span, step_hz: float, columns: int, by: int) -> View:
    """The marker aside by `by` columns of the picture, or points where those are wider; it comes into sight first."""
    low, high = view.within(whole)
    marker = view.marked((low, high))
    if marker is None:
        return replace(view, marker_hz=(low + high) / 2.0)
    step = max(step_hz, (high - low) / max(columns - 1, 1))
    return replace(view, marker_hz=min(max(marker + by * step, low), high))


def next_place(view: View, whole: Span, places: Sequence[float]) -> View:
    """The marker to the first of these places, then to the next one, then away; the picture follows it."""
    covered = [hz for hz in places if whole[0] <= hz <= whole[1]]
    later = covered[covered.index(view.marker_hz) + 1 :] if view.marker_hz in covered else covered
    if view.marker_hz is not None and view.marker_hz not in covered:
        later = []
    if not later:
        return replace(view, marker_hz=None)
    low, high = view.within(whole)
    moved = replace(view, marker_hz=later[0])
    if low <= later[0] <= high:
        return moved
    half = (high - low) / 2.0
    return replace(moved, window_hz=_kept((later[0] - half, later[0] + half), whole))


def _kept(span: Span, whole: Span) -> Span:
    """A span of the same width inside the whole."""
    aside = max(whole[0] - span[0], 0.0) + min(whole[1] - span[1], 0.0)
    return max(span[0] + aside, whole[0]), min(span[1] + aside, whole[1])
