"""One screw was nudged: which zero of the response moved, where it was and how far it went, from sweeps before and
after.

Owns: the fit of the ratio of two sweeps, whose every other zero cancels. Refuses: to guess when nothing moved, or
when more than one zero did (the fit does not agree then).

S21 = prod (f - z_i) / D(f), z_i = f_i + j f_i / 2Q [study, F11]. Nudging one cavity leaves after / before =
g(f) (f - z') / (f - z) with g slow [F12]. Fitted cross-multiplied, r = y (f - z) g - x (f - z'), weighted by the
noise of both; a plain fit of the ratio is biased by hundreds of kilohertz where the denominator is noise (study,
part 6).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rf.values.figure import NORMAL_95, Figure, cant_say, inferred

GRID = 41
"""Starting places tried along the span for the zero before, and as many for the zero after."""
SMALLEST_MOVE = 3.0
"""A move is told from none when the sweeps differ by so many standard deviations of their summed square."""
LARGEST_MISFIT = 3.0
"""Reduced chi-square above which one moved zero does not explain the change."""

DEEPEST_PLACE, DEEPEST_MOVE = 0.3, 0.45
"""Share of samples under the noise beyond which the place, and then the movement too, is not told: the fit's own
covariance is short there by more than a stated factor can mend (trials on units of three cavities)."""
SHORT = 2.5
"""Intervals are widened by 1 + SHORT x that share: what the covariance lacked in the same trials."""

Q_SPREAD = 0.1

Complex = NDArray[np.complex128]


@dataclass(frozen=True, slots=True)
class Nudge:
    """`before` where the moved zero was, `after` where it is, `moved` by how much, all in hertz, INFERRED; CAN'T SAY
    with the reason in `why` when the sweeps do not tell. `misfit` is the reduced chi-square."""

    before: Figure
    after: Figure
    moved: Figure
    misfit: float = math.nan
    why: str = ""

    @property
    def known(self) -> bool:
        """Whether a movement was found."""
        return self.moved.known


def find_nudge(
    frequency_hz: NDArray[np.float64],
    before: Complex,
    after: Complex,
    power_before: NDArray[np.float64] | float,
    power_after: NDArray[np.float64] | float,
    unloaded_q: float,
    *,
    relative_error: float = 1e-3,
    q_spread: float = Q_SPREAD,
) -> Nudge:
    """Compare averaged S21 (K,) before and after, with E|n|^2 (K,) of each and the relative error of the levels.

    `unloaded_q` of the cavities is taken as known (from the fitted chain, or the maker). Raises ValueError for
    arrays that do not match.
    """
    if before.shape != after.shape or before.shape != frequency_hz.shape:
        raise ValueError("both sweeps must share their frequency points")
    x, y = np.asarray(before), np.asarray(after)
    px = np.broadcast_to(np.asarray(power_before, float), x.shape) + (relative_error * np.abs(x)) ** 2
    py = np.broadcast_to(np.asarray(power_after, float), y.shape) + (relative_error * np.abs(y)) ** 2
    fit = _Fit(frequency_hz, x, y, px, py, unloaded_q, q_spread)
    still = fit.unmoved()
    dof = 2.0 * x.size - 4.0
    if still < dof + SMALLEST_MOVE * math.sqrt(2.0 * dof):
        return _nothing("no zero moved by more than the noise hides")
    return fit.solved()


def _nothing(why: str, misfit: float = math.nan) -> Nudge:
    nothing = cant_say("Hz", why, limited_by="model")
    return Nudge(nothing, nothing, nothing, misfit, why)


class _Fit:
    """Everything in units of the span, centred; `u` is the frequency there."""

    def __init__(
        self,
        f: NDArray[np.float64],
        x: Complex,
        y: Complex,
        px: NDArray[np.float64],
        py: NDArray[np.float64],
        unloaded_q: float,
        q_spread: float,
    ) -> None:
        self.centre, self.scale = float(f[0] + f[-1]) / 2.0, float(f[-1] - f[0]) / 2.0
        self.u = (f - self.centre) / self.scale
        self.x, self.y, self.px, self.py = x, y, px, py
        self.q_spread = q_spread
        self.lift = 1j * self.centre / (2.0 * unloaded_q) / self.scale
        self.basis = np.vander(self.u, 3, increasing=True).astype(complex)

    def unmoved(self) -> float:
        """Weighted square of what is left when y = g x with slow g."""
        weight = 1.0 / np.sqrt(self.px + self.py)
        design = (self.x * weight)[:, None] * self.basis
        g, *_ = np.linalg.lstsq(design, self.y * weight, rcond=None)
        return float((np.abs(self.y * weight - design @ g) ** 2).sum() * 2.0)

    def residual(self, places: NDArray[np.float64]) -> NDArray[np.float64]:
        """Weighted cross-multiplied residuals at (before, after, ln of Q over its expected value), g eliminated by
        least squares; the last entry holds Q to what is known of it."""
        lift = self.lift * math.exp(-places[2])
        z, w = places[0] + lift, places[1] + lift
        left, right = self.y * (self.u - z), self.x * (self.u - w)
        g = np.array([1.0, 0.0, 0.0], complex)
        for _ in range(2):
            slow = self.basis @ g
            sigma = np.sqrt(self.py * np.abs((self.u - z) * slow) ** 2 + self.px * np.abs(self.u - w) ** 2)
            design = (left / sigma)[:, None] * self.basis
            g, *_ = np.linalg.lstsq(design, right / sigma, rcond=None)
        r = design @ g - right / sigma
        fit = np.concatenate((r.real, r.imag)) * math.sqrt(2.0)
        return np.append(fit, places[2] / self.q_spread)

    def solved(self) -> Nudge:
        """The best pair of places from a grid of starts, with covariance."""
        from scipy.optimize import least_squares  # noqa: PLC0415 - heavy imports stay out of start-up

        grid = np.linspace(-1.0, 1.0, GRID)
        cost = np.array([[float((self.residual(np.array([a, b, 0.0])) ** 2).sum()) for b in grid] for a in grid])
        starts = np.argsort(cost, axis=None)[:6]
        found = [
            least_squares(self.residual, np.array([grid[k // GRID], grid[k % GRID], 0.0]), x_scale=0.05, method="lm")
            for k in starts
        ]
        best = min(found, key=lambda one: one.cost)
        dof = self.residual(best.x).size - 8
        misfit = float(2.0 * best.cost / dof)
        try:
            jacobian = np.asarray(best.jac, np.float64)
            covariance = np.linalg.inv(jacobian.T @ jacobian) * max(misfit, 1.0)
        except np.linalg.LinAlgError:
            return _nothing("the sweeps do not tell one zero from another", misfit)
        place, after = (float(v) * self.scale + self.centre for v in best.x[:2])
        sd = np.sqrt(np.diag(covariance)) * self.scale
        moved_sd = math.sqrt(max(covariance[0, 0] + covariance[1, 1] - 2.0 * covariance[0, 1], 0.0)) * self.scale
        if misfit > LARGEST_MISFIT:
            return _nothing("one moved zero does not explain the change: was more than one screw turned?", misfit)
        if not (np.abs(best.x[:2]) < 1.5).all() or sd[:2].max() > self.scale:
            return _nothing("the zero that moved lies outside the sweep, or too deep in the noise", misfit)
        share = float((np.abs(self.x) ** 2 < 4.0 * self.px).mean())
        wider = 1.0 + SHORT * share
        if share > DEEPEST_MOVE:
            return _nothing(
                "too much of the sweep lies under the noise: average longer, or sweep a little wider", misfit
            )
        moved = _figure(after - place, moved_sd * wider)
        if share > DEEPEST_PLACE:
            nowhere = cant_say(
                "Hz", "place not determined so deep under the noise: average longer", limited_by="random"
            )
            return Nudge(nowhere, nowhere, moved, misfit)
        return Nudge(_figure(place, float(sd[0]) * wider), _figure(after, float(sd[1]) * wider), moved, misfit)


def _figure(value: float, sd: float) -> Figure:
    half = NORMAL_95 * sd
    return inferred(value, value - half, value + half, "Hz", limited_by="random")
