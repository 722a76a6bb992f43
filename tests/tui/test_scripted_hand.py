"""A hand that knows only the screen's words brings a detuned duplexer to its goal."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.tui.scripted_hand import TuningHand

GOAL_DB = 90.0
LARGEST_HZ = 150e3


def off_hz(seed: int) -> tuple[float, float, float]:
    drawn = np.random.default_rng(1000 + seed).uniform(-LARGEST_HZ, LARGEST_HZ, 3)
    return float(drawn[0]), float(drawn[1]), float(drawn[2])


def tuned(folder: Path, seed: int, off: tuple[float, float, float]) -> str:
    """One line of what it took."""
    done = TuningHand(folder, seed, off).run()
    line = (
        f"{seed}: {' '.join(f'{hz / 1e3:+.0f}' for hz in off)} kHz off, {done.turns} turns, {done.sweeps} sweeps,"
        f" {done.keys} keys: {done.true_db:.1f} dB"
    )
    assert "prove it" in done.ended and done.true_db >= GOAL_DB, f"{line}; {done.ended}\n" + "\n".join(done.said)
    return line


@pytest.mark.long
@pytest.mark.timeout(1200)
def test_the_mean_is_right_and_the_spread_is_not(tmp_path: Path) -> None:
    tuned(tmp_path, 1, (60e3, -110e3, 35e3))


@pytest.mark.long
@pytest.mark.timeout(7200)
def test_fifty_of_fifty(tmp_path: Path) -> None:
    for seed in range(50):
        print(tuned(tmp_path, seed, off_hz(seed)), flush=True)
