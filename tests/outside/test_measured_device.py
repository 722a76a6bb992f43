"""A device from an installed library goes through the simulated analyzer, by its device node, and comes back right.

Data that ship with scikit-rf (BSD-3): `ring slot measured.s1p`, a measured reflection, and `ring slot.s2p`, the same
slot as a two-port. The slot lives at 75 to 110 GHz; the bench reaches 1.5 GHz, so the curves are moved down a
hundredfold in frequency.
"""

from __future__ import annotations

import asyncio
from pathlib import Path

import numpy as np
import skrf

from protocol.analyzer import Analyzer
from protocol.profiles.profile import load_profile
from protocol.simulated.bench import Bench
from protocol.sweep import Sweep, SweepSettings

RESIDUAL = 10 ** (-42 / 20) + 2 * 10 ** (-36 / 20) + 5e-3
"""A corrected bench instrument leaves -42 dB directivity, -38 and -36 dB match at the ports, 0.02 dB tracking."""

SWEEPS = 4


async def measured(path: Path, frequency_hz: np.ndarray, s: np.ndarray) -> list[Sweep]:
    """Sweeps of a device given as S (K, 2, 2) over rising frequencies (K,)."""
    lines = ["# Hz S RI R 50"]
    for f, each in zip(frequency_hz, s, strict=True):
        order = (each[0, 0], each[1, 0], each[0, 1], each[1, 1])
        lines.append(" ".join([f"{f:.3f}", *(f"{part:.9e}" for value in order for part in (value.real, value.imag))]))
    path.write_text("\n".join(lines) + "\n")
    bench = await Bench.start(["--speed", "0", "--seed", "3", "--device", str(path), "--floor", "-90"])
    try:
        analyzer = await Analyzer.open(bench.node, load_profile("scpi"))
        await analyzer.apply(SweepSettings(float(frequency_hz[0]), float(frequency_hz[-1]), frequency_hz.size, 1000.0))
        taken = [await analyzer.sweep() for _ in range(SWEEPS)]
        await analyzer.close()
    finally:
        await asyncio.to_thread(bench.stop)
    return taken


async def test_a_measured_reflection(tmp_path: Path) -> None:
    slot = skrf.data.ring_slot_meas
    s = np.zeros((slot.f.size, 2, 2), complex)
    s[:, 0, 0] = s[:, 1, 1] = slot.s[:, 0, 0]
    s[:, 0, 1] = s[:, 1, 0] = 0.1
    taken = await measured(tmp_path / "slot.s2p", slot.f / 100.0, s)
    s11 = np.mean([sweep.s11 for sweep in taken], axis=0)
    assert np.abs(s11 - slot.s[:, 0, 0]).max() < RESIDUAL
    assert np.ptp(np.abs(s11)) > 0.3  # the slot's own shape came through


async def test_a_two_port(tmp_path: Path) -> None:
    slot = skrf.data.ring_slot
    taken = await measured(tmp_path / "slot.s2p", slot.f / 100.0, slot.s)
    s21 = np.mean([sweep.s21 for sweep in taken], axis=0)
    s11 = np.mean([sweep.s11 for sweep in taken], axis=0)
    assert np.abs(s21 - slot.s[:, 1, 0]).max() < RESIDUAL
    assert np.abs(s11 - slot.s[:, 0, 0]).max() < RESIDUAL
    assert np.ptp(np.abs(s21)) > 0.3
