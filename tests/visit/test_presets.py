"""The first sweep asks only for what the analyzer has."""

from __future__ import annotations

from pathlib import Path

import pytest

from protocol.sweep import Limits
from visit.site.presets import wide
from visit.site.site import load_site


@pytest.mark.parametrize(
    ("bandwidths_hz", "expected_hz"),
    [((), 1000.0), ((50.0, 500.0, 5000.0), 500.0), ((100.0, 10_000.0), 100.0), ((3000.0,), 3000.0)],
)
def test_the_nearest_bandwidth_is_taken(bandwidths_hz: tuple[float, ...], expected_hz: float) -> None:
    site = load_site(Path("fixtures/sites/demo-450.toml"))
    limits = Limits(1e6, 1e9, 11, 401, 1.0, 1e5, bandwidths_hz)
    assert wide(site, limits).bandwidth_hz == expected_hz
    assert wide(site, limits, 30.0).bandwidth_hz == 30.0  # what was asked for is never changed


@pytest.mark.parametrize(("points", "expected"), [((), 401), ((101, 201), 201), ((51, 101), 101), ((11, 401), 401)])
def test_only_numbers_of_points_that_are_taken(points: tuple[int, ...], expected: int) -> None:
    site = load_site(Path("fixtures/sites/demo-450.toml"))
    assert wide(site, Limits(1e6, 1e9, 11, 401, 1.0, 1e5, (), points=points)).points == expected
