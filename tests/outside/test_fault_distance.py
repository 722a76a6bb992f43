"""The feeder's echo against the transform's textbook relations and against a reference library (scikit-rf).

Relations (discrete Fourier transform of K frequencies, common practice; study, F17): resolution c v / (2 span), range
c v / (2 step). The cables are scikit-rf's: lines with loss, cascaded by its network algebra, not by a formula of ours.
"""

from __future__ import annotations

import numpy as np
import pytest
import skrf
from numpy.typing import NDArray

from rf.repeater.fault_distance import Echo, behind_cable, needed_span_hz, strongest_echo
from rf.values.figure import Kind
from rf.values.match import Velocity

LIGHT = 299_792_458.0
FACTOR = 0.88
KNOWN = Velocity(FACTOR, 0.87, 0.89)
F = np.linspace(100e6, 200e6, 101)


def cable(
    frequency_hz: NDArray[np.float64], metres: float, echo: complex, plug: complex = 0.02, loss_db: float = 0.0
) -> NDArray[np.complex128]:
    """S11 of a plug that reflects a little, then a line of so much loss one way, then a load that reflects `echo`."""
    axis = skrf.Frequency.from_f(frequency_hz, unit="hz")
    gamma = loss_db / 8.685889638065035 / metres + 2j * np.pi * frequency_hz / (FACTOR * LIGHT)
    media = skrf.media.DefinedGammaZ0(axis, gamma=gamma, z0=50)
    joint = skrf.Network(frequency=axis, s=np.tile([[plug, 1 - abs(plug) ** 2], [1.0, -plug]], (axis.npoints, 1, 1)))
    return np.asarray((joint ** media.line(metres, "m") ** media.load(echo)).s[:, 0, 0], np.complex128)


def found(metres: float, echo: complex, **words: complex) -> Echo:
    return strongest_echo(F, cable(F, metres, echo, **words), KNOWN)  # type: ignore[arg-type]


def test_f17_resolution_and_range() -> None:
    """100 MHz of span at velocity 0.88: 1.3 m, 132 m at 101 points."""
    echo = found(41.0, 0.6)
    assert echo.resolution_m == pytest.approx(LIGHT * FACTOR / 2 / 100e6) == pytest.approx(1.319, abs=1e-3)
    assert echo.range_m == pytest.approx(LIGHT * FACTOR / 2 / 1e6) == pytest.approx(131.9, abs=0.05)
    assert "132 m" in echo.limits and "1.3 m" in echo.limits


@pytest.mark.parametrize("metres", [5.0, 41.0, 66.5, 80.0, 100.0, 125.0])
@pytest.mark.parametrize("size", [0.6, -0.6, 0.1])
def test_an_echo_stands_at_its_place_and_level_over_the_whole_range(metres: float, size: float) -> None:
    """0.6 is 4.437 dB, 0.1 is 20 dB; the plug's 0.02 stands at the near end."""
    echo = found(metres, size)
    assert echo.place.kind is Kind.INFERRED and echo.level.kind is Kind.READING
    assert echo.place.value == pytest.approx(metres, abs=0.1)
    assert echo.place.low <= metres <= echo.place.high
    assert echo.level.value == pytest.approx(-20 * np.log10(abs(size)), abs=0.15)
    assert echo.level.low <= -20 * np.log10(abs(size)) <= echo.level.high


def test_beyond_the_range_it_seems_nearer_by_the_range() -> None:
    echo = found(150.0, 0.6)
    assert echo.place.value == pytest.approx(150.0 - echo.range_m, abs=0.1)


@pytest.mark.parametrize("metres", [30.0, 90.0])
def test_the_reference_library_sees_the_same_delay(metres: float) -> None:
    """scikit-rf's own transform of the same sweep; its cells are 1 / (K step) wide, its time axis runs round zero."""
    s11 = cable(F, metres, 0.5)
    network = skrf.Network(frequency=skrf.Frequency.from_f(F, unit="hz"), s=s11.reshape(-1, 1, 1))
    size = np.abs(network.windowed("hann", normalize=False).s_time[:, 0, 0])
    theirs = float(network.frequency.t[int(np.argmax(size))]) % 1e-6
    assert strongest_echo(F, s11, KNOWN).delay_s == pytest.approx(theirs, abs=1 / (101 * 1e6))


def test_loss_of_the_cable_is_taken_out_only_where_it_is_told() -> None:
    """3 dB one way: 4.437 dB at the fault is seen as 10.437 dB (twice the loss; study, F18)."""
    seen = found(80.0, 0.6, loss_db=3.0).level
    assert seen.value == pytest.approx(10.437, abs=0.05)
    fault = behind_cable(seen, 3.0)
    assert fault.kind is Kind.INFERRED and fault.limited_by == "cable loss"
    assert fault.low <= 4.437 <= fault.high
    assert fault.value == pytest.approx(4.437, abs=0.05)
    nothing = strongest_echo(F, np.full(101, 0.1 + 0j), KNOWN).level
    assert behind_cable(nothing, 3.0) is nothing


def test_an_unknown_cable_widens_the_place_by_its_velocity() -> None:
    """Solid polyethylene 0.66 to corrugated foam 0.88; half the resolution on both sides."""
    echo = strongest_echo(F, cable(F, 80.0, 0.6))
    delay = 2 * 80.0 / (FACTOR * LIGHT)
    assert echo.place.low == pytest.approx(LIGHT / 2 * 0.66 * (delay - 0.5e-8), abs=0.1)
    assert echo.place.high == pytest.approx(LIGHT / 2 * 0.88 * (delay + 0.5e-8), abs=0.1)
    assert echo.place.limited_by == "velocity"
    assert found(41.0, 0.6).place.limited_by == "resolution"


def test_intervals_hold_the_truth_in_noise() -> None:
    """20 dB above the noise of a cell: 95 % stated, counted over 200 draws."""
    rng = np.random.default_rng(17)
    clean = cable(F, 80.0, 0.05)
    inside = placed = 0
    for _ in range(200):
        noise = (rng.normal(size=101) + 1j * rng.normal(size=101)) * 0.03
        echo = strongest_echo(F, clean + noise, KNOWN)
        placed += echo.place.known and echo.place.low <= 80.0 <= echo.place.high
        inside += echo.level.known and echo.level.low <= -20 * np.log10(0.05) <= echo.level.high
    assert placed >= 190 and inside >= 190


def test_noise_alone_is_hardly_ever_an_echo() -> None:
    rng = np.random.default_rng(18)
    told = sum(
        strongest_echo(
            F, np.asarray(rng.normal(size=101) + 1j * rng.normal(size=101), np.complex128), KNOWN
        ).place.known
        for _ in range(500)
    )
    assert told <= 5


def test_a_second_echo_widens_the_level() -> None:
    """Two echoes 4 resolutions apart: the side lobes of one stand under the other."""
    alone = found(60.0, 0.3)
    both = strongest_echo(F, cable(F, 60.0, 0.3) + cable(F, 65.3, 0.25, plug=0.0), KNOWN)
    assert both.level.limited_by == "other echoes"
    assert both.level.high - both.level.low > alone.level.high - alone.level.low
    assert both.level.low <= -20 * np.log10(0.3) <= both.level.high


def test_a_strong_near_end_is_no_echo_far_away() -> None:
    """A plug of 0.5 alone: what lies under its main lobe (two resolutions) and its side lobes is not told."""
    echo = strongest_echo(F, np.full(101, 0.5 + 0j), KNOWN)
    assert echo.place.kind is Kind.CANT_SAY and "no echo" in echo.place.why and np.isnan(echo.delay_s)


def test_a_narrow_span_says_which_span_is_needed() -> None:
    """2.4 MHz at 0.84: 52 m; 5 m need 25.2 MHz."""
    f = np.linspace(449.0e6, 451.4e6, 201)
    echo = strongest_echo(f, cable(f, 20.0, 0.6))
    assert echo.place.kind is echo.level.kind is Kind.CANT_SAY
    assert "52 m apart: sweep 25 MHz or more" in echo.place.why
    assert needed_span_hz() == pytest.approx(LIGHT * 0.84 / 10.0)


def test_too_few_points_and_missing_ones() -> None:
    assert "16 points" in strongest_echo(F[:15], np.zeros(15, complex)).place.why
    s11 = cable(F, 20.0, 0.6)
    s11[3] = np.nan
    assert not strongest_echo(F, s11).place.known
    assert not strongest_echo(F, np.zeros(101, complex)).place.known
