"""Feeder and antenna against handbook relations and a reference library (scikit-rf).

VSWR of a reflection (Pozar, Microwave Engineering, eq. 2.41): 20 dB is 1.222, 14 dB 1.499, 9.54 dB 2.0 (common
tables). Velocity 1 / sqrt(er): solid polyethylene er 2.3, PTFE 2.05 (common practice). Loss of a coaxial cable from its
dimensions in MIL-C-17 (from memory) by R = Rs / pi (1/d + 1/D), a = R / (2 Z0) (Pozar, table 2.1): a stranded centre
and a braid take up to twice that, nothing takes less. The lines are scikit-rf's, with loss, not a formula of ours.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import skrf
from numpy.typing import NDArray

from rf.repeater.antenna import among_echoes, band_match, end_loss, reflection_at, unwound, vswr
from rf.repeater.cables import CABLES, LOSS_SHARE, find_cable
from rf.repeater.fault_distance import behind_cable, echoes, near_end
from rf.repeater.passband import Residuals
from rf.values.figure import Figure, Kind, at_least, inferred, reading
from rf.values.match import Velocity
from rf.values.words import text

LIGHT = 299_792_458.0
F = np.linspace(402.5e6, 502.5e6, 401)
Complex = NDArray[np.complex128]


@pytest.mark.parametrize(("decibels", "ratio"), [(20.0, 1.2222), (14.0, 1.4985), (9.5424, 2.0), (26.444, 1.1)])
def test_standing_wave_ratio_of_the_tables(decibels: float, ratio: float) -> None:
    seen = vswr(reading(decibels, decibels - 1.0, decibels + 1.0, "dB"))
    assert seen.value == pytest.approx(ratio, abs=1e-3) and seen.kind is Kind.READING
    assert seen.low < ratio < seen.high


def test_a_bound_of_the_match_is_a_bound_of_the_ratio() -> None:
    """26.444 dB or more is 1.1 or less."""
    seen = vswr(at_least(26.444, "dB"))
    assert seen.kind is Kind.AT_MOST and seen.value == pytest.approx(1.1, abs=1e-3)
    assert text(seen).startswith("AT MOST 1.")
    assert not vswr(reading(0.2, 0.0, 0.5, "dB")).known


def test_velocities_are_those_of_the_dielectrics() -> None:
    for name, permittivity in (("RG-213", 2.3), ("RG-58", 2.3), ("RG-142", 2.05)):
        cable = find_cable(name)
        assert cable is not None
        assert cable.velocity.low <= 1.0 / math.sqrt(permittivity) <= cable.velocity.high


@pytest.mark.parametrize(
    ("name", "inner_mm", "outer_mm"),
    [
        ("RG-58", 0.90, 2.95),
        ("RG-213", 2.25, 7.25),
        ("RG-218", 4.95, 17.3),
        ("RG-142", 0.95, 2.95),
        ("RG-59", 0.58, 3.7),
    ],
)
def test_losses_lie_above_what_the_copper_alone_takes(name: str, inner_mm: float, outer_mm: float) -> None:
    """Smooth copper of 58 MS/m at 100 MHz; the impedance by 60 / sqrt(er) ln(D / d) (Pozar, table 2.1)."""
    cable = find_cable(name)
    assert cable is not None
    permittivity = 1.0 / cable.velocity.value**2
    impedance = 59.96 / math.sqrt(permittivity) * math.log(outer_mm / inner_mm)
    assert impedance == pytest.approx(cable.impedance_ohm, rel=0.08)
    surface = math.sqrt(math.pi * 100e6 * 4e-7 * math.pi / 58e6)
    ohm_per_m = surface / math.pi * (1e3 / inner_mm + 1e3 / outer_mm)
    copper_db = 100.0 * ohm_per_m / 2.0 / cable.impedance_ohm * 8.686
    assert copper_db < cable.nominal_db(100e6, 100.0) < 2.2 * copper_db


def test_losses_rise_between_the_root_and_the_first_power_of_frequency() -> None:
    for cable in CABLES:
        assert 2.0 <= cable.loss_400 / cable.loss_100 <= 4.0, cable.name
        assert cable.nominal_db(100e6, 100.0) == pytest.approx(cable.loss_100)
        assert cable.nominal_db(400e6, 50.0) == pytest.approx(cable.loss_400 / 2.0)
        told = cable.loss(150e6, 30.0)
        assert told.kind is Kind.INFERRED and told.high == pytest.approx(told.value * (1 + LOSS_SHARE))
    names = [find_cable(spelt) for spelt in ("rg213", "RG-213/U", "RG 213 U", "RG-58C/U", "RG142B/U")]
    assert all(names) and names[0] is names[1] is names[2] and find_cable("RG-9999") is None


def line(
    frequency_hz: NDArray[np.float64], metres: float, factor: float, loss_db: float, end: Complex | float
) -> Complex:
    """S11 of a line of so much loss one way at 450 MHz, rising with the root of frequency, and of what ends it."""
    axis = skrf.Frequency.from_f(frequency_hz, unit="hz")
    alpha = loss_db / 8.685889638065035 / metres * np.sqrt(frequency_hz / 450e6)
    media = skrf.media.DefinedGammaZ0(axis, gamma=alpha + 2j * np.pi * frequency_hz / (factor * LIGHT), z0=50)
    load = np.broadcast_to(np.asarray(end, complex), frequency_hz.shape)
    ended = skrf.Network(frequency=axis, s=load.reshape(-1, 1, 1))
    return np.asarray((media.line(metres, "m") ** ended).s[:, 0, 0], np.complex128)


def noisy(rng: np.random.Generator, clean: Complex, size: float) -> Complex:
    return clean + size * (rng.normal(size=clean.size) + 1j * rng.normal(size=clean.size)) / math.sqrt(2.0)


def test_loss_by_open_and_short_ends() -> None:
    """Return loss of an open or shorted line is twice its loss (common practice). Directivity of 35 dB at any phase, 40
    lines: one end holds the loss within what it states, both ends hold it closer."""
    rng = np.random.default_rng(3)
    widths, inside = {1: 0.0, 2: 0.0}, {1: 0, 2: 0}
    for _ in range(40):
        loss, metres = rng.uniform(0.5, 5.0), rng.uniform(8.0, 60.0)
        error = 10 ** (-35 / 20) * np.exp(2j * np.pi * rng.random())
        ends = [
            noisy(rng, line(F, metres, 0.85, loss, sign) * 10 ** (rng.uniform(-0.3, 0.3) / 20) + error, 1e-3)
            for sign in (1.0, -1.0)
        ]
        for count in (1, 2):
            figure = end_loss(F, ends[:count], np.full(F.size, 1e-6), 450e6)
            assert figure.kind is Kind.READING
            inside[count] += figure.low <= loss <= figure.high
            widths[count] += (figure.high - figure.low) / 40
    assert inside[1] >= 38 and inside[2] >= 38 and widths[2] <= widths[1]


def test_a_feeder_that_returns_nothing_has_no_loss_to_tell() -> None:
    dead = end_loss(F, [line(F, 30.0, 0.66, 25.0, 1.0)], np.full(F.size, 1e-12), 450e6)
    assert dead.kind is Kind.CANT_SAY
    assert end_loss(F, [], np.full(F.size, 1e-12), 450e6).kind is Kind.CANT_SAY
    assert end_loss(F, [line(F, 30.0, 0.66, 2.0, 1.0)], np.full(F.size, 1e-12), 600e6).kind is Kind.CANT_SAY


def resonator(frequency_hz: NDArray[np.float64], decibels: float, q: float) -> Complex:
    size = 10 ** (-decibels / 20)
    z = (1 + size) / (1 - size) + 2j * q * (frequency_hz / 452.5e6 - 452.5e6 / frequency_hz)
    return np.asarray((z - 1) / (z + 1))


def test_match_through_a_long_feeder_on_a_wide_grid() -> None:
    """60 m turn S11 by 0.7 rad from sample to sample of a 100 MHz sweep; the match at a channel between two samples is
    that of the antenna less twice the loss all the same."""
    s11 = line(F, 60.0, 0.85, 2.0, resonator(F, 18.0, 8.0))
    seen = echoes(F, s11, Velocity(0.85, 0.84, 0.86))[0]
    still = unwound(F, s11, seen.delay_s)
    np.testing.assert_allclose(np.abs(still), np.abs(s11))
    fine = np.array([450.1e6, 452.5e6])
    truth = -20 * np.log10(np.abs(line(fine, 60.0, 0.85, 2.0, resonator(fine, 18.0, 8.0))))
    for hz, decibels in zip(fine, truth, strict=True):
        band = band_match(F, still, np.full(F.size, 1e-10), float(hz), float(hz) + 1e3, Residuals(0.0, 60.0))
        assert band.worst.value == pytest.approx(decibels, abs=0.3)
    wide = band_match(F, still, np.full(F.size, 1e-10), 450e6, 455e6)
    assert wide.worst_hz == pytest.approx(450e6, abs=0.3e6) or wide.worst_hz == pytest.approx(455e6, abs=0.3e6)
    assert not band_match(F, still, np.full(F.size, 1e-10), 300e6, 455e6).worst.known


def test_the_reflection_between_two_samples_of_a_long_feeder() -> None:
    """80 m turn 1.97 rad from sample to sample; half way the chord would be cos(0.98) = 0.55 of the truth."""
    s11 = line(F, 80.0, 0.85, 2.0, resonator(F, 14.0, 6.0))
    for hz in (450.125e6, 455.1e6):
        truth = line(np.array([hz - 1.0, hz]), 80.0, 0.85, 2.0, resonator(np.array([hz - 1.0, hz]), 14.0, 6.0))[1]
        assert abs(reflection_at(F, s11, hz) - truth) < 0.03 * abs(truth)
    narrow = F[:8]
    assert abs(reflection_at(narrow, s11[:8], float(narrow[3])) - s11[3]) < 1e-12


def test_a_kink_stands_before_the_end() -> None:
    """25 dB at 12.5 m of 40 m: the second echo, at its place and level; a narrow antenna makes no third one."""
    axis = skrf.Frequency.from_f(F, unit="hz")
    size = 10 ** (-25 / 20)
    joint = np.tile([[size, math.sqrt(1 - size**2)], [math.sqrt(1 - size**2), -size]], (F.size, 1, 1))
    media = skrf.media.DefinedGammaZ0(axis, gamma=2j * np.pi * F / (0.88 * LIGHT), z0=50)
    antenna = skrf.Network(frequency=axis, s=resonator(F, 18.0, 8.0).reshape(-1, 1, 1))
    joined = media.line(12.5, "m") ** skrf.Network(frequency=axis, s=joint) ** media.line(27.5, "m") ** antenna
    found = echoes(F, np.asarray(joined.s[:, 0, 0]), Velocity(0.88, 0.87, 0.89))
    assert len(found) == 2
    assert found[0].place.low <= 40.0 <= found[0].place.high
    assert found[1].place.low <= 12.5 <= found[1].place.high
    assert found[1].level.low <= 25.0 <= found[1].level.high
    # Of the antenna alone: what else is seen may stand in any phase beside it.
    seen = float(-20 * np.log10(abs(joined.s[200, 0, 0])))
    alone = among_echoes(reading(seen, seen, seen, "dB"), [size, near_end(F, np.asarray(joined.s[:, 0, 0]))])
    assert alone.low <= 18.0 <= alone.high


def test_echoes_that_could_be_all_of_it_leave_a_bound() -> None:
    bound = among_echoes(reading(25.0, 24.0, 26.0, "dB"), [10 ** (-24 / 20)])
    assert bound.kind is Kind.AT_LEAST and bound.value < 24.0
    assert behind_cable(bound, 1.0).kind is Kind.AT_LEAST
    nothing: Figure = among_echoes(reading(25.0, 24.0, 26.0, "dB"), [])
    assert nothing.value == 25.0


def test_measured_loss_widens_what_lies_behind_it() -> None:
    """14 dB seen behind 2.0 +- 0.2 dB: 10.0 dB, half a decibel either way more than it was seen with."""
    there = behind_cable(reading(14.0, 13.5, 14.5, "dB"), reading(2.0, 1.8, 2.2, "dB"))
    assert there.kind is Kind.INFERRED
    assert (there.value, there.low, there.high) == pytest.approx((10.0, 9.1, 10.9))
    assert not behind_cable(reading(14.0, 13.5, 14.5, "dB"), vswr(at_least(-1.0, "dB"))).known
    assert inferred(1.0, 0.0, 2.0, "dB").kind is Kind.INFERRED
