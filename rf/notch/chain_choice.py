"""From several fits to one answer: how far the circuit on the bench departs from the ideal one is not known beforehand.

Owns: the search for the best descent, the average over departures, the test of fit, the widening where a residual is
left. Refuses: a single model believed as if it were the only one.

Each departure scale s of `DEPARTURES` allows the usual departures (unlike cavities, line loss, a poor load, ripple of
the correction) s times their usual size. The fits are weighed by their evidence, Laplace's approximation of the
marginal likelihood (MacKay 2003, Information Theory, Inference and Learning Algorithms, chapters 27 and 28), equal
weight beforehand: the plain circuit wins where the data bear it, and its interval is not believed where they don't.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rf.notch.chain_fit import ChainFit, Observed, fit_chains, forecast
from rf.notch.chain_model import Chain, ChainShape
from rf.notch.chain_search import HOPEFUL, WORTH, found_start, leak_as_noise, outside
from rf.notch.chain_start import hidden_band

DEPARTURES = (0.0, 0.1, 0.3, 0.6, 1.0, 2.0, 5.0)
"""Scales of the usual departures that are tried."""

HOPELESS = 5.0
"""A departure whose log evidence lies this far below the best has hardly any weight (0.7 %), and larger ones less."""

AT_ONCE = 3
"""Departures that are tried before it is asked whether larger ones have any weight, where the ideal circuit may be on
the bench."""

FAR_BEHIND = 8.0
"""A descent is spared where a linear forecast from its neighbour lies this far below the best."""

TIGHT = 1e-5
"""No leads are tighter than this (-100 dB) where nobody surveyed them: a leak that the noise hides still pulls at a
notch (on benches with a leak of -100 dB nobody surveyed 92 % of the places held, with none or a larger one 97 to
99 %)."""

MIDDLE = 2.0
"""Departure to try first where it may not: free enough to get out of a valley, and what most benches ask for."""

NOTICED = 1e-3
"""Chance of so bad a fit by noise alone below which a residual is taken to be a fault of the circuit."""

SKIRT_LEVEL = 0.5
"""Samples above this (-6 dB re thru) are pass, not skirt: they help to find a start and are then left out, where the
instrument is not ideal."""

SUSPECT_ERROR = 0.02
"""A misfit larger than this (0.2 dB) makes the search start again."""

FIRST_STEPS = 12
"""So many steps of a first descent tell whether the stated errors may do."""

LOST = 0.05
"""Where it still needs so much (0.4 dB), all departures are tried, for the one may be on the wrong way."""
LESSENINGS, HARDLY_LESS = 4, 0.7
"""So often a larger error is lessened to what is needed under it, as long as that is less than this share of it."""

STRAINED = 2.5
"""Cost of the priors, per parameter, beyond which a fit is taken to be a false minimum."""

WILD = 0.1
"""Departures that no instrument without errors of its own should ask for: 10 of 40 fits that did had lost their way."""

UNTUNED = 20.0
"""Half-widths f / 2Q of their mean within which notches lie that are being tuned, or that somebody turned."""
DECISIVE = 5.0
"""Log evidence by which a search for such notches must be ahead (Jeffreys 1961: decisive)."""
PULLED = 2.0
"""Mean square strain of the places above which that is tried; tuned notches strain it by 1."""
ENDING = 2
"""What an ending holds beside the parameters."""

LEAKLESS = 2
"""How many of the likeliest fits are tried with tight leads."""


@dataclass(frozen=True, slots=True)
class Blend:
    """Fits with their weights, best first, of what was `observed`; `relative_error` that was needed and `inflation`
    of all covariances."""

    fits: tuple[ChainFit, ...]
    weights: tuple[float, ...]
    relative_error: float
    inflation: float
    p_value: float
    evidence: float
    observed: Observed

    @property
    def best(self) -> ChainFit:
        """The fit with the largest weight."""
        return self.fits[0]

    def estimate(self, quantity: Callable[[ChainFit], tuple[float, NDArray[np.float64]]]) -> tuple[float, float]:
        """Mean and standard deviation of a quantity given by its value and gradient (P,) in each fit: the variance
        within the fits and that between them."""
        values, variances = [], []
        for fit in self.fits:
            value, slope = quantity(fit)
            values.append(value)
            variances.append(self.inflation * max(float(slope @ fit.covariance @ slope), 0.0))
        weight = np.array(self.weights)
        mean = float(weight @ values)
        between = float(weight @ (np.array(values) - mean) ** 2)
        return mean, math.sqrt(float(weight @ variances) + between)


def blend_fits(
    shape: ChainShape,
    frequency_hz: NDArray[np.float64],
    observed: Observed,
    begin: NDArray[np.float64] | None = None,
    *,
    patient: bool = True,
    searched: bool = False,
) -> Blend:
    """Fit a chain of `shape` to what was `observed` over `frequency_hz` (K,).

    `begin` (P + 2,) is where an earlier fit of the same response ended, as `ending` tells it; without one, or where it
    no longer leads to a good fit, a start is searched, unless `searched` tells that `begin` is what a search of these
    very data found. Not `patient`: a poor fit stands as it is, as it must where shapes compete. Raises LinAlgError
    where no fit stands.
    """
    whole, chain, inner = _fitted_part(shape, frequency_hz, observed)
    blend: Blend | None = None
    if begin is not None and begin.size == shape.size + ENDING:
        blend = _go_on(chain, inner, begin)
    suspect = blend is None or _suspect(blend, inner)
    cold = blend is None or (suspect and not searched)
    if blend is None or cold:
        blend = _from_start(chain, inner, found_start(whole, observed))
        suspect = patient and _suspect(blend, inner)
    if not patient:
        return blend
    if suspect:
        # So large a misfit is more often a false minimum than another circuit: search once more, thoroughly.
        again = _better(blend, chain, inner, found_start(whole, observed, thorough=True))
        if again is not None and again.evidence > blend.evidence:
            blend = again
    if cold and shape.cavities > 1 and observed.least_departure > 0 and blend.best.departure >= DEPARTURES[-1]:
        # Notches turned far apart look, to a search that holds them together, like a circuit far from any ideal one.
        loose = replace(observed, together=UNTUNED)
        apart = _better(blend, chain, replace(inner, together=UNTUNED), found_start(whole, loose))
        if apart is not None and apart.evidence > blend.evidence + DECISIVE:
            blend, inner = apart, apart.observed
    if blend.p_value > NOTICED:
        return blend
    needed = _needed_error(blend.best, inner)
    blend = _climb(chain, replace(inner, relative_error=needed), blend.best.p, blend.best.departure)
    together = _correlation_length(blend.best.residual)
    return replace(blend, relative_error=needed, inflation=together)


def first_fit(shape: ChainShape, frequency_hz: NDArray[np.float64], observed: Observed) -> ChainFit:
    """One descent from a searched start, with a middle departure: enough to tell shapes far apart. Raises LinAlgError
    where it does not stand."""
    whole, chain, inner = _fitted_part(shape, frequency_hz, observed)
    departure = max(MIDDLE, observed.least_departure) if observed.least_departure > 0 else DEPARTURES[1]
    fit = fit_chains(chain, inner, found_start(whole, observed)[None], (departure,))[0]
    if fit is None:
        raise np.linalg.LinAlgError("no descent stands")
    return fit


def _fitted_part(
    shape: ChainShape, frequency_hz: NDArray[np.float64], observed: Observed
) -> tuple[Chain, Chain, Observed]:
    """The circuit over all samples, and circuit and data over those that are fitted."""
    whole = Chain(shape, frequency_hz, float(frequency_hz[0]), float(frequency_hz[-1]))
    if observed.least_departure == 0:
        return whole, whole, observed
    # An instrument's own errors are a share of the signal, so they are largest where the notch tells least.
    skirts = np.abs(observed.data) < SKIRT_LEVEL
    return whole, whole.at(frequency_hz[skirts]), observed.only(skirts)


def _suspect(blend: Blend, observed: Observed) -> bool:
    """Whether the fit looks like a false minimum: it lies outside the hidden band, or needs a large error besides."""
    noise = leak_as_noise(observed).noise_power
    band = hidden_band(
        blend.best.chain.f * blend.best.shape.reject_hz, observed.data, noise, blend.best.shape.reject_hz
    )
    ideal = observed.least_departure == 0
    if outside(blend.best, band) or strained(blend.best, 1.0 if ideal else STRAINED):
        return True
    if ideal and blend.best.departure >= WILD:
        return True
    return blend.p_value < NOTICED and _needed_error(blend.best, observed) > SUSPECT_ERROR


def strained(fit: ChainFit, limit: float = STRAINED) -> bool:
    """Whether the fit asks for a circuit that is hardly ever built: its priors cost more than `limit` each."""
    return bool(fit.cost - fit.chi2 > limit * fit.shape.size)


def ending(fit: ChainFit, relative_error: float) -> NDArray[np.float64]:
    """Parameters, departure and the relative error that was needed (P + 2,), for a later fit to begin from."""
    return np.concatenate((fit.p, [fit.departure, relative_error]))


def _go_on(chain: Chain, observed: Observed, begin: NDArray[np.float64]) -> Blend | None:
    """From where an earlier fit ended. Where that needed a larger error, so will this one: a single descent under it
    tells how large, and all departures wait for that. None where it does not stand."""
    p, near, error = begin[:-ENDING], float(begin[-2]), float(begin[-1])
    if error <= observed.relative_error or near not in DEPARTURES:
        return _climb(chain, observed, p, near, later=True)
    fit = fit_chains(chain, replace(observed, relative_error=error), p[None], (near,))[0]
    if fit is None:
        return None
    fit = _under(fit, observed)
    if _p_value(fit) > NOTICED:
        return _climb(chain, observed, fit.p, near, later=True)
    return _single(fit, observed)


def _from_start(chain: Chain, observed: Observed, p: NDArray[np.float64]) -> Blend:
    """All departures from a searched start; where a first descent comes nowhere near the stated errors, one under the
    error that it needs goes first, for under too small an error a poor circuit creeps. Raises LinAlgError where no
    descent stands."""
    if observed.least_departure == 0:
        return _climb(chain, observed, p)
    near = max(MIDDLE, observed.least_departure)
    first = fit_chains(chain, observed, p[None], (near,), steps=FIRST_STEPS)[0]
    if first is None or first.chi2 < HOPEFUL * first.dof:
        return _climb(chain, observed, p if first is None else first.p, near)
    fit, error = _lessened(first, observed)
    begin = fit if error < SUSPECT_ERROR else first  # under so large an error nothing pulled it on
    again = fit_chains(chain, observed, begin.p[None], (near,))[0]
    if again is not None and again.chi2 < HOPEFUL * again.dof:
        return _climb(chain, observed, again.p, near)
    if again is not None and _needed_error(again, observed) < error:
        fit, error = _lessened(again, observed)
    return _single(_under(fit, observed), observed) if error < LOST else _climb(chain, observed, first.p, near)


def _lessened(fit: ChainFit, observed: Observed) -> tuple[ChainFit, float]:
    """Descents on under the error that the last one needed, until it needs hardly less, and that error."""
    error = _needed_error(fit, observed)
    for _ in range(LESSENINGS):
        next_fit = fit_chains(fit.chain, replace(observed, relative_error=error), fit.p[None], (fit.departure,))[0]
        if next_fit is None:
            break
        fit, last, error = next_fit, error, _needed_error(next_fit, observed)
        if error > HARDLY_LESS * last:
            break
    return fit, error


def _single(fit: ChainFit, observed: Observed) -> Blend:
    """One fit alone."""
    return Blend((fit,), (1.0,), observed.relative_error, 1.0, _p_value(fit), fit.log_evidence, observed)


def _better(blend: Blend, chain: Chain, observed: Observed, p: NDArray[np.float64]) -> Blend | None:
    """All departures from another start, where a single descent from it with the departure that the data liked best
    comes lower than that; None where it does not."""
    if observed.least_departure == 0:
        return _climb(chain, observed, p)
    best, error = blend.best, observed.relative_error
    if blend.p_value < NOTICED:
        error = max(_needed_error(best, observed), error)
    under = replace(observed, relative_error=error)
    held, other = (fit_chains(chain, under, each[None], (best.departure,))[0] for each in (best.p, p))
    if other is None or (held is not None and other.cost > held.cost - WORTH):
        return None
    if error > observed.relative_error:
        other, error = _lessened(other, observed)
        if error > SUSPECT_ERROR:
            return _single(_under(other, observed), observed)
    return _climb(chain, observed, other.p, best.departure)


def _under(fit: ChainFit, observed: Observed) -> ChainFit:
    """The same fit with its residual measured by the stated errors."""
    power = observed.noise_power + (observed.relative_error * np.abs(fit.model)) ** 2
    residual = (observed.data - fit.model) / np.sqrt(power / 2.0)
    return replace(fit, residual=residual, chi2=float((np.abs(residual) ** 2).sum()))


def _climb(
    chain: Chain, observed: Observed, p: NDArray[np.float64], near: float | None = None, *, later: bool = False
) -> Blend:
    """Descend with each of the departures that have any weight, from `near` or the least one on, and weigh what comes
    out; `later`: `near` was the best of an earlier fit, so that those next to it do. Raises LinAlgError where no
    descent stands."""
    departures = [departure for departure in DEPARTURES if departure >= observed.least_departure]
    if near not in departures:
        near = None if observed.least_departure == 0 else MIDDLE
    fits = (
        _upwards(chain, observed, p, departures)
        if near is None
        else _about(chain, observed, p, departures, near, later)
    )
    fits = _onwards(chain, observed, fits)
    if not fits:
        raise np.linalg.LinAlgError("no descent stands")
    fits += _tight(chain, observed, fits) + _untuned(chain, observed, fits)
    evidence = np.array([fit.log_evidence for fit in fits])
    weight = np.exp(evidence - evidence.max())
    weight /= weight.sum()
    order = [int(k) for k in np.argsort(-weight) if weight[k] > 1e-3]
    kept = weight[order] / weight[order].sum()
    best = fits[order[0]]
    chosen, weights = tuple(fits[k] for k in order), tuple(float(w) for w in kept)
    return Blend(chosen, weights, observed.relative_error, 1.0, _p_value(best), _together(evidence), observed)


def _upwards(chain: Chain, observed: Observed, p: NDArray[np.float64], departures: list[float]) -> list[ChainFit]:
    """From the ideal circuit on, until larger departures have no weight."""
    fits: list[ChainFit] = []
    for some in (departures[:AT_ONCE], departures[AT_ONCE:]):
        if fits and fits[-1].log_evidence < max(fit.log_evidence for fit in fits) - HOPELESS:
            break
        begin = fits[-1].p if fits else p
        tried = fit_chains(chain, observed, np.repeat(begin[None], len(some), axis=0), some)
        fits += [fit for fit in tried if fit is not None]
    return fits


def _about(
    chain: Chain, observed: Observed, p: NDArray[np.float64], departures: list[float], near: float, later: bool
) -> list[ChainFit]:
    """From one departure on to either side, each from where its neighbour ended, until one has no weight (`later`:
    until one is not the best): a tight circuit far from its minimum creeps along a valley that a looser one crosses."""
    first = fit_chains(chain, observed, p[None], (near,))[0]
    if first is None:
        return []
    fits, at = [first], departures.index(near)
    edge = {step: (at + step, first) for step in (-1, 1)}
    while edge:
        edge = {step: one for step, one in edge.items() if 0 <= one[0] < len(departures)}
        best = max(fit.log_evidence for fit in fits)
        edge = {
            step: (index, fit)
            for step, (index, fit) in edge.items()
            if fit.log_evidence > best - HOPELESS and _promising(fit, observed, departures[index], best - FAR_BEHIND)
        }
        if not edge:
            break
        begins = np.array([fit.p for _, fit in edge.values()])
        tried = fit_chains(chain, observed, begins, [departures[index] for index, _ in edge.values()])
        edge = {
            step: (index + step, fit)
            for (step, (index, _)), fit in zip(edge.items(), tried, strict=True)
            if fit is not None
        }
        fits += [fit for _, fit in edge.values()]
        if later:
            best = max(fit.log_evidence for fit in fits)
            edge = {step: one for step, one in edge.items() if one[1].log_evidence == best}
    return sorted(fits, key=lambda fit: fit.departure)


def _promising(fit: ChainFit, observed: Observed, departure: float, least: float) -> bool:
    """Whether a descent with a neighbouring departure may come to a log evidence of so much; the ideal circuit moves
    other parameters, and nothing is forecast from or for it."""
    return 0.0 in (fit.departure, departure) or forecast(fit, observed, departure, observed.leak) > least


def _onwards(chain: Chain, observed: Observed, fits: list[ChainFit]) -> list[ChainFit]:
    """Where a smaller departure leads, a larger one may go farther than from the start: it has more freedom, so that it
    may not end dearer."""
    for k in range(1, len(fits)):
        if fits[k].cost > fits[k - 1].cost + WORTH:
            (again,) = fit_chains(chain, observed, fits[k - 1].p[None], (fits[k].departure,))
            if again is not None and again.cost < fits[k].cost:
                fits[k] = again
    return fits


def _tight(chain: Chain, observed: Observed, fits: list[ChainFit]) -> list[ChainFit]:
    """The likeliest fits once more with tight leads: where the data show no leak, its freedom is not to cost."""
    ahead = sorted((fit for fit in fits if fit.departure > 0), key=lambda fit: -fit.log_evidence)[:LEAKLESS]
    if not ahead or observed.leak <= TIGHT:
        return []
    best = max(fit.log_evidence for fit in fits)
    ahead = [fit for fit in ahead if forecast(fit, observed, fit.departure, TIGHT) > best - FAR_BEHIND]
    if not ahead:
        return []
    sealed = replace(observed, leak=TIGHT)
    tried = fit_chains(chain, sealed, np.array([fit.p for fit in ahead]), [fit.departure for fit in ahead])
    return [fit for fit in tried if fit is not None]


def _untuned(chain: Chain, observed: Observed, fits: list[ChainFit]) -> list[ChainFit]:
    """The descents once more for notches that somebody turned far apart, where the data pull them apart at any scale;
    being tuned keeps the better odds otherwise, for the evidence counts the wider prior."""
    apart = [fit for fit in fits if _pulled_apart(fit, observed)] if chain.shape.cavities > 1 else []
    if not apart:
        return []
    begin = min(apart, key=lambda fit: fit.departure).p  # the nearest to an ideal circuit: the notches had to do it
    loose, departures = replace(observed, together=UNTUNED), sorted({fit.departure for fit in fits})[:AT_ONCE]
    tried = fit_chains(chain, loose, np.repeat(begin[None], len(departures), axis=0), departures)
    return [fit for fit in tried if fit is not None]


def _pulled_apart(fit: ChainFit, observed: Observed) -> bool:
    """Whether the places strain the prior that holds tuned notches together."""
    places = fit.p[fit.shape.places]
    strain = 2.0 * observed.unloaded_q * (places - places.mean()) / (max(fit.departure, 1.0) * observed.together)
    return bool((strain**2).sum() > PULLED * (places.size - 1))


def _together(log_evidence: NDArray[np.float64]) -> float:
    """Log of the mean evidence over the departures."""
    top = float(log_evidence.max())
    return top + math.log(float(np.exp(log_evidence - top).sum()) / len(DEPARTURES))


def _needed_error(fit: ChainFit, observed: Observed) -> float:
    """Relative error for which the residual has its expected size."""
    square = np.abs(observed.data - fit.model) ** 2
    level = np.abs(fit.model) ** 2
    low, high = max(observed.relative_error, 1e-6), 1.0
    for _ in range(40):
        middle = math.sqrt(low * high)
        if float((2.0 * square / (observed.noise_power + middle**2 * level)).sum()) > fit.dof:
            low = middle
        else:
            high = middle
    return high


def _correlation_length(residual: NDArray[np.complex128]) -> float:
    """1 + 2 sum of the autocorrelation of the residual (K,), up to the first lag that noise could explain.

    A residual that runs smoothly over frequency is a fault of the circuit: neighbouring samples then do not count as
    independent, and the covariance grows by their correlation length.
    """
    total = float((np.abs(residual) ** 2).sum())
    length = 1.0
    for lag in range(1, residual.size // 4):
        rho = float((residual[lag:] * np.conj(residual[:-lag])).real.sum()) / total
        if rho < 2.0 / math.sqrt(residual.size):
            break
        length += 2.0 * rho
    return length


def _p_value(fit: ChainFit) -> float:
    from scipy.special import chdtrc  # noqa: PLC0415 - heavy imports stay out of start-up

    return float(chdtrc(fit.dof, fit.chi2))
