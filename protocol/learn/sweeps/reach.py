"""How far a console sweeps: the lowest start and the highest stop that it reads back as they were set.

Owns: the ladder of frequencies that is tried. Refuses: to believe an end that is not read back; what the search for
settings was made in stands then.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable

LADDER_HZ = (
    9e3, 2e4, 5e4, 1e5, 3e5, 1e6, 2e6, 5e6, 1e7, 3e7, 5e7, 1e8, 1.5e8, 2e8, 3e8, 4e8, 5e8, 6e8, 8e8, 9e8, 1e9, 1.3e9,
    1.5e9, 1.8e9, 2e9, 2.5e9, 2.7e9, 3e9, 4e9, 4.4e9, 6e9, 6.3e9, 8.5e9, 9e9,
)  # fmt: skip
"""Ends that analyzers of these bands have; between two of them the lower is claimed."""
SAME_HZ = 1e3

Ends = tuple[float, float]
Place = Callable[[float, float], Awaitable[Ends | None]]
"""Sets start and stop in hertz; gives what is read back, None where it can't be read."""


async def reach(place: Place, low_hz: float, high_hz: float) -> Ends:
    """The widest span that holds, from one that is known to."""
    high = await _furthest(place, low_hz, high_hz, [hz for hz in LADDER_HZ if hz > high_hz], upper=True)
    low = await _furthest(place, high, low_hz, [hz for hz in reversed(LADDER_HZ) if hz < low_hz], upper=False)
    return low, high


async def _furthest(place: Place, kept: float, known: float, ladder: list[float], *, upper: bool) -> float:
    """Halve the ladder; where the console moves an end to its limit, that limit is tried in its place."""
    good, bad = -1, len(ladder)
    best = known
    at = bad - 1
    while good + 1 < bad:
        got = await _held(place, kept, ladder[at], upper)
        if got is not None and abs(got - ladder[at]) <= SAME_HZ:
            good, best = at, ladder[at]
        else:
            bad = at
            if got is not None and (best < got < ladder[at] if upper else ladder[at] < got < best):
                again = await _held(place, kept, got, upper)
                if again is not None and abs(again - got) <= SAME_HZ:
                    return got
        at = (good + bad) // 2
    return best


async def _held(place: Place, kept: float, end: float, upper: bool) -> float | None:
    ends = await (place(kept, end) if upper else place(end, kept))
    if ends is None or abs(ends[0 if upper else 1] - kept) > SAME_HZ:
        return None
    return ends[1 if upper else 0]
