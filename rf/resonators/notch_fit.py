"""One notch cavity on a through line: S21 fitted around its notch.

Owns: the fit of place, loaded Q and coupling, with a notch whose flanks differ. Refuses: more than one cavity.

The cavity takes from the line S21 = a e^j(phase) (1 - c / (1 + j Q_L (f/f0 - f0/f))) with a complex c = Q_L / Q_e: what
reactance stands beside the loop turns it. Then 1/Q_u = (1 - Re c) / Q_L and the coupling is Re c / (1 - Re c) (Khalil
et al., J. Appl. Phys. 111 (2012) 054510, equations 11 to 13; Petersan and Anlage, J. Appl. Phys. 84 (1998) 3392, for
why a fit of the complex curve is the one to trust).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from rf.resonators.circuit import Complex, Real
from rf.resonators.coupled_fit import MODEL_SHARE, QUADRATURE, SLOPE_SD, WORST, Errors
from rf.resonators.descent import descend
from rf.resonators.ripple import SLOW, Ripple
from rf.values.decibel import amplitude
from rf.values.figure import NORMAL_95

COUNT = 8


@dataclass(frozen=True, slots=True)
class NotchFit:
    """Where the notch stands and what it is: `f0_hz` of the resonance (`lowest` tells the least |S21|), `loaded_q`,
    complex coupling `c`; covariance (4, 4) of ln f0, ln Q_L, Re c, Im c; `misfit` 1 for the noise alone."""

    f0_hz: float
    loaded_q: float
    c: complex
    covariance: Real
    misfit: float

    @property
    def trusted(self) -> bool:
        """The curve explains the sweep, and takes no more from the line than there is."""
        return self.misfit < WORST and 0.0 < self.c.real < 1.0

    def left(self, f_hz: float) -> complex:
        """S21 at a frequency, against the line alone."""
        x = self.loaded_q * (f_hz / self.f0_hz - self.f0_hz / f_hz)
        return complex(1.0 - self.c / (1.0 + 1j * x))


def lowest(log_f0: float, log_q: float, c: complex) -> float:
    """The frequency (Hz) of the least |S21|: where the reactance beside a loop turns c = a + jb, it is not f0.

    |S21|^2 = ((1 - a)^2 + (x - b)^2) / (1 + x^2) is least where b x^2 + (1 - (1 - a)^2 - b^2) x - b = 0.
    """
    k = 1.0 - (1.0 - c.real) ** 2 - c.imag**2
    whole = k + math.hypot(k, 2.0 * c.imag)
    y = 2.0 * c.imag / whole * math.exp(-log_q) if whole > 0 else 0.0
    return math.exp(log_f0) * (y / 2.0 + math.hypot(1.0, y / 2.0))


class _Notch:
    """p = ln f0 (in half-widths of the start), ln Q_L, Re c, Im c, ln a, phase, its slope, slope of ln a."""

    def __init__(self, f: Real, s21: Complex, power: Real, errors: Errors, f0_hz: float, loaded_q: float) -> None:
        self.f, self.s21, self.f0_hz, self.half = f, s21, f0_hz, 0.5 / loaded_q
        self.t = (f - f.mean()) / (f[-1] - f[0]) * 2.0
        self.weight = np.sqrt(2.0 / (power + (MODEL_SHARE * abs(s21)) ** 2 + errors.leak**2))
        self.rows = 2 * f.size
        self.sd = np.array([40.0, 8.0, 5.0, 5.0, 0.2, 50.0, SLOPE_SD, 0.05])
        self.prior = np.zeros(COUNT)

    def parts(self, p: Real) -> tuple[Complex, Complex, Complex, float]:
        """The line, 1 / (1 + jx), x and Q_L."""
        f0, q = self.f0_hz * math.exp(p[0] * self.half), math.exp(min(p[1], 16.0))
        x = q * (self.f / f0 - f0 / self.f)
        line = np.exp(p[4] + p[7] * self.t + 1j * (p[5] + p[6] * self.t))
        return np.asarray(line, complex), np.asarray(1.0 / (1.0 + 1j * x), complex), x.astype(complex), q

    def residuals(self, p: Real) -> tuple[Real, Real]:
        """Weighted, priors behind."""
        line, bell, x, q = self.parts(p)
        c = p[2] + 1j * p[3]
        s = line * (1.0 - c * bell)
        by_x = line * c * 1j * bell**2
        f0 = self.f0_hz * math.exp(p[0] * self.half)
        d = np.stack(
            [by_x * -q * (self.f / f0 + f0 / self.f) * self.half, by_x * x, -line * bell, -1j * line * bell,
             s, 1j * s, 1j * self.t * s, self.t * s], axis=1,
        ) * self.weight[:, None]  # fmt: skip
        r = (s - self.s21) * self.weight
        rows = np.concatenate([r.real, r.imag, (p - self.prior) / self.sd])
        return rows, np.concatenate([d.real, d.imag, np.diag(1.0 / self.sd)])


def fit_notch(f: Real, s21: Complex, power: Real, errors: Errors) -> NotchFit | None:
    """Fit over arrays (K,), `power` of the noise of each mean; None where nothing is taken from the line."""
    level = abs(s21)
    line = float(np.quantile(level, 0.8))
    lowest = int(np.argmin(level))
    inside = np.flatnonzero(level < 0.7 * line)
    if inside.size < 3 or inside.size > 0.8 * f.size:
        return None
    width = float(f[inside[-1]] - f[inside[0]])
    best: tuple[float, Real, _Notch] | None = None
    for factor in (1.0, 2.0, 0.5):
        problem = _Notch(f, s21, power, errors, float(f[lowest]), float(f[lowest]) / width * factor)
        start = np.zeros(COUNT)
        ends = np.concatenate([s21[:5], s21[-5:]]).mean()
        start[:6] = (
            0.0,
            math.log(f[lowest] / width * factor),
            1.0 - level[lowest] / line,
            0.0,
            math.log(line),
            np.angle(ends),
        )
        problem.prior = start.copy()
        problem.prior[4] = 0.0
        cost, p = descend(problem, start)
        if best is None or cost < best[0]:
            best = cost, p, problem
    assert best is not None  # three starts were tried
    return _made(*best, errors)


def _made(cost: float, p: Real, problem: _Notch, errors: Errors) -> NotchFit:
    """With the covariance: noise, and the mismatch that the correction leaves on both sides, which turns and stretches
    the line's wave against what the cavity takes."""
    r, slopes = problem.residuals(p)
    inverse = np.linalg.pinv(slopes.T @ slopes, hermitian=True)
    misfit = cost / max(problem.rows - COUNT, 1)
    covariance = inverse * max(misfit, 1.0)
    line, bell, _, _ = problem.parts(p)
    c = p[2] + 1j * p[3]
    s, back = line * (1.0 - c * bell), -c * bell
    for size in (amplitude(-errors.match_db), amplitude(-errors.directivity_db)):
        for turn in (1.0, 1j):
            wrong = turn * size / QUADRATURE * back * s * problem.weight
            moved = inverse @ (slopes.T @ np.concatenate([wrong.real, wrong.imag, np.zeros(COUNT)]))
            covariance = covariance + np.outer(moved, moved)
    # Tracking that is not the same over the notch bends its flanks, and moves its bottom against them; no more of it
    # than the sweep shows, all in one shape.
    tracking = (amplitude(errors.tracking_db) - 1.0) / NORMAL_95
    ripple = Ripple.of(problem.t, [(problem.s21, problem.weight)], tracking)
    told = ripple.told(r[: problem.rows], slopes[: problem.rows], slopes[problem.rows :])
    tracking *= min(1.0, told.share * math.sqrt(len(SLOW)))
    covariance[0, 0] += (tracking * problem.half) ** 2
    covariance[1, 1] += tracking**2
    covariance[2, 2] += (tracking * (1.0 - c.real)) ** 2
    scale = np.array([problem.half, 1.0, 1.0, 1.0])
    f0 = problem.f0_hz * math.exp(p[0] * problem.half)
    return NotchFit(
        f0, math.exp(p[1]), complex(p[2], p[3]), np.asarray(covariance[:4, :4] * np.outer(scale, scale), float), misfit
    )
