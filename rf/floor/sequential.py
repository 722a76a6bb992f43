"""Proof while looking: a run may stop when its bound passes the goal, and the chance of a false proof stays 5 %.

Owns: at which sweep counts a proof is tried and what share of the 5 % each try may spend. Refuses: a proof between the
looks.

Rule: group-sequential with error spending by Bonferroni. Looks stand at 25, 50, 100, ... sweeps and at the planned end.
Look k of a goal spends 0.05 * 6 / (pi k)^2; the series sums to 0.05, so any number of looks keeps the rate, whatever
the stopping rule and however often the run is prolonged (Boole's inequality; error spending: Lan and DeMets 1983).
"""

from __future__ import annotations

import math

FIRST_LOOK = 25
ERROR = 0.05
"""Chance of a false proof over all looks together."""


def look_number(sweeps: int, planned: int | None) -> int | None:
    """Which look (from 1) stands at this many sweeps, None when none does."""
    looks = look_counts(max(sweeps, 1), planned)
    return looks.index(sweeps) + 1 if sweeps in looks else None


def look_counts(up_to: int, planned: int | None) -> list[int]:
    """Sweep counts of all looks up to `up_to`. The planned end is one of them; it was fixed before the first sweep."""
    counts = {FIRST_LOOK * 2**k for k in range(40) if FIRST_LOOK * 2**k <= up_to}
    if planned is not None and planned <= up_to:
        counts.add(planned)
    return sorted(counts)


def next_look(sweeps: int, planned: int | None) -> int:
    """The sweep count of the next look after `sweeps`."""
    later = [count for count in look_counts(max(2 * sweeps, FIRST_LOOK, planned or 0), planned) if count > sweeps]
    return later[0]


def confidence_at(look: int) -> float:
    """One-sided confidence that the bound of this look (from 1) must have."""
    return 1.0 - ERROR * 6.0 / (math.pi * look) ** 2
