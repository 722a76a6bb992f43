"""Where each cavity's own notch lies, and which of them the data do not tell apart.

Owns: the interval of the lowest, second lowest, ... notch of a fitted chain, and the groups whose intervals overlap.
Refuses: to say which cavity of the duplexer a notch belongs to (S21 does not tell: a turn of its screw does), and a
place of its own for a notch that is not resolved: a group has one interval.

What S21 tells: a shunt branch shorts the line where its cavity resonates, so that each cavity makes one zero, which no
cable length moves (Pozar, Microwave Engineering, 4.3; study F11). Zeros nearer to one another than their half-width
f / 2Q, or hidden under the floor, are seen only by what their skirts have in common: first by their mean, then by the
square of their spread, which grows as the root of the error. A covariance at the best fit is therefore wrong there: it
knows one order of the zeros and a straight valley. Here the likelihood itself is taken over the places, all else
following along its tangent, and averaged over draws from two proposals, what may be beforehand and what the covariance
says (importance sampling with a defensive mixture: Hesterberg 1995, Technometrics 37, 185), drawn anew about what they
found where few of them carry the weight (Cappe et al. 2004, population Monte Carlo).

How far the zeros of one side are apart beforehand is itself not known: any scale from `SPREADS` alike.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from rf.notch.chain_choice import DEPARTURES, Blend
from rf.notch.chain_fit import priors
from rf.values.figure import NORMAL_95, Figure, cant_say, inferred

Real = NDArray[np.float64]

SPREADS = (0.02, 0.04, 0.08, 0.16, 0.32, 0.64, 1.25, 2.5, 5.0)
"""Scatter of the zeros of one side about their mean, in half-widths f / 2Q: from well tuned to a screw lost."""

DRAWS, ROUNDS = 384, 3
"""Draws a round; and the most rounds."""

ENOUGH = 60.0
"""Draws that carry the weight (Kish), with which the ends of an interval are good to a tenth of its width."""

BROADER = 1.5
"""The covariances of the proposals are made so much larger: a proposal narrower than what it proposes for is worse than
one that is wider."""

SAMPLES = 160
"""About so many samples of the sweep are looked at in each draw; between them the change of the response is smooth."""

WIDER = 1.1
"""Along their tangent the other parameters follow less far than they could: the cost of a distance comes out up to a
third too large (against descents with the zeros held at one place)."""


WIDTHS, SEEN = 2.0, 4.0
"""Two zeros are told apart only where they are farther from one another than their width f / Q, so many half-widths,
and where the response between them is seen, over so many times the noise (12 dB). Else only the circuit parts them, and
other circuits with the same skirts have them together."""

FEWEST_SEEN = 3
"""In so many samples: one or two may be a carrier."""


@dataclass(frozen=True, slots=True)
class Each:
    """Zeros from low to high: an INFERRED figure (absolute, Hz) for each, those of one group with the group's common
    interval, in which each of them lies at 95 %; `groups` their numbers, from 0, in rising order."""

    figures: tuple[Figure, ...] = ()
    groups: tuple[tuple[int, ...], ...] = ()

    @property
    def resolved(self) -> bool:
        """Whether every one stands alone."""
        return bool(self.figures) and all(len(group) == 1 for group in self.groups)


class Apart:
    """The zeros of a `blend`, with intervals `slack` wider than the covariances tell; the mean of all is known with a
    standard deviation of `mean_sd_hz`. Nothing is computed before it is asked for."""

    def __init__(self, blend: Blend, slack: float, mean_sd_hz: float) -> None:
        self._blend, self._slack, self._mean_sd_hz = blend, slack, mean_sd_hz

    def rejection(self, at_hz: float, centred: Figure) -> Figure:
        """What the chain holds back at `at_hz`, in positive dB, over all places that the data allow, where it would
        hold back `centred` with every zero there: a fit that ended with the zeros together knows nothing of those that
        stand apart and leave the same skirts."""
        fit, hertz = self._blend.best, self._blend.best.shape.reject_hz
        if fit.shape.cavities == 1 or not centred.known:
            return centred if not centred.known else cant_say("dB", "one cavity hides nothing")
        places, weight = self._draws
        unit_hz = hertz / 2.0 / math.exp(float(fit.p[fit.shape.log_q]))
        lost_db = 10.0 * np.log10(1.0 + ((places - at_hz) / unit_hz) ** 2).sum(axis=1)
        low, middle, high = _interval(centred.value - lost_db, weight)
        half = (centred.high - centred.low) / 2.0
        value = min(middle, centred.value)
        return inferred(value, value - math.hypot(middle - low, half), value + math.hypot(high - middle, half), "dB",
                        limited_by="model")  # fmt: skip

    @cached_property
    def _draws(self) -> tuple[Real, Real]:
        """Draws of the places (D, N), absolute in hertz and rising, with their weight (D,)."""
        hertz = self._blend.best.shape.reject_hz
        apart, mean, mean_sd, weight = _drawn(self._blend, self._slack)
        # Between the fits of the blend the mean place is another one, which the best of them does not know.
        mean_sd = max(mean_sd, self._slack * self._mean_sd_hz / hertz)
        mean = mean + mean_sd * np.random.default_rng(2).normal(size=mean.size)
        return hertz * (1.0 + np.sort(apart, axis=1) + mean[:, None]), weight

    @cached_property
    def each(self) -> Each:
        """All zeros, from low to high."""
        fit, hertz = self._blend.best, self._blend.best.shape.reject_hz
        if fit.shape.cavities == 1:
            place, half = hertz * (1.0 + float(fit.p[0])), WIDER * NORMAL_95 * self._slack * self._mean_sd_hz
            return Each((inferred(place, place - half, place + half, "Hz", limited_by="model"),), ((0,),))
        return _told(*self._draws, self.parted)

    @cached_property
    def parted(self) -> tuple[bool, ...]:
        """Which neighbours may be told apart at all, by the fit alone: quickly told, before any draw."""
        fit = self._blend.best
        if fit.departure >= DEPARTURES[-1]:  # so far from the bench, its zeros stand where they mend the fit
            return (False,) * (fit.shape.cavities - 1)
        places = np.sort(fit.shape.reject_hz * (1.0 + fit.p[fit.shape.places]))
        return tuple(_seen_between(self._blend, *pair) for pair in itertools.pairwise(places.tolist()))


def _told(places: Real, weight: Real, parted: Sequence[bool]) -> Each:
    """From draws of the places (D, N), in rising order, with their weight (D,): what overlaps, or is not `parted`
    (N - 1) from the next, is one group, and its interval holds any one of its members at 95 %."""
    ends = np.array([_interval(one, weight) for one in places.T])
    groups = [[0]]
    for k in range(1, len(ends)):
        if ends[k, 0] < ends[groups[-1], 2].max() or not parted[k - 1]:
            groups[-1].append(k)
        else:
            groups.append([k])
    figures = []
    for group in groups:
        low, _, high = _interval(places[:, group].ravel(), np.repeat(weight, len(group)))
        figures += [inferred(min(max(ends[k, 1], low), high), low, high, "Hz", limited_by="model") for k in group]
    return Each(tuple(figures), tuple(tuple(group) for group in groups))


def _seen_between(blend: Blend, low_hz: float, high_hz: float) -> bool:
    """Whether two zeros are apart by more than their width, and the response between them is seen."""
    fit, observed = blend.best, blend.observed
    f = fit.chain.f * fit.shape.reject_hz
    between = (f > low_hz) & (f < high_hz)
    if high_hz - low_hz < WIDTHS * fit.shape.reject_hz / 2.0 / math.exp(fit.p[fit.shape.log_q]) or not between.any():
        return False
    # What leaks past the unit is no part of the response, so that it hides it as noise does.
    hidden = np.sqrt(observed.noise_power[between]) + np.abs(fit.p[fit.shape.leak]).max()
    seen = np.minimum(np.abs(observed.data[between]), np.abs(fit.model[between]))
    return int((seen > SEEN * hidden).sum()) >= FEWEST_SEEN


class _Likelihood:
    """Twice the negative log likelihood of the zeros' distances from their mean, all other parameters following along
    their tangent at the best fit."""

    def __init__(self, blend: Blend) -> None:
        fit, observed = blend.best, blend.observed
        shape, step = fit.shape, max(1, fit.chain.f.size // SAMPLES)
        self._p, self._places = fit.p, shape.places
        self.half_width = math.exp(-float(fit.p[shape.log_q])) / 2.0
        prior, pull, free = priors(shape, fit.observed, fit.departure)
        free, self._pull = free.copy(), pull[shape.places]
        free[shape.places] = False
        whole = fit.chain.f.size // step * step
        at = np.arange(whole).reshape(-1, step)
        self._chain = fit.chain.at(fit.chain.f[at[:, step // 2]] * shape.reject_hz)
        seen = self._chain.seen(fit.p)
        model, slopes = seen.total, self._chain.slopes(seen, np.ones(self._chain.f.size))
        power = observed.noise_power + (blend.relative_error * np.abs(fit.model)) ** 2
        # Neighbouring samples see nearly the same change of the response: their sum stands for them.
        share = (1.0 / (power / 2.0))[at].sum(axis=1)
        left = ((observed.data - fit.model) / (power / 2.0))[at].sum(axis=1) / share
        self._size, self._data = np.sqrt(share), left + model
        along = np.concatenate((slopes[self._places].sum(axis=0)[None], slopes[free]))
        self._along = _real(along * self._size)
        self._held = np.r_[0.0, (pull[free] ** 2) * (fit.p - prior)[free]]
        normal = self._along @ self._along.T + np.diag(np.r_[0.0, pull[free] ** 2])
        self._inverse = np.linalg.inv(normal)
        self.mean_sd = math.sqrt(blend.inflation * float(self._inverse[0, 0]))

    def strain(self, apart: Real) -> Real:
        """What the prior of the fit took for distances (..., N), in the same measure."""
        return np.asarray(((apart * self._pull) ** 2).sum(axis=-1))

    def of(self, apart: Real) -> tuple[Real, Real]:
        """That (B,), and the mean place (relative to the reject channel) that goes with it, of distances (B, N)."""
        p = np.repeat(self._p[None], len(apart), axis=0)
        mean = float(self._p[self._places].mean())
        p[:, self._places] = mean + apart
        off = _real((self._data - self._chain.seen(p).total) * self._size)
        pull = off @ self._along.T - self._held
        step = pull @ self._inverse
        return (off**2).sum(axis=1) - (pull * step).sum(axis=1), mean + step[:, 0]


def _real(values: NDArray[np.complex128]) -> Real:
    return np.ascontiguousarray(values).view(np.float64)


def _drawn(blend: Blend, slack: float) -> tuple[Real, Real, float, Real]:
    """Draws of the distances from the mean (D, N), the mean place (D,) and its own standard deviation, the weight (D,)
    of each."""
    likelihood, n = _Likelihood(blend), blend.best.shape.cavities
    across = np.linalg.svd(np.ones((1, n)))[2][1:]  # (N - 1, N): distances from a mean have one number less
    scales = likelihood.half_width * np.array(SPREADS)
    places = blend.best.shape.places
    fitted = across @ blend.best.p[places]
    covariance = BROADER**2 * blend.inflation * across @ blend.best.covariance[places, places] @ across.T
    rng = np.random.default_rng(1)
    x = rng.normal(size=(DRAWS // 2, n - 1)) * rng.choice(scales, size=DRAWS // 2)[:, None]
    normals = [_Normal(fitted, covariance)]
    x = np.concatenate((x, normals[0].draw(rng, DRAWS - len(x))))
    cost, mean = likelihood.of(x @ across)
    least = float(likelihood.of((fitted @ across)[None])[0][0]) + likelihood.strain(fitted @ across)
    for again in range(ROUNDS):
        before = _scattered(x, scales)
        proposed = np.logaddexp.reduce(
            [before + math.log(0.5), *(one.log(x) + math.log(0.5 if k == 0 else 1.0) for k, one in enumerate(normals))]
        )
        # The descent ended lowest: where the tangent promises more than that, it is followed too far.
        cost = np.maximum(cost, least - likelihood.strain(x @ across))
        log = before - cost / (2.0 * blend.inflation * slack**2) - proposed
        weight = _shares(log)
        if 1.0 / float((weight**2).sum()) > ENOUGH or again == ROUNDS - 1:
            break
        for power in (0.5, 0.25, 0.1, 0.03):
            # Flattened until enough of them carry the weight for a covariance of their own.
            flat = _shares(power * log)
            if 1.0 / float((flat**2).sum()) > ENOUGH / 2.0:
                break
        centre = flat @ x
        normals.append(_Normal(centre, np.einsum("d,di,dj->ij", flat, x - centre, x - centre)))
        more = normals[-1].draw(rng, DRAWS)
        costs, means = likelihood.of(more @ across)
        x, cost, mean = np.concatenate((x, more)), np.concatenate((cost, costs)), np.concatenate((mean, means))
    return x @ across, mean, likelihood.mean_sd, weight


class _Normal:
    """A normal law in few dimensions."""

    def __init__(self, centre: Real, covariance: Real) -> None:
        values, self._axes = np.linalg.eigh(covariance)
        self._centre, self._sd = centre, np.sqrt(np.maximum(values, 1e-24))

    def draw(self, rng: np.random.Generator, count: int) -> Real:
        """So many points (D, N - 1)."""
        return np.asarray(self._centre + (rng.normal(size=(count, self._sd.size)) * self._sd) @ self._axes.T)

    def log(self, x: Real) -> Real:
        """Log density (D,), but for what all laws of these dimensions have in common."""
        at = (x - self._centre) @ self._axes / self._sd
        return np.asarray(-0.5 * (at**2).sum(axis=1) - np.log(self._sd).sum())


def _scattered(x: Real, scales: Real) -> Real:
    """The same of what is expected before any sweep: each of the scales alike."""
    square = (x**2).sum(axis=1)
    each = [-0.5 * square / scale**2 - x.shape[1] * math.log(scale) for scale in scales]
    return np.asarray(np.logaddexp.reduce(each) - math.log(len(scales)))


def _shares(log: Real) -> Real:
    weight = np.exp(np.where(np.isfinite(log), log, -math.inf) - float(np.nanmax(log)))
    return np.asarray(weight / weight.sum())


def _interval(values: Real, weight: Real) -> Real:
    """Low end, middle and high end of 95 % of draws (D,) with weights (D,), widened."""
    order = np.argsort(values)
    shares = (np.cumsum(weight[order]) - weight[order] / 2.0) / weight.sum()
    low, middle, high = np.interp((0.025, 0.5, 0.975), shares, values[order])
    return np.array([middle - WIDER * (middle - low), middle, middle + WIDER * (high - middle)])
