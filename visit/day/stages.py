"""As found and as left: figures frozen at a stage of the visit, with the runs that they rest on.

Owns: their rows. Refuses: to change one; a later freeze under the same name is a new row, and the first as found
counts.
"""

from __future__ import annotations

import json
import math
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from protocol.errors import RequestError
from visit.figures import looks
from visit.figures.figures_json import assessment_data
from visit.figures.replay import Figures, Replay
from visit.record.opening import damaged
from visit.record.stored_json import stored_object
from visit.record.visit_file import VisitFile
from visit.site.hookup import HookUp

AS_FOUND, AS_LEFT = looks.AS_FOUND, looks.AS_LEFT


@dataclass(frozen=True, slots=True)
class Stage:
    """One hook-up at one stage: `figures` is the documented JSON object."""

    name: str
    hookup: str
    at_s: float
    run_ids: tuple[int, ...]
    figures: dict[str, Any]


def to_freeze(
    visit: VisitFile, name: str, after_s: float = float("-inf"), shown: Mapping[int, int] | None = None
) -> list[Figures]:
    """What freezing under a name would freeze now: the figures of every hook-up measured since `after_s`; of the runs
    in `shown` only so many sweeps, those on the screen. As found is frozen once for each hook-up, and no more
    where a screw was turned. Raises RequestError when there is none, or when as found is frozen already."""
    replay = Replay(visit, shown)
    found_s = {stage.hookup: stage.at_s for stage in stages(visit) if stage.name == AS_FOUND}
    if name == AS_FOUND:
        turned = {str(side) for (side,) in visit.rows("select distinct side from nudge")}
        found = [
            one
            for one in replay.all_figures(after_s=after_s)
            if one.hookup.text not in found_s and not any(side in one.hookup.name for side in turned)
        ]
        if not found and found_s:
            raise RequestError("as found is frozen already and is never overwritten; freeze as left instead")
    else:  # what was not measured again since as found is not as left
        earliest = min(found_s.values(), default=-math.inf)
        hookups = replay.hookups()
        since = {hookup: max(after_s, found_s.get(hookup.text, earliest)) for hookup in hookups}
        first = stage_at(visit, AS_FOUND)
        made = [_since(replay, hookup, first.get(hookup.text), since[hookup]) for hookup in hookups]
        found = [one for one in made if one is not None]
    if not found:
        since_words = " since as found was frozen" if name == AS_LEFT and found_s else " yet"
        raise RequestError(f"no hook-up with a wide sweep was measured{since_words}: nothing to freeze")
    return found


def _since(replay: Replay, hookup: HookUp, found: Stage | None, since_s: float) -> Figures | None:
    """What stands now of a hook-up that was measured since."""
    before = None if found is None else figures_at(replay, found)
    return replay.figures(hookup, after_s=since_s) if before is None else replay.since(before, since_s)


def freeze(
    visit: VisitFile, name: str, after_s: float = float("-inf"), shown: Mapping[int, int] | None = None
) -> list[Stage]:
    """Freeze what `to_freeze` gives; the rows. Raises RequestError."""
    return freeze_these(visit, name, to_freeze(visit, name, after_s, shown), time.time())


def freeze_these(visit: VisitFile, name: str, found: Sequence[Figures], now: float) -> list[Stage]:
    """Freeze figures as they were shown at the time `now`; the rows."""
    with visit.writing() as connection:
        for one in found:
            connection.execute(
                "insert into stage (at_s, name, hookup, run_ids, figures) values (?, ?, ?, ?, ?)",
                (
                    now,
                    name,
                    one.hookup.text,
                    " ".join(map(str, one.run_ids)),
                    json.dumps(_stored(one), allow_nan=False),
                ),
            )
    return [stage for stage in stages(visit) if stage.at_s == now]


def _stored(one: Figures) -> dict[str, Any]:
    """The documented object with the sweeps of each run that count: later ones change nothing of a stage."""
    return {
        **assessment_data(one.assessment),
        "run_sweeps": {str(run_id): count for run_id, count in one.sweeps.items()},
        "notes": list(one.notes),
    }


def figures_at(replay: Replay, stage: Stage) -> Figures | None:
    """The figures of a stage made again from exactly the sweeps it rests on; None when a run is missing.

    A stage of an earlier program names no sweep counts: the sweeps of its newest run are those that its figures told.
    """
    runs = {run.id: run for run in replay.runs}
    if not set(stage.run_ids) <= runs.keys():
        return None
    counts = stage.figures.get("run_sweeps")
    known = counts if isinstance(counts, dict) else {str(stage.run_ids[-1]): stage.figures.get("sweeps")}
    limits = {
        int(key): count
        for key, count in known.items()
        if key.isdecimal() and len(key) < 18 and isinstance(count, int) and count >= 0
    }
    hookup = runs[stage.run_ids[0]].hookup
    try:
        return replay.pinned(hookup, stage.run_ids, limits, stage.at_s)
    except KeyError:
        return None


def stages(visit: VisitFile) -> list[Stage]:
    """All frozen figures in their order."""
    rows = visit.rows("select name, hookup, at_s, run_ids, figures from stage order by id")
    return [
        Stage(
            str(name),
            _hookup(visit, str(hookup)),
            float(str(at_s)),
            _runs(visit, str(runs)),
            stored_object(visit, figures, "a frozen stage"),
        )
        for name, hookup, at_s, runs, figures in rows
    ]


def _hookup(visit: VisitFile, words: str) -> str:
    try:
        return HookUp.parse(words).text
    except RequestError as error:
        raise damaged(visit.path, error, "a frozen stage") from None


def _runs(visit: VisitFile, words: str) -> tuple[int, ...]:
    if not words.split() or not all(word.isdecimal() and len(word) < 18 for word in words.split()):
        raise damaged(visit.path, "it does not say which runs it rests on", "a frozen stage")
    return tuple(int(word) for word in words.split())


def stage_at(visit: VisitFile, name: str) -> dict[str, Stage]:
    """By hook-up: the first as found, the newest of any other."""
    found: dict[str, Stage] = {}
    for stage in stages(visit):
        if stage.name == name and not (name == AS_FOUND and stage.hookup in found):
            found[stage.hookup] = stage
    return found


Stood = tuple[Figures | None, Figures | None]
"""A hook-up as found, and as left or as measured last."""


def stood(replay: Replay) -> list[Stood]:
    """Every hook-up that was measured: as found, and as left; without as left what was measured since as found."""
    found, left = stage_at(replay.visit, AS_FOUND), stage_at(replay.visit, AS_LEFT)
    newest = {one.hookup.text: one for one in replay.all_figures()}
    pairs: list[Stood] = []
    for name in dict.fromkeys((*found, *left, *newest)):
        before, after = (figures_at(replay, frozen[name]) if name in frozen else None for frozen in (found, left))
        if after is None and not left:
            since_s = found[name].at_s if name in found else -math.inf
            after = _since(replay, HookUp.parse(name), found.get(name), since_s)
        if before is not None or after is not None:
            pairs.append((before, after))
    return pairs


def differences(visit: VisitFile, replay: Replay | None = None) -> list[str]:
    """Where the figures that the sweeps give today differ from the frozen ones, in sentences; empty when they agree.
    `replay`: what is made of the runs already."""
    replay = replay or Replay(visit)
    lines = []
    for stage in stages(visit):
        again = figures_at(replay, stage)
        if again is None:
            lines.append(f"{stage.name}, {stage.hookup}: a run that it rests on is missing")
            continue
        today = json.loads(json.dumps(assessment_data(again.assessment)))
        lines += [
            f"{stage.name}, {stage.hookup}: {key} comes out otherwise with this program"
            for key in ("channels", "notch_offset", "proven_db")
            if _differs(stage.figures.get(key), today[key])
        ]
    return lines


def _differs(frozen: Any, today: Any) -> bool:
    """Whether a value comes out otherwise, to six digits. What was not said then, and sentences, are not compared."""
    if isinstance(frozen, dict) and isinstance(today, dict):
        return any(_differs(value, today.get(key)) for key, value in frozen.items() if key != "why")
    if isinstance(frozen, list) and isinstance(today, list):
        return len(frozen) != len(today) or any(map(_differs, frozen, today))
    if isinstance(frozen, float) and isinstance(today, float):
        return f"{frozen:.6g}" != f"{today:.6g}"
    return bool(frozen != today)
