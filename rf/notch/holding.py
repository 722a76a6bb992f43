"""How far a notch may move before rejection is lost, from the fitted response itself.

Owns: how the rejection at a channel falls with a shift, of all cavities or of one alone, and the shift that a loss
allows. Refuses: a promise, and a range where the fit does not tell one: it follows from a fitted circuit and is
INFERRED.

A response that drifts as a whole shows at the channel what it showed beside it: with R the rejection of the fit, a
shift d leaves R(f - d). The loss R(f) - R(f - d) is a difference of two levels of one fit, so that its level, its leak
and the tracking drop out; its standard deviation follows from the covariance of the fit (JCGM 102:2011, 6.2).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rf.notch.chain_choice import Blend
from rf.notch.chain_fit import ChainFit
from rf.values.decibel import amplitude_db
from rf.values.figure import Figure, cant_say, inferred

REACH = 8.0
"""Bottom widths within which a shift is asked for; farther out the rejection is lost many times over."""

FIRST, SHIFTS = 1.0 / 64.0, 24
"""Smallest shift in bottom widths, below which a range is none, and how many are looked at."""


@dataclass(frozen=True, slots=True)
class Falls:
    """What a shift costs: `shift_hz` (M,) from 0 upwards; `fall_db` (C, M) lost there on each of C ways (up and down;
    of each cavity), `half_db` (C, M) the half-width of its 95 % interval."""

    shift_hz: NDArray[np.float64]
    fall_db: NDArray[np.float64]
    half_db: NDArray[np.float64]

    def within(self, shown: Figure, goal_db: float) -> Figure:
        """Shift in hertz, either way, at which the rejection that was `shown` has fallen to the goal; open upwards
        where no fitted shift is sure to lose it. CAN'T SAY where the goal is not surely met, or any shift may lose
        it."""
        if not shown.low > goal_db:
            return cant_say("Hz", "the goal is not shown to be met" if shown.known else "no rejection is known")
        value = self._first(self.fall_db, shown.value - goal_db)
        low = self._first(self.fall_db + self.half_db, shown.low - goal_db)
        high = self._first(self.fall_db - self.half_db, shown.high - goal_db)
        if low < float(self.shift_hz[1]):
            return cant_say("Hz", "any drift may lose the goal", limited_by="model")
        end = float(self.shift_hz[-1])
        return inferred(min(value, end), min(low, end), high, "Hz", limited_by="model")

    def _first(self, fall_db: NDArray[np.float64], spare_db: float) -> float:
        """Smallest shift on any way at which so much is lost, by straight lines between; infinite where none is."""
        found = math.inf
        for curve in fall_db:
            over = np.flatnonzero(curve >= spare_db)
            if over.size:
                at = int(over[0])
                before = max(at - 1, 0)
                rise = float(curve[at] - curve[before])
                share = (spare_db - float(curve[before])) / rise if rise > 0.0 else 0.0
                step = float(self.shift_hz[at] - self.shift_hz[before])
                found = min(found, float(self.shift_hz[before]) + share * step)
        return found


def falls_together(blend: Blend, channel_hz: float, width_hz: float, reach_hz: float, sigmas: float) -> Falls | None:
    """What a shift of the whole response costs at `channel_hz`, no farther than `reach_hz`; `sigmas` standard
    deviations make the half-widths. None where the bottom's width is not known."""
    shift = _shifts(width_hz, reach_hz)
    if shift is None:
        return None
    asked = channel_hz + np.concatenate((-shift, shift))

    def lost(fit: ChainFit) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        log, slopes = fit.chain.at(asked).log_s21(fit.p)
        return _against_first(log.real.reshape(2, -1), slopes.real.reshape(len(slopes), 2, -1).transpose(1, 2, 0))

    return Falls(shift, *_blended(blend, lost, sigmas))


def falls_alone(blend: Blend, channel_hz: float, width_hz: float, reach_hz: float, sigmas: float) -> Falls | None:
    """The same for one cavity whose notch shifts while the others stay: every cavity, either way."""
    shift = _shifts(width_hz, reach_hz)
    if shift is None:
        return None

    def lost(fit: ChainFit) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        count, size = fit.shape.cavities, shift.size
        p = np.tile(fit.p, (2 * count * size, 1)).reshape(2, count, size, -1)
        for k in range(count):
            p[0, k, :, k] -= shift / fit.shape.reject_hz
            p[1, k, :, k] += shift / fit.shape.reject_hz
        log, slopes = fit.chain.at(np.array([channel_hz])).log_s21(p.reshape(2 * count * size, -1))
        return _against_first(log.real.reshape(-1, size), slopes.real[:, :, 0].reshape(-1, size, p.shape[-1]))

    return Falls(shift, *_blended(blend, lost, sigmas))


def _shifts(width_hz: float, reach_hz: float) -> NDArray[np.float64] | None:
    reach = min(REACH * width_hz, reach_hz) if width_hz > 0.0 else 0.0
    if not reach > FIRST * width_hz:
        return None
    return np.concatenate(([0.0], np.geomspace(FIRST * width_hz, reach, SHIFTS)))


def _against_first(
    log: NDArray[np.float64], slopes: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Rise in dB (C, M) of log levels (C, M) against the first of each way, and its gradient (C, M, P)."""
    db = amplitude_db(math.e)
    return db * (log - log[:, :1]), db * (slopes - slopes[:, :1])


def _blended(
    blend: Blend,
    quantity: Callable[[ChainFit], tuple[NDArray[np.float64], NDArray[np.float64]]],
    sigmas: float,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Mean over the fits and half-width, each (C, M): the variance within the fits and that between them."""
    values, variances = [], []
    for fit in blend.fits:
        value, slope = quantity(fit)
        values.append(value)
        variances.append(blend.inflation * np.einsum("cmp,pq,cmq->cm", slope, fit.covariance, slope, optimize=True))
    weight = np.array(blend.weights)
    mean = np.tensordot(weight, np.array(values), 1)
    within = np.tensordot(weight, np.maximum(np.array(variances), 0.0), 1)
    between = np.tensordot(weight, (np.array(values) - mean) ** 2, 1)
    return mean, sigmas * np.sqrt(within + between)
