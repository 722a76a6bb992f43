"""What a survey with both leads on loads tells: how much is random, how much leaks steadily, where interferers come in.

Owns: splitting repeated sweeps of nothing into random, steady and ingress per frequency, and the number of sweeps at
which averaging stops paying. Refuses: to call steady what noise alone could leave in the mean.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rf.floor.average import average_sweeps, burst_free
from rf.floor.bound import two_sided, upper_limit
from rf.floor.floor import Floor, floor_from_scatter
from rf.values.decibel import amplitude, power_db
from rf.values.figure import CONFIDENCE, Figure, at_least, cant_say, reading

LEAK_POINTS = 21
"""Samples around a channel that carry the leak there, at the least; all within `LEAK_HALF_HZ` do."""

LEAK_HALF_HZ = 0.5e6
"""A leak of fifty nanoseconds turns by a sixth of a radian over this, so that value and slope leave half a per cent."""

LEADS_MOVE = 1.2
"""Leads that go from the loads to the duplexer leak otherwise than they did: by up to a fifth (common practice for
leads that are laid the same way again). A limit from a survey is multiplied by this."""

ROOM_SHARE = 1.0 / 3.0
"""Share of a goal's room that a survey's limit may take before it costs a proof more than it settles."""

LARGE = 1e5
"""Above this the noncentral chi-square law is taken as normal; the library's inversion ends there."""

INGRESS_CHANCE = 1e-3
"""Chance, over the whole sweep, of calling a clean point one with ingress."""

TAIL_SIGMAS = 4.0
"""A point's fourth moment this far above a Gaussian's marks heavy tails."""


@dataclass(frozen=True, slots=True)
class FloorSplit:
    """Floor of one hook-up on loads over K points, re thru.

    `random_db` (K,) of one sweep; `steady` (K,) complex mean with `steady_low` and `steady_high` (K,) amplitudes at
    95 % and `averaged_power` (K,) of the noise left in it; `ingress` (K,) flags of points with interferers; `floor` the
    random floor as a whole; `leakage` the pooled steady level in dB: READING where it is found, else AT LEAST so far
    down (positive dB); `worth_sweeps` the number
    of sweeps beyond which averaging no longer lowers the floor (None: no leak was found within the sweeps taken).
    """

    random_db: NDArray[np.float64]
    steady: NDArray[np.complex128]
    steady_low: NDArray[np.float64]
    steady_high: NDArray[np.float64]
    averaged_power: NDArray[np.float64]
    ingress: NDArray[np.bool_]
    floor: Floor
    leakage: Figure
    worth_sweeps: int | None


def split_floor(sweeps: NDArray[np.complex128]) -> FloorSplit:
    """Split `sweeps` (N, K), N >= 5, taken with both leads on loads. Raises ValueError for fewer."""
    if sweeps.ndim != 2 or sweeps.shape[0] < 5:
        raise ValueError("a survey needs five sweeps or more")
    average = average_sweeps(sweeps)
    floor = floor_from_scatter(average)
    averaged = floor.additive_power / np.maximum(average.kept, 1)
    # A burst covers its sweep and says nothing of the points: else a busy hill is ingress at every one of them.
    whole = sweeps[burst_free(sweeps)]
    ingress = _ingress(whole if len(whole) >= 5 else sweeps, floor.additive_power) | average.too_busy_points
    low, high = two_sided(np.abs(average.mean), averaged, floor.dof)
    clean = ~ingress
    leakage: Figure = cant_say(
        "dB", "interferers at every frequency: survey again when it is quiet", limited_by="ingress"
    )
    worth = None
    if clean.any() and not average.too_busy:
        leakage, power = _pooled(average.mean[clean], averaged[clean])
        worth = None if power is None else max(1, round(floor.additive_power / power))
    levels = _level(average.scatter_power)
    return FloorSplit(levels, average.mean, low, high, averaged, ingress, floor, leakage, worth)


def _level(power: NDArray[np.float64]) -> NDArray[np.float64]:
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(10.0 * np.log10(power))


def _pooled(mean: NDArray[np.complex128], averaged: NDArray[np.float64]) -> tuple[Figure, float | None]:
    """Steady level over all clean points: sum 2|x|^2 / P is noncentral chi-square with 2K degrees of freedom and
    noncentrality 2 sum |l|^2 / P."""
    from scipy.special import chndtr, chndtrinc, ndtri  # noqa: PLC0415 - heavy imports stay out of start-up

    statistic = float((2.0 * np.abs(mean) ** 2 / averaged).sum())
    dof = 2.0 * mean.size
    per = float(averaged.mean()) / dof
    tail = (1.0 - CONFIDENCE) / 2.0

    def power(chance: float) -> float:
        """E|l|^2 for which a statistic this small or smaller has this chance; 0 when there is none."""
        if statistic > LARGE:
            return max(statistic - dof - float(ndtri(chance)) * math.sqrt(2.0 * (2.0 * statistic - dof)), 0.0) * per
        return 0.0 if float(chndtr(statistic, dof, 0.0)) <= chance else float(chndtrinc(statistic, dof, chance)) * per

    low, high = power(1.0 - tail), power(tail)
    if low <= 0.0:
        bound = max(power(1.0 - CONFIDENCE), float(averaged.mean()) / math.sqrt(mean.size))
        return at_least(-power_db(bound), "dB", limited_by="random", why="no leakage stands out of the noise"), None
    best = min(max((statistic - dof) * per, low), high)
    return reading(power_db(best), power_db(low), power_db(high), "dB", limited_by="random"), best


def leak_limit_at(frequency_hz: NDArray[np.float64], split: FloorSplit, at_hz: float) -> float | None:
    """Amplitude that the leak at `at_hz` does not exceed (95 %), from the samples around it; None outside the survey.

    A leak runs over tens of nanoseconds at most, so over `LEAK_POINTS` neighbouring samples of a sweep over a few per
    cent of the carrier, or all those of a zoom, it is a value with a slope; pooling them takes the limit below the
    floor of a single sample.
    """
    if not frequency_hz[0] <= at_hz <= frequency_hz[-1]:
        return None
    within = int((np.abs(frequency_hz - at_hz) <= LEAK_HALF_HZ).sum())
    near = np.argsort(np.abs(frequency_hz - at_hz))[: max(LEAK_POINTS, within)]
    near = near[~split.ingress[near]]
    if near.size < LEAK_POINTS // 2:
        return None
    offset = frequency_hz[near] - at_hz
    weights = np.linalg.pinv(np.vander(offset / max(float(np.abs(offset).max()), 1.0), 2, increasing=True))[0]
    value = abs(complex(weights @ split.steady[near]))
    power = float(weights**2 @ split.averaged_power[near])
    return float(upper_limit(value, power, split.floor.dof))


def survey_sweeps(one_sweep_power: float, points: int, goal_db: float) -> int:
    """Sweeps of a survey after which its limit, where no leak is found, takes a third of what `goal_db` (with all that
    is spared for other errors) leaves; `points` samples carry the leak, each with E|n|^2 = `one_sweep_power`."""
    wanted = ROOM_SHARE * amplitude(-goal_db)
    one = float(upper_limit(0.0, one_sweep_power / max(points, 1)))
    return max(math.ceil((one / wanted) ** 2), 5)


def leak_points(frequency_hz: NDArray[np.float64]) -> int:
    """Samples of such a sweep that carry the leak at a channel in its middle."""
    step = float(frequency_hz[-1] - frequency_hz[0]) / max(frequency_hz.size - 1, 1)
    return min(frequency_hz.size, max(LEAK_POINTS, round(2.0 * LEAK_HALF_HZ / max(step, 1.0)) + 1))


def _ingress(sweeps: NDArray[np.complex128], power: float) -> NDArray[np.bool_]:
    """Points with far more scatter than the others, or with a fourth moment that no Gaussian noise has.

    E|n|^4 / E|n|^2 ^2 is 2 for complex Gaussian noise, with standard deviation sqrt(20 / N) (its own eighth moment
    gives 24 - 4 = 20).
    """
    from scipy.special import chdtri  # noqa: PLC0415

    count = sweeps.shape[0]
    centre = np.median(sweeps.real, axis=0) + 1j * np.median(sweeps.imag, axis=0)
    square = np.abs(sweeps - centre) ** 2
    mean = square.mean(axis=0)
    loud = 2.0 * count * mean / power > float(chdtri(2.0 * count, INGRESS_CHANCE / sweeps.shape[1]))
    tails = (square**2).mean(axis=0) / np.maximum(mean, 1e-300) ** 2
    heavy = tails > 2.0 + TAIL_SIGMAS * math.sqrt(20.0 / count) * 1.5
    return np.asarray(loud | (heavy & (mean > 1.5 * power)))


@dataclass(frozen=True, slots=True)
class TwoStates:
    """Signal and leakage parted by two states of the path: `signal` and `leakage` complex, `power` = E|n|^2 of the
    signal."""

    signal: complex
    leakage: complex
    power: float


def two_states(first: complex, second: complex, ratio: complex, first_power: float, second_power: float) -> TwoStates:
    """s and l from x0 = s + l and x1 = a s + l, a = `ratio` known (half wave: -1, pad: 10^(-dB/20)) [study F8].

    Raises ValueError when the two states are too alike to part anything.
    """
    if abs(1.0 - ratio) < 0.1:
        raise ValueError("the two states of the path are too alike: use a longer jumper or a larger pad")
    signal = (first - second) / (1.0 - ratio)
    leak = (second - ratio * first) / (1.0 - ratio)
    return TwoStates(complex(signal), complex(leak), (first_power + second_power) / abs(1.0 - ratio) ** 2)


def pad_test(before_db: float, after_db: float, pad_db: float) -> str:
    """What a pad at port 2 tells: a signal falls by the pad; leakage past the duplexer does not [study, scenario
    27]."""
    fall = before_db - after_db
    if abs(fall - pad_db) <= 1.0:
        return "signal"
    return "mostly leakage or floor" if fall < pad_db / 2.0 else "signal and leakage mixed"
