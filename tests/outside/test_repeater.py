"""Repeater and cavity arithmetic against handbook values.

e1, e2: ECO handbook 1.2.8 Eq. 8-9 (read). b2: k = 1.380649e-23 J/K is exact (SI brochure, 9th edition). d12, d13:
engineering tables of expansion.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from rf.notch.cavity import EXPANSION_PER_K, drift_hz_per_k
from rf.notch.notch import find_notch
from rf.notch.nudge import Circuit, find_nudge, turned_round
from rf.repeater.desense import (
    desense_db,
    interference_for,
    noise_floor_dbm,
    power_loss_db,
    watt_dbm,
)
from tests.benchtop import make_unit


@pytest.mark.parametrize(
    ("ratio", "loss"),
    [(-10, 0.4139), (-6, 0.9732), (-3, 1.7643), (0, 3.0103), (3, 4.7643), (6, 6.9732), (10, 10.4139)],
)
def test_e1_e2_desensitisation(ratio: float, loss: float) -> None:
    assert desense_db(ratio) == pytest.approx(loss, abs=1e-4)
    assert interference_for(loss) == pytest.approx(ratio, abs=1e-3)


@pytest.mark.parametrize(("loss", "ratio"), [(0.1, -16.328), (0.5, -9.136), (1, -5.868), (3, -0.0206)])
def test_e2_inverse(loss: float, ratio: float) -> None:
    assert interference_for(loss) == pytest.approx(ratio, abs=1e-3)


@pytest.mark.parametrize(
    ("bandwidth", "figure", "dbm"), [(12.5e3, 6, -127.0061), (16e3, 6, -125.9340), (1e3, 10, -133.9752)]
)
def test_b2_thermal_noise(bandwidth: float, figure: float, dbm: float) -> None:
    """kT at 290 K is -173.9752 dBm/Hz; + 10 log B + NF."""
    assert noise_floor_dbm(bandwidth, figure) == pytest.approx(dbm, abs=1e-4)


def test_watts() -> None:
    """50 W is 46.9897 dBm: 10 log(50 / 1 mW)."""
    assert watt_dbm(50.0) == pytest.approx(46.9897, abs=1e-4)


def test_wattmeters() -> None:
    assert power_loss_db(50.0, 36.6) == pytest.approx(1.36, abs=0.01)


def test_d12_d13_drift() -> None:
    for metal, low, high in (("aluminium", -3394, -10395), ("copper", -2425, -7425), ("brass", -2792, -8550),
                             ("nickel-iron", -176, -540)):  # fmt: skip
        assert drift_hz_per_k(146.94e6, EXPANSION_PER_K[metal]) == pytest.approx(low, abs=0.6)
        assert drift_hz_per_k(450e6, EXPANSION_PER_K[metal]) == pytest.approx(high, abs=0.6)


def fitted(f: NDArray[np.float64], s21: NDArray[np.complex128], power: float) -> Circuit:
    """V6's own fit of a sweep."""
    found = find_notch(
        f, s21, power, relative_error=1e-4, cavities=3, reject_hz=150.6e6, pass_hz=150.0e6, ask_hz=(150.6e6,)
    )
    assert found.circuit is not None
    return found.circuit


@pytest.mark.parametrize(("floor_db", "place_hz", "moved_hz"), [(-94.0, 3e3, 2e3), (-82.0, 6e3, 4e3)])
def test_scenario_19_nudge(floor_db: float, place_hz: float, moved_hz: float) -> None:
    """V6, cavity 1 moved 30 kHz: it was at -20 kHz (within 3 kHz at -94, 6 kHz at -82) and moved +30; over 6 draws."""
    rng = np.random.default_rng(5)
    f = np.linspace(149.8e6, 150.8e6, 401)
    unit = make_unit("V6", (-20e3, 0.0, 20e3))
    before = unit.s(f)[:, 1, 0]
    unit.turn("L", 1, 30e3)
    after = unit.s(f)[:, 1, 0]
    power, near = 10 ** (floor_db / 10), f >= 150.4e6
    places, moves, inside = [], [], 0
    for _ in range(6):
        noise = (rng.normal(size=(2, 401)) + 1j * rng.normal(size=(2, 401))) * math.sqrt(power / 2)
        x, y = before + noise[0], after + noise[1]
        found = find_nudge(f[near], x[near], y[near], power, power, fitted(f, x, power))
        places.append(found.before.value - 150.58e6)
        moves.append(found.moved.value - 30e3)
        inside += found.before.low <= 150.58e6 <= found.before.high and found.moved.low <= 30e3 <= found.moved.high
        back = turned_round(find_nudge(f[near], y[near], x[near], power, power, fitted(f, y, power)))
        assert back.moved.low <= 30e3 <= back.moved.high
    assert np.median(np.abs(places)) < place_hz
    assert np.median(np.abs(moves)) < moved_hz
    assert inside >= 5


def test_two_screws_and_none_are_told() -> None:
    rng = np.random.default_rng(6)
    f = np.linspace(149.8e6, 150.8e6, 401)
    unit = make_unit("V6", (-20e3, 0.0, 20e3))
    before = unit.s(f)[:, 1, 0]
    power = 1e-10
    noise = (rng.normal(size=(3, 401)) + 1j * rng.normal(size=(3, 401))) * math.sqrt(power / 2)
    x, near = before + noise[0], f >= 150.4e6
    circuit = fitted(f, x, power)
    still = find_nudge(f[near], x[near], (before + noise[1])[near], power, power, circuit)
    assert "no notch moved" in still.why
    # A leak and a gain that drifted slowly are no movement either.
    other = (before * (1.002 + 0.001j * (f - 150.3e6) / 5e5) + noise[1])[near]
    assert "no notch moved" in find_nudge(f[near], x[near], other, power, power, circuit).why
    unit.turn("L", 1, -40e3)  # the notches stood at -20, 0 and 20 kHz: no single one that moves makes -60, 0 and 60
    unit.turn("L", 3, 40e3)
    both = find_nudge(f[near], x[near], (unit.s(f)[:, 1, 0] + noise[2])[near], power, power, circuit)
    assert not both.known and "more than one screw" in both.why


def test_a_steady_leak_drops_out_of_a_nudge() -> None:
    """At -70 dB it fills the bottom of V6 before and after, and moves nothing."""
    rng = np.random.default_rng(7)
    f = np.linspace(149.8e6, 150.8e6, 401)
    unit = make_unit("V6", (-20e3, 0.0, 20e3))
    power, near, sweeps = 1e-9, f >= 150.4e6, []
    for by_hz in (0.0, 30e3):
        unit.turn("L", 1, by_hz)
        noise = (rng.normal(size=401) + 1j * rng.normal(size=401)) * math.sqrt(power / 2)
        sweeps.append(unit.s(f)[:, 1, 0] + noise + 3e-4)
    found = find_nudge(f[near], sweeps[0][near], sweeps[1][near], power, power, fitted(f, sweeps[0], power))
    assert found.moved.low <= 30e3 <= found.moved.high and found.moved.value == pytest.approx(30e3, rel=0.3)
