"""What to do at the screws of a side that is far off: which dip belongs to which screw, and how to bring each near the
channel, until the fit of the whole chain can take over.

Owns: the coarse deeds, from the dips of a sweep and the places that the turns so far told. Refuses: a screw's dip that
no turn has shown, to turn far by what a small turn told, and to send a hand on when a screw does not follow any more.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from rf.values.figure import Figure, inferred
from rf.values.words import text
from visit.day.cavities import HAND_SHARE, MOST_HUNTS, CavityState, Places
from visit.day.directions import spoken, way
from visit.day.nudges import ROD, Told
from visit.day.turn_words import so_many

NEAR = 0.25
"""Share of the channel spacing: nearer than that to the channel the fit of the chain leads on."""

STAGGER = 0.15
"""Share of the spacing by which the cavities are left apart, so that each dip is still seen while others come."""

FIRST_TURNS = 0.5
"""A first trial turn of a screw whose dip is not known: everything may be far off, so that it harms nothing."""

IDLE = 2
"""Turns that did nothing, after which a turn back tells whether it is its dip that was watched."""

MOST_TRIAL = 4.0
"""Turns of a trial at most: more tells nothing that these do not, and may run a rod out of its thread."""

MOST_TRIES = 6
"""Trial turns of one screw, to and fro, after which the bench has to find out."""

ENOUGH = 32
"""Sweeps of a look that are asked for where dips are missing."""

GROWTH = 8.0
"""A turn is so many times as large as the largest one that was seen of its screw, at most."""

TRIAL_WIDTHS = 3.0
"""Half-widths of a notch that a trial turn moves it, once turns of its screw are known."""


@dataclass(frozen=True, slots=True)
class FarLook:
    """The `dips` (absolute, in hertz) of a look from `start_hz` to `stop_hz`. `level` 0: the usual sweep over both
    channels; 1, 2, ...: the far sweeps, whose ends `spans` holds, from narrow to wide. `farther` the dips of the last
    far sweep of this side; None: there was none."""

    dips: tuple[Figure, ...]
    start_hz: float
    stop_hz: float
    level: int
    spans: tuple[tuple[float, float], ...]
    farther: tuple[Figure, ...] | None = None
    screw: str = ROD
    """What moves the notches: the trimmers once the rods were set by the pass."""


@dataclass(frozen=True, slots=True)
class Coarse:
    """A coarse deed: `kind` is "look" (the next look is another sweep, of `level`), "longer" (`ENOUGH` sweeps),
    "trial", "turn" or "bench"."""

    kind: str
    do: str
    why: str
    expect: str = ""
    told: Told | None = None
    level: int = 0


def stuck_words(places: Places, goal_db: float) -> Coarse | None:
    """A screw that does not follow any more; None while all do."""
    one = next((each for each in places.cavities if each.stuck), None)
    if one is None:
        return None
    reach = f"goal {goal_db:g} is out of reach here"
    where = f"; it stands {text(one.place, signed=True)} off" if one.place.known else ""
    return Coarse(
        "bench",
        f"cavity {one.number} needs the bench: its screw is at the end of its travel, or does not hold its rod",
        f"{one.stuck} turns moved nothing although it had followed before{where}: {reach}",
    )


def coarse(
    look: FarLook, places: Places, *, leads: bool, reject_hz: float, spacing_hz: float, unit_hz: float, goal_db: float,
    sweeps: int,
) -> Coarse | None:  # fmt: skip
    """The next coarse deed; None where the chain's fit leads on. `leads`: it may, by this look alone; `unit_hz` the
    half-width f / 2Q of one notch. Pure."""
    idle = next((one for one in places.cavities if one.idle >= IDLE), None)
    if idle is not None and look.level > 0:
        return _back(idle, look, unit_hz)
    lost = [one for one in places.cavities if not one.place.known]
    blind = [one for one in lost if one.blind]
    if look.level == 0 and leads and not blind:
        return None
    near_hz = NEAR * spacing_hz
    away = [one for one in places.cavities if one.place.known and abs(one.place.value) > near_hz]
    if look.level == 0 and look.farther is None:
        return _other_sweep(look, 1, lost, len(places.cavities))
    outside = [dip for dip in look.farther or () if abs(dip.value - reject_hz) > near_hz]
    if not away and not blind and (not lost or not outside):
        return None if look.level == 0 else _other_sweep(look, 0, lost, len(places.cavities))
    able = [one for one in away if one.hz_per_turn]
    level = _level(look, places.cavities, lost, away, reject_hz)
    if level > len(look.spans):
        one = max(blind, key=lambda each: each.blind)
        low, high = look.spans[-1]
        return Coarse(
            "bench",
            f"cavity {one.number} needs the bench: nothing that its screw moves is seen",
            f"{so_many(one.unseen_turns)} of it moved no dip from {low / 1e6:.1f} to {high / 1e6:.1f} MHz:"
            f" goal {goal_db:g} is out of reach here",
        )
    unknown = next((one for one in lost if max(one.tries, one.hunted) >= MOST_TRIES), None)
    if unknown is not None:
        return Coarse(
            "bench",
            f"cavity {unknown.number} needs the bench: no turn of it tells which dip is its own",
            f"{max(unknown.tries, unknown.hunted)} turns to and fro, {len(look.dips)} dips seen:"
            f" goal {goal_db:g} is out of reach here",
        )
    if level != look.level:
        return _other_sweep(look, level, lost, len(places.cavities))
    if lost:
        if sweeps < ENOUGH and len(look.dips) < len(places.cavities) and any(one.last for one in lost):
            seen = f"{len(look.dips)} of {len(places.cavities)} dips are seen"
            return Coarse("longer", f"average longer: + until {ENOUGH} sweeps a look, then wait for it",
                          f"{seen}, the others may lie under the floor")  # fmt: skip
        hunt = [one for one in lost if not one.hz_per_turn or one.hunted < MOST_HUNTS]
        if hunt or not able:
            return _trial(min(hunt or lost, key=lambda one: (one.turned, one.hunted, one.number)), look, unit_hz)
        return _nearer(max(able, key=lambda one: abs(one.place.value)), places.cavities, spacing_hz, look.screw)
    return _nearer(max(away, key=lambda one: abs(one.place.value)), places.cavities, spacing_hz, look.screw)


def dip_words(look: FarLook, reject_hz: float) -> str:
    """The dips of a look against the channel, from low to high; "" for none."""
    if not look.dips:
        return ""
    places = " ".join(f"{(dip.value - reject_hz) / 1e3:+.0f}" for dip in look.dips)
    return f"dips at INFERRED {places} kHz; whose they are shows by turning"


def _level(
    look: FarLook, cavities: Sequence[CavityState], lost: Sequence[CavityState], away: Sequence[CavityState],
    reject_hz: float,
) -> int:  # fmt: skip
    """The sweep that is wanted: wide enough for every place that is known and for what is looked for, no wider."""
    wanted = 0
    if lost:
        seen = max(look.level, 1)
        wanted = max(seen, *(one.blind for one in lost))
    for one in away:
        hz = reject_hz + one.place.value
        reach = [k for k, (start, stop) in enumerate(look.spans, 1) if start < hz < stop]
        margin = 0.05 * (look.stop_hz - look.start_hz)
        inside = look.level == 0 and look.start_hz + margin < hz < look.stop_hz - margin
        wanted = max(wanted, 0 if inside else min(reach, default=len(look.spans)))
    if away and look.level and not lost:
        return max(wanted, 1) if all(one.hz_per_turn for one in cavities) else max(wanted, look.level)
    return wanted


def _other_sweep(look: FarLook, level: int, lost: Sequence[CavityState], count: int) -> Coarse:
    if level == 0:
        return Coarse(
            "look", "hands off: the next looks go back over both channels", "no cavity stands far off: fine now"
        )
    start, stop = look.spans[level - 1]
    why = "no cavity stands farther out"
    if level > look.level:
        why = f"{count} cavities, and over both channels it does not look like them: some may stand far off"
        blind = next((one for one in lost if one.blind), None)
        if blind is not None:
            why = f"cavity {blind.number} moved no dip that is seen: it may stand outside"
    return Coarse("look", f"hands off: the next looks go from {start / 1e6:.2f} to {stop / 1e6:.2f} MHz", why,
                  "a dip for each cavity", level=level)  # fmt: skip


def _named(one: CavityState, turns: float, direction: str, screw: str) -> tuple[str, Told]:
    turns = round(turns, 2 if turns < 2.0 else 1)
    degrees = f" ({round(72 * turns) * 5} degrees)" if turns <= 2.0 else ""
    told = Told(one.number, screw, direction, turns)
    return f"cavity {one.number}, {screw}: {so_many(turns)} {direction}{degrees}", told


def _trial(one: CavityState, look: FarLook, unit_hz: float) -> Coarse:
    """A turn that shows which dip is this screw's."""
    direction = one.forward
    if one.hz_per_turn:
        # Two that stand together part only when they are some widths apart: farther with each turn that showed nothing.
        least = TRIAL_WIDTHS * unit_hz / abs(one.hz_per_turn) * 2.0 ** max(one.hunted - 1, 0)
        turns, why = least, "its dip is not seen: this turn shows it again"
        if one.last is not None and one.last.turns:  # back half of the way that it came
            turns, sign = min(max(one.last.turns / 2.0, least), MOST_TRIAL), way(one.last.direction)[1]
            direction = spoken(one.forward, -sign)
    else:
        turns = min(max(2.0 * one.unseen_turns, FIRST_TURNS), MOST_TRIAL)
        if one.last is not None:  # it may stand at the end of its travel: the other way
            direction = spoken(one.forward, -way(one.last.direction)[1])
        why = "which dip is its own shows by the one that moves; the lock nut loose first"
        if one.unseen_turns:
            why = f"{so_many(one.unseen_turns)} of it moved no dip: is it this side's screw, and its nut loose?"
    do, told = _named(one, max(turns, 0.01), direction, look.screw)
    return Coarse("trial", do, why, f"one of {len(look.dips)} dips moves, the others stay", told, look.level)


def _back(one: CavityState, look: FarLook, unit_hz: float) -> Coarse:
    """A turn the other way of a screw that does not follow any more."""
    rate, last = one.hz_per_turn or math.inf, one.last
    sign = -way(last.direction)[1] if last is not None else -1
    turns = min(max(2.0 * TRIAL_WIDTHS * unit_hz / abs(rate), FIRST_TURNS), MOST_TRIAL)
    do, told = _named(one, turns, spoken(one.forward, sign), look.screw)
    why = f"{one.idle} turns moved nothing: is it at the end of its travel? a turn back tells"
    return Coarse("trial", do, why, f"one of {len(look.dips)} dips moves", told)


def _nearer(one: CavityState, cavities: Sequence[CavityState], spacing_hz: float, screw: str) -> Coarse:
    """Bring the cavity that stands farthest off near the channel, beside the others."""
    rate = one.hz_per_turn
    if not rate:  # its place follows from the others: its own turn is not known yet
        do, told = _named(one, min(max(2.0 * one.unseen_turns, FIRST_TURNS), MOST_TRIAL), one.forward, screw)
        why = f"its dip is the one left, {text(one.place, signed=True)} off; how far a turn goes is not known"
        return Coarse("trial", do, why, "its own dip moves", told)
    order = sorted(cavities, key=lambda each: each.place.value)
    target = (order.index(one) - (len(order) - 1) / 2.0) * STAGGER * spacing_hz
    by_hz = target - one.place.value
    turns = abs(by_hz / rate)
    small = turns > GROWTH * one.most_turns > 0.0
    turns = min(turns, GROWTH * one.most_turns) if small else turns
    moved = math.copysign(turns * abs(rate), by_hz)
    do, told = _named(one, turns, spoken(one.forward, 1 if by_hz * rate > 0 else -1), screw)
    why = f"its dip stands {text(one.place, signed=True)} off; a turn does about INFERRED {abs(rate) / 1e3:.0f} kHz"
    if small:
        why += "; not farther before a larger turn has shown that"
    half = 2.0 * HAND_SHARE * abs(moved)
    at = one.place.value + moved
    return Coarse("turn", do, why, f"its dip at {text(inferred(at, at - half, at + half, 'Hz'), signed=True)},"
                  " the others stay", told)  # fmt: skip
