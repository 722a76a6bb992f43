"""What is known of the analyzer for a forecast: by its card, else as typed from a data sheet; common practice said so.

Owns: which of them counts, reading typed numbers, and refusing those that no receiver can have. Refuses: to measure,
and to hide an assumption; each comes as a sentence.

A floor re a thru is a power: with the source at L dBm it is L + floor dBm in the bandwidth, and no receiver has less
than kT0B = -174 dBm/Hz + 10 log B at 290 K (Johnson 1928, Nyquist 1928; T0 of the IEEE).
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import pairwise

from protocol.errors import RequestError
from rf.floor.ability import USUAL_BANDWIDTHS, USUAL_POINTS, Ability
from rf.values.decibel import amplitude
from visit.record.instrument_card import Card, ability_of_card, card_in
from visit.record.sheet import INSTRUMENT, Sheet
from visit.record.visit_file import VisitFile

ASSUMED = "ASSUMED, common practice"
KTB_DBM_HZ = -173.98
"""k times 290 K in 1 Hz."""
LOUDEST_DBM = 20.0
"""Source of an analyzer whose sheet does not say its level: none of this class has more."""
USUAL_SETTLING_S, USUAL_OVERHEAD_S, USUAL_MOST_POINTS = 2e-4, 0.05, 401
SHEET_HALF_DB = 2.0
"""Half-width of a floor by a sheet: typical, not guaranteed, and at another frequency."""
AMPLIFIER_DB, AMPLIFIER_NOISE_DB = 20.0, 4.0
"""Gain and noise figure of a small amplifier before port 2 (common practice)."""
QUICKEST = 0.25
"""A filter of bandwidth B gives no new value in less than about this over B, however its width is counted."""


@dataclass(frozen=True, slots=True)
class KnownInstrument:
    """`ability` (None: nothing is known; `why`), a sentence for each number, by how much times may be off (a share).
    `assumed`: the numbers that rest on neither card nor sheet."""

    ability: Ability | None
    sources: tuple[str, ...] = ()
    pace_share: float = 0.1
    assumed: tuple[str, ...] = ()
    noise_figure_db: float | None = None
    """Of the receiver, where the source's level is known."""
    why: str = ""


NOTHING = KnownInstrument(
    None, why="no card of this analyzer and no floor typed: measure the card (deepnotch card), or type --floor"
)


def of_card(card: Card, typed: Mapping[str, str]) -> KnownInstrument:
    """By a measured card; only the source's level counts of what was `typed`. Raises RequestError for one that can't
    be."""
    try:
        ability = ability_of_card(card)
    except (ValueError, TypeError) as error:
        raise RequestError(f"the instrument card can't be: {error}; measure it anew (deepnotch card)") from None
    floors = ", ".join(f"{level:.1f} dB at {hz:g} Hz" for hz, level in ability.floors)
    sources = [f"floor {floors}: measured (card)"]
    if ability.leak is None:
        sources.append("leak: not looked at")
    return _with_level(KnownInstrument(ability, tuple(sources)), _number(typed, "level", -80.0, 30.0))


def of_sheet(typed: Mapping[str, str]) -> KnownInstrument:
    """By what was typed, by the names of `INSTRUMENT`. Raises RequestError for what can't be read or can't be."""
    if "floor" not in typed:
        return NOTHING
    floors = tuple(sorted(_floor(words) for words in typed["floor"].split()))
    if not floors:
        return NOTHING
    sources = [f"floor {', '.join(f'{level:g} dB at {hz:g} Hz' for hz, level in floors)}: as typed"]
    level = _number(typed, "level", -80.0, 30.0)
    for hz, floor_db in floors:
        _check_ktb(hz, floor_db, level)
    for (low_hz, low_db), (high_hz, high_db) in pairwise(floors):
        if high_db - low_db > 10.0 * math.log10(high_hz / low_hz) + SHEET_HALF_DB:
            raise RequestError(
                f"floors of {low_db:g} dB at {low_hz:g} Hz and {high_db:g} dB at {high_hz:g} Hz can't both be: noise"
                " falls by 10 dB for a tenth of the bandwidth, no more; look at the sheet again"
            )
    settling, factor = _point_time(typed, sources)
    assumed = [] if "point-time" in typed else ["time a point"]
    overhead, points = _number(typed, "overhead", 0.0, 600.0), _number(typed, "points", 2, 200_001)
    narrowest = _number(typed, "narrowest", 0.01, 1e7)
    for name, value, usual in (
        ("overhead of a sweep", overhead, f"{USUAL_OVERHEAD_S:g} s"),
        ("most points", points, f"{USUAL_MOST_POINTS}"),
        ("narrowest bandwidth", narrowest, f"{floors[0][0]:g} Hz, that of the floor"),
    ):
        if value is None:
            sources.append(f"{name} {usual}: {ASSUMED}")
            assumed.append(name)
    low = floors[0][0] if narrowest is None else narrowest
    high = max(floors[-1][0], 1000.0, low)
    most = USUAL_MOST_POINTS if points is None else int(points)
    leak, drift = _number(typed, "leak", 0.0, 250.0, sign=False), _number(typed, "drift", -10.0, 10.0)
    sources.append("leak: not told" if leak is None else f"leak {-leak:g} dB at most: as typed")
    ability = Ability(
        floors,
        settling,
        factor,
        USUAL_OVERHEAD_S if overhead is None else overhead,
        tuple(sorted({low, *(hz for hz in (*(hz for hz, _ in floors), *USUAL_BANDWIDTHS) if low <= hz <= high)})),
        tuple(sorted({most, *(number for number in USUAL_POINTS if number <= most)})),
        SHEET_HALF_DB,
        None if leak is None else amplitude(-leak),
        leak is not None,
        drift or 0.0,
        leak_by_sheet=leak is not None,
    )
    return _with_level(KnownInstrument(ability, tuple(sources), 0.25, tuple(assumed)), level)


def amplified_db(figure_db: float) -> float:
    """Noise figure of a receiver with such an amplifier before it (Friis 1944, Proc. IRE 32, 419)."""
    first, behind, gain = (10.0 ** (level / 10.0) for level in (AMPLIFIER_NOISE_DB, figure_db, AMPLIFIER_DB))
    return 10.0 * math.log10(first + (behind - 1.0) / gain)


def known_instrument(visit: VisitFile) -> KnownInstrument:
    """Of a visit: what was typed from a sheet stands before a card, for somebody typed it in this visit. Raises
    RequestError, RecordError."""
    sheet = Sheet(visit)
    typed = {name: sheet.words(line) for name, line in INSTRUMENT.items() if sheet.words(line)}
    if "floor" in typed:
        return of_sheet(typed)
    card = card_in(visit)
    return NOTHING if card is None else of_card(card, typed)


def _with_level(known: KnownInstrument, level_dbm: float | None) -> KnownInstrument:
    ability = known.ability
    if ability is None or level_dbm is None:
        return known
    hz, floor_db = ability.floors[0]
    _check_ktb(hz, floor_db, level_dbm)
    figure = level_dbm + floor_db - KTB_DBM_HZ - 10.0 * math.log10(hz)
    said = f"source {level_dbm:g} dBm: as typed; so the receiver's noise figure is {figure:.0f} dB"
    return replace(
        known, ability=replace(ability, level_dbm=level_dbm), sources=(*known.sources, said), noise_figure_db=figure
    )


def _check_ktb(bandwidth_hz: float, floor_db: float, level_dbm: float | None) -> None:
    """Raises RequestError where a floor lies below kTB."""
    level = LOUDEST_DBM if level_dbm is None else level_dbm
    least = KTB_DBM_HZ + 10.0 * math.log10(bandwidth_hz) - level
    if floor_db < least:
        source = f"a source of {level:g} dBm" + (" (none is louder)" if level_dbm is None else "")
        raise RequestError(
            f"a floor of {floor_db:g} dB at {bandwidth_hz:g} Hz can't be: with {source} kTB alone is {least:.1f} dB;"
            " look at the sheet again: floor, bandwidth or level"
        )


def _floor(words: str) -> tuple[float, float]:
    """Bandwidth and level of DB@HZ; the sign of a floor may be left out."""
    level, hz = _at(words, "floor", "90@1000")
    if not 0.01 <= hz <= 1e8 or not 0.0 < abs(level) <= 300.0:
        raise RequestError(f"floor {words!r} can't be: it is dB below a thru at a bandwidth in Hz, e.g. 90@1000")
    return hz, -abs(level)


def _at(words: str, name: str, example: str) -> tuple[float, float]:
    first, at, second = words.replace("−", "-").partition("@")
    try:
        values = float(first), float(re.sub(r"(?i)hz$", "", second))
    except ValueError:
        values = (math.nan, math.nan)
    if not at or not all(math.isfinite(value) for value in values):
        raise RequestError(f"{name} {words!r} is not read: write it like {example}")
    return values


def _point_time(typed: Mapping[str, str], sources: list[str]) -> tuple[float, float]:
    """Settling and bandwidth factor."""
    if "point-time" not in typed:
        sources.append(f"a point takes 1 / bandwidth and {USUAL_SETTLING_S * 1e3:g} ms: {ASSUMED}")
        return USUAL_SETTLING_S, 1.0
    seconds, hz = _at(typed["point-time"], "point-time", "0.0012@1000")
    if not 0.0 < seconds <= 600.0 or not 0.01 <= hz <= 1e8:
        raise RequestError(f"point-time {typed['point-time']!r} can't be: seconds a point at a bandwidth in Hz")
    if seconds * hz < QUICKEST:
        raise RequestError(
            f"{seconds:g} s a point at {hz:g} Hz can't be: a filter so narrow needs {QUICKEST / hz:.2g} s and more;"
            " look at the sheet again"
        )
    sources.append(f"a point takes {seconds:g} s at {hz:g} Hz: as typed")
    factor = min(1.0, seconds * hz)
    return seconds - factor / hz, factor


def _number(typed: Mapping[str, str], name: str, low: float, high: float, *, sign: bool = True) -> float | None:
    """A typed number; `sign` False: it may be left out. Raises RequestError."""
    if name not in typed:
        return None
    try:
        value = float(typed[name].replace("−", "-"))
    except ValueError:
        value = math.nan
    value = value if sign else abs(value)
    if not low <= value <= high:
        raise RequestError(f"{name} {typed[name]!r} is not read: {INSTRUMENT[name].says}, {low:g} to {high:g}")
    return value
