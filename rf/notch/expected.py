"""What a side of a duplexer that does its work looks like before any sweep of it: width, loss, doubt of its place.

Owns: the circuit that meets a rejection with a given unloaded Q, which Q a loss allows, and what sweeps at a floor will
leave of doubt in the mean notch. Refuses: a band-pass unit, which has no notch, and to stand for a unit that was swept.

The circuit is the fitted one (`rf.notch.chain_model`): a cavity's resistance X / Q at its notch sets the rejection, so
with Q the coupling X follows; what X takes at the pass channel sets the loss, so a loss sets the least Q. The doubt is
what `place_sd_hz` says, which every fit's interval rests on (Cramer and Rao: no unbiased estimate from these data has
less).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rf.floor.pool import HIGHEST_Q, Bottom, BottomShape
from rf.notch.chain_fit import Observed, place_sd_hz
from rf.notch.chain_model import Chain, ChainShape
from rf.notch.notch import fitted_bottom
from rf.values.decibel import amplitude_db

LOWEST_Q = 200.0
"""Of helical and small coaxial notches (common practice)."""
BETTER = 4.0
"""A loss goes as one over Q: units lose between a quarter of what they may and all of it (common practice)."""
COUPLINGS = (0.01, 1e4)
"""Reactance slopes X / Z0 between which one is looked for."""
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


def expected_side(
    shape: ChainShape, rejection_db: float, loss_db: float, unloaded_q: float | None = None
) -> tuple[ExpectedSide, ...]:
    """Sides that hold back `rejection_db` and lose no more than `loss_db`: with the least Q, a middle one, a high one;
    with that of `unloaded_q` alone where it is known. Empty where no usual cavity does it."""
    if unloaded_q is not None:
        known = _side(shape, unloaded_q, rejection_db)
        return () if known is None else (known,)
    highest = _side(shape, HIGHEST_Q, rejection_db)
    if highest is None or highest.loss_db > loss_db:
        return ()
    low, high = math.log(LOWEST_Q), math.log(HIGHEST_Q)
    for _ in range(20):
        middle = (low + high) / 2.0
        tried = _side(shape, math.exp(middle), rejection_db)
        low, high = (low, middle) if tried is not None and tried.loss_db <= loss_db else (middle, high)
    least = math.exp(high)
    most = min(least * BETTER, HIGHEST_Q)
    qs = (least, math.sqrt(least * most), most)
    return tuple(side for q in qs if (side := _side(shape, q, rejection_db)) is not None)


def _side(shape: ChainShape, unloaded_q: float, rejection_db: float) -> ExpectedSide | None:
    """The side with cavities of this Q whose coupling gives that rejection; None where none does."""
    ends = (shape.reject_hz * 0.9, shape.reject_hz * 1.1)
    chain = Chain(shape, np.array([shape.reject_hz, shape.pass_hz or shape.reject_hz]), *ends)
    p = np.zeros(shape.size)
    p[shape.log_q], p[shape.harness], p[shape.trim] = math.log(unloaded_q), 1.0, 1.0

    def levels(log_x: float) -> tuple[float, float]:
        p[shape.log_x] = log_x
        at = chain.alone(p)
        return -amplitude_db(abs(complex(at[0]))), -amplitude_db(abs(complex(at[1])))

    low, high = (math.log(end) for end in COUPLINGS)
    if not levels(high)[0] <= rejection_db <= levels(low)[0]:
        return None
    for _ in range(40):
        middle = (low + high) / 2.0
        low, high = (middle, high) if levels(middle)[0] >= rejection_db else (low, middle)
    rejection, loss = levels(low)
    _, width = fitted_bottom(chain, p.copy(), shape.reject_hz)
    return ExpectedSide(unloaded_q, rejection, loss, Bottom(width, _shape(chain, p, width)), chain, p.copy())


def _shape(chain: Chain, p: NDArray[np.float64], width_hz: float) -> BottomShape:
    """Slope and curvature at the channel as `rf.notch.notch` takes them from a fit, the curvature doubled: notches do
    not stand quite in one place."""
    step, at = width_hz / 32.0, chain.shape.reject_hz
    left, middle, right = chain.at(at + step * np.array([-1.0, 0.0, 1.0])).alone(p)
    slope, curve = abs(complex(right - left)), abs(complex(left + right - 2.0 * middle))
    size = abs(complex(middle))
    return BottomShape(slope / size / (2.0 * step), UNEQUAL * curve / size / (2.0 * step**2))
