"""A step between sweeps: a screw was turned, a connector touched, while sweeps were averaged.

Owns: finding the sweep after which the device is another one. Refuses: bursts (no two of them are alike), gain and
phase of the whole sweep (they shake along the response itself), and slow drift (a few sweeps part hardly anything).

Law: the last sweeps, less the median of those before them and less their own complex gain, are whitened noise as long
as nothing happened: the correlation of any two is v / (1 + v) by the shared median, whose variance is v sweeps' worth,
with a standard deviation of 1/sqrt(2 K) over K points (Fisher 1915, for large K). After a step all of them hold the
same change. A change-point test by two windows (Basseville and Nikiforov 1993, Detection of Abrupt Changes, 2.1), on
correlation, so that the power of a burst counts for nothing. A change along the response itself, as a zoom sees it, is
a step where it is far larger than gain that shakes.
"""

from __future__ import annotations

from collections import deque

import numpy as np
from numpy.typing import NDArray

BEFORE = 8
"""Sweeps before the step that tell what was: no more, so that drift stays small among them."""
FEWEST_BEFORE = 3
AFTER = 3
FIRST_LOOK = AFTER - 1 + FEWEST_BEFORE
MEMORY = BEFORE + AFTER + BEFORE
"""So many sweeps make the whole state of a watch: those held, and those held when the noise was weighed last."""
THREE_SIGMAS, TWO_SIGMAS = 4.5, 7.0
"""How far each correlation must stand out where three sweeps after the step agree, and where two do."""
CLIP = 16.0
"""A sample counts as no more than so many times its noise power: what a burst left there is one sample's worth."""
QUIET = 2.0
OWN_NOISE = 0.3
WENT = 0.4
FEWEST_POINTS = 15
LEAST_CHANGE = 0.005
"""Less than 0.04 dB of a point's own level is no step: number formats and gain do as much."""
LEAST_GAIN = 0.12
"""A change of level by a decibel, alike in all sweeps after it: no gain shakes so far and stays."""
GAIN_SIGMAS = 8.0


class StepWatch:
    """Watches one parameter of a run, sweep by sweep."""

    def __init__(self) -> None:
        self._held: deque[NDArray[np.complex128]] = deque(maxlen=BEFORE + AFTER)
        self._weight: NDArray[np.float64] | None = None
        self._weighed = 0

    def add(self, sweep: NDArray[np.complex128]) -> int:
        """Take in one sweep (K,). How many of the last sweeps, this one included, came after a step; 0: none did."""
        self._held.append(sweep)
        if sweep.size < FEWEST_POINTS:
            return 0
        if not self._suspect():
            return 0
        for after, sigmas in ((AFTER, THREE_SIGMAS), (AFTER - 1, TWO_SIGMAS)):
            if len(self._held) >= after + FEWEST_BEFORE and self._stepped(after, sigmas):
                return after
        return 0

    def hold(self, sweep: NDArray[np.complex128], number: int) -> None:
        """Take in the number-th sweep (K,) of a run of which it is known that no step came before it. After the last
        `MEMORY` sweeps the watch is the one that took in all of them."""
        self._held.append(sweep)
        if sweep.size >= FEWEST_POINTS and number >= FIRST_LOOK:
            if (number - FIRST_LOOK) % BEFORE == 0:
                self._weigh()
            self._weighed += 1

    def _suspect(self) -> bool:
        """A first look that costs little: less one sweep before them, the last two have half of their power in common
        as long as nothing happened."""
        held = self._held
        if len(held) < FIRST_LOOK:
            return False
        if self._weight is None or self._weighed >= BEFORE:
            self._weigh()
        assert self._weight is not None
        self._weighed += 1
        one, other = ((held[-n] - held[-AFTER - 1]) * self._weight for n in (1, 2))
        one, other = (x / np.maximum(np.abs(x) / np.sqrt(2.0 * CLIP), 1.0) for x in (one, other))
        energy = float(np.vdot(one, one).real + np.vdot(other, other).real) / 2.0
        return bool(np.vdot(one, other).real > (0.5 + 0.7 / np.sqrt(2.0 * one.size)) * energy)

    def _weigh(self) -> None:
        middle = self._held[len(self._held) // 2]
        power = _noise(np.array(self._held)) + (LEAST_CHANGE * np.abs(middle)) ** 2
        self._weight, self._weighed = 1.0 / np.sqrt(power), 0

    def since(self, count: int) -> list[NDArray[np.complex128]]:
        """The last sweeps; the watch begins with them."""
        last = list(self._held)[-count:]
        self._held.clear()
        self._held.extend(last)
        self._weight = None
        return last

    def _stepped(self, after: int, sigmas: float) -> bool:
        held = list(self._held)
        before, last = np.array(held[:-after][-BEFORE:]), np.array(held[-after:])
        power = _noise(np.array(held))
        before = before[_quiet(before, power)]
        if len(before) < FEWEST_BEFORE:
            return False
        mean = _median(before)
        own = np.abs(np.diff(last, axis=0)) ** 2 / (2.0 * power)
        if float(np.minimum(own, CLIP).mean(axis=1).min()) < OWN_NOISE:
            return False  # the noise that is compared with is a burst's
        power = power + (LEAST_CHANGE * np.abs(mean)) ** 2
        if _level_changed(before, last, power):
            return True
        apart = [_whitened(sweep - mean, mean, power) for sweep in last]
        variance = np.pi / 2.0 / (len(before) + np.pi / 2.0 - 1.0)  # of a median of so many, one sweep's being 1
        shared = variance / (1.0 + variance)
        for one in range(after):
            for other in range(one):
                if _sigmas(apart[one], apart[other], shared) < sigmas:
                    return False
        return _held_still([_whitened(sweep - mean, mean, power) for sweep in before], np.mean(apart, axis=0))


def _noise(held: NDArray[np.complex128]) -> NDArray[np.float64]:
    """E|n|^2 (K,) of one sweep, from the median over successive differences, smoothed over the points: neither a step
    nor a burst moves it."""
    square = np.abs(np.diff(held, axis=0)) ** 2 / 2.0
    middle = np.median(square, axis=0) / np.log(2.0)
    width = min(21, middle.size - 1 + middle.size % 2)
    padded = np.pad(middle, width // 2, mode="reflect")
    smooth = np.lib.stride_tricks.sliding_window_view(padded, width).mean(axis=-1)
    return np.asarray(np.maximum(smooth, 1e-30))


def _median(sweeps: NDArray[np.complex128]) -> NDArray[np.complex128]:
    return np.asarray(np.median(sweeps.real, axis=0) + 1j * np.median(sweeps.imag, axis=0))


def _quiet(sweeps: NDArray[np.complex128], power: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Sweeps (N, K) that no burst hit: what all later deviations share would else be its."""
    middle = _median(sweeps)
    size = np.minimum(np.abs(sweeps - middle) ** 2 / (power + (LEAST_CHANGE * np.abs(middle)) ** 2), CLIP).mean(axis=1)
    return np.asarray(size <= QUIET * max(float(np.median(size)), 1.0))


def _level_changed(before: NDArray[np.complex128], last: NDArray[np.complex128], power: NDArray[np.float64]) -> bool:
    """Whether the whole response is larger, smaller or turned, alike in all of the last sweeps.

    The response's own energy over the noise is told by two halves of the sweeps before, whose noises are apart.
    """
    weight = 1.0 / np.sqrt(power)
    halves = [_median(half) for half in (before[::2], before[1::2])]
    one, other = halves[0] * weight, halves[1] * weight
    energy = float(np.vdot(one, other).real)
    if energy < (GAIN_SIGMAS / LEAST_GAIN / 4.0) ** 2:
        return False
    least = max(LEAST_GAIN, GAIN_SIGMAS / np.sqrt(energy))
    gains = np.array([np.vdot(one + other, sweep * weight) / (2.0 * energy) for sweep in last]) - 1.0
    middle = gains.mean()
    earlier = np.array([np.vdot(one + other, sweep * weight) / (2.0 * energy) for sweep in before]) - 1.0
    if np.abs(earlier).max() > WENT * abs(middle):
        return False
    return bool(abs(middle) > least and np.abs(gains - middle).max() < 0.3 * abs(middle))


def _held_still(before: list[NDArray[np.complex128]], step: NDArray[np.complex128]) -> bool:
    """Whether no sweep before the step went a good part of its way: what shakes along a few smooth curves, as gains and
    cables do, went there before, too."""
    energy = float(np.vdot(step, step).real)
    return all(abs(float(np.vdot(step, each).real)) < WENT * energy for each in before)


def _whitened(
    apart: NDArray[np.complex128], mean: NDArray[np.complex128], power: NDArray[np.float64]
) -> NDArray[np.complex128]:
    """The deviation (K,) in units of noise, its part along the response taken out, large samples clipped."""
    weight = 1.0 / np.sqrt(power)
    white, along = apart * weight, mean * weight
    size = np.abs(white)
    white = np.where(size**2 > CLIP, white / np.maximum(size, 1e-30) * np.sqrt(CLIP), white)
    norm = float(np.vdot(along, along).real)
    return np.asarray(white - along * (np.vdot(along, white) / norm) if norm > 0 else white)


def _sigmas(one: NDArray[np.complex128], other: NDArray[np.complex128], shared: float) -> float:
    """How far the correlation of two deviations stands above what their shared mean gives."""
    both = np.abs(one) * np.abs(other)
    scale = float(np.sqrt((np.abs(one) ** 2).sum() * (np.abs(other) ** 2).sum()))
    if scale <= 0.0:
        return 0.0
    # Few loud points make the correlation of few: as many as carry the product.
    points = float(both.sum() ** 2 / max((both**2).sum(), 1e-300))
    found = float(np.vdot(one, other).real) / scale
    return (found - shared) * float(np.sqrt(2.0 * points))
