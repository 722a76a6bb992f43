"""What an angle counts in, and whether a column is an angle at all: told by the turn of a phase, never by a guess.

Owns: which kinds of numbers fit a sweep, and how wide a sweep must be to leave one. Refuses: to take the first that
fits: within less than a turn several do, with leads of other lengths. A size that stands and an angle that creeps look
like two parts of a number that turns slowly, too.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from protocol.learn.sweeps.columns import DELAY_S, KINDS, Kind, delay_of, reflects

STEP = 0.25
"""A step between two points, beyond what the others do, in radians, that no lead makes at all."""
TURNS = 1.3
POINTS_A_TURN = 4


_SIGNS = {"db", "loss"}
"""Forms that differ in a sign, which the columns of S21 or the console's words have told."""


def alike(kind: Kind) -> list[Kind]:
    """The kind, and all that differ from it in form or in what an angle counts in."""
    return [
        other for other in KINDS
        if other == kind or (other.first != kind.first and not other.other and {other.first, kind.first} != _SIGNS)
        or ((other.first, other.other) == (kind.first, kind.other) and kind.first != "re"
            and (other.second, other.divisors[1]) != (kind.second, kind.divisors[1]))
    ]  # fmt: skip


def fits(kind: Kind, pair: NDArray[np.float64], frequency_hz: NDArray[np.float64]) -> bool:
    """Whether a pair of columns is an open lead in this kind: all comes back, the phase straight and without a step."""
    trace = kind.complex(pair)
    if not np.all(np.isfinite(trace)) or not reflects(trace):
        return False
    phase = np.unwrap(np.angle(trace))
    steps = np.diff(phase)
    spread = np.abs(steps - np.median(steps))
    grain = np.abs(np.diff(np.angle(trace)))
    finest = float(grain[grain > 0].min(initial=STEP))
    smooth = float(spread.max()) < min(STEP, 4 * finest) + 10 * float(np.median(spread))
    delay = delay_of(trace, frequency_hz)
    return kind.turns_once(pair) and smooth and delay.error < STEP and abs(delay.seconds) > DELAY_S[0] / 3


def telling_width(kinds: Sequence[Kind], pair: NDArray[np.float64], frequency_hz: NDArray[np.float64]) -> float:
    """The width of a sweep, in hertz, within which the shortest of the leads turns the phase more than once."""
    delays = [abs(delay_of(kind.complex(pair), frequency_hz).seconds) for kind in kinds]
    return TURNS / max(min(delays), 1e-12)


def enough_points(
    kinds: Sequence[Kind], pair: NDArray[np.float64], frequency_hz: NDArray[np.float64], width_hz: float
) -> int:
    """Points with which the longest of the leads is followed over that width."""
    delays = [abs(delay_of(kind.complex(pair), frequency_hz).seconds) for kind in kinds]
    return int(POINTS_A_TURN * width_hz * max(delays)) + 2
