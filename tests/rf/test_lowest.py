"""The deepest point that is read, against formulas worked by hand, NumPy's polynomial fit and SciPy's minimiser."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
import scipy.optimize
from numpy.typing import NDArray

from rf.floor import lowest
from rf.floor.lowest import Lowest, lowest_point

F = np.linspace(454e6, 456e6, 201)
"""10 kHz apart."""


def cusp(at_hz: float = 455e6, d: float = 0.1, step: float = 0.3) -> np.ndarray:
    """d (1 + j x) with x growing by `step` a sample: 1.5 times the lowest power at x = 0.707, 3 dB at x = 1."""
    return np.asarray(d * (1 + 1j * step * (F - at_hz) / 1e4))


def read(data: np.ndarray, power: float = 1e-14, low: float = 454.2e6, high: float = 455.8e6) -> Lowest:
    return lowest_point(F, data, np.full(F.size, power), low, high)


def test_twenty_decibels_over_the_noise_and_no_less() -> None:
    """Power 0.01 at the lowest sample against a hundred times the noise."""
    assert read(cusp(), 1e-4 / 1.01).depth.known
    assert "in the floor" in read(cusp(), 1e-4 * 1.01).depth.why


def test_the_interval_of_an_exact_bottom_is_a_point() -> None:
    found = read(cusp())
    assert (found.depth.low, found.depth.value, found.depth.high) == pytest.approx((20.0, 20.0, 20.0), abs=1e-4)
    assert found.depth.limited_by == "random"


@pytest.mark.parametrize(("low", "high", "at_hz"), [(454.2e6, 455.8e6, 455.3e6), (454.2e6, 455.0e6, 454.7e6),
                                                    (455.0e6, 455.8e6, 455.3e6)])  # fmt: skip
def test_only_samples_within_the_limits_are_looked_at(low: float, high: float, at_hz: float) -> None:
    """Two bottoms, the one at 455.3 MHz deeper."""
    data = np.where(F < 455.0e6, cusp(454.7e6, 0.1), cusp(455.3e6, 0.05))
    assert read(data, 1e-14, low, high).place.value == pytest.approx(at_hz, abs=10.0)


def test_a_place_between_samples_and_limits_that_are_samples() -> None:
    """3 kHz beside a sample, on either side; seven samples with those at both limits are enough."""
    for at_hz in (455.003e6, 454.997e6):
        assert read(cusp(at_hz)).place.value == pytest.approx(at_hz, abs=1.0)
    assert read(cusp(), low=float(F[97]), high=float(F[103])).place.known
    assert "too few" in read(cusp(), low=float(F[98]), high=float(F[103])).place.why


@pytest.mark.parametrize("index", [2, 3, 197, 198])
def test_seven_samples_need_three_on_each_side(index: int) -> None:
    at_hz = float(F[index])
    found = read(cusp(at_hz), low=453e6, high=457e6)
    assert found.place.known is (index in (3, 197))
    assert found.place.known or "edge" in found.place.why


@pytest.mark.parametrize(
    ("share", "power", "refused"), [(0.021, 1e-14, True), (0.019, 1e-14, False), (0.1, 2.5e-5, False),
                                    (0.1, 1e-5, True)]
)  # fmt: skip
def test_a_step_is_too_coarse_where_no_parabola_fits(share: float, power: float, refused: bool) -> None:
    """Misfit = sum |r|^2 / (7 - 3), r by NumPy's polynomial fit of seven samples, set to a `share` of the bottom: two
    per cent are allowed, or six times the noise (0.01 of 0.1 squared is 1e-4)."""
    zigzag = np.where(np.arange(7) % 2, 1.0, -1.0)
    left = zigzag - np.polyval(np.polyfit(np.arange(7), zigzag, 2), np.arange(7))
    size = share * 0.1 / math.sqrt(float((left**2).sum()) / 4.0)
    data = cusp()
    data[97:104] += size * left  # orthogonal to every parabola, so the bottom stays 0.1
    found = read(data, power)
    assert found.place.known is not refused
    assert not refused or "too coarse" in found.place.why
    if share == 0.019:  # what no parabola explains widens the interval like noise: that of 0.019 x 0.1 per sample
        noisy = read(cusp(), (0.019 * 0.1) ** 2)
        assert found.place.high - found.place.low == pytest.approx(noisy.place.high - noisy.place.low, rel=0.02)


def test_the_flat_of_a_bottom_is_counted() -> None:
    """Power 1 + (k/10)^2 stays below 1.5 up to k = 7; noise of 0.01 widens that by 3 x 0.1, up to k = 8 (1.64)."""
    k = np.arange(-50, 51)
    square = 1.0 + (k / 10.0) ** 2
    assert lowest._bottom_half(square, 50, 0.0) == 7
    assert lowest._bottom_half(square, 50, 0.01) == 8
    steep = square + np.where(k > 0, 3.0, 0.0)
    assert lowest._bottom_half(steep, 50, 0.0) == lowest._bottom_half(steep[::-1], 50, 0.0) == 0
    flat = np.ones(11)
    assert [lowest._bottom_half(flat, low, 0.0) for low in (0, 1, 5, 7, 10)] == [0, 0, 4, 2, 0]


COEFFICIENTS = [
    (0.5 + 0.2j, -0.9 + 0.1j, 0.8 - 0.3j), (0.1 + 0j, 0.02 + 0.5j, 0.3 + 0.1j), (0.3 + 0.1j, 0.4 - 0.2j, 0.5 + 0.3j)
]  # fmt: skip


@pytest.mark.parametrize("c", COEFFICIENTS)
def test_the_minimum_and_its_spread(c: tuple[complex, complex, complex]) -> None:
    """SciPy's minimiser finds the same place; moved by each sample's real and imaginary part in turn, it scatters by
    the root of the squares (GUM, law of propagation), noise / 2 in each."""
    x = np.linspace(-1.0, 1.0, 9)
    inverse: NDArray[np.float64] = np.asarray(np.linalg.pinv(np.vander(x, 3, increasing=True)), np.float64)
    clean = np.polynomial.polynomial.polyval(x, c)

    def place(samples: np.ndarray) -> float:
        fitted = np.polyfit(x, samples, 2)
        level: Callable[[float], float] = lambda at: float(abs(np.polyval(fitted, at)) ** 2)  # noqa: E731
        return float(
            scipy.optimize.minimize_scalar(level, bounds=(-1, 1), method="bounded", options={"xatol": 1e-12}).x
        )

    at = lowest._minimum(np.array(c))
    assert at is not None and at == pytest.approx(place(clean), abs=1e-5)
    moved = [
        (place(clean + 1e-3 * unit * turn) - place(clean - 1e-3 * unit * turn)) / 2e-3
        for unit in np.eye(9) for turn in (1.0, 1j)
    ]  # fmt: skip
    noise = 1e-6
    expected = math.sqrt(noise / 2.0 * float(np.square(moved).sum()))
    assert lowest._place_spread(np.array(c), at, inverse, noise) == pytest.approx(expected, rel=0.01)


def test_no_minimum_inside_is_none_and_a_maximum_has_no_spread() -> None:
    """|2 + x|^2 falls to its end; |1 - x^2|^2 is highest at 0; of |x^2 - 1/4|^2 + small, the deeper zero is taken."""
    assert lowest._minimum(np.array([2.0, 1.0, 0.0], complex)) is None
    assert lowest._place_spread(np.array([1.0, 0.0, -1.0], complex), 0.0, np.eye(3), 1e-6) == math.inf
    skewed = np.array([-0.25 + 0.1j, 0.05j, 1.0])
    assert lowest._minimum(skewed) == pytest.approx(-0.5, abs=0.05)
