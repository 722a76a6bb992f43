"""Coupled resonators fitted to S11 and S21 of a band-pass filter or a single pass cavity.

Owns: where the search begins, the search, what the intervals rest on (noise, and what the correction leaves of match
and directivity), and the test that refuses a circuit that the sweep does not show. Refuses: figures for people (see
`band_figures`) and more than the chain of `circuit`.

Method: complex least squares on the whole response instead of single points, which keeps loaded Q right where a line
and a coupling loss stand before the loop (Petersan and Anlage, J. Appl. Phys. 84 (1998) 3392; Kajfez, "Q factor", 1994,
for the coupling loss, which shrinks the Q circle).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from itertools import cycle, islice

import numpy as np

from rf.resonators.circuit import Complex, Elements, Real, Response, response, ripple_elements
from rf.resonators.descent import descend
from rf.resonators.ripple import SLOW, Ripple, few
from rf.values.decibel import amplitude

MODEL_SHARE = 0.004
"""Share of a level that no chain is expected to explain: lines, couplings that change with frequency."""
ENOUGH = 1.6
"""A search whose mean square residual is below this is at its end; what stays above `WORST` is refused."""
WORST = 4.0
RIPPLED, CLEAN = 60.0, 0.6
"""What stays above `WORST` is a ripple of tracking where it is not far above it and taking a ripple out leaves this."""
STARTS = 80
ROUGH = 0.02
"""Noise that a search begins with: deep skirts lead it astray while the pass band is not found."""
CROSSED_STARTS = 24
CROSSED_SHARE = 0.15
"""Of the row's couplings: what a search for a coupling across begins with, in either sign."""
CLOSE_ENOUGH = 1.5
"""A rough way down that ends this near to the best one is followed to its end."""
AS_WELL = 1.3
"""Two circuits whose residuals are this near to each other explain a sweep equally."""
MOST_POINTS = 240
QUADRATURE = 2.45
"""An error vector whose length stays below a limit in 95 of 100 cases has so much less per quadrature (Rayleigh)."""
NUISANCES = 16
COUPLING_SLOPE_SD = 0.7
SLOPE_SD = 0.6
"""Lead left behind the plane: phase in rad from the middle to the end of the sweep."""
COUPLING_LOSS_SD = 0.05
"""Loss of loop and line before a resonator, natural logarithm of S11."""


@dataclass(frozen=True, slots=True)
class Swept:
    """One sweep around the pass band: arrays (K,); noise power of each mean. `s11` None: its port does not show the
    filter alone; `s21` None: nothing hangs at the other port."""

    frequency_hz: Real
    s11: Complex | None
    s21: Complex | None
    power11: Real
    power21: Real


@dataclass(frozen=True, slots=True)
class Errors:
    """What the correction leaves, 95 of 100: tracking in dB, directivity and the match at port 2 as return loss in dB,
    what may leak into S21 (amplitude)."""

    tracking_db: float = 0.3
    directivity_db: float = 35.0
    match_db: float = 20.0
    leak: float = 0.0


@dataclass(frozen=True, slots=True)
class CoupledFit:
    """Elements with the covariance of f_1..f_N [Hz], ln k, ln Q_in, ln Q_out, ln Q_u, the coupling across where there
    is one (and the nuisances behind them);
    `misfit`: mean square residual, 1 for the noise alone; `slope`: exponent with which S21 departs over frequency."""

    elements: Elements
    covariance: Real
    misfit: float
    slope: float
    matched: bool
    """S11 was fitted too, so that resonators and both couplings are told apart."""
    sides: tuple[bool, bool]
    """Whether S11 and S21 were there."""
    uneven: float = 1.0
    """How uneven tracking is over the sweep, at most, in shares of what was stated."""
    rippled: float = math.inf
    """`misfit` with such a ripple taken out."""
    as_well: tuple[tuple[int, int], ...] = ()
    """Other couplings across that explain the sweep as well: then no element is told, only the response."""

    @property
    def trusted(self) -> bool:
        """The chain explains the sweep."""
        return self.misfit < WORST or (self.misfit < RIPPLED and self.rippled < CLEAN)

    def sd(self, index: int) -> float:
        """Standard deviation of one element by its place."""
        return math.sqrt(max(float(self.covariance[index, index]), 0.0))


def fit_coupled(swept: Swept, order: int, errors: Errors, seed: int = 1) -> CoupledFit | None:
    """The chain of `order` resonators that fits best; None where the sweep shows no pass band. Pure for a `seed`."""
    problem = _Problem(_thinned(swept), order, errors)
    seen = _band_of(problem.data)
    if seen is None:
        return None
    rough = _Problem(problem.data, order, errors, blur=ROUGH)
    starts = _starts(order, seen[1], seen[2], one_port=swept.s21 is None, seed=seed)
    best = _best(problem, rough, (rough.pack(start, seen[1]) for start in starts))
    assert best is not None  # there is at least one start
    return best


def _best(problem: _Problem, rough: _Problem, starts: Iterable[Real], close_enough: float = 1.0) -> CoupledFit | None:
    """The best fit from these packed starts; one whose rough descent ends farther than `close_enough` times the nearest
    goes no further. None without a start."""
    best: tuple[float, Real] | None = None
    nearest = math.inf
    for start in starts:
        far, p = descend(rough, start)
        if far > close_enough * nearest:
            continue
        nearest = min(far, nearest)
        problem.prior = rough.prior
        cost, p = descend(problem, p)
        if best is None or cost < best[0]:
            best = cost, p
        if best[0] < ENOUGH * problem.rows:
            break
    return None if best is None else problem.result(best[1], best[0])


def fit_crossed(
    swept: Swept, order: int, errors: Errors, across: tuple[int, int] | None = None, seed: int = 1
) -> CoupledFit | None:
    """A row with one coupling across it, between the resonators of `across` or wherever it fits best; None where none
    explains the sweep. A triplet and a quadruplet may sit elsewhere in a row and make the same response (Cameron, IEEE
    Trans. MTT 51 (2003) 1: the matrix of a response is not unique), so that whatever fits as well is named too."""
    data = _thinned(swept)
    seen = _band_of(data)
    if seen is None:
        return None
    places = [across] if across is not None else crossings(order)
    share = seen[2] / seen[1]
    found: list[CoupledFit] = []
    for place in places:
        problem = _Problem(data, order, errors, across=(place, share))
        rough = _Problem(data, order, errors, blur=ROUGH, across=(place, share))
        starts = islice(_starts(order, seen[1], seen[2], one_port=False, seed=seed), CROSSED_STARTS)
        crossed = (
            replace(start, across=place, k_across=sign * CROSSED_SHARE * float(start.k.mean()))
            for start, sign in zip(starts, cycle((1.0, -1.0)), strict=False)
        )
        best = _best(problem, rough, (rough.pack(start, seen[1]) for start in crossed), CLOSE_ENOUGH)
        if best is not None:
            found.append(best)
    explaining = sorted((one for one in found if one.trusted), key=lambda one: one.misfit)
    if not explaining:
        return None
    first = explaining[0]
    others = [one.elements.across for one in explaining[1:] if one.misfit < AS_WELL * first.misfit]
    return replace(first, as_well=tuple(place for place in others if place is not None))


def crossings(order: int) -> list[tuple[int, int]]:
    """Pairs of resonators that may be joined across a row: past one (triplet) or past two (quadruplet)."""
    return [(i, i + far) for far in (3, 2) for i in range(order - far)]


class _Problem:
    """The data with their weights, and the vector of parameters: f (eighths of the sweep from its middle), ln k,
    ln Q_in, ln Q_out, ln Q_u, the coupling across in shares of the band; ln a and phase and slope of S21, its exponent;
    ln a, phase, slope of S11; real and imaginary part of what the correction leaves: directivity, its slope, match of
    port 1, of port 2; slope of k."""

    def __init__(
        self,
        data: Swept,
        order: int,
        errors: Errors,
        blur: float = 0.0,
        across: tuple[tuple[int, int], float] | None = None,
    ) -> None:
        self.data, self.order, self.errors = data, order, errors
        f = data.frequency_hz
        self.middle_hz = float(f.mean())
        self.t = (f - self.middle_hz) / (f[-1] - f[0]) * 2.0
        self.ln_f = np.log(f / self.middle_hz)
        self.scale_hz = float(f[-1] - f[0]) / 8.0
        self.across: tuple[int, int] | None = None if across is None else across[0]
        self.share = 1.0 if across is None else across[1]
        self.elements = 2 * order + 2 + (across is not None)
        self.rows = 2 * f.size * ((data.s11 is not None) + (data.s21 is not None))
        self.weights: dict[str, Real] = {}
        for name, seen, power, leak in (
            ("s21", data.s21, data.power21, errors.leak),
            ("s11", data.s11, data.power11, 0.0),
        ):
            if seen is not None:
                self.weights[name] = np.sqrt(2.0 / (power + (MODEL_SHARE * abs(seen)) ** 2 + leak**2 + blur**2))
        track = errors.tracking_db * math.log(10.0) / 20.0 / 1.96
        wrong, match = (amplitude(-size) / QUADRATURE for size in (errors.directivity_db, errors.match_db))
        self.track = track
        self.prior_sd = np.concatenate(
            [np.full(order, 40.0), np.full(self.elements - order, 8.0),
             [math.hypot(track, COUPLING_LOSS_SD if data.s11 is not None else 0.0), 50.0, SLOPE_SD, 2.0],
             [math.hypot(track, COUPLING_LOSS_SD), 50.0, SLOPE_SD],
             [wrong, wrong, 0.3 * wrong, 0.3 * wrong, wrong, wrong, match, match, COUPLING_SLOPE_SD]]
        )  # fmt: skip
        self.prior = np.zeros(self.prior_sd.size)

    def pack(self, e: Elements, centre_hz: float) -> Real:
        """A start as a vector, its two phases taken from the data."""
        p = np.zeros(self.prior_sd.size)
        n = self.order
        p[:n] = (e.f_hz - self.middle_hz) / self.scale_hz
        p[n : 2 * n - 1] = np.log(e.k)
        p[2 * n - 1 : 2 * n + 2] = np.log([e.q_in, e.q_out if math.isfinite(e.q_out) else 1.0, e.unloaded_q])
        if self.across is not None:
            p[self.elements - 1] = e.k_across / self.share
        made = response(self.data.frequency_hz, e)
        if self.data.s21 is not None:
            p[self.elements + 1] = np.angle(np.vdot(made.s21, self.data.s21))
        if self.data.s11 is not None:
            off = abs(self.data.frequency_hz - centre_hz) > np.median(abs(self.data.frequency_hz - centre_hz))
            p[self.elements + 5] = np.angle(np.vdot(made.s11[off], self.data.s11[off]))
        self.prior = np.concatenate([p[: self.elements], np.zeros(NUISANCES)])
        self.prior[[self.elements + 1, self.elements + 5]] = p[[self.elements + 1, self.elements + 5]]
        return p

    def unpack(self, p: Real) -> Elements:
        n = self.order
        q_in, q_out, q_u = np.exp(np.clip(p[2 * n - 1 : 2 * n + 2], 0.0, 18.0))
        f = self.middle_hz + self.scale_hz * np.clip(p[:n], -30.0, 30.0)
        out = float(q_out) if self.data.s21 is not None else math.inf
        k = np.exp(np.clip(p[n : 2 * n - 1], -18.0, 0.0))
        over = 0.0 if self.across is None else float(p[2 * n + 2]) * self.share
        return Elements(f, k, float(q_in), out, float(q_u), float(p[-1]), self.across, over)

    @property
    def scales(self) -> Real:
        """What the parameters (P,) of elements are counted in."""
        scale = np.ones(self.elements)
        scale[: self.order] = self.scale_hz
        if self.across is not None:
            scale[-1] = self.share
        return scale

    def model(self, p: Real) -> tuple[Response, Complex, Complex]:
        """The response and the factors of S21 and S11."""
        a = p[self.elements :]
        through = np.exp(a[0] + 1j * (a[1] + a[2] * self.t) + a[3] * self.ln_f)
        return response(self.data.frequency_hz, self.unpack(p)), through, np.exp(a[4] + 1j * (a[5] + a[6] * self.t))

    def residuals(self, p: Real) -> tuple[Real, Real]:
        """Weighted residuals (R,) and derivatives (R, P), priors behind them. The errors that the correction leaves
        stand in the model to the first order (Rehnmark, IEEE Trans. MTT 22 (1974) 457); their products with the
        derivatives of the elements are left out: they change the way down, not its end."""
        made, through, back = self.model(p)
        scale = self.scales
        left = p[self.elements + 7 :]
        e00, e00_slope, e11, e22 = (complex(left[i], left[i + 1]) for i in (0, 2, 4, 6))
        s21, s11 = made.s21 * through, made.s11 * back
        s22 = made.s22 * through**2 / back
        nothing = np.zeros_like(s21)
        rows: list[Real] = []
        slopes: list[Real] = []
        if self.data.s21 is not None:
            errors = [nothing, nothing, s11 * s21, s22 * s21]
            extra = [
                s21,
                1j * s21,
                1j * self.t * s21,
                self.ln_f * s21,
                *[nothing] * 3,
                *_both(errors),
                made.slope21 * through,
            ]
            seen = s21 * (1.0 + e11 * s11 + e22 * s22)
            self._add(rows, slopes, "s21", seen - self.data.s21, made.d21 * through[:, None] * scale, extra)
        if self.data.s11 is not None:
            square = s21**2 if self.data.s21 is not None else nothing
            errors = [nothing + 1.0, nothing + self.t, s11**2, square]
            extra = [*[nothing] * 4, s11, 1j * s11, 1j * self.t * s11, *_both(errors), made.slope11 * back]
            seen = s11 + e00 + e00_slope * self.t + e11 * s11**2 + e22 * square
            self._add(rows, slopes, "s11", seen - self.data.s11, made.d11 * back[:, None] * scale, extra)
        rows.append((p - self.prior) / self.prior_sd)
        slopes.append(np.diag(1.0 / self.prior_sd))
        return np.concatenate(rows), np.concatenate(slopes)

    def _add(
        self, rows: list[Real], slopes: list[Real], name: str, r: Complex, d: Complex, extra: list[Complex]
    ) -> None:
        w = self.weights[name]
        whole = np.concatenate([d, np.stack(extra, axis=1)], axis=1) * w[:, None]
        rows += [(r * w).real, (r * w).imag]
        slopes += [whole.real, whole.imag]

    def result(self, p: Real, cost: float) -> CoupledFit:
        """Elements and covariance, by the weights and priors, wider where the chain leaves more than they say, and by
        tracking as uneven as the sweep shows it to be."""
        r, slopes = self.residuals(p)
        free = max(self.rows - self.elements - NUISANCES, 1)
        misfit = cost / free
        seen = [(one, self.weights[name]) for name, one in self._traces()]
        ripple = Ripple.of(self.t, seen, self.track)
        told = ripple.told(r[: self.rows], slopes[: self.rows], slopes[self.rows :])
        inverse = np.linalg.pinv(slopes.T @ slopes, hermitian=True)
        covariance: Real = np.asarray(inverse, dtype=np.float64) * max(misfit, 1.0)
        size = min(1.0, told.share * math.sqrt(len(SLOW)))  # all of a ripple may stand in one shape
        moved = inverse @ (slopes[: self.rows].T @ few(self.t, seen, size * self.track))
        covariance += moved @ moved.T
        scale = np.concatenate([self.scales, np.ones(NUISANCES)])
        return CoupledFit(
            self.unpack(p), covariance * np.outer(scale, scale), misfit, float(p[self.elements + 3]),
            self.data.s11 is not None, (self.data.s11 is not None, self.data.s21 is not None), told.share,
            told.left / free,
        )  # fmt: skip

    def _traces(self) -> list[tuple[str, Complex]]:
        """Those that there are, in the order of the residuals."""
        seen = (("s21", self.data.s21), ("s11", self.data.s11))
        return [(name, trace) for name, trace in seen if trace is not None]


def _both(errors: list[Complex]) -> list[Complex]:
    """Derivatives by real and imaginary part."""
    return [turn * error for error in errors for turn in (1.0, 1j)]


def _thinned(swept: Swept) -> Swept:
    """No more points than the search needs: means of neighbours would bend a narrow band, so the noise is kept."""
    step = max(1, math.ceil(swept.frequency_hz.size / MOST_POINTS))
    if step == 1:
        return swept
    pick = slice(None, None, step)
    one = None if swept.s11 is None else swept.s11[pick]
    two = None if swept.s21 is None else swept.s21[pick]
    # The points left out would have told as much: what is kept counts for all of them.
    return Swept(swept.frequency_hz[pick], one, two, swept.power11[pick] / step, swept.power21[pick] / step)


def _band_of(data: Swept) -> tuple[float, float, float] | None:
    """Lower end, centre and width of the band in which power goes through or is taken in; None where there is none."""
    f = data.frequency_hz
    if data.s21 is not None:
        power = abs(data.s21) ** 2
    else:
        assert data.s11 is not None  # a sweep shows one of both
        power = np.maximum(np.quantile(abs(data.s11), 0.9) ** 2 - abs(data.s11) ** 2, 0.0)
    top = float(np.sort(power)[-3:].mean())
    if top <= 0.0:
        return None
    inside = np.flatnonzero(power > top / 2.5)
    low, high = float(f[inside[0]]), float(f[inside[-1]])
    if (high - low) > 0.8 * (f[-1] - f[0]):
        return None
    return low, (low + high) / 2.0, max(high - low, float(f[1] - f[0]))


def _starts(order: int, centre_hz: float, width_hz: float, *, one_port: bool, seed: int) -> Iterator[Elements]:
    """A tuned filter of the width that is seen, then the same with its resonators thrown about."""
    rng = np.random.default_rng(seed)
    for number in range(STARTS if order > 1 else 6):
        ripple = (0.05, 0.5, 0.01)[number % 3]
        narrow = (1.0, 1.0, 0.7, 1.4)[number % 4]
        e = ripple_elements(order, ripple, centre_hz, width_hz * narrow, 2000.0)
        q_in, q_out = e.q_in, e.q_out
        if order == 1:
            q_in = q_out = 2.0 * centre_hz / width_hz * (1.0, 3.0, 1.3)[number % 3]
            q_in *= (1.0, 0.4, 2.5)[number % 3]
        spread = 0.0 if number == 0 else width_hz * (0.25, 0.5, 0.8)[number % 3]
        f = e.f_hz + rng.normal(0.0, spread, order) if order > 1 else e.f_hz
        yield Elements(f, e.k, q_in, math.inf if one_port else q_out, centre_hz / width_hz * 8.0)
