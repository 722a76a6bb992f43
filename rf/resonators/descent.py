"""The way down from a start to the least sum of squares.

Owns: Levenberg and Marquardt's damped steps (Marquardt, J. SIAM 11 (1963) 431). Refuses: to choose a start.
"""

from __future__ import annotations

from typing import Protocol

import numpy as np
from numpy.typing import NDArray

Real = NDArray[np.float64]
LONGEST_STEP = 1.0
MOST_STEPS = 60


class Squares(Protocol):
    """What is made small."""

    @property
    def rows(self) -> int:
        """How many of the residuals are data; priors stand behind them."""

    def residuals(self, p: Real) -> tuple[Real, Real]:
        """Weighted residuals (R,) and their derivatives (R, P)."""


def descend(problem: Squares, p: Real) -> tuple[float, Real]:
    """Sum of squares of the data alone, and the parameters (P,) where the whole sum is least, from a start (P,)."""
    damping = 1e-2
    r, slopes = problem.residuals(p)
    cost = float(r @ r)
    for _ in range(MOST_STEPS):
        normal, gradient = slopes.T @ slopes, slopes.T @ r
        step = -np.linalg.solve(normal + damping * np.diag(np.diag(normal)), gradient)
        tried = p + np.clip(step, -LONGEST_STEP, LONGEST_STEP)
        r_new, slopes_new = problem.residuals(tried)
        new = float(r_new @ r_new)
        if new < cost:
            small = cost - new < 1e-5 * cost
            p, r, slopes, cost, damping = tried, r_new, slopes_new, new, max(damping / 5.0, 1e-9)
            if small:
                break
        else:
            damping *= 4.0
            if damping > 1e8:
                break
    data = r[: problem.rows]
    return float(data @ data), p
