"""Proof while looking: a run may stop when its bound passes the goal, and the chance of a false proof stays 5 %.

Owns: at which sweep counts a proof is tried and what share of the 5 % each try may spend, within a run and over all
runs of the same hook-up. Refuses: a proof between the looks.

Rule: error spending (Lan and DeMets, Biometrika 70, 1983, 659-663) by Bonferroni. A goal has 5 % for all its runs
together; run r of those that were looked at may spend 0.05 * 6 / (pi r)^2, and the series sums to 0.05. Within a run
looks stand at 25, 50, 100, ... sweeps and at the planned end. A run of planned length spends in proportion to its
sweeps (their spending function alpha t): a look after n of N sweeps has (n - n') / N of the run's share, n' being the
look before. Without a planned end look j has 6 / (pi j)^2 of it. A run that nobody watches is looked at once, at its
planned end. What a run may spend is fixed before its first sweep and depends on earlier runs only, so by Boole's
inequality any number of runs and looks keeps the 5 %, whatever makes somebody stop a run or begin another.
"""

from __future__ import annotations

import math

FIRST_LOOK = 25
ERROR = 0.05
"""Chance of a false proof over all runs and looks at a goal together."""


def look_counts(up_to: int, planned: int | None, *, watched: bool = True) -> list[int]:
    """Sweep counts of all looks up to `up_to`. The planned end is one of them; it was fixed before the first sweep."""
    counts = set[int]()
    if watched:
        end = up_to if planned is None else min(up_to, planned)
        counts = {FIRST_LOOK * 2**k for k in range(40) if FIRST_LOOK * 2**k <= end}
    if planned is not None and planned <= up_to:
        counts.add(planned)
    return sorted(counts)


def look_number(sweeps: int, planned: int | None, *, watched: bool = True) -> int | None:
    """Which look of a run (from 1) stands at this many sweeps, None when none does."""
    looks = look_counts(sweeps, planned, watched=watched)
    return looks.index(sweeps) + 1 if sweeps in looks else None


def next_look(sweeps: int, planned: int | None, *, watched: bool = True) -> int | None:
    """The sweep count of the next look after `sweeps`; None behind the last one."""
    up_to = max(2 * sweeps, FIRST_LOOK) if planned is None else planned
    return next((count for count in look_counts(up_to, planned, watched=watched) if count > sweeps), None)


def spent_at(run: int, sweeps: int, planned: int | None, *, watched: bool = True, part: float = 1.0) -> float:
    """Chance of a false proof that the look at `sweeps` may spend in the run-th (from 1) run of a goal, whose runs may
    spend a `part` of the 5 % together.

    Raises ValueError where no look stands.
    """
    looks = look_counts(sweeps, planned, watched=watched)
    if sweeps not in looks:
        raise ValueError(f"no look stands at {sweeps} sweeps")
    before = looks[-2] if len(looks) > 1 else 0
    share = _series(len(looks)) if planned is None else (sweeps - before) / planned
    return ERROR * part * _series(run) * share


def _series(number: int) -> float:
    """Share of the number-th of any many; all together sum to 1."""
    return 6.0 / (math.pi * number) ** 2
