"""After a rehearsal: what was wrong with the bench, what the learner found, did and left, and what to do better.

Owns: judging a visit against the case that it was measured on. Refuses: to be asked before the end; while somebody
measures only the screen may tell him anything.
"""

from __future__ import annotations

import re
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass

from rf.values.figure import Kind
from rf.values.words import text
from visit.day.nudges import NudgeRow, ledger
from visit.day.stages import AS_FOUND, Stage, stages
from visit.figures.assessment import Assessment
from visit.figures.replay import Replay
from visit.record.visit_file import VisitFile
from visit.site.hookup import HookUp, Side

COLUMNS = 69
"""Of a line behind its head: a terminal of 80 columns breaks none."""
MOST_RUNS = 12
"""So many runs are looked through for the words that name the fault: each takes a fit."""


@dataclass(frozen=True, slots=True)
class Rehearsed:
    """The case: its `title`, what the learner should come to (`found`), `signs` (a regular expression) of the words
    that name it, `sides` whose screws have to be turned ("", "L", "H"); then what hands have `done` to the bench
    besides, and what is `left` of the case, a line each."""

    title: str
    found: str
    signs: str = ""
    sides: str = ""
    done: Sequence[str] = ()
    left: Sequence[str] = ()


def coach_lines(visit: VisitFile, case: Rehearsed) -> list[str]:
    """What the coach says. Raises RecordError."""
    replay, frozen, turns = Replay(visit), stages(visit), ledger(visit)
    seen = [made for run in replay.runs[-MOST_RUNS:] if (made := replay.assess(run)) is not None]
    figures = {side: replay.figures(HookUp("A", side.value)) for side in Side}
    sides = {side: found.assessment for side, found in figures.items() if found is not None}
    named = named_in(seen, case.signs)
    better = _better(case, frozen, turns, sides, bool(named))
    lines = ["REHEARSAL", *_listed("hidden", [case.title, case.found])]
    if case.signs:
        lines += _listed("found", [named or "no sweep of yours shows it: both sides and both leads on loads would"])
    lines += _listed("done", [*_turned(turns), *case.done] or ["no screw was turned, nothing was changed"])
    lines += _listed("left", list(case.left) or ["nothing of it"])
    lines += _listed("now", _goals(sides))
    return lines + _listed("better", better or ["nothing: found, mended and shown"])


def named_in(seen: Sequence[Assessment], signs: str) -> str:
    """The first words of the sweeps that name the fault; "" where none do."""
    for a in seen if signs else ():
        said = [a.check.short, a.check.cure, *a.cautions]
        missed = [goal for goal in a.goals if goal.met is False]
        said += [f"{goal.name} {text(goal.figure)}, goal {goal.goal_db:g}: missed" for goal in missed]
        at = a.notch.rejection_at[0] if a.notch is not None and a.notch.trusted and a.notch.rejection_at else None
        if at is not None and at.known and at.high < a.site.goals.rejection_db:
            said.append(f"rejection {text(at)}, goal {a.site.goals.rejection_db:g}: missed")
        if a.survey is not None and a.survey.leakage.kind is Kind.READING:
            said.append(f"leak {text(a.survey.leakage)}")
        found = next((words for words in said if words and re.search(signs, words)), "")
        if found:
            return f"{a.hookup.text}: {found}"
    return ""


def _listed(head: str, lines: Sequence[str]) -> list[str]:
    told = [part for line in lines for part in textwrap.wrap(line, COLUMNS, break_on_hyphens=False)]
    return [f"  {head if number == 0 else '':<8}{part}" for number, part in enumerate(told)]


def _turned(turns: Sequence[NudgeRow]) -> list[str]:
    counts = {side: sum(row.side == side.value for row in turns) for side in Side}
    return [f"{count} turns told of the {side.word} side" for side, count in counts.items() if count]


def _goals(sides: dict[Side, Assessment]) -> list[str]:
    said = []
    for side in Side:
        seen = sides.get(side)
        goal = next((goal for goal in seen.goals if goal.name == "rejection"), None) if seen is not None else None
        shown = "never swept" if goal is None else f"rejection {text(goal.figure)}: {goal.words}"
        said.append(f"{side.word} side: {shown}")
    return said


def _better(
    case: Rehearsed, frozen: Sequence[Stage], turns: Sequence[NudgeRow], sides: dict[Side, Assessment], named: bool
) -> list[str]:
    """What to do otherwise the next time; empty where it went as it should."""
    found_s = min((stage.at_s for stage in frozen if stage.name == AS_FOUND), default=None)
    said = []
    if case.signs and not named:
        said.append("look before anything is turned: no sweep shows what was wrong")
    if found_s is None:
        said.append("freeze as found (g): without it nobody can tell what was there before")
    idle = sorted({row.side for row in turns} - set(case.sides))
    said += [f"the {Side(side).word} side was right: its screws were turned for nothing" for side in idle]
    said += ["the rest of the fault has to go, too"] if case.left else []
    for side in Side:
        seen = sides.get(side)
        if seen is None:
            said.append(f"sweep the {side.word} side, too: a fault there would have gone unseen")
        elif any(goal.name == "rejection" and goal.met is not True for goal in seen.goals):
            said.append(f"the rejection of the {side.word} side is not shown: NEXT tells survey and proof")
    return said
