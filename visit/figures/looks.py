"""The looks that were spent at a goal: which stand in the visit file, which its sweep counts imply, what is left.

Owns: the rows of looks, written and read; which runs share the 5 % of a goal. Refuses: to compute a bound; the law is
`rf.floor.sequential`.

A goal's 5 % belongs to a hook-up and a stage (before or after as found was frozen): the same unit, asked the same. Its
runs spend from it together, wide ones from a tenth of it: they seldom prove anything, and must not make the zoom dear.
A look that the sweeps of a run imply counts whether or not its row was written; a run of an earlier program, which
wrote none, counts as if every look had been taken.
"""

from __future__ import annotations

import time
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from rf.floor.sequential import look_counts, look_number, next_look, spent_at
from visit.record.visit_file import RunRow, VisitFile
from visit.site.hookup import HookUp
from visit.site.site import Site

AS_FOUND, AS_LEFT = "as found", "as left"
SINCE_FOUND = "since as found"
"""What is looked at after as found was frozen, whether as left is frozen yet or not."""
WIDE_PART = 0.1
"""Share of the 5 % for all wide runs of a goal; the zooms have the rest."""
NO_LOOKS = "tune"
"""Purpose of runs in which a screw is turned: nothing is proven while it moves, so nothing is spent."""
EARLIER = "an earlier program measured this and wrote down no looks: every look up to its sweeps is counted as spent"


@dataclass(frozen=True, slots=True)
class Look:
    """One try of a proof: at `sweeps`, the number-th of its run; `chance` it spends. `bound_db` what it proves (None:
    nothing), with a leak of amplitude `leakage` in it (None: not known), once it was taken."""

    sweeps: int
    number: int
    chance: float
    bound_db: float | None = None
    leakage: float | None = None
    taken: bool = False


@dataclass(frozen=True, slots=True)
class Spending:
    """What one run may spend. `goal` is what a `part` of the 5 % belongs to, `nth_run` counts the runs that were looked
    at for it; `recorded` are the looks whose rows stand in the file, by sweep count; `earlier`: by a program that wrote
    none."""

    goal: str = ""
    nth_run: int = 1
    planned: int | None = None
    watched: bool = True
    proves: bool = True
    recorded: Mapping[int, Look] = field(default_factory=dict)
    earlier: bool = False
    part: float = 1.0
    note: str = ""
    """What must be said of the counting."""

    def look(self, sweeps: int) -> Look | None:
        """The look that stands at this many sweeps, None when none does."""
        if sweeps in self.recorded:
            return self.recorded[sweeps]
        number = look_number(sweeps, self.planned, watched=self.watched) if self.proves else None
        if number is None:
            return None
        chance = spent_at(self.nth_run, sweeps, self.planned, watched=self.watched, part=self.part)
        return Look(sweeps, number, chance)

    def next(self, sweeps: int) -> int | None:
        """The sweep count of the next look."""
        return next_look(sweeps, self.planned, watched=self.watched) if self.proves else None


def covers_both(run: RunRow, site: Site) -> bool:
    """A wide run: both channels lie in it."""
    return run.settings.start_hz <= site.low_hz and site.high_hz <= run.settings.stop_hz


def seen_from_antenna(runs: Sequence[RunRow], hookup: HookUp, site: Site) -> Iterator[RunRow]:
    """Wide runs that had lead 2 on the port where a hook-up has its load, the newest first."""
    back = hookup.other_side
    return (run for run in reversed(runs) if back is not None and run.hookup == back and covers_both(run, site))


def spendings(visit: VisitFile, site: Site, runs: Sequence[RunRow], counts: Mapping[int, int]) -> dict[int, Spending]:
    """What each run may spend, by its row; `runs` in their order, `counts` their sweeps."""
    recorded = _recorded(visit)
    frozen = visit.rows("select min(at_s) from stage where name = ?", (AS_FOUND,))[0][0]
    looked_at: dict[str, int] = {}
    found = {}
    for run in runs:
        if run.hookup.alone:
            continue
        stage = AS_FOUND if frozen is None or run.started_s < float(str(frozen)) else SINCE_FOUND
        wide = covers_both(run, site)
        goal = _goal(run.hookup, stage, wide=wide)
        watched, mine = run.watched is not False, recorded.get(run.id, {})
        spending = Spending(
            goal, looked_at.get(goal, 0) + 1, run.planned_sweeps, watched, run.purpose != NO_LOOKS, mine,
            run.watched is None, WIDE_PART if wide else 1.0 - WIDE_PART,
        )  # fmt: skip
        implied = look_counts(counts.get(run.id, 0), run.planned_sweeps, watched=watched) if spending.proves else []
        if mine or implied:
            looked_at[goal] = spending.nth_run
        found[run.id] = spending
    return found


def zooms_spent(visit: VisitFile, found: Mapping[int, Spending], counts: Mapping[int, int], hookup: HookUp) -> int:
    """How many zooms of a hook-up were looked at in the stage that a run begun now belongs to; `found` by row, `counts`
    their sweeps. The next one may spend what is left by so many."""
    frozen = visit.rows("select min(at_s) from stage where name = ?", (AS_FOUND,))[0][0]
    goal = _goal(hookup, AS_FOUND if frozen is None else SINCE_FOUND, wide=False)
    looked_at = [
        one.nth_run
        for run_id, one in found.items()
        if one.goal == goal
        and one.proves
        and (one.recorded or look_counts(counts.get(run_id, 0), one.planned, watched=one.watched))
    ]
    return max(looked_at, default=0)


def _goal(hookup: HookUp, stage: str, *, wide: bool) -> str:
    return f"{hookup.name} {stage}, {'wide' if wide else 'zoom'}"


def _recorded(visit: VisitFile) -> dict[int, dict[int, Look]]:
    rows = visit.rows("select run_id, sweeps, number, chance, bound_db, leakage from look order by id")
    found: dict[int, dict[int, Look]] = {}
    for run_id, sweeps, number, chance, bound, leakage in rows:
        look = Look(
            int(str(sweeps)), int(str(number)), float(str(chance)),
            None if bound is None else float(str(bound)), None if leakage is None else float(str(leakage)), True,
        )  # fmt: skip
        found.setdefault(int(str(run_id)), {})[look.sweeps] = look
    return found


def write_looks(visit: VisitFile, run_id: int, spending: Spending, looks: Iterable[Look]) -> None:
    """Write down looks that were taken; one that stands already stays. Raises RecordError."""
    rows = [
        (time.time(), run_id, look.sweeps, look.number, spending.goal, spending.nth_run, look.chance, look.bound_db,
         look.leakage)
        for look in looks
    ]  # fmt: skip
    if not rows:
        return
    with visit.writing() as connection:
        connection.executemany(
            "insert or ignore into look (at_s, run_id, sweeps, number, goal, nth_run, chance, bound_db, leakage)"
            " values (?, ?, ?, ?, ?, ?, ?, ?, ?)",
            rows,
        )
