"""The floor: what one sweep holds, what is left after averaging, and when no figure is given.

Source: independent noise falls by 10 log N in power when N sweeps are averaged coherently (common practice).
"""

from __future__ import annotations

import numpy as np
import pytest

from rf.floor.average import average_sweeps
from rf.floor.floor import floor_from_one_sweep, floor_from_scatter
from rf.values.figure import Kind
from tests.rf.test_average import noise, signal


@pytest.mark.parametrize("count", [2, 10, 100])
def test_averaged_floor_falls_by_ten_log_n(count: int) -> None:
    """Check b3 (exact): 10 log N; statistical error 4.343 / sqrt((N - 1) K) (study, F2)."""
    rng = np.random.default_rng(count)
    floor = floor_from_scatter(average_sweeps(noise(rng, count, 401)))
    assert floor.one_sweep.value - floor.averaged.value == pytest.approx(10 * np.log10(count), abs=0.02)
    assert floor.one_sweep.value == pytest.approx(-70.0, abs=3 * 4.343 / np.sqrt((count - 1) * 401))
    assert floor.one_sweep.kind is Kind.READING


def test_gain_instability_is_told_from_noise() -> None:
    rng = np.random.default_rng(1)
    shake = 1 + 3e-3 * (rng.normal(size=(100, 1)) + 1j * rng.normal(size=(100, 1))) / np.sqrt(2)
    floor = floor_from_scatter(average_sweeps(signal() * shake + noise(rng, 100, 401)))
    assert floor.relative_error == pytest.approx(3e-3, rel=0.25)
    assert floor.one_sweep.value == pytest.approx(-70.0, abs=0.5)
    strong = np.abs(signal()).argmax()
    assert floor.averaged_power[strong] > 10 * floor.additive_power / 100


def test_interval_covers() -> None:
    """The stated 95 % interval of the floor must cover in 95 % of runs (binomial error 2.2 % of 400)."""
    rng = np.random.default_rng(2)
    hits = 0
    for _ in range(400):
        figure = floor_from_scatter(average_sweeps(noise(rng, 4, 64))).one_sweep
        hits += figure.low <= -70.0 <= figure.high
    assert 0.90 <= hits / 400 <= 0.995


def test_one_sweep_alone_betrays_its_floor() -> None:
    rng = np.random.default_rng(3)
    hits, values = 0, []
    for _ in range(200):
        trace = noise(rng, 401)
        trace[150:] += signal()[150:] * np.linspace(0, 1, 251) ** 2
        figure = floor_from_one_sweep(trace).one_sweep
        values.append(figure.value)
        hits += figure.low <= -70.0 <= figure.high
    assert np.mean(values) == pytest.approx(-70.0, abs=0.5)
    assert hits / 200 > 0.85


def test_no_floor_where_everything_stands_above_it() -> None:
    floor = floor_from_one_sweep(0.5 + 0.3 * np.exp(1j * np.linspace(0, 3, 401)))
    assert floor.one_sweep.kind is Kind.CANT_SAY
    assert floor.additive_power >= 0


def test_too_little_data_is_refused() -> None:
    rng = np.random.default_rng(4)
    with pytest.raises(ValueError, match="two sweeps"):
        floor_from_scatter(average_sweeps(noise(rng, 1, 401)))
    with pytest.raises(ValueError, match="points or more"):
        floor_from_one_sweep(noise(rng, 20))


def test_detection_level_is_rarely_passed_by_noise() -> None:
    """Check b13: 6.632 dB above the rms floor for a false alarm of 0.01."""
    rng = np.random.default_rng(5)
    average = average_sweeps(noise(rng, 50, 401))
    floor = floor_from_scatter(average)
    assert floor.detection_db - floor.averaged.value == pytest.approx(6.632, abs=0.05)
    share = np.mean(20 * np.log10(np.abs(average.mean)) > floor.detection_db)
    assert share < 0.03
