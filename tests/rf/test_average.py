"""Averages that bursts cannot spoil: every sample is counted, and too much dirt is said, not averaged."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from rf.floor.average import BUSY_SHARE, FALSE_REJECT, Average, RunningAverage, average_sweeps
from rf.floor.floor import floor_from_scatter

POINTS = 401
Make = Callable[[np.ndarray], Average]


def noise(rng: np.random.Generator, *shape: int, power: float = 1e-7) -> np.ndarray:
    return (rng.normal(size=shape) + 1j * rng.normal(size=shape)) * np.sqrt(power / 2)


def signal(points: int = POINTS) -> np.ndarray:
    x = np.linspace(-4, 4, points)
    return 0.9 * (x**2 + 1e-5) / (x**2 + 1) * np.exp(1j * x)


def burst(rng: np.random.Generator, sweeps: np.ndarray, share: float, db: float = 40.0) -> np.ndarray:
    hit = np.asarray(rng.random(sweeps.shape[0]) < share)
    sweeps[hit] += noise(rng, int(hit.sum()), sweeps.shape[1], power=1e-7 * 10 ** (db / 10))
    return hit


def running(sweeps: np.ndarray) -> Average:
    average = RunningAverage()
    for sweep in sweeps:
        average.add(sweep)
    return average.average()


@pytest.mark.parametrize("make", [average_sweeps, running])
@pytest.mark.parametrize("count", [1, 2, 4, 10, 100])
def test_clean_sweeps(make: Make, count: int) -> None:
    rng = np.random.default_rng(count)
    sweeps = signal() + noise(rng, count, POINTS)
    found = make(sweeps)
    assert (found.kept + found.thrown == count).all()
    assert found.thrown.mean() <= 0.01 * count
    assert not found.too_busy
    assert found.thrown_sweeps == 0
    # The kept samples give the plain mean up to the few thrown out.
    assert np.sqrt(np.mean(np.abs(found.mean - sweeps.mean(axis=0)) ** 2)) < 0.3 * np.sqrt(1e-7 / count)


@pytest.mark.parametrize("count", [5, 6, 8, 10, 25, 100])
def test_clean_samples_are_thrown_out_as_rarely_as_promised(count: int) -> None:
    """FALSE_REJECT of complex Gaussian noise, whatever the number of sweeps; no clean run counts as too busy.

    Source: |d|^2 of complex Gaussian noise is exponential (common practice), so the share above the limit is known.
    """
    rng = np.random.default_rng(3)
    averages = [average_sweeps(noise(rng, count, POINTS)) for _ in range(40)]
    share = sum(int(average.thrown.sum()) for average in averages) / (40 * count * POINTS)
    assert share == pytest.approx(FALSE_REJECT, rel=0.25)
    assert not any(average.too_busy for average in averages)


@pytest.mark.parametrize("make", [average_sweeps, running])
def test_scatter_is_unbiased(make: Make) -> None:
    rng = np.random.default_rng(2)
    found = make(noise(rng, 64, POINTS))
    # sd of the mean over 401 points of an estimate from 63 dof each: 1 / sqrt(63 * 401) = 0.6 %
    assert found.scatter_power.mean() == pytest.approx(1e-7, rel=0.03)


@pytest.mark.parametrize("make", [average_sweeps, running])
@pytest.mark.parametrize("seed", range(4))
def test_ten_percent_bursts_cost_less_than_a_decibel(make: Make, seed: int) -> None:
    rng = np.random.default_rng(seed)
    sweeps = signal() + noise(rng, 100, POINTS)
    clean = floor_from_scatter(make(sweeps)).averaged.value
    hit = burst(rng, sweeps, 0.1)
    found = make(sweeps)
    assert found.thrown_sweeps == hit.sum()
    assert not found.too_busy
    assert floor_from_scatter(found).averaged.value - clean < 1.0
    error = np.sqrt(np.mean(np.abs(found.mean - signal()) ** 2) / (1e-7 / 100))
    assert 20 * np.log10(error) < 1.0


@pytest.mark.parametrize("make", [average_sweeps, running])
@pytest.mark.parametrize("seed", range(4))
def test_forty_percent_is_too_busy(make: Make, seed: int) -> None:
    rng = np.random.default_rng(seed)
    sweeps = signal() + noise(rng, 100, POINTS)
    hit = burst(rng, sweeps, 0.4)
    assert hit.mean() > BUSY_SHARE
    assert make(sweeps).too_busy


def test_a_carrier_at_one_point_spoils_that_point_only() -> None:
    rng = np.random.default_rng(3)
    sweeps = signal() + noise(rng, 60, POINTS)
    sweeps[:, 200] += 1e-2 * np.exp(2j * np.pi * rng.random(60)) * (rng.random(60) < 0.6)
    found = average_sweeps(sweeps)
    assert found.too_busy_points[200]
    assert found.too_busy_points.sum() == 1
    assert not found.too_busy


def test_shaking_gain_is_not_taken_for_bursts() -> None:
    """Where the response stands high the scatter is the gain's; strong points must not be thrown out for it."""
    rng = np.random.default_rng(4)
    shake = 1 + 1e-2 * (rng.normal(size=(100, 1)) + 1j * rng.normal(size=(100, 1)))
    found = average_sweeps(signal() * shake + noise(rng, 100, POINTS))
    assert not found.too_busy
    assert found.thrown_sweeps <= 2
    assert found.kept.min() > 90


def test_running_agrees_with_the_batch() -> None:
    rng = np.random.default_rng(5)
    sweeps = signal() + noise(rng, 200, POINTS)
    burst(rng, sweeps, 0.1)
    batch, run = average_sweeps(sweeps), running(sweeps)
    assert run.thrown_sweeps == batch.thrown_sweeps
    assert np.abs(run.mean - batch.mean).max() < np.sqrt(1e-7 / 180)
    difference = floor_from_scatter(run).one_sweep.value - floor_from_scatter(batch).one_sweep.value
    assert abs(difference) < 0.1


def test_what_cannot_be_averaged_is_refused() -> None:
    average = RunningAverage()
    with pytest.raises(ValueError, match="no sweep"):
        average.average()
    average.add(signal())
    with pytest.raises(ValueError, match="same points"):
        average.add(signal(201))
    bad = signal()
    bad[3] = np.nan
    with pytest.raises(ValueError, match="non-finite"):
        average.add(bad)
    with pytest.raises(ValueError, match="finite"):
        average_sweeps(bad)
    assert average.sweeps == 1
