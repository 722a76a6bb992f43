"""Uncertainty of loss and return loss: what contributes how much, by the law of propagation and by Monte Carlo.

Owns: the budget's contributions, their combination to first order (JCGM 100:2008, 5.1.2 and G.4) and the same by
drawing (JCGM 101:2008). Refuses: a contribution without its law.
"""

from __future__ import annotations

import enum
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rf.values.decibel import amplitude, amplitude_db
from rf.values.figure import CONFIDENCE, Figure, reading

DB_PER_SHARE = 8.685889638065035
"""20 / ln 10: dB per relative change of an amplitude."""


QUICK_DRAWS = 20_000
"""Draws for a figure on the screen: its half-width is right to one part in a hundred, and always the same."""


class Law(enum.Enum):
    """How a contribution is distributed within its half-width."""

    NORMAL = "normal"
    """half-width is one standard deviation"""
    RECTANGULAR = "rectangular"
    """all values within the half-width alike"""
    U_SHAPED = "u-shaped"
    """sine of a phase nobody knows: mismatch, directivity (Harris and Warner 1981)"""


@dataclass(frozen=True, slots=True)
class Contribution:
    """One line of a budget, in dB: `half_width_db` in the sense of its `law`."""

    name: str
    half_width_db: float
    law: Law

    @property
    def standard_db(self) -> float:
        """Standard uncertainty: half-width over 1, sqrt 3 or sqrt 2 (JCGM 100, 4.3)."""
        return (
            self.half_width_db
            / {Law.NORMAL: 1.0, Law.RECTANGULAR: math.sqrt(3.0), Law.U_SHAPED: math.sqrt(2.0)}[self.law]
        )

    def draw(self, rng: np.random.Generator, count: int) -> NDArray[np.float64]:
        """`count` values of this contribution in dB."""
        if self.law is Law.NORMAL:
            return np.asarray(self.half_width_db * rng.normal(size=count))
        if self.law is Law.RECTANGULAR:
            return np.asarray(self.half_width_db * rng.uniform(-1.0, 1.0, count))
        return np.asarray(self.half_width_db * np.cos(2.0 * np.pi * rng.random(count)))


@dataclass(frozen=True, slots=True)
class Budget:
    """A budget in dB, by its lines."""

    contributions: tuple[Contribution, ...]

    @property
    def standard_db(self) -> float:
        """Combined standard uncertainty to first order: root sum of squares (JCGM 100, 5.1.2)."""
        return math.sqrt(sum(line.standard_db**2 for line in self.contributions))

    @property
    def largest(self) -> str:
        """Name of the largest line."""
        return max(self.contributions, key=lambda line: line.standard_db).name

    def drawn_db(self, confidence: float = CONFIDENCE) -> float:
        """Half-width of the interval by drawing (JCGM 101). Where one U-shaped line rules, the first-order interval is
        wider than the largest possible value, and this one is right."""
        rng = np.random.default_rng(1)
        total = np.sum([line.draw(rng, QUICK_DRAWS) for line in self.contributions], axis=0)
        return float(np.quantile(np.abs(total), confidence))


def mismatch_db(return_loss_a_db: float, return_loss_b_db: float) -> float:
    """Largest change of a transmission by reflections on both sides of a joint: -20 log(1 - 10^(-(A+B)/20)) [study
    F10]."""
    return -amplitude_db(1.0 - amplitude(-(return_loss_a_db + return_loss_b_db)))


def loss_budget(
    noise_db: float,
    dut_return_loss_db: float,
    port2_return_loss_db: float,
    tracking_db: float = 0.3,
    drift_db: float = 0.0,
) -> Budget:
    """Budget of an insertion loss. `noise_db` one standard deviation; `tracking_db` the amplitude of what a
    thru shows beside 0 dB (a ripple of cable lengths, met at a phase that nobody knows), `drift_db` since calibration a
    half-width."""
    match = mismatch_db(dut_return_loss_db, port2_return_loss_db)
    return Budget(
        (
            Contribution("random", noise_db, Law.NORMAL),
            Contribution("mismatch", match, Law.U_SHAPED),
            Contribution("correction", tracking_db, Law.U_SHAPED),
            Contribution("drift", drift_db, Law.RECTANGULAR),
        )
    )


def return_loss_budget(
    reflection: float,
    noise: float,
    directivity_db: float,
    tracking_db: float = 0.1,
    drift_db: float = 0.0,
    behind: float = 0.0,
    source: float = 0.0,
) -> Budget:
    """Budget of a return loss read as amplitude `reflection` over noise E|n|^2 ** 0.5 = `noise`, to first order.

    `behind`: amplitude of what port 2 sends back through the device, |S21|^2 times what is left of its reflection.
    `source`: reflection of port 1, which sends back what comes back (EURAMET cg-12: M |G|^2).
    """
    return Budget(
        (
            Contribution("random", DB_PER_SHARE * noise / reflection / math.sqrt(2.0), Law.NORMAL),
            Contribution("directivity", DB_PER_SHARE * amplitude(-directivity_db) / reflection, Law.U_SHAPED),
            Contribution("port 2", DB_PER_SHARE * behind / reflection, Law.U_SHAPED),
            Contribution("port 1", DB_PER_SHARE * source * reflection, Law.U_SHAPED),
            Contribution("correction", tracking_db, Law.RECTANGULAR),
            Contribution("drift", drift_db, Law.RECTANGULAR),
        )
    )


def as_figure(value_db: float, budget: Budget) -> Figure:
    """A value with its budget's uncertainty, by drawing."""
    half = budget.drawn_db()
    return reading(value_db, value_db - half, value_db + half, "dB", limited_by=budget.largest)
