"""Maximum-likelihood fit of a cavity chain to one averaged sweep: parameters, covariance, and how well it fits.

Owns: weights, priors, the descent. Refuses: to choose among fits or to call one good; `rf.notch.chain_choice` does.

A sample is d = m(p) + n with E|n|^2 = P + g^2 |m|^2: additive noise from the floor, and an error that grows with the
signal. Minimised is sum 2 |d - m|^2 / (P + g^2 |m|^2) plus the priors, by Levenberg and Marquardt's method with
Nielsen's damping (Madsen, Nielsen and Tingleff 2004, algorithm 3.16); the weights follow the model.
"""

from __future__ import annotations

import contextlib
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rf.notch.chain_model import RIPPLE_TERMS, SLOW_TERMS, Chain, ChainShape, Seen

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

OWN = (0.1, 0.15, 0.05, 0.03)
"""Usual departures (scale 1): cavities of one side are alike within these shares in coupling, unloaded Q,
susceptance and length of their line,"""

OTHER_OWN = (0.1, 0.03)
"""the other side is like this one within these shares in coupling and harness,"""

TOGETHER = 0.5
"""the notches of one side were tuned to within this many half-widths f / 2Q of their mean (at any scale up to 1),"""

LEAK = 1e-3
"""and past the unit leaks no more than this, in each quadrature (-60 dB): whatever else the bench is like, where
nobody surveyed it."""

LOSS = 0.2 / 8.686 / (math.pi / 2.0)
"""a harness line loses 0.2 dB with its two connectors (common practice: 0.05 to 0.1 dB each): less, and what the pass
loses there is taken for the cavities' own loss, their Q for too low and the bottom for too shallow,"""

FAR = 0.1
"""The load on the third port, often an antenna, reflects this much in each quadrature: 17 dB return loss."""

FAR_TURNS = (0.7, 0.5, 0.35, 0.25)
"""Share of that with which each wave comes that turns more over the span: much of an antenna behind its cable."""

RIPPLE = 0.02
"""and the correction leaves a ripple of 0.2 dB rms, spread over the cosines: 0.05 dB each."""

STEPS = 40
BEND_AT, LARGEST_BEND = 0.1, 0.75
"""Share of a step at which the second derivative is taken; and the largest second-order part, as a share of the step,
that is followed (Transtrum and Sethna 2012, arXiv:1201.5885, section 3)."""

FIRST_DAMPING = 1.0

LEAST_FALL, LEAST_FALL_BENT = 0.1, 0.3
"""A good step lessens the damping to this share, and to that once the valley was seen to bend."""

DATA_SHARE = 1e-6
"""Share of the data's own precision in the yardstick of the damping."""

CONVERGED = 0.02
"""Fall of the cost that is still predicted: the parameters are then within 0.15 standard deviations of the minimum."""

FOUND = 0.5
"""The same while only a start is searched."""

RACE = {6: 0.5, 12: 0.25}
"""Steps after which only so large a share of the starts of a search goes on: the cheapest,"""

FEWEST_RACING = 6
"""but no fewer than these."""

SIDE_BY_SIDE = 2048
"""Samples that are worked through at a time, of all descents together: five times a batch's derivatives stand in memory
while it takes a step. Smaller ones cost time, larger ones leave the processor's cache."""


@dataclass(frozen=True, slots=True)
class Observed:
    """What is fitted: `data` (K,) over additive `noise_power` (K,) with `relative_error`; `unloaded_q` as expected;
    `port_reflection` is what the analyzer's ports may reflect (amplitude), 0 for matched ones; `least_departure`
    the smallest scale of the usual departures that is to be believed; `leak` what may leak past the unit (amplitude)
    where there are departures at all, `third_reflection` what the load on the third port reflects (None: unknown),
    `together` within how many half-widths of their mean the notches are expected."""

    data: NDArray[np.complex128]
    noise_power: NDArray[np.float64]
    relative_error: float
    unloaded_q: float
    port_reflection: float = 0.0
    least_departure: float = 0.0
    leak: float = LEAK
    third_reflection: float | None = None
    together: float = TOGETHER

    def only(self, which: slice | NDArray[np.bool_]) -> Observed:
        """These samples alone."""
        return replace(self, data=self.data[which], noise_power=self.noise_power[which])


@dataclass(frozen=True, slots=True)
class ChainFit:
    """A fit: `p` (P,) parameters, `covariance` (P, P), `model` (K,) complex, `residual` (K,) complex in standard
    deviations per quadrature, `chi2` over `dof`; `departure` the scale of the usual departures that was allowed;
    `log_evidence` the log marginal likelihood by Laplace's method, up to a constant; `observed` what was fitted, and
    what was expected."""

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
    observed: Observed

    @property
    def shape(self) -> ChainShape:
        """The shape that was fitted."""
        return self.chain.shape


def priors(
    shape: ChainShape, observed: Observed, departure: float, *, searching: bool = False
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.bool_]]:
    """Prior mean, weight (1 / standard deviation; 0 where nothing is known) and which parameters move, each (P,). The
    weight of the places holds them to their own mean."""
    mean, weight, free = np.zeros(shape.size), np.zeros(shape.size), np.ones(shape.size, bool)
    mean[shape.log_q] = math.log(observed.unloaded_q)
    weight[shape.log_q] = 1.0 / PRIOR_LOG_Q
    mean[shape.log_x], weight[shape.log_x] = PRIOR_LOG_X[0], 1.0 / PRIOR_LOG_X[1]
    mean[shape.harness], weight[shape.harness] = 1.0, 1.0 / PRIOR_HARNESS
    mean[shape.trim], weight[shape.trim] = 1.0, 1.0 / PRIOR_TRIM
    weight[shape.other] = 1.0 / PRIOR_OTHER
    weight[shape.slow] = 1.0 / np.array(PRIOR_GAIN[: 2 * SLOW_TERMS])
    slow = [shape.slow.start + k for k in (2, 4, 5)]
    searching = searching and observed.least_departure == 0  # else too many circuits would do
    if not searching and departure > 0:
        weight[slow] = 1.0 / (departure * np.array(SLOPE))
    elif not searching:
        free[slow] = False
    weight[shape.loss] = 1.0 / LOSS
    usual = [(shape.ripple, RIPPLE / math.sqrt(RIPPLE_TERMS)), *zip(shape.own, OWN, strict=True)]
    usual += [(slice(shape.other_own.start + k, shape.other_own.start + k + 1), OTHER_OWN[k]) for k in range(2)]
    for part, spread in usual:
        if departure > 0:
            weight[part] = 1.0 / (departure * spread)
        else:
            free[part] = False
    if departure > 0:
        # What closes the third port was never seen by anybody: its size does not follow the rest of the bench.
        third = observed.third_reflection
        size = FAR if third is None else max(third, 1e-3) / math.sqrt(2.0)
        weight[shape.far] = 1.0 / size
        weight[shape.far_turn] = 1.0 / (size * np.repeat(FAR_TURNS, 2))
    else:
        free[shape.waves] = False
    if shape.cavities > 1:
        # Somebody tuned the notches, however like the circuit is to an ideal one.
        weight[shape.places] = 2.0 * observed.unloaded_q / (max(departure, 1.0) * observed.together)
    weight[shape.leak] = 1.0 / max(observed.leak, 1e-12)
    free[shape.leak] = departure > 0 and observed.leak > 0
    for part in (shape.load, shape.source):
        if observed.port_reflection > 0:
            weight[part] = math.sqrt(2.0) / observed.port_reflection
        else:
            free[part] = False
    if shape.pass_hz is None:
        free[shape.trim] = False
    if not shape.other_side:
        free[shape.other] = False
        free[shape.waves] = free[shape.other_own] = False
    return mean, weight, free


def fit_chains(
    chain: Chain,
    observed: Observed,
    starts: NDArray[np.float64],
    departures: Sequence[float],
    *,
    steps: int = STEPS,
    searching: bool = False,
    race: Mapping[int, float] = RACE,
    fewest: int = FEWEST_RACING,
    rigid: bool = False,
) -> list[ChainFit | None]:
    """Descend side by side from each of `starts` (B, P) with its own of `departures` (B), which scales the usual
    departures from an ideal circuit.

    `searching` is content with less, lets dear ones lie as `race` and `fewest`
    tell, and leaves slope and curvature free as a start does where the circuit may be ideal. `rigid`: the notches move
    together only, as far from one another as each start has them. None stands for a descent that the data do not carry.
    """
    fits: list[ChainFit | None] = [None] * len(starts)
    for ideal in (True, False):  # these two move different parameters
        those = [k for k, departure in enumerate(departures) if (departure == 0) == ideal]
        if not those:
            continue
        held = [priors(chain.shape, observed, departures[k], searching=searching) for k in those]
        mean, weight, free = held[0][0], np.array([each[1] for each in held]), held[0][2]
        problem = _Problem(chain, observed, mean, _mixing(free, chain.shape.places if rigid else None))
        p = np.where(free, starts[those], mean)
        lap = (race, fewest) if searching else None
        state, sound = _descend(problem, problem.begun(p, weight), steps, lap)
        for k, fit in zip(those, _finished(problem, state, [departures[k] for k in those], free), strict=True):
            fits[k] = fit
        for k, stands in zip(those, sound, strict=True):
            fits[k] = fits[k] if stands else None
    return fits


def forecast(fit: ChainFit, observed: Observed, departure: float, leak: float) -> float:
    """The log evidence that a descent from where `fit` to what was `observed` ended would come to with another
    `departure` or `leak` (all above 0), were the response linear in the parameters between the two."""
    mean, before, free = priors(fit.shape, observed, fit.departure)
    after = priors(fit.shape, replace(observed, leak=leak), departure)[1]
    problem = _Problem(fit.chain, observed, mean, _mixing(free))
    off, more = problem.apart(fit.p[None])[0], after**2 - before**2
    old = np.linalg.inv(fit.covariance[np.ix_(free, free)])
    new = old + problem.held(more[None])[0]
    pull = -(more * off) @ problem.mixing
    fall = float(pull @ np.linalg.solve(new, pull)) - float(more @ off**2)
    volume = float(np.linalg.slogdet(new)[1] - np.linalg.slogdet(old)[1])
    known = free & (before > 0)
    narrower = np.log(after[known] / before[known]).sum() - (math.log(after[0] / before[0]) if before[0] > 0 else 0.0)
    return fit.log_evidence + 0.5 * (fall - volume) + float(narrower)


@np.errstate(all="ignore")
def place_sd_hz(chain: Chain, observed: Observed, p: NDArray[np.float64], departure: float) -> NDArray[np.float64]:
    """What a fit that ended at `p` (B, P) would leave of doubt in the mean place: standard deviations (B,) in hertz,
    infinite where the data do not tell it at all. No descent is taken."""
    mean, weight, free = priors(chain.shape, observed, departure)
    problem = _Problem(chain, observed, mean, _mixing(free))
    state = problem.state(problem.seen(np.where(free, p, mean)), np.repeat(weight[None], len(p), axis=0))
    normal, *_ = problem.normal(state, problem.held(state.weight**2))
    along = problem.mixing[chain.shape.places].sum(axis=0) * (chain.shape.reject_hz / chain.shape.cavities)
    variance = _solved(normal, np.repeat(along[None], len(p), axis=0)) @ along
    return np.sqrt(np.where(variance > 0, variance, math.inf))


@dataclass(frozen=True, slots=True)
class _State:
    """Everything that belongs to B parameter vectors: `p` (B, P), prior `weight` (B, P), `model` and `sigma` (B, K),
    the derivatives `along` (B, F, K) of the model along what moves, in standard deviations, and the cost (B,) under the
    state's own weights."""

    p: NDArray[np.float64]
    weight: NDArray[np.float64]
    model: NDArray[np.complex128]
    sigma: NDArray[np.float64]
    along: NDArray[np.complex128]
    cost: NDArray[np.float64]

    def pick(self, which: NDArray[np.intp]) -> _State:
        """Some of them."""
        return _State(*(getattr(self, name)[which] for name in ("p", "weight", "model", "sigma", "along", "cost")))

    def put(self, where: NDArray[np.intp], other: _State) -> None:
        """Take another state in place of some of one's own."""
        for name in ("p", "model", "sigma", "along", "cost"):
            getattr(self, name)[where] = getattr(other, name)


@dataclass(frozen=True, slots=True)
class _Problem:
    """What all descents share: circuit, data, prior `mean` (P,), and `mixing` (P, F): which number moves what."""

    chain: Chain
    observed: Observed
    mean: NDArray[np.float64]
    mixing: NDArray[np.float64]

    @np.errstate(all="ignore")  # a start may lie anywhere; what is not finite is never accepted
    def state(self, seen: Seen, weight: NDArray[np.float64]) -> _State:
        """All about B parameter vectors at which the circuit is `seen`."""
        model = seen.total
        power = self.observed.noise_power + (self.observed.relative_error * np.abs(model)) ** 2
        sigma = np.sqrt(power / 2.0)
        slopes = self.chain.slopes(seen, sigma)
        along = slopes.take(self.mixing.argmax(axis=0), axis=1)
        if self.mixing[: self.chain.shape.cavities, 0].all():  # the notches move together
            along[:, 0] = slopes[:, self.chain.shape.places].sum(axis=1)
        return _State(seen.p, weight, model, sigma, along, self.cost(seen.p, weight, model, sigma))

    def begun(self, p: NDArray[np.float64], weight: NDArray[np.float64]) -> _State:
        """All about `p` (B, P), a few at a time."""
        count, samples = len(p), self.observed.data.size
        made = _State(
            p.copy(), weight, np.empty((count, samples), np.complex128), np.empty((count, samples)),
            np.empty((count, self.mixing.shape[1], samples), np.complex128), np.empty(count),
        )  # fmt: skip
        for some in self.batches(np.arange(count)):
            made.put(some, self.state(self.seen(p[some]), weight[some]))
        return made

    def batches(self, which: NDArray[np.intp]) -> list[NDArray[np.intp]]:
        """Parted into as many at a time as `SIDE_BY_SIDE` tells, alike in size."""
        most = max(SIDE_BY_SIDE // self.observed.data.size, 1)
        return np.array_split(which, -(-which.size // most))

    @np.errstate(all="ignore")
    def seen(self, p: NDArray[np.float64]) -> Seen:
        """The circuit at `p` (B, P)."""
        return self.chain.seen(p)

    @np.errstate(all="ignore")
    def cost(
        self,
        p: NDArray[np.float64],
        weight: NDArray[np.float64],
        model: NDArray[np.complex128],
        sigma: NDArray[np.float64],
    ) -> NDArray[np.float64]:
        """Cost (B,) of a model under given weights; infinite where the circuit has no value."""
        misfit = (np.abs((self.observed.data - model) / sigma) ** 2).sum(axis=1)
        total = misfit + ((self.apart(p) * weight) ** 2).sum(axis=1)
        return np.where(np.isfinite(total), total, math.inf)

    def cost_at(self, seen: Seen, here: _State) -> NDArray[np.float64]:
        """Cost (B,) of a step to where the circuit is `seen`, under the weights of where it starts."""
        return self.cost(seen.p, here.weight, seen.total, here.sigma)

    @np.errstate(all="ignore")
    def normal(
        self, state: _State, held: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
        """Normal matrices (B, F, F) and descent directions (B, F) of half the cost, and the derivatives (B, F, 2 K) of
        real and imaginary parts in standard deviations; `held` as that method tells."""
        j = _real(state.along)
        r = _real((self.observed.data - state.model) / state.sigma)
        pull = state.weight**2
        normal = j @ j.transpose(0, 2, 1) + held
        gradient = (j @ r[:, :, None])[:, :, 0]
        return normal, gradient - (pull * self.apart(state.p)) @ self.mixing, j

    def bend(self, state: _State, j: NDArray[np.float64], step: NDArray[np.float64]) -> NDArray[np.float64]:
        """Right side (B, F) of the step's second-order part: half the second derivative of the model along the `step`
        (B, F), by one more evaluation, as the data see it with the derivatives `j` of `normal`. What a curved valley
        asks for [Transtrum, geodesic acceleration]."""
        ahead = self.chain.seen(state.p + (BEND_AT * step) @ self.mixing.T).total
        along = (step[:, None] @ j)[:, 0]
        half = (_real((ahead - state.model) / state.sigma) / BEND_AT - along) / BEND_AT
        return -np.asarray((j @ half[:, :, None])[:, :, 0])

    def apart(self, p: NDArray[np.float64]) -> NDArray[np.float64]:
        """Distance (B, P) from what the prior expects: of the places from their own mean."""
        off, places = p - self.mean, self.chain.shape.places
        off[:, places] -= off[:, places].mean(axis=1, keepdims=True)
        return off

    def held(self, pull: NDArray[np.float64]) -> NDArray[np.float64]:
        """What the priors, as precisions (B, P), add to the normal matrices (B, F, F)."""
        held = np.einsum("pf,bp,pg->bfg", self.mixing, pull, self.mixing, optimize=True)
        places = self.chain.shape.places
        together = self.mixing[places].sum(axis=0)
        return np.asarray(held - (pull[:, 0] / places.stop)[:, None, None] * np.outer(together, together))


@np.errstate(all="ignore")
def _descend(
    problem: _Problem, state: _State, steps: int, race: tuple[Mapping[int, float], int] | None = None
) -> tuple[_State, NDArray[np.bool_]]:
    """Levenberg and Marquardt's descent of each of B states, and which of them stayed among the numbers. `race`: the
    dearer ones are left where they stand after so many steps, but no fewer go on than its second number."""
    count, enough = len(state.p), FOUND if race else CONVERGED
    damping, growth, least = np.full(count, FIRST_DAMPING), np.full(count, 2.0), np.full(count, LEAST_FALL)
    moving, sound = np.ones(count, bool), np.isfinite(state.cost)
    held, own = problem.held(state.weight**2), (state.weight**2) @ problem.mixing**2
    for taken in range(steps):
        if race and taken in race[0]:
            ahead = np.argsort(np.where(sound, state.cost, math.inf))
            moving[ahead[max(math.ceil(race[0][taken] * count), race[1]) :]] = False
        going = np.flatnonzero(moving & sound)
        if not going.size:
            break
        for at in problem.batches(going):
            here = state.pick(at) if at.size < count else state
            normal, gradient, j = problem.normal(here, held[at])
            # Measured by what data and prior tell together, a direction that the data hardly see, made of parameters
            # that they see well, would creep: the damping is measured by the precision of the prior.
            scale = own[at] + DATA_SHARE * np.einsum("bff->bf", normal)
            damped = normal
            np.einsum("bff->bf", damped)[...] += damping[at, None] * scale  # a view: `normal` itself is not used again
            step = _solved(damped, gradient)
            lost = ~np.isfinite(step).all(axis=1)
            sound[at[lost]] = False
            step[lost] = 0.0
            bend = _solved(damped, problem.bend(here, j, step))
            small = (scale * bend**2).sum(axis=1) < LARGEST_BEND**2 * (scale * step**2).sum(axis=1)
            bend = np.where(small[:, None], bend, 0.0)
            predicted = (step * (damping[at, None] * scale * step + gradient)).sum(axis=1)
            trial = problem.seen(here.p + (step + bend) @ problem.mixing.T)
            won = here.cost - problem.cost_at(trial, here)
            # Where the valley bends more than the second order tells, half the way along the curve lies lower yet.
            short = np.flatnonzero((won <= 0) & (predicted > 0))
            if short.size:
                least[at[short]] = LEAST_FALL_BENT
                near = here.pick(short)
                half = problem.seen(near.p + (step[short] / 2.0 + bend[short] / 4.0) @ problem.mixing.T)
                won[short] = near.cost - problem.cost_at(half, near)
                trial.put(short, half)
            better = (predicted > 0) & (won > 0)
            if better.any():
                which = np.flatnonzero(better)
                reached = trial if which.size == at.size else trial.only(which)
                state.put(at[which], problem.state(reached, here.weight[which]))
            gain = np.where(better, 2.0 * won / np.where(predicted > 0, predicted, 1.0) - 1.0, 0.0)
            gain[short] = np.minimum(gain[short], 0.0)
            damping[at] *= np.where(better, np.maximum(least[at], 1.0 - gain**3), growth[at])
            growth[at] = np.where(better, 2.0, 2.0 * growth[at])
            done = np.where(better, predicted < enough, (damping[at] > 1e9) | (predicted < 1e-6))
            moving[at[done]] = False
    return state, sound


def _real(values: NDArray[np.complex128]) -> NDArray[np.float64]:
    """Real and imaginary parts in turn (..., 2 K)."""
    return np.ascontiguousarray(values).view(np.float64)


def _solved(a: NDArray[np.float64], b: NDArray[np.float64]) -> NDArray[np.float64]:
    """Solutions (B, F) of a x = b; NaN where there is none."""
    try:
        return np.asarray(np.linalg.solve(a, b[:, :, None])[:, :, 0])
    except np.linalg.LinAlgError:
        found = np.full(b.shape, math.nan)
        for k in range(len(b)):
            with contextlib.suppress(np.linalg.LinAlgError):
                found[k] = np.linalg.solve(a[k], b[k])
        return found


@np.errstate(all="ignore")
def _finished(
    problem: _Problem, state: _State, departures: list[float], free: NDArray[np.bool_]
) -> list[ChainFit | None]:
    """Covariance, evidence and residual of each descent; None where the covariance does not exist."""
    chain, mixing = problem.chain, problem.mixing
    held = problem.held(state.weight**2)
    normals, *_ = problem.normal(state, held)
    # Places, or their mean alone, have no prior but the span; all other constants are the same for every fit of the
    # same samples.
    flat, count = math.log(math.sqrt(2.0 * math.pi) / float(chain.f[-1] - chain.f[0])), chain.shape.cavities
    fits: list[ChainFit | None] = []
    for k, normal in enumerate(normals):
        sign, log_volume = np.linalg.slogdet(normal)
        if sign <= 0 or not math.isfinite(log_volume):
            fits.append(None)
            continue
        inverse = np.linalg.inv(normal)
        sigma, weight, cost = state.sigma[k], state.weight[k], float(state.cost[k])
        evidence = -0.5 * (cost + float(log_volume)) - 2.0 * float(np.log(sigma).sum())
        evidence += float(np.log(weight[free & (weight > 0)]).sum())
        evidence += flat - math.log(math.sqrt(count)) - math.log(weight[0]) if weight[0] > 0 else count * flat
        residual = (problem.observed.data - state.model[k]) / sigma
        # Parameters held by their priors take no degree of freedom from the data.
        used = float(mixing.shape[1] - (inverse * held[k]).sum())
        fits.append(ChainFit(
            chain, state.p[k], mixing @ inverse @ mixing.T, state.model[k], residual,
            float((np.abs(residual) ** 2).sum()), max(2.0 * problem.observed.data.size - used, 1.0), departures[k],
            cost, evidence, problem.observed,
        ))  # fmt: skip
    return fits


def _mixing(free: NDArray[np.bool_], rigid: slice | None = None) -> NDArray[np.float64]:
    """(P, F): which of the F moving numbers moves which parameter; the first of them moves all that are `rigid`."""
    each = np.eye(free.size)
    if rigid is None:
        return each[:, free]
    others = free.copy()
    others[rigid] = False
    return np.concatenate((each[:, rigid].sum(axis=1, keepdims=True), each[:, others]), axis=1)
