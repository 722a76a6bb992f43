"""The simulated receivers: noise follows bandwidth and level, averaging helps, leakage, bursts, compression, time."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from protocol.simulated.control import recorded_device
from protocol.simulated.duplexer import load_unit
from protocol.simulated.hookup import HookUp
from protocol.simulated.instrument import Instrument, InstrumentOptions

QUIET: dict[str, Any] = {"gain_jitter": 0.0, "warm_up_db": 0.0}


def make(on_loads: bool = False, points: int = 401, **options: Any) -> Instrument:
    instrument = Instrument(InstrumentOptions(**options), load_unit("U6"), HookUp(on_loads=on_loads))
    instrument.start_hz, instrument.stop_hz, instrument.points = 442.5e6, 462.5e6, points
    return instrument


def noise_db(instrument: Instrument, sweeps: int = 8) -> float:
    data = np.array([instrument.sweep().s21 for _ in range(sweeps)])
    return float(10 * np.log10(np.mean(np.abs(data) ** 2)))


@pytest.mark.parametrize(
    ("bandwidth_hz", "level_dbm", "expected_db"), [(1000, -10, -70), (100, -10, -80), (1000, -20, -60)]
)
def test_noise_follows_bandwidth_and_level(bandwidth_hz: float, level_dbm: float, expected_db: float) -> None:
    """Noise power is proportional to bandwidth (kTB) and, re thru, inverse to the source's power."""
    instrument = make(on_loads=True)
    instrument.bandwidth_hz, instrument.level_dbm = bandwidth_hz, level_dbm
    assert noise_db(instrument) == pytest.approx(expected_db, abs=0.3)


def test_noise_is_complex_gaussian_and_independent() -> None:
    instrument = make(on_loads=True)
    data = np.concatenate([instrument.sweep().s21 for _ in range(20)])
    assert np.mean(np.abs(data) ** 4) / np.mean(np.abs(data) ** 2) ** 2 == pytest.approx(2.0, abs=0.1)
    assert abs(np.vdot(data[1:], data[:-1])) / np.vdot(data, data).real < 0.04


def test_a_hundred_sweeps_bring_twenty_decibels() -> None:
    instrument = make(on_loads=True)
    mean = np.mean([instrument.sweep().s21 for _ in range(100)], axis=0)
    assert 10 * np.log10(np.mean(np.abs(mean) ** 2)) == pytest.approx(-90.0, abs=3 * 4.343 / np.sqrt(401))


def test_same_seed_same_numbers() -> None:
    first, second, other = make(seed=5), make(seed=5), make(seed=6)
    for _ in range(3):
        a, b, c = first.sweep(), second.sweep(), other.sweep()
    np.testing.assert_array_equal(a.s21, b.s21)
    assert not np.array_equal(a.s21, c.s21)


def test_leakage_stays_under_averaging_and_drifts_slowly() -> None:
    instrument = make(on_loads=True, leakage_db=-85.0)
    first = np.mean([instrument.sweep().s21 for _ in range(200)])
    assert 20 * np.log10(abs(first)) == pytest.approx(-85.0, abs=1.0)
    instrument.clock_s += 900.0
    later = np.mean([instrument.sweep().s21 for _ in range(200)])
    assert 1.0 < abs(np.degrees(np.angle(later / first))) < 60.0


def test_bursts_strike_their_share_of_sweeps() -> None:
    instrument = make(on_loads=True, burst_rate=0.1, burst_db=40.0)
    powers = np.array([np.mean(np.abs(instrument.sweep().s21) ** 2) for _ in range(300)])
    hit = powers > 1e-5
    assert hit.mean() == pytest.approx(0.1, abs=0.05)
    assert 10 * np.log10(powers[hit].mean() / powers[~hit].mean()) == pytest.approx(40.0, abs=0.7)


def test_a_carrier_sits_at_one_frequency() -> None:
    instrument = make(on_loads=True, carrier_hz=455e6, carrier_db=-30.0)
    level = 20 * np.log10(np.abs(instrument.sweep().s21))
    assert np.argmax(level) == 250
    assert level[250] == pytest.approx(-30.0, abs=0.3)
    assert np.delete(level, 250).max() < -55


def test_compression_is_three_decibels_at_full_scale() -> None:
    instrument = Instrument(InstrumentOptions(**QUIET), load_unit("U6"), HookUp(joined=True))
    instrument.start_hz, instrument.stop_hz = 440e6, 460e6
    normal = np.abs(instrument.sweep().s21).mean()
    instrument.level_dbm = -10.0 + 20.0
    pressed = np.abs(instrument.sweep().s21).mean()
    assert 20 * np.log10(pressed / normal) == pytest.approx(-3.0, abs=0.1)


def test_sweep_time() -> None:
    """points x (settling + factor / bandwidth) + overhead."""
    instrument = make(settling_s=2e-4, bandwidth_factor=1.5, overhead_s=0.05)
    instrument.bandwidth_hz = 300.0
    before = instrument.clock_s
    sweep = instrument.sweep()
    assert sweep.duration_s == pytest.approx(401 * (2e-4 + 1.5 / 300.0) + 0.05)
    assert instrument.clock_s - before == sweep.duration_s


def test_warm_up_settles() -> None:
    instrument = make(gain_jitter=0.0)
    cold = np.abs(instrument.sweep().s21[100])
    instrument.clock_s += 3 * 3600
    warm = np.abs(instrument.sweep().s21[100])
    assert 20 * np.log10(warm / cold) == pytest.approx(0.05, abs=0.01)


def test_raw_errors_are_larger_than_those_of_a_corrected_instrument() -> None:
    corrected, raw = make(**QUIET), make(corrected=False, **QUIET)
    pass_point = 150
    good, bad = corrected.sweep().s21[pass_point], raw.sweep().s21[pass_point]
    truth = corrected.unit.s(np.array([450e6]))[0, 1, 0]
    assert abs(20 * np.log10(abs(good / truth))) < 0.3
    assert abs(20 * np.log10(abs(bad / truth))) > 0.5


def test_a_touchstone_file_as_device(tmp_path: Path) -> None:
    path = tmp_path / "pad.s2p"
    path.write_text("# MHz S DB R 50\n400 -30 0 -6 -10 -6 -10 -30 0\n500 -30 0 -6 -20 -6 -20 -30 0\n")
    instrument = make(**QUIET)
    instrument.hookup.recorded = recorded_device(str(path))
    mean = np.mean([instrument.sweep().s21 for _ in range(20)], axis=0)
    assert 20 * np.log10(np.abs(mean)).mean() == pytest.approx(-6.0, abs=0.1)
    with pytest.raises(ValueError, match="No such file"):
        recorded_device(str(tmp_path / "none.s2p"))
