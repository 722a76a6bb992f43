"""How much averaging a proof will take, before anybody waits for it; and whether an isolation calibration pays.

Owns: the chance of proving a goal at a floor, the floor for 90 % chance, the economics of isolation sweeps.
Refuses: to promise: what it gives is a chance.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from rf.floor.bound import MEDIAN_NOISE
from rf.values.decibel import amplitude, power_db

WANTED_CHANCE = 0.9


def proof_chance(truth_db: float, goal_db: float, floor_db: float, confidence: float = 0.95) -> float:
    """Chance that the bound from one averaged value passes `goal_db` when the true rejection is `truth_db` (both
    positive) and the averaged floor is `floor_db` (negative).

    The bound passes when |x| < c, where the goal's amplitude is the upper limit of c: P(|X| < c given s) is noncentral
    chi-square [study F4, F5]. 0 when even the median of noise would not pass.
    """
    from scipy.special import chndtr, chndtrix  # noqa: PLC0415 - heavy imports stay out of start-up

    sigma2 = 10.0 ** (floor_db / 10.0) / 2.0
    goal, truth = amplitude(-goal_db) ** 2 / sigma2, amplitude(-truth_db) ** 2 / sigma2
    critical = float(chndtrix(1.0 - confidence, 2.0, goal))
    return float(chndtr(critical, 2.0, truth)) if critical > MEDIAN_NOISE else 0.0


def floor_needed_db(truth_db: float, goal_db: float, chance: float = WANTED_CHANCE) -> float:
    """Averaged floor in dB at which a proof has this chance; -inf when the truth does not reach the goal."""
    if truth_db <= goal_db:
        return -math.inf
    low, high = -goal_db - 80.0, -goal_db
    for _ in range(60):
        middle = (low + high) / 2.0
        low, high = (middle, high) if proof_chance(truth_db, goal_db, middle) >= chance else (low, middle)
    return low


@dataclass(frozen=True, slots=True)
class IsolationAdvice:
    """`floor_db` what the corrected result's floor would be, `skip_db` without an isolation calibration, `worthwhile`,
    and `why` in one sentence."""

    floor_db: float
    skip_db: float
    worthwhile: bool
    why: str


def isolation_advice(
    one_sweep_db: float, sweeps: int, isolation_sweeps: int, leakage_db: float | None = None
) -> IsolationAdvice:
    """Whether to store an isolation calibration of `isolation_sweeps` for a result of `sweeps` [study F9].

    Its own noise stays in every result: floor = P (1/N + 1/Nc). Worth it when it removes a known leak that is larger
    than what it adds.
    """
    power = 10.0 ** (one_sweep_db / 10.0)
    with_it = power * (1.0 / sweeps + 1.0 / isolation_sweeps)
    leak = 10.0 ** (leakage_db / 10.0) if leakage_db is not None else 0.0
    without = power / sweeps + leak
    floor_db, skip_db = power_db(with_it), power_db(without)
    if with_it <= without and isolation_sweeps >= sweeps:
        return IsolationAdvice(floor_db, skip_db, True, f"isolation takes the floor to {floor_db:.0f} dB")
    if isolation_sweeps < 4 * sweeps:
        why = (
            f"isolation calibration noisier than the result; floor would stay {floor_db:.0f} instead of"
            f" {power_db(power / sweeps):.0f} dB: take {4 * sweeps} isolation sweeps, or none"
        )
        return IsolationAdvice(floor_db, skip_db, False, why)
    return IsolationAdvice(floor_db, skip_db, False, "no leakage worth removing was found: leave isolation out")
