"""What a side of a duplexer that does its work looks like before any sweep of it: width, loss, doubt of its place.

Owns: the circuit that meets a rejection with a given unloaded Q, which Q a loss allows, and what sweeps at a floor will
leave of doubt in the mean notch. Refuses: a band-pass unit, which has no notch, and to stand for a unit that was swept.

The circuit is the fitted one (`rf.notch.chain_model`): a cavity's resistance X / Q at its notch sets the rejection, so
with Q the coupling X follows; what X takes at the pass channel sets the loss, so a loss sets the least Q. The doubt is
what `place_sd_hz` says, which every fit's interval rests on (Cramer and Rao: no unbiased estimate from these data has
less).
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rf.floor.pool import HIGHEST_Q, Bottom, BottomShape
from rf.notch.chain_fit import Observed, place_sd_hz
from rf.notch.chain_model import Chain, ChainShape
from rf.notch.notch import fitted_bottom

LOWEST_Q = 200.0
"""Of helical and small coaxial notches (common practice)."""
BETTER = 4.0
"""A loss goes as one over Q: units lose between a quarter of what they may and all of it (common practice)."""
COUPLINGS = (0.01, 1e4)
"""Reactance slopes X / Z0 between which one is looked for,"""
TRIED, NARROWER, HALVINGS = 33, 4, 12
"""so many at once, so many times; and how often the range of Q is halved."""
UNEQUAL = 2.0
DEPARTURE = 0.6
"""Scale of the usual departures from an ideal circuit that a fit of a measured response allows."""


@dataclass(frozen=True, slots=True)
class ExpectedSide:
    """One side with cavities of `unloaded_q`: `rejection_db` and `loss_db` at its channels, its bottom, its circuit."""

    unloaded_q: float
    rejection_db: float
    loss_db: float
    bottom: Bottom
    chain: Chain
    p: NDArray[np.float64]

    def place_sd_hz(
        self, sweep_hz: NDArray[np.float64], power: float, relative_error: float, port_reflection: float, leak: float
    ) -> float:
        """Standard deviation in hertz of the mean notch from an average over `sweep_hz` (K,) whose points hold
        E|n|^2 = `power`."""
        chain = Chain(self.chain.shape, sweep_hz, float(sweep_hz[0]), float(sweep_hz[-1]))
        data = chain.seen(self.p).total
        observed = Observed(
            data, np.full(data.shape, power), relative_error, self.unloaded_q, port_reflection, DEPARTURE, leak
        )
        return float(place_sd_hz(chain, observed, self.p[None], DEPARTURE)[0])


@functools.lru_cache(maxsize=64)
def expected_side(
    shape: ChainShape, rejection_db: float, loss_db: float, unloaded_q: float | None = None
) -> tuple[ExpectedSide, ...]:
    """Sides that hold back `rejection_db` and lose no more than `loss_db`: with the least Q, a middle one, a high one;
    with that of `unloaded_q` alone where it is known. Empty where no usual cavity does it."""
    if unloaded_q is not None:
        return _sides(shape, rejection_db, (unloaded_q,))

    def enough(log_q: float) -> bool:
        met = _coupled(shape, math.exp(log_q), rejection_db)
        return met is not None and met[2] <= loss_db

    low, high = math.log(LOWEST_Q), math.log(HIGHEST_Q)
    if not enough(high):
        return ()
    for _ in range(HALVINGS):
        middle = (low + high) / 2.0
        low, high = (low, middle) if enough(middle) else (middle, high)
    least = math.exp(high)
    most = min(least * BETTER, HIGHEST_Q)
    return _sides(shape, rejection_db, (least, math.sqrt(least * most), most))


def _coupled(
    shape: ChainShape, unloaded_q: float, rejection_db: float
) -> tuple[NDArray[np.float64], float, float] | None:
    """Parameters (P,) of the side with cavities of this Q whose coupling gives that rejection, its rejection and loss;
    None where none does."""
    chain = _chain(shape)
    p = np.zeros(shape.size)
    p[shape.log_q], p[shape.harness], p[shape.trim] = math.log(unloaded_q), 1.0, 1.0
    tried = np.linspace(math.log(COUPLINGS[0]), math.log(COUPLINGS[1]), TRIED)
    for _ in range(NARROWER):  # the rejection falls as the coupling rises
        many = np.tile(p, (tried.size, 1))
        many[:, shape.log_x] = tried
        levels = -20.0 * np.log10(np.abs(chain.alone(many)))
        meets = np.flatnonzero(levels[:, 0] >= rejection_db)
        if not meets.size or meets[-1] == tried.size - 1:
            return None
        last = int(meets[-1])
        p[shape.log_x], rejection, loss = tried[last], float(levels[last, 0]), float(levels[last, 1])
        tried = np.linspace(tried[last], tried[last + 1], TRIED)
    return p, rejection, loss


def _sides(shape: ChainShape, rejection_db: float, qs: tuple[float, ...]) -> tuple[ExpectedSide, ...]:
    found, chain = [], _chain(shape)
    for q in qs:
        met = _coupled(shape, q, rejection_db)
        if met is not None:
            p, rejection, loss = met
            _, width = fitted_bottom(chain, p, shape.reject_hz)
            found.append(ExpectedSide(q, rejection, loss, Bottom(width, _shape(chain, p, width)), chain, p))
    return tuple(found)


def _chain(shape: ChainShape) -> Chain:
    """The circuit at its two channels."""
    at = np.array([shape.reject_hz, shape.pass_hz or shape.reject_hz])
    return Chain(shape, at, shape.reject_hz * 0.9, shape.reject_hz * 1.1)


def _shape(chain: Chain, p: NDArray[np.float64], width_hz: float) -> BottomShape:
    """Slope and curvature at the channel as `rf.notch.notch` takes them from a fit, the curvature doubled: notches do
    not stand quite in one place."""
    step, at = width_hz / 32.0, chain.shape.reject_hz
    left, middle, right = chain.at(at + step * np.array([-1.0, 0.0, 1.0])).alone(p)
    slope, curve = abs(complex(right - left)), abs(complex(left + right - 2.0 * middle))
    size = abs(complex(middle))
    return BottomShape(slope / size / (2.0 * step), UNEQUAL * curve / size / (2.0 * step**2))
