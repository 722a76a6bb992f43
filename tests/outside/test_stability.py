"""The phase of a drifting sweep against closed forms: e^(j p) turns every sample by p; p rad rms costs 4.34 p^2 dB."""

from __future__ import annotations

import numpy as np
import pytest

from rf.floor.drift import phase_against
from tests.rf.test_average import noise, signal


def test_phase_is_told_and_noise_is_not() -> None:
    """The definition of a phase; 3 sigma of sqrt(P / sum |x|^2) (Cramer-Rao, common practice) are not called drift."""
    rng = np.random.default_rng(2)
    assert phase_against(signal() * np.exp(0.1j), signal(), 1e-7) == pytest.approx(0.1, abs=1e-6)
    assert phase_against(noise(rng, 401), noise(rng, 401), 1e-7) == 0.0
    told = [phase_against(signal() + noise(rng, 401), signal(), 1e-7) for _ in range(300)]
    assert sum(phase != 0.0 for phase in told) <= 3


def test_a_small_turn_is_drift_where_noise_can_not_have_made_it() -> None:
    """One sample of amplitude 1 over noise E|n|^2 = 1e-4: sigma is 0.01 by the formula above, 3 sigma 0.03."""
    one, turn = np.ones(1, complex), np.exp(1j * np.array([0.0295, 0.0305]))
    assert phase_against(one * turn[0], one, 1e-4 * 0.99) == 0.0
    assert phase_against(one * turn[1], one, 1e-4 * 0.99) == pytest.approx(0.0305)
    assert phase_against(one * 1j, one, 1.1e-2) == 0.0  # less than 20 dB above the noise: it tells nothing
