"""Where a fit begins: short descents from robust starts, with errors so large that few false minima are left.

Owns: which starts are followed, in what order of errors, samples and cavities; whether any start is worth following.
Refuses: the fit itself, and any word on how good it is; `rf.notch.chain_choice` has those.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from rf.notch.chain_fit import FEWEST_RACING, RACE, ChainFit, Observed, fit_chains, place_sd_hz
from rf.notch.chain_model import Chain, ChainShape
from rf.notch.chain_start import hidden_band, loops, reordered, starts

WORTH = 1.0
"""Another order of the cavities must be cheaper by this to be followed."""

SPANS_HIDDEN = 1.0
"""A place whose standard deviation is more than so many spans is not worth a fit. Own trials: 2 % of a span at most
where a fit was told, thousands of spans on zooms into the bottom."""

STARTS, LOOPS = 4, 14
"""Plain starts that are followed where the ideal circuit may be on the bench, and couplings: each of them leads to
another valley. With 8 couplings a harness 10 % off was missed in 11 of 24 draws, with 9 in none."""

QUICK_RACE, IDEAL_FEWEST, FEWEST_MEASURED = {3: 0.5, 6: 0.25}, 2, 3
"""Of all the couplings most are soon left. Own trials, 69 responses of ideal circuits of two to six cavities: 67 found;
42 of drawn ones: 32, where six couplings to the end found 27."""

HOPEFUL = 3.0
"""A chi-square below so many times the degrees of freedom may come to fit."""

FORLORN = 100.0
"""Beyond so many times no other order of the cavities mends a search of a measured response. Own trials: the 61 slowest
of 540 benches came to the same figures without."""

COARSE_POINTS, THIN_POINTS = 64, 128
"""Samples for the coarse search of a start, and for the finer one; the last descents take them all."""

HARNESSES = (0.92, 1.0, 1.08)
"""Lengths of the harness lines to start from, in quarter waves,"""

COARSE_ERROR = 0.2
"""relative error of the coarse search,"""

THIN_ERROR = 3e-3
"""and of the finer one: keeps a start from being lost to small departures."""

BETWEEN_ERROR = 0.03
"""One between the two: a valley that only the fine search sees is too narrow to be met from afar."""

SEARCH_DEPARTURE, USUAL_DEPARTURE = 2.0, 1.0
"""Scale of the usual departures while the start of a measured response is searched; and of any other during the finer
search."""


def found_start(whole: Chain, observed: Observed, *, thorough: bool = False) -> NDArray[np.float64]:
    """Parameters (P,) from short descents on thinned samples, first with an error so large that small departures from
    the ideal circuit do not matter (the coarse cost has few minima), then with the usual departures allowed, from the
    best ones and from the very best with its cavities in other orders.

    `thorough`: from more starts, and again until no order is better.
    """
    shape, frequency_hz = whole.shape, whole.f * whole.shape.reject_hz
    observed = leak_as_noise(observed)
    coarse, rough = thinned(whole, observed, COARSE_POINTS, COARSE_ERROR)
    fine, thin = thinned(whole, observed, THIN_POINTS, THIN_ERROR)
    keep, front, steps, rounds = (12, 6, 30, 4) if thorough else (STARTS, 3, 15, 1)
    power, expected = rough.noise_power, observed.unloaded_q
    measured = observed.least_departure > 0
    band = hidden_band(frequency_hz, observed.data, observed.noise_power, shape.reject_hz)
    if not measured and not thorough:
        # An ideal circuit has few parameters: its own fine descents need no coarse ones, and what fits it is no other.
        strict = replace(rough, relative_error=thin.relative_error)
        plain = loops(coarse, coarse.f * shape.reject_hz, rough.data, power, expected, LOOPS)
        ideal = cheapest(coarse, strict, plain, 0.0, steps, band, QUICK_RACE, IDEAL_FEWEST)[0]
        if ideal.chi2 < HOPEFUL * ideal.dof:
            return ideal.p
    if measured:
        plain = loops(coarse, coarse.f * shape.reject_hz, rough.data, power, expected, LOOPS)
    else:
        plain = starts(coarse, coarse.f * shape.reject_hz, rough.data, power, expected, keep)
    lengths = HARNESSES if thorough or not measured else HARNESSES[1:2]
    begins = np.repeat(plain, len(lengths), axis=0)
    begins[:, shape.harness] = np.tile(lengths, len(plain))
    departure = SEARCH_DEPARTURE if measured else 0.0
    lap = (QUICK_RACE, FEWEST_MEASURED) if measured and not thorough else (RACE, FEWEST_RACING)
    first = cheapest(coarse, rough, begins, departure, steps, band, *lap)
    # A shallow notch hides within the coarse error: the plain starts get their chance beside what it found.
    candidates = np.concatenate((plain[:front], [fit.p for fit in first[:front]]))
    if shape.cavities > 1 and (thorough or not measured):
        candidates = np.concatenate((candidates, reordered(shape, first[0].p)))
    departure = max(departure, USUAL_DEPARTURE)
    if measured:
        between = replace(rough, relative_error=max(observed.relative_error, BETWEEN_ERROR))
        candidates = np.array([fit.p for fit in cheapest(coarse, between, candidates, departure, steps, band)[:front]])
    best = cheapest(fine, thin, candidates, departure, steps, band)[0]
    for _ in range(rounds - 1 if shape.cavities > 1 else 0):
        if measured and best.chi2 > FORLORN * best.dof:
            break
        other = cheapest(fine, thin, reordered(shape, best.p), departure, steps, band)[0]
        if other.cost > best.cost - WORTH:
            break
        best = other
    return best.p


def hidden(shape: ChainShape, frequency_hz: NDArray[np.float64], observed: Observed) -> bool:
    """Whether these data cannot tell a place whatever the fit, as a zoom into the bottom cannot: seen from any of the
    plain starts, its doubt is many times the span."""
    whole = Chain(shape, frequency_hz, float(frequency_hz[0]), float(frequency_hz[-1]))
    quiet = leak_as_noise(observed)
    chain, thin = thinned(whole, quiet, THIN_POINTS, 0.0)
    plain = starts(chain, chain.f * shape.reject_hz, thin.data, thin.noise_power, observed.unloaded_q, STARTS)
    doubt = place_sd_hz(chain, thin, plain, observed.least_departure)
    return float(doubt.min()) > SPANS_HIDDEN * (whole.high_hz - whole.low_hz)


def thinned(whole: Chain, observed: Observed, points: int, least_error: float) -> tuple[Chain, Observed]:
    """About so many of the samples, with an error of at least so much."""
    step = max(1, whole.f.size // points)
    thin = observed.only(slice(None, None, step))
    chain = whole.at((whole.f * whole.shape.reject_hz)[::step])
    return chain, replace(thin, relative_error=max(observed.relative_error, least_error))


def leak_as_noise(observed: Observed) -> Observed:
    """What may leak past the unit taken for noise, as long as a start is searched: free to move it would fill any
    bottom that a wrong circuit leaves, and left alone it would hide where the band under the floor lies."""
    if observed.least_departure == 0:
        return observed
    return replace(observed, noise_power=observed.noise_power + 2.0 * observed.leak**2, leak=0.0)


def outside(fit: ChainFit, band: tuple[float, float]) -> bool:
    """Whether the mean notch lies more than half the hidden band's width outside that band: a false minimum, for the
    mean of the zeros is where the response is lowest."""
    centre = fit.shape.reject_hz * (1.0 + float(fit.p[fit.shape.places].mean()))
    reach = (band[1] - band[0]) / 2.0
    return not band[0] - reach <= centre <= band[1] + reach


def cheapest(
    chain: Chain,
    observed: Observed,
    begins: NDArray[np.float64],
    departure: float,
    steps: int,
    band: tuple[float, float],
    race: Mapping[int, float] = RACE,
    fewest: int = FEWEST_RACING,
) -> list[ChainFit]:
    """The descents from `begins` (B, P) that stand, cheapest first; only those that end inside the hidden band where
    any does. Raises LinAlgError when none stands."""
    departures = [departure] * len(begins)
    tried = fit_chains(chain, observed, begins, departures, steps=steps, searching=True, race=race, fewest=fewest)
    fits = [fit for fit in tried if fit is not None]
    if not fits:
        raise np.linalg.LinAlgError("no descent stands")
    return sorted([fit for fit in fits if not outside(fit, band)] or fits, key=lambda fit: fit.cost)
