"""How far a screw of a band-pass unit moves its resonator or coupling: learned from turns whose effect was measured.

Owns: hertz per turn with its interval, turns for a move. Refuses: a direction before one turn was measured; whether in
is up is not guessed, for rods, plates and coupling screws differ.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from rf.values.figure import NORMAL_95, Figure, cant_say, inferred

HAND_SHARE = 0.2
"""A turn lands within 20 % of what was asked."""
MOST_TIMES = 8.0
"""No turn is asked for that is more than so many times the largest that was measured: a thread is not straight."""
TRIAL = 0.1
"""Turns of a first one: seen above the noise, and easily taken back."""

Places = Mapping[str, tuple[float, float]]
"""By what a screw moves ("2" resonator, "1-2" coupling): hertz, and half of its 95 % interval."""


@dataclass(frozen=True, slots=True)
class BandTurn:
    """One turn of one screw: `turns` positive inwards, and where everything stood `before` it."""

    what: str
    turns: float
    before: Places


@dataclass(frozen=True, slots=True)
class Measured:
    """A turn whose effect was seen: moved by `moved_hz`, standard deviation `sd_hz`."""

    turns: float
    moved_hz: float
    sd_hz: float


def measured(turned: Sequence[BandTurn], now: Places | None, what: str) -> list[Measured]:
    """Turns of one screw with what they did: each by where things stood before the next turn; the last one by `now`
    (None: not swept since)."""
    found = []
    for number, one in enumerate(turned):
        after = turned[number + 1].before if number + 1 < len(turned) else now
        if one.what != what or after is None or what not in one.before or what not in after:
            continue
        (first, half), (second, half_after) = one.before[what], after[what]
        found.append(Measured(one.turns, second - first, math.hypot(half, half_after) / NORMAL_95))
    return found


def hz_per_turn(seen: Sequence[Measured]) -> Figure:
    """Hertz per turn inwards: weighted least squares through nothing; a hand's error counts beside the sweep's."""
    seen = [one for one in seen if one.turns != 0.0]
    if not seen:
        return cant_say("Hz", "no turn of its screw was measured yet", limited_by="turns")
    weights = [1.0 / max(one.sd_hz**2 + (HAND_SHARE / NORMAL_95 * one.moved_hz) ** 2, 1.0) for one in seen]
    square = sum(w * one.turns**2 for w, one in zip(weights, seen, strict=True))
    slope = sum(w * one.turns * one.moved_hz for w, one in zip(weights, seen, strict=True)) / square
    half = NORMAL_95 / math.sqrt(square)
    if abs(slope) <= half:
        return cant_say("Hz", "its turns moved it by less than the sweeps tell: a larger one", limited_by="turns")
    return inferred(slope, slope - half, slope + half, "Hz", limited_by="turns")


def turns_for(by_hz: float, slope: Figure, largest: float) -> Figure:
    """Turns inwards (outwards: negative) for a move, no more than MOST_TIMES the largest that was measured."""
    if not slope.known:
        return cant_say("", slope.why, limited_by="turns")
    most = MOST_TIMES * largest
    ends = sorted(max(-most, min(most, by_hz / hz)) for hz in (slope.low, slope.high))
    value = max(-most, min(most, by_hz / slope.value))
    return inferred(value, min(ends[0], value), max(ends[1], value), "", limited_by="turns")
