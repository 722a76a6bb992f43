"""The instrument card as data: what an analyzer was measured to be able to do, and what can be set on it.

Owns: the card's fields, reading it from JSON, what a visit file notes of the settings that an analyzer takes. Refuses:
to measure (`visit.run.card`), and words for people.
"""

from __future__ import annotations

import contextlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from protocol.errors import RequestError
from protocol.files.harmless import harmless_json
from protocol.files.small_files import json_data, read_text
from protocol.profiles.profile import Profile
from protocol.sweep import Limits
from rf.floor.ability import USUAL_POINTS, Ability
from rf.values.decibel import amplitude
from visit.record.visit_file import VisitFile

SCHEMA = 1
LARGEST_BYTES = 20_000_000
SETTABLE = "settings it takes"
"""Kind of the remark."""
USUAL_OVERHEAD_S = 0.05
"""Of a sweep, where neither card nor profile tells it apart from the points."""
BANDWIDTHS, MOST_POINTS, MOST_LISTED = (0.01, 1e8), 200_001, 200
POINTS_KEPT = (("min_points", 101), ("max_points", 401))
CARD_HALF_DB = 0.5
"""A floor of twenty sweeps of 401 points repeats to 0.1 dB; leads and temperature move it more."""


@dataclass(frozen=True, slots=True)
class Floor:
    """One bandwidth: random floor of one sweep's point re full scale of a thru, and seconds per sweep."""

    bandwidth_hz: float
    floor_db: float
    sweep_s: float


@dataclass(frozen=True, slots=True)
class Card:
    """What was measured. Levels are re what the analyzer calls 0 dB; `leak_limit_db` at the channels (95 %). `pace`:
    overhead of a sweep, settling of a point, bandwidth factor (empty: an earlier card that did not part them)."""

    identity: str
    profile: str
    at_s: float
    span_hz: tuple[float, float]
    points: int
    floors: tuple[Floor, ...]
    leak_limit_db: tuple[float, ...]
    channels_hz: tuple[float, ...]
    drift_db_per_min: float
    limits: dict[str, Any] = field(default_factory=dict)
    pace: tuple[float, ...] = ()
    leak_found: bool = False
    schema: int = SCHEMA


def card_of(data: Any) -> Card:
    """A card from its JSON object. Raises ValueError, KeyError or TypeError for anything else."""
    if not isinstance(data, dict) or data.get("schema") != SCHEMA:
        raise ValueError("no card of this program")
    rest = dict(data)
    floors = tuple(Floor(**entry) for entry in rest.pop("floors"))
    low, high = rest.pop("span_hz")
    return Card(
        floors=floors,
        span_hz=(low, high),
        leak_limit_db=tuple(rest.pop("leak_limit_db")),
        channels_hz=tuple(rest.pop("channels_hz")),
        pace=tuple(rest.pop("pace", ())),
        **rest,
    )


def ability_of_card(card: Card) -> Ability:
    """What follows for a forecast. Raises ValueError or TypeError for numbers that can't be."""
    if not card.floors:
        raise ValueError("a card without a floor")
    floors = tuple(
        sorted((between(one.bandwidth_hz, *BANDWIDTHS), between(one.floor_db, -300.0, 50.0)) for one in card.floors)
    )
    overhead, settling, factor = (between(number, 0.0, 1e4) for number in card.pace or _pace_of(card))
    leak = max((between(limit, -300.0, 50.0) for limit in card.leak_limit_db), default=None)
    settable = Settable.of(card.limits)
    return Ability(
        floors,
        settling,
        factor,
        overhead,
        settable.bandwidths_hz or tuple(hz for hz, _ in floors),
        settable.points,
        CARD_HALF_DB,
        None if leak is None else amplitude(leak),
        bool(card.leak_found),
        drift_db_per_min=between(card.drift_db_per_min, -100.0, 100.0),
    )


def _pace_of(card: Card) -> tuple[float, float, float]:
    """Of a card whose sweeps all had the same points: the usual overhead, and what is left by bandwidth."""
    narrow, wide = card.floors[0], card.floors[-1]
    inverse = 1.0 / narrow.bandwidth_hz - 1.0 / wide.bandwidth_hz
    factor = (narrow.sweep_s - wide.sweep_s) / card.points / inverse if inverse > 0.0 else 1.0
    factor = min(max(factor, 0.0), narrow.sweep_s / card.points * narrow.bandwidth_hz)
    overhead = min(USUAL_OVERHEAD_S, wide.sweep_s / 2.0)
    settling = (wide.sweep_s - overhead) / card.points - factor / wide.bandwidth_hz
    return overhead, max(settling, 0.0), factor


# What can be set


@dataclass(frozen=True, slots=True)
class Settable:
    """Bandwidths and points that an analyzer is known to take; no bandwidths where only their limits are known, for
    many refuse what lies between two of theirs."""

    bandwidths_hz: tuple[float, ...]
    points: tuple[int, ...]

    @classmethod
    def of(cls, limits: Mapping[str, Any]) -> Settable:
        """From the numbers of a card or a remark. Raises ValueError or TypeError for numbers that can't be."""
        few, many = (int(between(limits.get(key, usual), 1, MOST_POINTS)) for key, usual in POINTS_KEPT)
        bandwidths = _numbers(limits.get("bandwidths_hz", ()), *BANDWIDTHS)
        points = tuple(int(number) for number in _numbers(limits.get("points", ()), 1, MOST_POINTS))
        points = points or tuple(sorted({few, many, *(number for number in USUAL_POINTS if few <= number <= many)}))
        return cls(bandwidths, points)


def between(value: object, low: float, high: float) -> float:
    """A number from a file within its limits. Raises ValueError or TypeError."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise TypeError(f"{value!r} is no number")
    if not low <= value <= high:
        raise ValueError(f"{value!r} can't be")
    return float(value)


def _numbers(values: Sequence[object], low: float, high: float) -> tuple[float, ...]:
    if len(values) > MOST_LISTED:
        raise ValueError("more settings than an analyzer has")
    return tuple(sorted(between(value, low, high) for value in values))


def settable_of(limits: Limits, *, sets_bandwidth: bool = True) -> dict[str, Any]:
    """What a card and a remark keep of an analyzer's limits."""
    kept: dict[str, Any] = {"start_hz": limits.start_hz, "stop_hz": limits.stop_hz}
    kept |= {"min_points": limits.min_points, "max_points": limits.max_points, "points": list(limits.points)}
    if sets_bandwidth:
        kept["bandwidths_hz"] = list(limits.bandwidths_hz)
    return kept


def settable_words(profile: Profile, limits: Limits) -> str:
    """The remark of an analyzer: its limits and its pace as the profile tells it."""
    timing = profile.timing
    pace = [timing.overhead_s, timing.settling_s, timing.bandwidth_factor]
    kept = settable_of(limits, sets_bandwidth=profile.sets_bandwidth)
    return harmless_json({**kept, "sets_bandwidth": profile.sets_bandwidth, "pace": pace}, indent=None)


def read_card(path: Path) -> Card:
    """The newest card of a file: one as JSON, or the kept ones a line each. Raises RequestError."""
    text = read_text(path, "an instrument card", LARGEST_BYTES)
    lines = [line for line in text.splitlines() if line.strip()]
    for words in (text, lines[-1] if lines else ""):
        with contextlib.suppress(ValueError, KeyError, TypeError, AttributeError):
            return card_of(json_data(words))
    raise RequestError(f"{path}: no instrument card of this program (deepnotch card ... --json)")


def ability_in(visit: VisitFile) -> Ability | None:
    """Of the analyzer of a visit: by its card, else its settings and pace by its profile, with a floor that has to be
    told first (`with_floor`); None where the file tells neither, or nothing that can be. No bandwidths
    where none can be set. Raises RecordError."""
    card = card_in(visit)
    told = visit.rows("select words from remark where kind = ? order by id desc limit 1", (SETTABLE,))
    with contextlib.suppress(ValueError, TypeError, KeyError, AttributeError, OverflowError):
        made = None if card is None else ability_of_card(card)
        for (words,) in told:
            found = json_data(str(words))
            settable = Settable.of(found)
            overhead, settling, factor = (between(number, 0.0, 1e4) for number in found["pace"])
            if made is None:
                made = Ability(((1000.0, 0.0),), settling, factor, overhead, ())
            bandwidths = settable.bandwidths_hz or made.bandwidths_hz if found["sets_bandwidth"] else ()
            made = replace(made, bandwidths_hz=bandwidths, points=settable.points)
        return made
    return None


def card_in(visit: VisitFile) -> Card | None:
    """The newest card in a visit; None without one that can be read."""
    for (words,) in visit.rows("select json from card order by id desc limit 1"):
        with contextlib.suppress(ValueError, KeyError, TypeError, AttributeError):
            return card_of(json_data(str(words)))
    return None
