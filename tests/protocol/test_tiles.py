"""Splitting and joining of spans: equal steps, no point twice, no point lost."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from protocol.errors import AnalyzerError, RequestError
from protocol.sweep import Limits, SweepSettings
from protocol.tiles import Measured, join, split

LIMITS = Limits(1e6, 1e9, 11, 401, 10, 1e5, min_level_dbm=-40, max_level_dbm=0)


@given(st.integers(11, 20_000), st.integers(100, 1001), st.floats(1e3, 1e8))
def test_tiles_cover_the_grid_exactly(points: int, most: int, span: float) -> None:
    whole = SweepSettings.around(450e6, span, points, 1000)
    tiles = split(whole, Limits(1e6, 1e9, 11, most, 10, 1e5))
    assert len(tiles) == -(-points // most) and max(tile.points for tile in tiles) <= most
    grid = np.concatenate([tile.frequency_hz() for tile in tiles])
    np.testing.assert_allclose(grid, whole.frequency_hz(), rtol=0, atol=1e-6)
    assert grid[-1] == whole.stop_hz


@pytest.mark.parametrize(
    ("settings", "says"),
    [
        (SweepSettings(1e5, 2e6, 101, 100), "leaves the analyzer's range"),
        (SweepSettings(1e6, 2e9, 101, 100), "leaves the analyzer's range"),
        (SweepSettings(1e6, 2e6, 3, 100), "too few"),
        (SweepSettings(1e6, 2e6, 101, 1), "bandwidth 1 Hz"),
        (SweepSettings(1e6, 2e6, 101, 100, 10.0), "level 10 dBm"),
        (SweepSettings(1e6, 2e6, 10**9, 100), "ask for fewer points"),
    ],
)
def test_requests_outside_the_limits(settings: SweepSettings, says: str) -> None:
    with pytest.raises(RequestError, match=says):
        split(settings, LIMITS)


def test_a_list_of_bandwidths_is_kept_to() -> None:
    limits = Limits(1e6, 1e9, 11, 401, 30, 300, (30.0, 100.0, 300.0))
    with pytest.raises(RequestError, match="not one of this analyzer's: 30, 100, 300 Hz"):
        split(SweepSettings(1e6, 2e6, 101, 200), limits)
    with pytest.raises(RequestError, match="level cannot be set"):
        split(SweepSettings(1e6, 2e6, 101, 100, -10), limits)


def test_pieces_that_cannot_be_made() -> None:
    with pytest.raises(RequestError, match="cannot be split"):
        split(SweepSettings(1e6, 2e6, 12, 100), Limits(1e6, 1e9, 11, 11, 10, 1e5))


def test_overlapping_pieces_are_refused() -> None:
    part = Measured(np.array([1.0, 2.0]), np.zeros(2, complex), np.zeros(2, complex), 0.0, 1.0)
    later = Measured(np.array([2.0, 3.0]), np.zeros(2, complex), np.zeros(2, complex), 1.0, 1.5)
    with pytest.raises(AnalyzerError, match="overlap"):
        join([part, later])
    apart = Measured(np.array([3.0, 4.0]), np.ones(2, complex), np.zeros(2, complex), 1.0, 1.5)
    whole = join([part, apart])
    assert (whole.started_s, whole.duration_s) == (0.0, 2.5)
    np.testing.assert_array_equal(whole.frequency_hz, [1, 2, 3, 4])
    np.testing.assert_array_equal(whole.s11, [0, 0, 1, 1])
