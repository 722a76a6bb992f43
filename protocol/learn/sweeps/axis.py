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

    pairs: list[Pair] = []
    unit = ""
    layout: list[list[list[str]]] = []
    for at, shapes in enumerate(taken):
        rows = []
        for number, shape in enumerate(shapes):
            still = {column for part, one, column in found.standing if (part, one) == (at, number)}
            names, free = _named(shape, start_hz, stop_hz, still)
            unit = next((name.removeprefix("frequency_") for name in names if name.startswith("frequency")), unit)
            told = found.parts[at].told
            pairs += [(at, number, columns, shape.values[:, list(columns)], told) for columns in _paired(free)]
            rows.append(names)
        layout.append(rows)
    points = taken[0][0].points
    frequency_hz = np.linspace(start_hz, stop_hz, points)
    for at, number, columns, values, told in pairs:
        shape = taken[at][number]
        hexed = all(shape.forms[column].startswith("hex") for column in columns)
        said = f"{told} {' '.join(shape.titles)}"
        for kind in kinds or reflecting(values, frequency_hz, said, hexed=hexed):
            others = [
                pair for pair in pairs
                if (pair[:2] != (at, number) or not set(pair[2]) & set(columns)) and transmits(pair, kind)
            ]  # fmt: skip
            if not others:
                continue
            other = others[0]
            named = [[Names(tuple(row), {}) for row in rows] for rows in layout]
            for trace, pair in (("s11", (at, number, columns)), ("s21", other[:3])):
                old = named[pair[0]][pair[1]]
                fields = list(old.fields)
                fields[pair[2][0]], fields[pair[2][1]] = (kind if trace == "s11" else kind.through).fields(trace)
                named[pair[0]][pair[1]] = Names(tuple(fields), {**old.traces, trace: pair[2]})
            delay = delay_of(kind.complex(values), frequency_hz)
            if delay.error > 0.3:
                continue
            where = other[:3] if joined is not None else through
            return Meaning(kind, named, unit, delay.seconds < 0, delay, where)
    return None


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
