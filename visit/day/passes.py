"""The pass of a unit whose rods move pass and notch together: by the rods first, then the notches back by the trimmers.

Owns: which rod is turned next for the pass, which way, and when that is done, from the return loss of the pass channel
before and after each such turn. Refuses: a turn for the pass before the notches stand about on their channel, and to go
on when no rod brings more.

A trimmer moves the notch alone, so that it can't mend the pass; a rod moves both. So the rods are set by the pass, one
after the other, each as far as it helps (a search along one coordinate after the other), and what the notches lost by
it the trimmers bring back.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from rf.values.figure import Figure, cant_say, inferred
from rf.values.words import text
from visit.day.cavities import Places
from visit.day.nudges import FOR_THE_PASS, TRIMMER, NudgeRow
from visit.figures.assessment import Assessment, Role
from visit.figures.marker import S11
from visit.site.site import Site

BETTER_DB = 0.3
"""Return loss that has risen by less has not risen."""
SPARE_DB = 2.0
"""A return loss that reads better than its goal by so much is left alone: the correction itself is no better."""
STEP_WIDTHS = 2.0
"""Half-widths of a notch that a rod is turned by for the pass."""
SHORT_DB = 4.0
"""A rod is turned by as much again for each of these that the return loss is short of its goal."""
ROUNDS = 3
"""So often each rod is tried, at most, each time by half as much."""
KIND = "pass-reject"


@dataclass(frozen=True, slots=True)
class PassLook:
    """`loss` and `returned` (return loss; `plain` as it reads) of the pass channel now, against their goals, all in dB;
    `rows` the turns that were made for the pass since the last trimmer was turned, `trimmed`: trimmers were turned
    since the rods were set by the pass."""

    loss: Figure
    returned: Figure
    plain: Figure
    loss_goal_db: float
    returned_goal_db: float
    rows: tuple[NudgeRow, ...] = ()
    trimmed: bool = False
    rates: Mapping[int, tuple[float, str]] = field(default_factory=dict)
    """Hertz that a turn of each rod does, and the word for the way in which it does that, where both are known."""

    @property
    def met(self) -> bool:
        """Whether loss and return loss reach their goals as they read, the return loss with some to spare."""
        far_enough = self.plain.known and self.plain.value >= self.returned_goal_db + SPARE_DB
        return far_enough and self.loss.known and self.loss.value <= self.loss_goal_db

    @property
    def told(self) -> bool:
        """Whether the pass is read at all."""
        return self.plain.known and self.loss.known

    @property
    def words(self) -> str:
        """What the pass reads, and its goals."""
        return (
            f"pass: loss {text(self.loss)} (goal {self.loss_goal_db:g}), return loss {text(self.returned)}"
            f" (goal {self.returned_goal_db:g})"
        )


@dataclass(frozen=True, slots=True)
class Step:
    """Turn the rod of `cavity` (from 1) by `widths` half-widths of a notch, up or down in frequency; by so many `turns`
    where the last ones are taken back (0: as the widths tell)."""

    cavity: int
    widths: float
    why: str
    turns: float = 0.0


def pass_look(site: Site, seen: Assessment, rows: Sequence[NudgeRow], rods: Places) -> PassLook | None:
    """The pass in a look of one side, whose turns are `rows` and whose `rods` they tell of; None of a kind whose rods
    do not move it."""
    channel = seen.channel(Role.PASS)
    if site.kind != KIND or channel is None:
        return None
    last = max((k for k, row in enumerate(rows) if row.told.screw == FOR_THE_PASS), default=-1)
    first = max((k for k, row in enumerate(rows[: last + 1]) if row.told.screw == TRIMMER), default=-1)
    mine = tuple(row for row in rows[first + 1 : last + 1] if row.told.screw == FOR_THE_PASS)
    trimmed = last >= 0 and any(row.told.screw == TRIMMER for row in rows[last + 1 :])
    goals = site.goals
    rates = {one.number: (one.hz_per_turn, one.forward) for one in rods.cavities if one.hz_per_turn}
    return PassLook(
        channel.transmission,
        channel.return_loss,
        returned_in(seen),
        goals.loss_db,
        goals.return_loss_db,
        mine,
        trimmed,
        rates,
    )


def returned_in(seen: Assessment | None) -> Figure:
    """Return loss of the pass channel in a look, plainly as it reads: what the correction leaves is the same before and
    after a turn."""
    channel = None if seen is None else seen.channel(Role.PASS)
    traces = None if seen is None else seen.traces
    if channel is None or traces is None or S11 not in traces.traces or traces.doubt or not channel.return_loss.known:
        return cant_say("dB", "not read")
    level_db = -float(traces.traces[S11].level_db[traces.nearest(channel.frequency_hz)])
    return inferred(level_db, level_db, level_db, "dB", limited_by="correction")


def next_step(look: PassLook, cavities: int) -> Step | None:
    """The next turn of a rod for the pass; None when it is met, or no rod brings more. Pure."""
    if look.trimmed or look.met or not look.told:
        return None
    cavity, phase, up, baseline, tried, share = 1, "first", 1.0, math.nan, 0, 1.0
    for row in look.rows:
        before, after = row.figure("pass_before"), row.figure("pass_after")
        if not (before.known and after.known):
            continue
        baseline = before.value if phase == "first" else baseline
        better = after.value > (baseline if phase == "second" else before.value) + BETTER_DB
        if phase == "back":
            tried, cavity, phase, up = tried + 1, cavity % cavities + 1, "first", 1.0
        elif better:
            phase = "on"
        elif phase == "first":
            phase, up = "second", -up
        else:  # back to where it was best: of a turn that went over to the other side, half
            phase, up, share = "back", -up, 0.5 if phase == "second" else 1.0
    if tried >= ROUNDS * cavities:
        return None
    # Far from its pass a cavity's return loss hardly changes with its rod: the worse, the larger the turn.
    short_db = max(look.returned_goal_db - look.plain.value, 0.0)
    widths = up * STEP_WIDTHS * (1.0 + short_db / SHORT_DB) / 2.0 ** (tried // cavities)
    back = {"second": 2.0, "back": share}.get(phase, 0.0) * ((look.rows[-1].told.turns or 0.0) if look.rows else 0.0)
    why = {
        "first": "which way it helps shows by a turn",
        "second": "that was the wrong way",
        "on": "that helped: on",
        "back": "that was too far: back",
    }[phase]
    return Step(cavity, widths, f"{look.words}; {why}", round(back, 2))
