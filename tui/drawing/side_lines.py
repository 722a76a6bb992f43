"""Both sides beside one another: age, figures with their words, verdicts, notch places. Pure.

Owns: two columns of text, each wrapped within its own. Refuses: a figure without its word, and an empty place without
saying that nothing was measured there.
"""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from itertools import zip_longest

from rf.values.words import text
from visit.figures.assessment import Assessment, Role
from visit.figures.sides import SideState

LABEL = 9
GAP = 2
HEADS = ("SIDE", "AGE", "REJECT", "LOSS", "MATCH", "NOTCH", "NOTE")


def side_lines(sides: Sequence[SideState], now_s: float, width: int) -> list[str]:
    """Lines no wider than `width`: the two sides in two columns, what lies side to side below them."""
    lines = _table(sides[:2], now_s, width)
    for more in sides[2:]:
        lines += ["", *_table([more], now_s, width)]
    return lines


def _table(sides: Sequence[SideState], now_s: float, width: int) -> list[str]:
    room = (width - LABEL - GAP * (len(sides) - 1)) // len(sides)
    columns = [_cells(side, now_s) for side in sides]
    lines = []
    for head in HEADS:
        cells = [textwrap.wrap(column.get(head, ""), room, break_on_hyphens=False) for column in columns]
        for number, parts in enumerate(zip_longest(*cells, fillvalue="")):
            first = f" {head}" if number == 0 else ""
            lines.append(f"{first:<{LABEL}}" + (" " * GAP).join(f"{part:<{room}}" for part in parts))
    return [line.rstrip() for line in lines]


def age_words(seconds: float) -> str:
    """How long ago, in the unit that one would say it in."""
    if seconds < 90.0:
        return f"{max(seconds, 0.0):.0f} s ago"
    return f"{seconds / 60.0:.0f} min ago" if seconds < 5400.0 else f"{seconds / 3600.0:.1f} h ago"


def _cells(side: SideState, now_s: float) -> Mapping[str, str]:
    """Words by head, empty where the hook-up has nothing to say there."""
    word = "side to side" if side.hookup.side is None else f"{side.hookup.side.word} side"
    cells = {"SIDE": f"{side.hookup.name}  {word}"}
    if side.figures is None:
        return cells | {"AGE": "never swept: k, then this hook-up", "REJECT": "CAN'T SAY"}
    a, runs = side.figures.assessment, ", ".join(str(run) for run in sorted(side.figures.run_ids))
    age = "" if side.measured_s is None else f"{age_words(now_s - side.measured_s)}, "
    cells["AGE"] = f"{age}run {runs}, {a.sweeps} sweeps"
    cells["REJECT"] = _goals(a, "rejection")
    cells["LOSS"], cells["MATCH"] = _goals(a, "loss"), _goals(a, "return loss")
    if side.hookup.side is not None:
        off = " off the channel" if a.notch_offset.known else f": {a.notch_offset.why}"
        cells["NOTCH"] = f"{text(a.notch_offset, signed=True)}{off}"
    cells["NOTE"] = "; ".join(dict.fromkeys([*side.figures.notes, *a.doubts]))
    return cells


def _goals(a: Assessment, name: str) -> str:
    """Every goal of a name with its channel, figure and verdict."""
    roles = [c for c in a.channels if (c.role is Role.REJECT) == (name == "rejection")]
    goals = [goal for goal in a.goals if goal.name == name]
    return "; ".join(
        f"{text(goal.figure)} [{goal.words}] at {channel.frequency_hz / 1e6:.3f} MHz, goal {goal.goal_db:g} dB"
        for channel, goal in zip(roles, goals, strict=False)
    )
