"""Days of `days.toml`, driven and judged.

Owns: what must have come of a day, by what was written down of it before, and the truth on the bench at its end.
Refuses: to tell the hand any of it.
"""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from protocol.simulated.duplexer import load_unit
from tests.tui.day_hand import DayHand, Driven

DAYS: list[dict[str, Any]] = tomllib.loads((Path(__file__).parent / "days.toml").read_text(encoding="utf-8"))["day"]
GOAL_DB = 90.0


@dataclass(frozen=True, slots=True)
class Judged:
    """How a day went, and what was wrong with it (empty: nothing)."""

    day: dict[str, Any]
    went: Driven
    faults: tuple[str, ...]


def drive(folder: Path, day: dict[str, Any], seed: int = 1) -> Judged:
    """One day from the first screen to the report."""
    hand = DayHand(folder, day, seed)
    try:
        went = hand.run()
    except AssertionError as error:
        return Judged(day, hand.went, (str(error),))
    return Judged(day, went, tuple(faults(day, went)))


def faults(day: dict[str, Any], went: Driven) -> list[str]:
    """What of the day is not as an honest one would be."""
    found = [f"nothing on the screen said {sign}" for sign in day["names"] if not _said(sign, went)]
    found += [f"a screw of side {side} was turned for nothing" for side in sorted(went.turned - set(day["turned"]))]
    now = went.report.partition("WHAT IT IS NOW")[2].partition("WHAT IS OWED")[0]
    goals = " ".join(now.split())
    met, missed = goals.count(" dB: met."), len(re.findall(r"NOT met|not shown|can't say|conditional", goals, re.I))
    if day["end"] == "met":
        found += [] if (met, missed) == (6, 0) else [f"the report shows {met} of 6 goals met, {missed} not: {goals}"]
        found += [f"the {side} side holds back {db:.1f} dB" for side, db in true_db(went).items() if db < GOAL_DB]
    elif re.search(r"low side \(A>L\) at 150.6000 MHz: rejection [^:]*: met\.", goals, re.I):
        found.append(f"the report calls a goal met that no screw can bring: {goals}")
    elif day["end"] not in went.ended:
        found.append(f"it was not said that the goal is {day['end']}: {went.ended}")
    return found


def _said(sign: str, went: Driven) -> bool:
    return any(re.search(sign, words) for words in (*went.seen, *went.deeds))


def true_db(went: Driven) -> dict[str, float]:
    """What each side of V6 holds back at the end, by where the bench says its notches stand."""
    unit = load_unit("V6")
    places = went.status.partition("notches at ")[2].partition(" Hz")[0]
    for part in places.split("; "):
        side, *values = part.split()
        reject_hz = unit.channels(side)[1]
        for number, value in enumerate(values, 1):
            unit.turn(side, number, float(value) - reject_hz)
    return {
        name: float(-20.0 * np.log10(abs(unit.s(np.array([unit.channels(side)[1]]))[0, port, 0])))
        for side, name, port in (("L", "low", 1), ("H", "high", 2))
    }
