"""One screw was nudged: which zero of the response moved, where it was and how far it went, from sweeps before and
after, and from the circuit that was fitted to one of them.

Owns: the fit of the difference of two sweeps by one cavity's notch that moved. Refuses: to guess when nothing moved, or
when more than one zero did (the fit does not agree then).

A cavity's notch that moves from f_k to f_k + d changes the circuit's response from S(p) to S(p + d e_k). What does not
change (a leak, a carrier that keeps its phase, most of what the circuit lacks) drops out of the difference
y - x = S(p + d e_k) - S(p) + h x, h slow: gain that drifted. So the noise is that of the two sweeps everywhere, also
where a ratio would divide by noise. What the fit does not know of p is carried along with its covariance as a prior
(Kay 1993, Estimation Theory, chapter 11), and every order of the cavities that fits the sweep nearly as well is tried
with every cavity: from the skirts alone nobody tells which one stands where. What they say is averaged by its evidence
(MacKay 2003, chapter 28).
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rf.notch.chain_choice import Blend
from rf.notch.chain_fit import ChainFit, fit_chains
from rf.notch.chain_model import Chain
from rf.notch.chain_start import reordered
from rf.values.figure import NORMAL_95, Figure, cant_say, inferred

LEAST_LIFT = 60.0
"""A move is told from none when it takes so much of the summed square, in units of what is left per degree of freedom:
hundreds of moves are tried with half a dozen free numbers each."""

LARGEST_MISFIT = 3.0
"""Reduced chi-square above which one moved zero does not explain the change."""

UNSURE = 0.8
"""A movement whose half-width is more than this share of it may have any size."""

HALF_WIDTH = 1.06 * NORMAL_95
"""As of a place: near a merger the fit is not quite linear."""

SCALE_ERROR = 0.06
"""How far the fitted circuit's own couplings may be off, as a share of what a moved notch changes: slow over the sweep
(own trials on another circuit model),"""

ROUGH_ERROR = 5e-3
"""and from point to point."""

LIKENESS = 12.0
"""Orders of the cavities whose log evidence lies this far below the best are not tried,"""

MOST_ORDERS = 8
"""and no more than so many."""

TEMPER = 1e-3
"""Share of what a move explains by which the circuit itself may err: evidence counts no finer."""

SHIFTS, STEPS = 24, 25
"""Movements each way to start from, and steps of the descent."""

SLOW, SCALES = 6, 4
"""Free real numbers of the slow gain, and of the couplings' error."""

Complex = NDArray[np.complex128]
Real = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Circuit:
    """What was fitted to a sweep: the fits, and how much wider their intervals are than their covariances tell."""

    blend: Blend
    slack: float


@dataclass(frozen=True, slots=True)
class Nudge:
    """`before` where the moved zero was, `after` where it is, `moved` by how much, all in hertz, INFERRED; CAN'T SAY
    with the reason in `why` when the sweeps do not tell. `misfit` is the reduced chi-square. `unseen`: nothing in the
    sweep moved; `left`: what moved is not seen any more; `single`: by its dip alone, without a circuit."""

    before: Figure
    after: Figure
    moved: Figure
    misfit: float = math.nan
    why: str = ""
    unseen: bool = False
    left: bool = False
    single: bool = False

    @property
    def known(self) -> bool:
        """Whether a movement was found."""
        return self.moved.known


def find_nudge(
    frequency_hz: Real,
    before: Complex,
    after: Complex,
    power_before: Real | float,
    power_after: Real | float,
    circuit: Circuit,
    *,
    relative_error: float = 2e-4,
) -> Nudge:
    """Compare averaged S21 (K,) before and after, with E|n|^2 (K,) of each and the relative error of their levels.

    `circuit` is what was fitted to the sweep before. Raises ValueError for arrays that do not match.
    """
    if before.shape != after.shape or before.shape != frequency_hz.shape:
        raise ValueError("both sweeps must share their frequency points")
    power = np.broadcast_to(np.asarray(power_before, float) + np.asarray(power_after, float), before.shape)
    data = _Data(frequency_hz, before, after, power + (relative_error * np.abs(before)) ** 2)
    best = circuit.blend.best
    found = [move for fit in _orders(circuit.blend) for move in _Moves(fit, circuit, data, best.log_evidence).all()]
    if not found:
        return _nothing("the sweeps do not tell one notch from another")
    reject_hz = best.shape.reject_hz
    return _said(found, data, reject_hz, reject_hz / 2.0 / math.exp(best.p[best.shape.log_q]))


def turned_round(nudge: Nudge) -> Nudge:
    """The same nudge told from the sweep after to the one before, turned into the order of time."""
    moved = nudge.moved
    if moved.known:
        moved = inferred(-moved.value, -moved.high, -moved.low, "Hz", limited_by=moved.limited_by)
    return Nudge(nudge.after, nudge.before, moved, nudge.misfit, nudge.why)


@dataclass(frozen=True, slots=True)
class _Data:
    """Both sweeps (K,) and the noise power (K,) of their difference."""

    f: Real
    before: Complex
    after: Complex
    power: Real

    def slow(self) -> Complex:
        """Slow complex functions (K, 3) over the sweep."""
        u = (self.f - self.f.mean()) / (float(np.ptp(self.f)) / 2.0)
        return np.vander(u, SLOW // 2, increasing=True).astype(complex)


@dataclass(frozen=True, slots=True)
class _Move:
    """One cavity moved: by how much and from where, with variances, relative to the reject channel; the negative log
    evidence twice over; chi-square with the move and without."""

    moved: float
    place: float
    after: float
    variances: tuple[float, float, float]
    cost: float
    chi2: float
    still: float


def _orders(blend: Blend) -> list[ChainFit]:
    """The fits, and descents from the best one with its cavities in other orders, the likeliest first."""
    best, fits = blend.best, list(blend.fits)
    if best.shape.cavities > 1:
        starts = reordered(best.shape, best.p)
        fits += [fit for fit in fit_chains(best.chain, blend.observed, starts, [best.departure] * len(starts)) if fit]
    kept: list[ChainFit] = []
    for fit in sorted(fits, key=lambda each: -each.log_evidence):
        near = fit.log_evidence > best.log_evidence - LIKENESS * blend.inflation
        if near and len(kept) < MOST_ORDERS and not any(_same(fit, other) for other in kept):
            kept.append(fit)
    return kept


def _same(one: ChainFit, other: ChainFit) -> bool:
    """Whether two descents ended at one place."""
    return one.departure == other.departure and abs(one.cost - other.cost) < 0.1 and bool(
        np.abs(one.p[one.shape.places] - other.p[other.shape.places]).max() < 1e-6
    )  # fmt: skip


class _Moves:
    """Every cavity of one fitted order, moved. The unknowns are what the fit left open (its covariance's own
    directions, in standard deviations), the movement, the slow gain, the couplings' error."""

    def __init__(self, fit: ChainFit, circuit: Circuit, data: _Data, best_evidence: float) -> None:
        self.fit, self.data, self.chain = fit, data, fit.chain.at(data.f)
        inflation = circuit.blend.inflation
        covariance = (fit.covariance + fit.covariance.T) / 2.0 * inflation * circuit.slack**2
        size, ways = np.linalg.eigh(covariance)
        open_ways = size > size.max() * 1e-14
        self.ways = ways[:, open_ways] * np.sqrt(size[open_ways])
        self.count = self.ways.shape[1]
        self.held = np.r_[0 : self.count, self.count + 1 + SLOW : self.count + 1 + SLOW + SCALES]
        self.rough = max(ROUGH_ERROR, circuit.blend.relative_error)
        self.unlikely = 2.0 * (best_evidence - fit.log_evidence) / inflation
        self.slow = data.slow()
        gain = self.slow * data.before[:, None]
        self.gain = np.concatenate((_stacked(gain), _stacked(1j * gain)), axis=1)
        self.change = data.after - data.before
        self.through = _through(self.chain, fit.p[None])[0]
        weight = np.sqrt(2.0 / data.power)
        self.still = self._gained(self.change, weight)

    def all(self) -> Iterator[_Move]:
        """Each cavity's best move that stands."""
        for cavity in range(self.fit.shape.cavities):
            try:
                found = self._descended(cavity, self._start(cavity))
            except np.linalg.LinAlgError:
                continue
            if found is not None:
                yield found

    def _gained(self, left: Complex, weight: Real) -> float:
        """Summed square of what is left (K,) when the slow gain has taken what it can."""
        twice = np.concatenate((weight, weight))
        r, basis = _stacked(left) * twice, self.gain * twice[:, None]
        h, *_ = np.linalg.lstsq(basis, r, rcond=None)
        return float(((r - basis @ h) ** 2).sum())

    def _start(self, cavity: int) -> float:
        """The movement that explains most, all else as it was fitted."""
        reach = float(np.ptp(self.data.f)) / 2.0 / self.fit.shape.reject_hz
        far = np.geomspace(min(math.exp(-self.fit.p[self.fit.shape.log_q]) / 30.0, reach / 2.0), reach, SHIFTS)
        shifts = np.concatenate((-far[::-1], far))
        p = np.repeat(self.fit.p[None], shifts.size, axis=0)
        p[:, cavity] += shifts
        costs = []
        for moved in _through(self.chain, p) - self.through:
            weight = self._weight(moved)
            costs.append(self._gained(self.change - moved, weight) - 4.0 * float(np.log(weight).sum()))
        return float(shifts[int(np.argmin(costs))])

    def _weight(self, moved: Complex) -> Real:
        return np.asarray(np.sqrt(2.0 / (self.data.power + (self.rough * np.abs(moved)) ** 2)))

    @np.errstate(all="ignore")  # a trial step may lead anywhere; what is not finite is never accepted
    def _state(self, cavity: int, x: Real) -> tuple[Real, Real, float]:
        """Weighted residual (2K,), its Jacobian (2K, U), and the cost at `x` (U,)."""
        count = self.count
        p = self.fit.p + self.ways @ x[:count]
        q = p.copy()
        q[cavity] += x[count]
        log, slopes = self.chain.log_s21(np.array([p, q]))
        was, now = np.exp(log)
        moved, scales = now - was, x[count + 1 + SLOW :]
        off = 1.0 + SCALE_ERROR * (scales[0] + 1j * scales[1] + (scales[2] + 1j * scales[3]) * self.slow[:, 1])
        weight = self._weight(moved)
        twice = np.concatenate((weight, weight))
        r = _stacked(self.change - off * moved) - self.gain @ x[count + 1 : count + 1 + SLOW]
        along = off[:, None] * ((slopes[1] * now - slopes[0] * was).T @ self.ways)
        own = off * slopes[1][cavity] * now
        scaled = SCALE_ERROR * moved[:, None] * np.stack((self.slow[:, 0], self.slow[:, 1]), axis=1)
        scaled = np.stack((scaled[:, 0], 1j * scaled[:, 0], scaled[:, 1], 1j * scaled[:, 1]), axis=1)
        jacobian = np.concatenate((_stacked(along), _stacked(own)[:, None], self.gain, _stacked(scaled)), axis=1)
        cost = float(((r * twice) ** 2).sum() + (x[self.held] ** 2).sum() - 4.0 * np.log(weight).sum())
        return r * twice, jacobian * twice[:, None], cost

    def _descended(self, cavity: int, start: float) -> _Move | None:
        """Levenberg and Marquardt's descent from a movement; None where it leaves the numbers."""
        x = np.zeros(self.count + 1 + SLOW + SCALES)
        x[self.count] = start
        damping, held = 1e-2, self.held
        r, jacobian, cost = self._state(cavity, x)
        if not math.isfinite(cost):
            return None
        for _ in range(STEPS):
            normal, gradient = self._normal(jacobian), jacobian.T @ r
            gradient[held] -= x[held]
            trial = x + np.linalg.solve(normal + damping * np.diag(np.diag(normal)), gradient)
            r2, jacobian2, cost2 = self._state(cavity, trial)
            if math.isfinite(cost2) and cost2 < cost:
                done = cost - cost2 < 1e-3
                x, r, jacobian, cost = trial, r2, jacobian2, cost2
                damping = max(damping / 5.0, 1e-9)
                if done:
                    break
            else:
                damping *= 6.0
                if damping > 1e6:
                    break
        normal = self._normal(jacobian)
        sign, volume = np.linalg.slogdet(normal)
        inverse = np.asarray(np.linalg.inv(normal), np.float64)
        if sign <= 0 or not math.isfinite(volume) or not np.isfinite(inverse).all():
            return None
        return self._move(cavity, x, inverse, cost + float(volume) + self.unlikely, float(r @ r))

    def _normal(self, jacobian: Real) -> Real:
        normal = jacobian.T @ jacobian
        normal[self.held, self.held] += 1.0
        return np.asarray(normal)

    def _move(self, cavity: int, x: Real, covariance: Real, cost: float, chi2: float) -> _Move:
        own = np.zeros(x.size)
        own[: self.count] = self.ways[cavity]
        by = np.zeros(x.size)
        by[self.count] = 1.0
        place = float(self.fit.p[cavity] + own @ x)
        variances = [max(float(pick @ covariance @ pick), 0.0) for pick in (by, own, own + by)]
        moved = float(x[self.count])
        return _Move(moved, place, place + moved, (variances[0], variances[1], variances[2]), cost, chi2, self.still)


def _said(found: list[_Move], data: _Data, reject_hz: float, unit_hz: float) -> Nudge:
    """What the moves say together; a place no better known than `unit_hz`, the half-width f / 2Q of one notch, is of
    no use."""
    dof = 2.0 * data.f.size - 1.0 - SLOW
    chi2 = min(move.chi2 for move in found)
    misfit = chi2 / dof
    lift = found[0].still - chi2
    if lift < LEAST_LIFT * max(misfit, 1.0):
        return _nothing("no notch moved by more than the noise hides")
    if misfit > LARGEST_MISFIT:
        return _nothing("one moved zero does not explain the change: was more than one screw turned?", misfit)
    costs = np.array([move.cost for move in found])
    weight = np.exp(-(costs - costs.min()) / 2.0 / (max(misfit, 1.0) + TEMPER * lift))
    weight /= weight.sum()

    def blended(values: list[float], variances: list[float]) -> tuple[float, float]:
        mean = float(weight @ values)
        variance = float(weight @ variances) * max(misfit, 1.0) + float(weight @ (np.array(values) - mean) ** 2)
        return reject_hz * mean, reject_hz * math.sqrt(variance)

    moved, moved_sd = blended([m.moved for m in found], [m.variances[0] for m in found])
    if HALF_WIDTH * moved_sd > UNSURE * abs(moved):
        return _nothing("the sweeps do not tell how far it moved: average longer", misfit)
    places = []
    for k, values in ((1, [m.place for m in found]), (2, [m.after for m in found])):
        off, sd = blended(values, [m.variances[k] for m in found])
        places.append(_place(reject_hz + off, sd, unit_hz))
    return Nudge(places[0], places[1], _figure(moved, moved_sd), misfit)


def _place(value: float, sd: float, unit_hz: float) -> Figure:
    if HALF_WIDTH * sd > unit_hz:
        return cant_say("Hz", "it is not known which cavity moved: average longer", limited_by="model")
    return _figure(value, sd)


def _figure(value: float, sd: float) -> Figure:
    half = HALF_WIDTH * sd
    return inferred(value, value - half, value + half, "Hz", limited_by="model")


def _nothing(why: str, misfit: float = math.nan) -> Nudge:
    nothing = cant_say("Hz", why, limited_by="model")
    return Nudge(nothing, nothing, nothing, misfit, why)


def _through(chain: Chain, p: Real) -> Complex:
    """S21 (B, K) of the circuit without what leaks past it."""
    slow, leak = chain.shape.slow, chain.shape.leak
    gain = p[:, slow.start : leak.start]
    return np.asarray(chain.alone(p) * np.exp((gain[:, 0::2] + 1j * gain[:, 1::2]) @ chain.gain_terms))


def _stacked(values: Complex) -> Real:
    """Real and imaginary parts, one above the other."""
    return np.concatenate((values.real, values.imag))
