"""Speed, by hand: `make bench`. Ratios against a reference in the same run, never against a clock of another machine.

Reference: scikit-rf's vector fitting of the same sweep (fit), a NumPy median over the same sweeps (average).
"""

from __future__ import annotations

import math
import warnings
from typing import Any

import numpy as np
import pytest

from rf.floor.average import average_sweeps
from tests.benchtop import make_unit
from tests.rf.notch_trials import complex_normal, fit, grid, response


@pytest.fixture(scope="module")
def sweep() -> tuple[Any, np.ndarray, np.ndarray, float]:
    unit = make_unit("U6", (60e3, 0.0, -20e3))
    f, power = grid(unit, "U6"), 10**-8.2
    rng = np.random.default_rng(1)
    return unit, f, response(unit, f) + math.sqrt(power) * complex_normal(rng, f.size), power


@pytest.mark.benchmark(group="fit of 401 points, three cavities")
def test_chain_fit(benchmark: Any, sweep: tuple[Any, np.ndarray, np.ndarray, float]) -> None:
    unit, f, data, power = sweep
    found = benchmark(lambda: fit(unit, f, data, power, relative_error=1e-4))
    assert found.trusted


@pytest.mark.benchmark(group="fit of 401 points, three cavities")
def test_chain_fit_of_measured_data(benchmark: Any, sweep: tuple[Any, np.ndarray, np.ndarray, float]) -> None:
    unit, f, data, power = sweep
    told = {"relative_error": 1e-4, "least_departure": 0.6, "port_reflection": 0.1}
    found = benchmark(lambda: fit(unit, f, data, power, **told))
    assert found.trusted


@pytest.mark.benchmark(group="fit of 401 points, three cavities")
def test_chain_fit_that_goes_on(benchmark: Any, sweep: tuple[Any, np.ndarray, np.ndarray, float]) -> None:
    """One more sweep of the same response: the fit begins where the last one ended."""
    unit, f, data, power = sweep
    told: dict[str, Any] = {"relative_error": 1e-4, "least_departure": 0.6, "port_reflection": 0.1}
    told["begin"] = fit(unit, f, data, power, **told).ended
    later = data + math.sqrt(power) / 3.0 * complex_normal(np.random.default_rng(2), f.size)
    found = benchmark(lambda: fit(unit, f, later, power, **told))
    assert found.trusted


@pytest.mark.benchmark(group="fit of 401 points, three cavities")
def test_reference_vector_fitting(benchmark: Any, sweep: tuple[Any, np.ndarray, np.ndarray, float]) -> None:
    import skrf

    _, f, data, _ = sweep
    network = skrf.Network(f=f, f_unit="Hz", s=data.reshape(-1, 1, 1))

    def run() -> Any:
        fitting = skrf.vectorFitting.VectorFitting(network)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            fitting.vector_fit(n_poles_real=0, n_poles_cmplx=4, fit_constant=True)
        return fitting

    assert benchmark(run).poles is not None


@pytest.mark.benchmark(group="average of 100 sweeps of 401 points")
def test_average(benchmark: Any) -> None:
    sweeps = complex_normal(np.random.default_rng(1), 100 * 401).reshape(100, 401)
    assert benchmark(lambda: average_sweeps(sweeps)).sweeps == 100


@pytest.mark.benchmark(group="average of 100 sweeps of 401 points")
def test_reference_median(benchmark: Any) -> None:
    sweeps = complex_normal(np.random.default_rng(1), 100 * 401).reshape(100, 401)
    assert benchmark(lambda: np.median(sweeps.real, axis=0) + 1j * np.median(sweeps.imag, axis=0)).size == 401
