"""Steady carriers found in repeated sweeps, and none where there is none.

Source of the checks: draws; the share of differences over t times their mean is exp(-t) (exponential law of |d|^2).
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from rf.floor.average import RunningAverage
from rf.floor.carrier import Carrier, find_carriers
from tests.rf.notch_trials import complex_normal

F_HZ = 455e6 + np.linspace(-40e3, 40e3, 101)
WIDE_HZ = np.linspace(445e6, 465e6, 301)
NOISE = 1e-4


def found(
    rng: np.random.Generator,
    sweeps: int,
    carrier_db: float | None = None,
    width_hz: float = 3e3,
    *,
    f: np.ndarray = F_HZ,
    bursts: float = 0.0,
    gain: float = 0.0,
    step_at: int | None = None,
) -> tuple[Carrier, ...]:
    """`carrier_db` over the noise; `bursts` share of the samples that are hit."""
    still = 3e-4 + 0.9 / (1.0 + ((f - f[0]) / 2e6) ** 2) if f is WIDE_HZ else np.full(f.shape, 2e-5 + 0j)
    average = RunningAverage()
    for number in range(sweeps):
        x = still * (1.0 + gain * rng.normal()) + NOISE * complex_normal(rng, f.size)
        if step_at is not None and number >= step_at:
            x = x + 0.02 * np.exp(-(((f - 455e6) / 1e6) ** 2))
        if carrier_db is not None:
            shape = np.exp(-0.5 * ((f - 455e6) / width_hz) ** 2)
            x = x + NOISE * 10 ** (carrier_db / 20) * shape * np.exp(2j * np.pi * rng.random(f.size))
        hit = rng.random(f.size) < bursts
        x = x + hit * 30 * NOISE * rng.exponential(1.0, f.size) * np.exp(2j * np.pi * rng.random(f.size))
        average.add(x)
    made = average.average()
    if made.too_busy:
        return ()
    carriers, hit_points = find_carriers(f, made)
    assert bool(carriers) == bool(hit_points.any())
    return carriers


@pytest.mark.parametrize("width_hz", [1e3, 3e3])
@pytest.mark.parametrize("sweeps", [10, 50])
def test_a_carrier_is_found_with_its_place_and_level(sweeps: int, width_hz: float) -> None:
    rng = np.random.default_rng(int(width_hz) + sweeps)
    seen = 0
    for _ in range(10):
        carriers = found(rng, sweeps, 14.0, width_hz)
        seen += bool(carriers)
        if carriers:
            assert abs(carriers[0].frequency_hz - 455e6) <= max(2.5e3, 2.5 * width_hz)
            assert abs(carriers[0].level_db - (20 * np.log10(NOISE) + 14.0)) < 3.0
    assert seen >= 9


@pytest.mark.parametrize(
    ("sweeps", "told"),
    [
        (3, {}), (6, {}), (20, {}), (60, {}), (20, {"gain": 3e-3}), (20, {"bursts": 0.02}), (60, {"bursts": 0.01}),
        (6, {"step_at": 3}), (20, {"step_at": 9}),
    ],
)  # fmt: skip
@pytest.mark.parametrize("f", [F_HZ, WIDE_HZ], ids=["zoom", "wide"])
def test_no_carrier_is_seen_where_none_is(sweeps: int, told: Any, f: np.ndarray) -> None:
    """0.2 % by construction; a run with bursts, shaking gain or a turned screw is no carrier either."""
    rng = np.random.default_rng(sweeps)
    assert sum(bool(found(rng, sweeps, f=f, **told)) for _ in range(15)) == 0


@pytest.mark.long
def test_false_alarms_stay_below_half_a_percent() -> None:
    rng = np.random.default_rng(8)
    assert sum(bool(found(rng, 12)) for _ in range(2000)) <= 10


def test_fewer_than_five_sweeps_tell_nothing() -> None:
    assert found(np.random.default_rng(1), 4, 40.0) == ()


def test_its_words() -> None:
    assert Carrier(450.6e6, -31.4, 450.5e6, 450.7e6).says == "carrier at 450.6000 MHz, about -31 dB"
