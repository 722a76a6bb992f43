"""Names of all columns, and how the frequencies are known: by a column, a list, a read-back or an open lead's phase.

Owns: the proof that what was set is what was swept. Refuses: to call frequencies confirmed that nothing showed.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from protocol.learn.sweeps.acquire import Acquisition, Part
from protocol.learn.sweeps.columns import (
    DELAY_S,
    Delay,
    Kind,
    delay_of,
    frequency_unit,
    index_column,
    leaking,
    lopsided,
    reflecting,
    rising,
)
from protocol.learn.sweeps.shape import Shape

STRAY = 0.25
"""How far two sweeps of one lead may lie apart in phase, in radians."""
Place = tuple[int, int, tuple[int, int]]
"""A pair of columns: number of the reply, of the set of points in it, of the two columns."""
Column = tuple[int, int, int]
"""A column: number of the reply, of the set of points in it, of the column."""
Pair = tuple[int, int, tuple[int, int], NDArray[np.float64], str]
"""The same with its values (points, 2) and the console's words about it."""
JOINED = 0.5
"""|S21| through two leads that are joined is above this, and twice what it was."""


class OtherFrequenciesError(Exception):
    """The frequencies that came are not those that were set."""


@dataclass(frozen=True)
class Names:
    """Names of the columns of one set of points, and which trace stands where: trace -> its two columns."""

    fields: tuple[str, ...]
    traces: dict[str, tuple[int, int]]


@dataclass
class Meaning:
    """What all columns of an acquisition are."""

    kind: Kind
    names: list[list[Names]] = field(default_factory=list)
    unit: str = ""
    """Unit of the frequencies that come with the data; "" where none come."""
    conjugate: bool = False
    delay: Delay = field(default_factory=lambda: Delay(0.0, 0.0))
    through: Place | None = None
    """Where S21 stands, when joining the leads told it."""


def meaning_of(
    found: Acquisition,
    taken: list[list[Shape]],
    start_hz: float,
    stop_hz: float,
    kinds: Sequence[Kind] = (),
    through: Place | None = None,
    joined: list[list[Shape]] | None = None,
) -> Meaning | None:
    """Name all columns of one sweep from start to stop with both leads open; None when nothing fits.

    S21 is the pair that only leaks; or the one at `through`; or the one that rose in a sweep with the leads `joined`.
    Columns that are known to stand still in every span are passed over. Raises OtherFrequenciesError
    where a column rises as other frequencies would.
    """

    def transmits(pair: Pair, kind: Kind) -> bool:
        if through is not None:
            return pair[:3] == through
        if joined is None:
            return leaking(pair[3], kind.through)
        at, number, columns = pair[:3]
        before, after = (
            float(np.median(np.abs(kind.through.complex(values))))
            for values in (pair[3], joined[at][number].values[:, list(columns)])
        )
        return JOINED < after < 1.2 and after > 2 * before

    pairs, layout, free, unit = _columns(found, taken, start_hz, stop_hz)
    points = taken[0][0].points
    frequency_hz = np.linspace(start_hz, stop_hz, points)
    for at, number, columns, values, told in pairs:
        shape = taken[at][number]
        hexed = all(shape.forms[column].startswith("hex") for column in columns)
        said = f"{told} {' '.join(shape.titles)}"
        for kind in kinds or reflecting(values, frequency_hz, said, hexed=hexed):
            one = (at, number, columns)
            others = [pair for pair in pairs if transmits(pair, kind) and _beside(one, pair[:3], free)]
            if not others:
                continue
            other = _nearest(one, others, kind, free)
            named = _with_traces(layout, kind, {"s11": one, "s21": other[:3]})
            delay = delay_of(kind.complex(values), frequency_hz)
            if delay.error > 0.3:
                continue
            where = other[:3] if joined is not None else through
            return Meaning(kind, named, unit, delay.seconds < 0, delay, where)
    return None


def _with_traces(layout: list[list[list[str]]], kind: Kind, places: dict[str, Place]) -> list[list[Names]]:
    """The names of all columns with those of the two traces among them."""
    named = [[Names(tuple(row), {}) for row in rows] for rows in layout]
    for trace, (at, number, columns) in places.items():
        old = named[at][number]
        fields = list(old.fields)
        fields[columns[0]], fields[columns[1]] = (kind if trace == "s11" else kind.through).fields(trace)
        named[at][number] = Names(tuple(fields), {**old.traces, trace: columns})
    return named


def _columns(
    found: Acquisition, taken: list[list[Shape]], start_hz: float, stop_hz: float
) -> tuple[list[Pair], list[list[list[str]]], dict[tuple[int, int], list[int]], str]:
    """All pairs of columns that may be a trace, the names of all columns, the columns that may belong to a trace, by
    reply and set, and the unit of the frequencies."""
    pairs, layout, free, unit = list[Pair](), list[list[list[str]]](), dict[tuple[int, int], list[int]](), ""
    for at, shapes in enumerate(taken):
        rows = []
        for number, shape in enumerate(shapes):
            still = {column for part, one, column in found.standing if (part, one) == (at, number)}
            names, columns = _named(shape, start_hz, stop_hz, still)
            free[at, number] = _without_spreads(shape, columns)
            unit = next((name.removeprefix("frequency_") for name in names if name.startswith("frequency")), unit)
            told = found.parts[at].told
            for pair in _paired(free[at, number]):
                pairs.append((at, number, pair, shape.values[:, list(pair)], told))
            rows.append(names)
        layout.append(rows)
    return pairs, layout, free, unit


def _nearest(one: Place, others: Sequence[Pair], kind: Kind, free: dict[tuple[int, int], list[int]]) -> Pair:
    """Of several pairs that leak the likeliest beside S11."""
    return min(others, key=lambda pair: (lopsided(pair[3], kind), _apart(one, pair[:3], free)))


def _apart(one: Place, other: Place, free: dict[tuple[int, int], list[int]]) -> int:
    """How far apart two pairs stand in their own sets; in one set whether a column that is left over parts them."""
    apart = abs(free[one[:2]].index(one[2][0]) - free[other[:2]].index(other[2][0]))
    return apart % 2 if one[:2] == other[:2] else apart


def _beside(one: Place, other: Place, free: dict[tuple[int, int], list[int]]) -> bool:
    """Whether a pair may be S21 where S11 is another: in another set of the same make it stands at the same place."""
    if one[:2] == other[:2]:
        return not set(one[2]) & set(other[2])
    mine, its = free[one[:2]], free[other[:2]]
    return len(mine) != len(its) or mine.index(one[2][0]) == its.index(other[2][0])


def _without_spreads(shape: Shape, free: list[int]) -> list[int]:
    """Columns without those that are a spread: the third of each three or a single one, never below zero, nearly the
    same at all points, beside others that are all below zero here and there."""
    spread = [at for at in free if _flat(shape.values[:, at])]
    if len(free) >= 6 and len(free) % 3 == 0 and set(free[2::3]) <= set(spread):
        spread, moving = free[2::3], free[-3:-1]
    elif len(free) == 5 and len(spread) == 1:
        moving = [at for at in free if at not in spread]
    else:
        return free
    crossing = all(bool(np.any(shape.values[:, at] < 0)) for at in moving)
    return [at for at in free if at not in spread] if crossing else free


def _flat(values: NDArray[np.float64]) -> bool:
    """Whether a column is never below zero and nearly the same everywhere."""
    return bool(np.all(values >= 0) and np.std(values) <= 0.5 * np.median(values))


def _named(shape: Shape, start_hz: float, stop_hz: float, still: Collection[int]) -> tuple[list[str], list[int]]:
    """Names of the columns of one set, and those columns that may belong to a trace."""
    names = ["skip"] * shape.values.shape[1]
    free: list[int] = []
    for column in range(shape.values.shape[1]):
        values = shape.values[:, column]
        own = frequency_unit(values, start_hz, stop_hz)
        if column <= 1 and frequency_unit(values[::-1], start_hz, stop_hz):
            raise OtherFrequenciesError  # from the stop down to the start
        if own and column <= 2 and not any(name.startswith("frequency") for name in names):
            names[column] = f"frequency_{own}"
        elif index_column(values) and column <= 1 and len(values) > 3:
            names[column] = "index"
        elif column not in still:
            free.append(column)
    if len(free) % 2 and rising(shape.values[:, free[0]]):
        raise OtherFrequenciesError
    return names, free


def _paired(free: list[int]) -> list[tuple[int, int]]:
    """Columns as pairs; one that is left over may stand in front or at the end: both are tried."""
    if len(free) % 2 == 0:
        return list(zip(free[::2], free[1::2], strict=True))
    return [*_paired(free[1:]), *_paired(free[:-1])]


def standing_columns(first: list[list[Shape]], second: list[list[Shape]]) -> frozenset[Column]:
    """Columns that rise and are the same in sweeps of two spans: addresses or the like, no frequencies."""
    found = set()
    for at, (before, behind) in enumerate(zip(first, second, strict=True)):
        for number, (one, other) in enumerate(zip(before, behind, strict=False)):
            rows = min(one.points, other.points)
            for column in range(min(one.values.shape[1], other.values.shape[1], 2)):
                values = one.values[:rows, column]
                if rising(values) and np.array_equal(values, other.values[:rows, column]):
                    found.add((at, number, column))
    return frozenset(found)


def sensible(delay_s: float) -> bool:
    """Whether an open lead can be so long."""
    return DELAY_S[0] < abs(delay_s) < DELAY_S[1]


def reflection(meaning: Meaning, taken: list[list[Shape]], trace: str = "s11") -> NDArray[np.complex128] | None:
    """One trace of a sweep."""
    for rows, shapes in zip(meaning.names, taken, strict=True):
        for names, shape in zip(rows, shapes, strict=True):
            if trace in names.traces:
                kind = meaning.kind if trace == "s11" else meaning.kind.through
                return kind.complex(shape.values[:, list(names.traces[trace])])
    return None


def starts_where_set(
    traces: tuple[NDArray[np.complex128], NDArray[np.complex128]],
    ends_hz: tuple[tuple[float, float], tuple[float, float]],
) -> bool | None:
    """Whether the phase of an open lead moved between two sweeps as far as their frequencies did; None: too little due.

    A slope alone says how wide a sweep is, not where it lies: one whose start was moved in silence has the same.
    """
    axes = [np.linspace(*ends, trace.size) for trace, ends in zip(traces, ends_hz, strict=True)]
    delays = [delay_of(trace, hertz).seconds for trace, hertz in zip(traces, axes, strict=True)]
    delay, middle = delays[1], [float(np.mean(hertz)) for hertz in axes]
    at = [
        np.sum(trace * np.exp(2j * np.pi * delay * (hertz - middle[0])))
        for trace, hertz in zip(traces, axes, strict=True)
    ]
    apart = 2 * np.pi * abs(middle[0] - middle[1])
    slack = STRAY + apart * abs(delays[0] - delays[1])
    if abs(np.angle(at[0] * np.conj(at[1]))) > slack:
        return False
    return True if apart * abs(delay) > 2 * slack else None


def listed_unit(part: Part, start_hz: float, stop_hz: float) -> str:
    """The unit in which a list holds the frequencies from start to stop; "" where it does not."""
    return frequency_unit(part.shapes[0].values[:, 0], start_hz, stop_hz)
