"""Second differences of sweeps: white noise keeps its power, a straight drift has none, a step is left out.

Sources: variance of a linear form of white noise; for overlapping second differences 1 / sum of squared correlations
(Bartlett 1946); von Neumann 1941 for what drift does to scatter and to differences.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from rf.floor.average import RunningAverage, average_sweeps
from rf.floor.curved import independent
from rf.floor.floor import floor_from_scatter
from rf.values.figure import Kind

POINTS = 401
NOISE = 1e-3
SKIRT = np.linspace(-1.0, 1.0, POINTS) ** 2


def noisy(sweeps: NDArray[np.complex128], seed: int) -> NDArray[np.complex128]:
    rng = np.random.default_rng(seed)
    noise = rng.normal(size=(2, *sweeps.shape)) * NOISE / math.sqrt(2.0)
    return np.asarray(sweeps + noise[0] + 1j * noise[1])


def held(seeds: int, sweeps: NDArray[np.complex128]) -> tuple[float, float]:
    """Mean error in dB of the floor, and the share of intervals that hold it."""
    found = [floor_from_scatter(average_sweeps(noisy(sweeps, seed))).one_sweep for seed in range(seeds)]
    inside = [figure.low <= -60.0 <= figure.high for figure in found]
    return float(np.mean([figure.value + 60.0 for figure in found])), float(np.mean(inside))


def drifting(count: int, scale: float) -> NDArray[np.complex128]:
    """Skirts of a unit whose notch drifts on as it warms up, by `scale` times the noise in the end."""
    warm = 1.0 - np.exp(-np.arange(count) / (count / 2.0))
    return np.asarray(warm[:, None] * scale * NOISE * SKIRT * (1.0 + 0.5j))


@pytest.mark.parametrize(("count", "bound"), [(4, 1.2), (8, 0.8), (16, 0.6), (32, 0.4)])
def test_white_noise_keeps_its_power(count: int, bound: float) -> None:
    one = average_sweeps(noisy(np.zeros((count, POINTS), complex), count))
    assert one.curves >= 1 and 10.0 * math.log10(one.curved_power.mean() / NOISE**2) == pytest.approx(0.0, abs=bound)


def test_overlapping_differences_are_worth_half() -> None:
    """The variance of their mean by draws, against n / sum of squared correlations."""
    rng = np.random.default_rng(3)
    x = (rng.normal(size=(2, 4000, 8)) / math.sqrt(2.0))[0] + 0j
    x = x + 1j * rng.normal(size=x.shape) / math.sqrt(2.0)
    second = np.abs(x[:, 2:] - 2.0 * x[:, 1:-1] + x[:, :-2]) ** 2 / 6.0
    assert 1.0 / second.mean(axis=1).var() == pytest.approx(independent(6), rel=0.07)
    assert independent(0) == 0.0 and independent(1) == 1.0 and independent(30) == pytest.approx(15.6, rel=0.01)


@pytest.mark.parametrize("count", [2, 4, 5, 8, 32])
def test_the_interval_holds_without_drift(count: int) -> None:
    bias, share = held(60, np.zeros((count, POINTS), complex))
    assert abs(bias) < 0.08 and share >= 0.88


@pytest.mark.parametrize(("count", "scale"), [(8, 8.0), (16, 10.0), (32, 30.0)])
def test_a_drift_is_no_noise(count: int, scale: float) -> None:
    """The scatter of the same sweeps is decibels too high."""
    sweeps = drifting(count, scale)
    bias, share = held(25, sweeps)
    assert abs(bias) < 0.25 and share >= 0.84
    scatter = average_sweeps(noisy(sweeps, 1)).scatter_power
    assert 10.0 * math.log10(float(np.mean(scatter)) / NOISE**2) > 1.0


def test_the_triples_over_a_step_are_left_out() -> None:
    """Beside the triples that hold it, the floor is that of a unit at rest."""
    sweeps = np.zeros((8, POINTS), complex)
    sweeps[5:] += 3.0 * NOISE * (0.5 + SKIRT)
    average = average_sweeps(noisy(sweeps, 4))
    assert average.curves == 4
    figure = floor_from_scatter(average).one_sweep
    assert figure.kind is Kind.READING and figure.low <= -60.0 <= figure.high


def test_the_running_form_goes_on_as_the_batch_form() -> None:
    """48 sweeps in drift: 32 at once, then one by one; a burst and a step in the later ones are left out."""
    sweeps = noisy(np.concatenate((drifting(32, 5.0), np.tile(drifting(32, 5.0)[-1], (16, 1)))), 5)
    sweeps[40, :30] += 1.0
    running = RunningAverage()
    for sweep in sweeps:
        running.add(sweep)
    average = running.average()
    assert 40 <= average.curves <= 46
    assert 10.0 * math.log10(average.curved_power.mean() / NOISE**2) == pytest.approx(0.0, abs=0.25)
    assert average.curved_power.max() < 3.0 * NOISE**2


def settling(count: int) -> NDArray[np.complex128]:
    """A leak that settles within a few sweeps, by ten times the noise, and nowhere like the response."""
    wave = np.cos(np.linspace(0.0, 3.0, POINTS))
    return np.asarray(SKIRT + np.exp(-np.arange(count) / 2.0)[:, None] * 10.0 * NOISE * wave * (1.0 + 0.5j))


def test_what_settles_within_a_few_sweeps_is_in_the_interval() -> None:
    """All differences over sweeps alone are raised; those over points too are not."""
    found = [average_sweeps(noisy(settling(6), seed)) for seed in range(40)]
    told = [
        (floor_from_scatter(one).one_sweep, floor_from_scatter(replace(one, crossed=0.0)).one_sweep) for one in found
    ]
    assert sum(figure.low <= -60.0 <= figure.high for figure, _ in told) >= 34
    assert sum(without.low <= -60.0 <= without.high for _, without in told) < 20
    assert np.mean([10.0 * math.log10(one.crossed_power) for one in found]) == pytest.approx(-60.0, abs=0.1)


def test_an_analyzer_that_smooths_lowers_no_value() -> None:
    """Differences over points see hardly any of noise that is alike at five points in a row."""
    over = noisy(np.zeros((8, POINTS + 4), complex), 5)
    average = average_sweeps(np.stack([over[:, k : k + POINTS] for k in range(5)]).sum(axis=0) / math.sqrt(5.0))
    told, without = (floor_from_scatter(one).one_sweep for one in (average, replace(average, crossed=0.0)))
    assert 10.0 * math.log10(average.crossed_power) < -65.0
    assert (told.value, told.high) == (without.value, without.high) and told.low < without.low - 3.0


def test_one_sweep_has_no_differences() -> None:
    average = average_sweeps(noisy(np.zeros((1, POINTS), complex), 6))
    assert math.isnan(average.crossed_power) and average.crossed == 0.0
