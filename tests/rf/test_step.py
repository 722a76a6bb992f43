"""A step between sweeps is found at its place; noise, bursts, shaking gain and drift are none.

Source of the checks: draws, and the simulated duplexer's own screws.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from protocol.simulated.duplexer import load_unit
from rf.floor.step import StepWatch
from tests.rf.notch_trials import complex_normal

F_HZ = np.linspace(442.5e6, 462.5e6, 201)
NOISE = 10 ** (-72 / 20)


def still(*turned_hz: float) -> np.ndarray:
    unit = load_unit("U6")
    for number, hertz in enumerate(turned_hz, 1):
        unit.turn("L", number, hertz)
    return np.asarray(unit.s(F_HZ)[:, 1, 0])


BEFORE, AFTER, DRIFTED = still(), still(60e3), still(10e3)


def steps(
    rng: np.random.Generator,
    sweeps: int,
    *,
    at: int | None = None,
    gain: float = 0.0,
    bursts: float = 0.0,
    level: float | None = None,
    drift: float = 0.0,
    slope: float = 0.0,
) -> list[int]:
    """Sweeps after which a step was found. `level`: the whole response changes by so much, in a span that holds one
    value; `slope` of a gain that is another one in each sweep, from end to end; `drift` share per sweep of the way to
    a unit 10 kHz off."""
    watch, seen = StepWatch(), []
    for number in range(1, sweeps + 1):
        x = BEFORE if at is None or number <= at else AFTER
        if level is not None:
            x = np.full(101, 3e-3) * (level if at is not None and number > at else 1.0)
        x = x + drift * number * (DRIFTED - BEFORE) if drift else x
        x = x * (1.0 + slope * rng.normal() * np.linspace(-1.0, 1.0, x.size))
        x = x * (1.0 + gain * rng.normal()) + NOISE * complex_normal(rng, x.size)
        if rng.random() < bursts:
            x = x + 100 * NOISE * complex_normal(rng, x.size)
        after = watch.add(x)
        if after:
            seen.append(number - after)
            assert len(watch.since(after)) == after
    return seen


@pytest.mark.parametrize("at", [3, 4, 9, 25])
def test_a_turned_screw_is_found_where_it_was_turned(at: int) -> None:
    rng = np.random.default_rng(at)
    for _ in range(5):
        assert steps(rng, at + 6, at=at) == [at]


def test_a_zoom_sees_a_step_of_its_level() -> None:
    rng = np.random.default_rng(3)
    for level in (0.7, 1.4, 3.0):
        assert steps(rng, 20, at=10, level=level) == [10]
    assert steps(rng, 20, at=10, level=1.02) == []  # less than a decibel may be gain


@pytest.mark.parametrize(
    "told",
    [
        {},
        {"gain": 3e-3},
        {"bursts": 0.1},
        {"bursts": 0.4},
        {"drift": 0.01},
        {"level": 1.0},
        {"slope": 3e-3},
        {"level": 1.0, "gain": 0.01},
    ],
)
def test_what_is_no_step(told: Any) -> None:
    rng = np.random.default_rng(11)
    for _ in range(6):
        assert steps(rng, 60, **told) == []


@pytest.mark.long
def test_false_alarms_stay_below_half_a_percent_of_the_runs() -> None:
    rng = np.random.default_rng(4)
    assert sum(bool(steps(rng, 100)) for _ in range(400)) <= 2
    assert sum(bool(steps(rng, 100, bursts=0.1)) for _ in range(400)) <= 2


def test_few_points_tell_nothing() -> None:
    watch = StepWatch()
    assert [watch.add(np.full(5, float(number // 10) + 0j)) for number in range(20)] == [0] * 20
