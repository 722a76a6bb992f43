"""Maximum-likelihood fit of a cavity chain to one averaged sweep: parameters, covariance, and how well it fits.

Owns: weights, priors, the descent. Refuses: to choose among fits or to call one good; `rf.notch.chain_choice` does.

A sample is d = m(p) + n with E|n|^2 = P + g^2 |m|^2: additive noise from the floor, and an error that grows with the
signal. Minimised is sum 2 |d - m|^2 / (P + g^2 |m|^2) plus the priors, by Levenberg and Marquardt's method with
Nielsen's damping (Madsen, Nielsen and Tingleff 2004, algorithm 3.16); the weights follow the model.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rf.notch.chain_model import RIPPLE_TERMS, SLOW_TERMS, Chain, ChainShape

PRIOR_HARNESS = 0.1
"""Harness lines are a quarter wave within this share (standard deviation, as all that follow)."""

PRIOR_TRIM = 0.2
"""The susceptance cancels the notch at the pass channel within this share."""

PRIOR_OTHER = 3e-4
"""The other side's mean notch stands at the pass channel within this share."""

PRIOR_LOG_Q = 0.7
"""Unloaded Q is known within a factor of two."""

PRIOR_LOG_X = (3.0, 1.5)
"""Log of the reactance slope X / Z0 = r Q / Z0: mean and standard deviation over the loops that are built."""

PRIOR_GAIN = (3.0, 30.0, 0.3, 30.0, 0.1, 0.3)
"""Log gain at the edge of the span during the search: level, phase, slope, delay, curvature of both."""

SLOPE = (0.03, 0.01, 0.03)
"""Usual departures (scale 1): slope of the level and curvature of level and phase that leads and correction leave,"""

OWN = (0.1, 0.15, 0.05)
"""Usual departures (scale 1): cavities of one side are alike within these shares in coupling, unloaded Q,
susceptance,"""

LOSS = 0.1 / 8.686 / (math.pi / 2.0)
"""a harness line loses 0.1 dB,"""

FAR = 0.07
"""The load on the third port reflects this much in each quadrature: 20 dB return loss."""

RIPPLE = 0.02
"""and the correction leaves a ripple of 0.2 dB rms, spread over the cosines: 0.05 dB each."""

STEPS = 40
CONVERGED = 1e-3
"""Fall of the cost that is still predicted: the parameters are then within 0.03 standard deviations of the minimum."""


@dataclass(frozen=True, slots=True)
class Observed:
    """What is fitted: `data` (K,) over additive `noise_power` (K,) with `relative_error`; `unloaded_q` as expected;
    `port_reflection` is what the analyzer's ports may reflect (amplitude), 0 for matched ones; `least_departure`
    the smallest scale of the usual departures that is to be believed."""

    data: NDArray[np.complex128]
    noise_power: NDArray[np.float64]
    relative_error: float
    unloaded_q: float
    port_reflection: float = 0.0
    least_departure: float = 0.0

    def only(self, which: slice | NDArray[np.bool_]) -> Observed:
        """These samples alone."""
        return replace(self, data=self.data[which], noise_power=self.noise_power[which])


@dataclass(frozen=True, slots=True)
class ChainFit:
    """A fit: `p` (P,) parameters, `covariance` (P, P), `model` (K,) complex, `residual` (K,) complex in standard
    deviations per quadrature, `chi2` over `dof`; `departure` the scale of the usual departures that was allowed;
    `log_evidence` the log marginal likelihood by Laplace's method, up to a constant."""

    chain: Chain
    p: NDArray[np.float64]
    covariance: NDArray[np.float64]
    model: NDArray[np.complex128]
    residual: NDArray[np.complex128]
    chi2: float
    dof: float
    departure: float
    cost: float
    log_evidence: float

    @property
    def shape(self) -> ChainShape:
        """The shape that was fitted."""
        return self.chain.shape


def priors(
    shape: ChainShape, unloaded_q: float, departure: float, port_reflection: float = 0.0, *, searching: bool = False
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.bool_]]:
    """Prior mean, weight (1 / standard deviation; 0 where nothing is known) and which parameters move, each (P,)."""
    mean, weight, free = np.zeros(shape.size), np.zeros(shape.size), np.ones(shape.size, bool)
    mean[shape.log_q] = math.log(unloaded_q)
    weight[shape.log_q] = 1.0 / PRIOR_LOG_Q
    mean[shape.log_x], weight[shape.log_x] = PRIOR_LOG_X[0], 1.0 / PRIOR_LOG_X[1]
    mean[shape.harness], weight[shape.harness] = 1.0, 1.0 / PRIOR_HARNESS
    mean[shape.trim], weight[shape.trim] = 1.0, 1.0 / PRIOR_TRIM
    weight[shape.other] = 1.0 / PRIOR_OTHER
    weight[shape.slow] = 1.0 / np.array(PRIOR_GAIN[: 2 * SLOW_TERMS])
    slow = [shape.slow.start + k for k in (2, 4, 5)]
    if not searching and departure > 0:
        weight[slow] = 1.0 / (departure * np.array(SLOPE))
    elif not searching:
        free[slow] = False
    weight[shape.loss] = 1.0 / LOSS
    usual = [(shape.ripple, RIPPLE / math.sqrt(RIPPLE_TERMS)), *zip(shape.own, OWN, strict=True)]
    for part, spread in usual:
        if departure > 0:
            weight[part] = 1.0 / (departure * spread)
        else:
            free[part] = False
    if departure > 0:
        # What closes the third port was never seen by anybody: its size does not follow the rest of the bench.
        weight[shape.far] = 1.0 / FAR
    else:
        free[shape.far] = False
    for part in (shape.load, shape.source):
        if port_reflection > 0:
            weight[part] = math.sqrt(2.0) / port_reflection
        else:
            free[part] = False
    if shape.pass_hz is None:
        free[shape.trim] = False
    if not shape.other_side:
        free[[shape.other, *range(shape.far.start, shape.far.stop)]] = False
    return mean, weight, free


@np.errstate(all="ignore")  # a trial step may lead anywhere; what is not finite is never accepted
def fit_chain(
    chain: Chain,
    observed: Observed,
    start: NDArray[np.float64],
    departure: float = 0.0,
    *,
    steps: int = STEPS,
    tied: tuple[int, int] | None = None,
    searching: bool = False,
) -> ChainFit:
    """Descend from `start` (P,). `departure` scales the usual departures from an ideal circuit; `tied` holds two
    notches at one place; `searching` leaves slope and curvature free as a start does. Raises LinAlgError when the
    data carry no such fit."""
    mean, weight, free = priors(
        chain.shape, observed.unloaded_q, departure, observed.port_reflection, searching=searching
    )
    mixing = _mixing(free, tied)
    p = np.where(free, start, mean)
    if tied is not None:
        p[list(tied)] = p[list(tied)].mean()
    state = _State(chain, observed, mean, weight, p)
    damping, growth = 1e-3, 2.0
    for _ in range(steps):
        normal, gradient = state.normal(mixing)
        scale = np.diag(normal)
        step = np.linalg.solve(normal + damping * np.diag(scale), gradient)
        if not np.isfinite(step).all():
            raise np.linalg.LinAlgError("the descent left the numbers")
        trial = _State(chain, observed, mean, weight, state.p + mixing @ step)
        predicted = float(step @ (damping * scale * step + gradient))
        won = state.cost - trial.cost_under(state)
        if predicted > 0 and won > 0:
            state = trial
            damping *= max(0.1, 1.0 - (2.0 * won / predicted - 1.0) ** 3)
            growth = 2.0
            if predicted < CONVERGED:
                break
        else:
            damping *= growth
            growth *= 2.0
            if damping > 1e9 or predicted < 1e-6:
                break
    normal, _ = state.normal(mixing)
    inverse = np.linalg.inv(normal)
    known = weight[free & (weight > 0)]
    # Places have no prior but the span; all other constants are the same for every fit of the same samples.
    places = chain.shape.cavities * math.log(math.sqrt(2.0 * math.pi) / float(chain.f[-1] - chain.f[0]))
    evidence = -0.5 * (state.cost + float(np.linalg.slogdet(normal)[1])) - state.log_volume
    evidence += float(np.log(known).sum()) + places
    residual = (observed.data - state.model) / state.sigma
    chi2 = float((np.abs(residual) ** 2).sum())
    # Parameters held by their priors take no degree of freedom from the data.
    used = float(mixing.shape[1] - (inverse * (mixing.T @ np.diag(weight**2) @ mixing)).sum())
    dof = max(2.0 * observed.data.size - used, 1.0)
    return ChainFit(
        chain, state.p, mixing @ inverse @ mixing.T, state.model, residual, chi2, dof, departure, state.cost, evidence
    )


def _mixing(free: NDArray[np.bool_], tied: tuple[int, int] | None) -> NDArray[np.float64]:
    """(P, F): which of the F moving numbers moves which parameter."""
    columns = np.eye(free.size)[:, free]
    if tied is not None:
        columns[:, tied[0]] += columns[:, tied[1]]
        columns = np.delete(columns, tied[1], axis=1)
    return columns


class _State:
    """Everything that belongs to one parameter vector."""

    def __init__(
        self,
        chain: Chain,
        observed: Observed,
        mean: NDArray[np.float64],
        weight: NDArray[np.float64],
        p: NDArray[np.float64],
    ) -> None:
        self.p, self._observed, self._mean, self._weight = p, observed, mean, weight
        log, self._dlog = chain.log_s21(p)
        self.model = np.exp(log)
        power = observed.noise_power + (observed.relative_error * np.abs(self.model)) ** 2
        self.sigma = np.sqrt(power / 2.0)
        self._prior = float((((p - mean) * weight) ** 2).sum())
        self.cost = self.cost_under(self)

    @property
    def log_volume(self) -> float:
        """Sum of log sigma^2: what normalises the likelihood."""
        return 2.0 * float(np.log(self.sigma).sum())

    def cost_under(self, other: _State) -> float:
        """Cost with the weights of another state; infinite where the circuit has no value."""
        cost = float((np.abs((self._observed.data - self.model) / other.sigma) ** 2).sum()) + self._prior
        return cost if math.isfinite(cost) else math.inf

    def normal(self, mixing: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Normal matrix (F, F) and descent direction (F,) of half the cost."""
        j = (self.model / self.sigma) * self._dlog
        r = (self._observed.data - self.model) / self.sigma
        stacked = np.concatenate((j.real, j.imag), axis=1)
        normal = stacked @ stacked.T + np.diag(self._weight**2)
        gradient = stacked @ np.concatenate((r.real, r.imag)) - self._weight**2 * (self.p - self._mean)
        return mixing.T @ normal @ mixing, mixing.T @ gradient
