"""The scale of angles: a phase that turns once round tells it, less than a turn leaves several."""

from __future__ import annotations

import numpy as np
import pytest

from protocol.learn.dialogue import Nobody
from protocol.learn.found import MissingError
from protocol.learn.questions import kind_said
from protocol.learn.sweeps.axis import starts_where_set
from protocol.learn.sweeps.columns import Kind, reflecting
from protocol.learn.sweeps.scale import alike, enough_points, fits, telling_width

TENTHS = Kind("mag", "deg", (1e4, 10))
LEAD_S = 11e-9


def swept(start_hz: float, stop_hz: float, points: int, scale: float) -> tuple[np.ndarray, np.ndarray]:
    """An open lead's S11 as amplitude in 1/10000 and angle in 1/scale degrees, shape (points, 2), and hertz."""
    hertz = np.linspace(start_hz, stop_hz, points)
    angle = (np.rad2deg(-2 * np.pi * hertz * LEAD_S) + 180) % 360 - 180
    return np.column_stack([np.full(points, 9500.0), np.round(angle * scale)]), hertz


def test_less_than_a_turn_leaves_scales_open_and_a_turn_closes_them() -> None:
    pair, hertz = swept(5e6, 40e6, 101, 10)
    left = [kind for kind in alike(TENTHS) if fits(kind, pair, hertz)]
    assert TENTHS in left and len(left) > 1
    width = telling_width(left, pair, hertz)
    wide, hertz = swept(5e6, 5e6 + width, enough_points(left, pair, hertz, width), 10)
    assert [kind for kind in left if fits(kind, wide, hertz)] == [TENTHS]


def test_an_angle_of_more_than_a_turn_is_none() -> None:
    pair, hertz = swept(100e6, 300e6, 201, 100)
    assert not TENTHS.turns_once(pair)
    assert TENTHS not in reflecting(pair, hertz)
    turned, _ = swept(100e6, 300e6, 201, 10)
    turned[:, 1] %= 3600
    assert TENTHS.turns_once(turned)


async def test_without_a_turn_nothing_is_guessed() -> None:
    with pytest.raises(MissingError, match="1/10 degrees or 1/100 degrees"):
        await kind_said(Nobody(), [TENTHS, Kind("mag", "deg", (1e4, 100))])


def test_an_angle_that_creeps_is_no_imaginary_part_once_it_has_turned() -> None:
    parts = Kind("re", "im", (1e4, 1e4))
    pair, hertz = swept(100e6, 108e6, 51, 10)
    left = [kind for kind in alike(parts) if fits(kind, pair, hertz)]
    assert {parts, TENTHS} <= set(left)
    wide, hertz = swept(100e6, 240e6, 101, 10)
    assert [kind for kind in left if fits(kind, wide, hertz)] == [TENTHS]


def test_two_parts_that_turn_are_no_amplitude() -> None:
    hertz = np.linspace(100e6, 160e6, 101)
    trace = 9500 * np.exp(-2j * np.pi * hertz * LEAD_S)
    pair = np.column_stack([trace.real, trace.imag]).round()
    parts = Kind("re", "im", (1e4, 1e4))
    assert [kind for kind in alike(parts) if fits(kind, pair, hertz)] == [parts]


async def test_another_form_is_asked_for_in_words() -> None:
    with pytest.raises(MissingError, match="real and imaginary part in 1/10000 or 1/10000 amplitude, 1/10 degrees"):
        await kind_said(Nobody(), [Kind("re", "im", (1e4, 1e4)), TENTHS])


@pytest.mark.parametrize(
    ("moved_hz", "right"), [(0.0, True), (31e6, False), (-12e6, False), (0.2e6, True), (-18e6, None)]
)
def test_a_start_that_was_moved_in_silence_shows_in_the_phase(moved_hz: float, right: bool | None) -> None:
    def lead(start_hz: float, stop_hz: float) -> np.ndarray:
        hertz = np.linspace(start_hz, stop_hz, 51)
        return 0.95 * np.exp(-2j * np.pi * hertz * LEAD_S + 0.3j)

    traces = lead(120e6, 132e6), lead(127e6 + moved_hz, 163e6 + moved_hz)
    low = 109e6 if right is None else 127e6
    assert starts_where_set(traces, ((120e6, 132e6), (low, low + 36e6))) is right


def test_a_scale_too_large_is_not_taken_for_a_flatter_trace() -> None:
    hertz = np.linspace(100e6, 200e6, 51)
    lead = (0.975 - 0.01 * np.sin(hertz / 9e6)) * np.exp(-2j * np.pi * hertz * 7e-9)
    for scale in (8388608.0, 8192.0):
        pair = np.round(scale * np.stack([lead.real, lead.imag], axis=1))
        assert reflecting(pair, hertz)[0].divisors == (scale, scale)
