"""How often the feeder's intervals hold the truth, over feeders drawn at random: cable, length, antenna, kink, plug,
directivity and noise. The lines are those of the simulated bench, which shares no code with what is looked at.

Takes seconds for hundreds of feeders, so it runs with the long tests; the rates stand in docs/figures.md.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pytest

from protocol.simulated.feeder import Feeder
from rf.repeater.antenna import among_echoes, end_loss, unwound
from rf.repeater.cables import CABLES
from rf.repeater.fault_distance import behind_cable, echoes, near_end
from rf.repeater.passband import Residuals, return_loss_at
from rf.values.decibel import amplitude
from rf.values.figure import Figure

F = np.linspace(402.5e6, 502.5e6, 401)
HZ = 450e6
APART_M = 6.0
"""A kink so far from the end is an echo of its own."""
RESIDUALS = Residuals(tracking_db=0.3, directivity_db=35.0)


@dataclass
class Count:
    held: int = 0
    told: int = 0

    def add(self, figure: Figure, truth: float) -> None:
        if figure.known:
            self.told += 1
            self.held += figure.low <= truth <= figure.high


def counts(draws: int, seed: int) -> dict[str, Count]:
    rng = np.random.default_rng(seed)
    found = {name: Count() for name in ("loss, both ends", "loss, one end", "match", "antenna", "end", "kink")}
    fifty = [cable for cable in CABLES if cable.impedance_ohm == 50.0]
    for _ in range(draws):
        cable = fifty[rng.integers(len(fifty))]
        metres = rng.uniform(6.0, 80.0)
        if cable.nominal_db(HZ, metres) > 8.0:
            continue
        true_velocity = rng.uniform(cable.velocity.low, cable.velocity.high)
        plug, resonance_hz, q = 10 ** (-rng.uniform(25.0, 45.0) / 20), rng.uniform(445e6, 460e6), rng.uniform(3.0, 10.0)
        feeder = Feeder(
            metres, true_velocity, cable.loss_100, cable.loss_400, rng.uniform(9.0, 25.0), resonance_hz, q, plug
        )
        kinked = bool(rng.random() < 0.5)
        if kinked:
            feeder.fault_m, feeder.fault_db = rng.uniform(0.2, 0.8) * metres, rng.uniform(12.0, 24.0)
        error = 10 ** (-rng.uniform(35.0, 45.0) / 20) * np.exp(2j * np.pi * (rng.random() + F * rng.uniform(0, 2e-9)))
        noise_size = 10 ** (-rng.uniform(50.0, 70.0) / 20)

        def seen(end: str, feeder: Feeder = feeder, error: np.ndarray = error, size: float = noise_size) -> np.ndarray:
            noise = size * (rng.normal(size=F.size) + 1j * rng.normal(size=F.size)) / math.sqrt(2.0)
            return feeder.seen(F, end) * 10 ** (rng.uniform(-0.3, 0.3) / 20) + error + noise

        power = np.full(F.size, noise_size**2)
        both = [seen("feeder-open"), seen("feeder-short")]
        loss = cable.nominal_db(HZ, metres)
        if not kinked:  # a kink loses by itself
            found["loss, both ends"].add(end_loss(F, both, power, HZ, RESIDUALS), loss)
            found["loss, one end"].add(end_loss(F, both[:1], power, HZ, RESIDUALS), loss)
        s11 = seen("antenna")
        places = echoes(F, s11, cable.velocity, RESIDUALS.tracking_db)
        match = return_loss_at(F, unwound(F, s11, places[0].delay_s), power, HZ, RESIDUALS).figure
        true_match = -20 * np.log10(abs(feeder.seen(np.array([HZ]), "antenna")[0]))
        found["match"].add(match, float(true_match))
        others = [amplitude(-one.level.low) for one in places[1:] if one.level.known] + [near_end(F, s11)]
        if not kinked:
            alone = behind_cable(among_echoes(match, others), end_loss(F, both, power, HZ, RESIDUALS))
            true_alone = -20 * np.log10(abs(feeder._antenna(np.array([HZ]))[0]))
            found["antenna"].add(alone, float(true_alone))
        ended = echoes(F, both[0], cable.velocity, RESIDUALS.tracking_db)
        if not kinked:
            found["end"].add(ended[0].place, metres)
        elif feeder.fault_m is not None and metres - feeder.fault_m > APART_M:
            kink_m = feeder.fault_m
            before = [one for one in places if one.place.known and one.place.value < kink_m + APART_M / 2.0]
            if before:
                found["kink"].add(min(before, key=lambda one: abs(one.place.value - kink_m)).place, kink_m)
    return found


@pytest.mark.long
def test_intervals_of_feeders_at_random_hold_the_truth() -> None:
    found = counts(1200, 29)
    for name, count in found.items():
        assert count.told >= 100, name
        assert count.held >= 0.94 * count.told, (name, count)
