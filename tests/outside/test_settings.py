"""Settings that reach a floor soonest, against the noise of a filter and against the bound of estimation theory.

Noise goes by 10 lg of the bandwidth: Nyquist, Phys. Rev. 32 (1928) 110, kT B; T0 = 290 K (IEEE definition of noise
figure; Friis, Proc. IRE 32 (1944) 419), so -174 dBm in 1 Hz and -144 dBm in 1 kHz (handbooks round so; own computation
from the exact k below: -173.98 and -143.98).

The limit of time: of an amplitude seen for a time t in complex white noise of density n no unbiased estimate has less
power of error than n / t (Kay, Fundamentals of Statistical Signal Processing: Estimation Theory, 1993, section 3.5), so
that a floor W takes n / W on the point, however that time is cut up. Here noise is drawn sample by sample and filtered
by an integrator; nothing of the program is used to make it.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from rf.floor.ability import Ability
from rf.floor.soonest import limit_s, soonest, taken
from visit.day.instrument import KTB_DBM_HZ

BOLTZMANN = 1.380649e-23
RATE_HZ = 1e5


def integrated(density: float, bandwidth_hz: float, count: int, seed: int) -> float:
    """Power of the output of an integrator over 1 / B, of complex white noise of that density, by drawing it: its
    noise bandwidth is B (integral of sinc squared)."""
    samples = round(RATE_HZ / bandwidth_hz)
    rng = np.random.default_rng(seed)
    noise = rng.normal(size=(count, samples, 2)) @ np.array([1.0, 1j]) * math.sqrt(density * RATE_HZ / 2.0)
    return float(np.mean(np.abs(noise.mean(axis=1)) ** 2))


def test_ktb_of_the_handbooks() -> None:
    assert pytest.approx(-173.98, abs=0.005) == 10.0 * math.log10(BOLTZMANN * 290.0 * 1e3)
    assert pytest.approx(10.0 * math.log10(BOLTZMANN * 290.0 * 1e3), abs=0.005) == KTB_DBM_HZ
    assert round(KTB_DBM_HZ + 10.0 * math.log10(1000.0)) == -144 and round(KTB_DBM_HZ + 10.0) == -164


@pytest.mark.parametrize("bandwidth_hz", [100.0, 300.0, 3000.0, 10_000.0])
def test_a_floor_goes_by_ten_lg_of_the_bandwidth(bandwidth_hz: float) -> None:
    """From 1 kHz, where it is told, to any other; 1000 draws tell it within 0.4 dB (three standard deviations)."""
    told = 10.0 * math.log10(integrated(1e-10, 1000.0, 1000, 1))
    able = Ability(((1000.0, told),), 0.0, 1.0, 0.0)
    drawn = 10.0 * math.log10(integrated(1e-10, bandwidth_hz, 1000, 2))
    assert able.floor_db(bandwidth_hz) == pytest.approx(drawn, abs=0.6)
    by_hand = 10.0 * math.log10(bandwidth_hz / 1000.0)
    assert able.floor_db(bandwidth_hz) - able.floor_db(1000.0) == pytest.approx(by_hand, abs=1e-9)


def test_no_way_to_cut_up_the_time_beats_the_limit() -> None:
    """Density 1e-10: a power of 1e-10 after a second; 1e-9 needs a tenth of one. Cut into N sweeps of K points at B,
    each draw has the power n / (N K / B), and 0.1 s of it are never had in less than 0.1 s and one overhead."""
    overhead_s, settling_s, density = 0.02, 1e-4, 1e-10
    able = Ability(((1000.0, -70.0),), settling_s, 1.0, overhead_s)
    limit = limit_s(able, -90.0)
    assert limit == pytest.approx(0.1 + overhead_s + settling_s)
    fastest = math.inf
    for bandwidth_hz in (10.0, 100.0, 1000.0, 10_000.0):
        for points in (1, 3, 10, 30):
            sweeps = math.ceil(density * bandwidth_hz / points / 1e-9)
            seconds = sweeps * (overhead_s + points * (settling_s + 1.0 / bandwidth_hz))
            rng_power = integrated(density, bandwidth_hz, 100, points) / (sweeps * points)
            assert rng_power < 1.4e-9  # the draws agree that it is reached, within four standard deviations
            assert seconds >= limit - 1e-12
            fastest = min(fastest, seconds)
    assert fastest < 1.1 * limit  # and the limit is no empty one


def test_the_setting_that_is_taken_is_the_best_of_all_by_plain_counting() -> None:
    """Every bandwidth and number of points, sweeps counted one by one until the noise is low enough."""
    able = Ability(((1000.0, -70.0),), 2e-4, 1.0, 0.05, (100.0, 300.0, 1000.0, 3000.0), (101, 201, 401))
    best = math.inf
    for bandwidth_hz in able.bandwidths_hz:
        for points in able.points:
            sweep_s = 0.05 + points * (2e-4 + 1.0 / bandwidth_hz)
            if sweep_s > 4.0:
                continue
            sweeps = 10
            while 1e-10 * bandwidth_hz / (sweeps * points) > 10.0**-11.2:
                sweeps += 1
            best = min(best, sweeps * sweep_s)
    usual = taken(able, -112.0, 101, 1000.0, math.ceil)
    chosen = soonest(able, -112.0, usual)
    assert chosen.seconds == pytest.approx(best) and best <= 1.5 * limit_s(able, -112.0) < usual.seconds * 1.5
