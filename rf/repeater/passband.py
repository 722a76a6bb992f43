"""Loss and return loss at a pass channel, each with its interval.

Owns: the local fit around the channel, the stated residuals that widen it and the budget made of them. Refuses: a
channel outside the sweep.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rf.values.decibel import amplitude, amplitude_db
from rf.values.figure import NORMAL_95, Figure, at_least, cant_say, reading
from rf.values.uncertainty import Budget, as_figure, loss_budget, return_loss_budget

FIT_POINTS = 9
"""Samples of the local fit; a pass response is smooth over nine steps of any sensible sweep."""


@dataclass(frozen=True, slots=True)
class Residuals:
    """What remains uncorrected, stated by whoever calibrated; defaults are common practice for this class of analyzer.

    `tracking_db`: a good thru reads 0 +- this; `directivity_db`: residual directivity as return loss;
    `port2_return_loss_db`: match that the analyzer's port 2 offers; `port2_left_db`: how much of it, as return loss, is
    not taken out of S11; `source_return_loss_db`: match that port 1 offers, or what is left of it; `drift_db`: change
    since the calibration.
    """

    tracking_db: float = 0.3
    directivity_db: float = 35.0
    port2_return_loss_db: float = 20.0
    port2_left_db: float = 20.0
    source_return_loss_db: float = 20.0
    drift_db: float = 0.0


@dataclass(frozen=True, slots=True)
class LocalFit:
    """A complex quadratic through the samples around a channel: value there and its standard deviation (E|n|^2 **
    0.5)."""

    value: complex
    noise: float


def local_fit(
    frequency_hz: NDArray[np.float64],
    mean: NDArray[np.complex128],
    averaged_power: NDArray[np.float64],
    channel_hz: float,
) -> LocalFit | None:
    """Fit around `channel_hz` over arrays (K,); None when the channel lies outside the sweep or samples are too few."""
    if frequency_hz.size < 4 or not frequency_hz[0] <= channel_hz <= frequency_hz[-1]:
        return None
    nearest = np.argsort(np.abs(frequency_hz - channel_hz))[:FIT_POINTS]
    offset = frequency_hz[nearest] - channel_hz
    basis = np.vander(offset / max(float(np.abs(offset).max()), 1.0), 3, increasing=True)
    weights = np.linalg.pinv(basis)[0]
    value = complex(weights @ mean[nearest])
    return LocalFit(value, float(np.sqrt(weights**2 @ averaged_power[nearest])))


@dataclass(frozen=True, slots=True)
class Budgeted:
    """A figure with the budget behind it; None where no budget was made."""

    figure: Figure
    budget: Budget | None = None


def loss_at(
    frequency_hz: NDArray[np.float64],
    s21: NDArray[np.complex128],
    averaged_power: NDArray[np.float64],
    channel_hz: float,
    return_loss_db: float = 20.0,
    residuals: Residuals | None = None,
) -> Budgeted:
    """Insertion loss in dB at `channel_hz` from a mean |S21| sweep (K,) over noise (K,).

    Budget: noise 8.686 sd / (|x| sqrt 2) (check b19), port-2 mismatch 20 log(1 +- 10^(-(RL_dut + RL_2)/20)) [study
    F10], tracking, drift.
    """
    stated = residuals or Residuals()
    fit = local_fit(frequency_hz, s21, averaged_power, channel_hz)
    if fit is None:
        return Budgeted(cant_say("dB", f"the sweep does not cover {channel_hz / 1e6:.4f} MHz"))
    if abs(fit.value) < 3.0 * fit.noise:
        bound = -amplitude_db(abs(fit.value) + 3.0 * fit.noise)
        return Budgeted(at_least(bound, "dB", limited_by="random", why="no pass here"))
    noise_db = 8.685889638 * fit.noise / abs(fit.value) / math.sqrt(2.0)
    budget = loss_budget(noise_db, return_loss_db, stated.port2_return_loss_db, stated.tracking_db, stated.drift_db)
    return Budgeted(as_figure(-amplitude_db(abs(fit.value)), budget), budget)


def return_loss_at(
    frequency_hz: NDArray[np.float64],
    s11: NDArray[np.complex128],
    averaged_power: NDArray[np.float64],
    channel_hz: float,
    residuals: Residuals | None = None,
    through: float = 0.0,
) -> Budgeted:
    """Return loss in dB at `channel_hz` from a mean S11 sweep (K,) over noise (K,); `through` is |S21| there.

    Read is x = D + (1 + T) G / (1 - M G) (the one-port error model: directivity, tracking, source match), plus what
    port 2 sends back through the device, |S21|^2 G2 (the forward one-path model with e22 left in), all with phases
    nobody knows. To first order |G| lies in |x| -+ (D + T |x| + M |x|^2 + |S21|^2 G2) (EURAMET cg-12, one-port
    measurements); the ends are those of the model itself, the noise on top. Where nearly all is reflected, as at a
    reject channel, M rules; where hardly anything is, D. AT LEAST when nothing is left at the weak end, where a budget
    in dB has no meaning.
    """
    stated = residuals or Residuals()
    fit = local_fit(frequency_hz, s11, averaged_power, channel_hz)
    if fit is None:
        return Budgeted(cant_say("dB", f"the sweep does not cover {channel_hz / 1e6:.4f} MHz"))
    size = abs(fit.value)
    source = amplitude(-stated.source_return_loss_db)
    parts = {
        "directivity": amplitude(-stated.directivity_db),
        "port 2": min(through, 1.0) ** 2 * amplitude(-stated.port2_left_db),
        "port 1": source * size**2,
        "correction": (amplitude(stated.tracking_db) - 1.0) * size,
    }
    added, tracking = parts["directivity"] + parts["port 2"], amplitude(stated.tracking_db) - 1.0
    most, least = size + added, max(size - added, 0.0)
    most = most / max(1.0 - tracking - source * most, 0.1)
    least = least / (1.0 + tracking + source * least)
    noise = NORMAL_95 * fit.noise / math.sqrt(2.0)
    above, below = math.hypot(most - size, noise), math.hypot(size - least, noise)
    limit = max(parts, key=lambda name: parts[name]) if sum(parts.values()) > 1.4 * fit.noise else "random"
    if size - below <= below / 2.0:
        return Budgeted(at_least(-amplitude_db(size + above), "dB", limited_by=limit))
    budget = return_loss_budget(
        size, fit.noise, stated.directivity_db, stated.tracking_db, stated.drift_db, parts["port 2"], source
    )
    # What was corrected for a pad may read above a total reflection; nothing sends more back than it got.
    figure = reading(
        max(-amplitude_db(size), 0.0),
        max(-amplitude_db(size + above), 0.0),
        max(-amplitude_db(size - below), 0.0),
        "dB",
        limited_by=limit,
    )
    return Budgeted(figure, budget)
