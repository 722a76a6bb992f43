"""One response from two ranges: without an amplifier for what is strong, with one at port 2 for what is weak.

Owns: the check that both ranges tell the same where they overlap, the gain between them, and the join. Refuses: to join
ranges that disagree.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rf.values.decibel import amplitude_db, level_db

OVERLAP_FROM_DB, OVERLAP_TO_DB = -65.0, -50.0
"""Levels re thru at which both ranges are trusted: far above the plain floor, far below the amplifier's limit (study,
scenario 35)."""
FEWEST_OVERLAPPING = 10
LARGEST_DISAGREEMENT_DB = 0.5
OVER_FLOOR_DB = 10.0
NOISE_SIGMAS = 3.0
"""So many standard deviations of a sample's level (8.686 10^(-SNR/20) / sqrt 2 dB, check b19) are the noise's own
doing and speak of no disagreement."""

Complex = NDArray[np.complex128]


@dataclass(frozen=True, slots=True)
class Stitched:
    """`joined`; `why` in one sentence. When joined: `s21` (K,) re thru, `amplified` (K,) flags of samples that come
    from the amplified range, `gain_db` found in the overlap, `disagreement_db` the worst there, `points` it was
    found from."""

    joined: bool
    why: str
    s21: Complex | None = None
    amplified: NDArray[np.bool_] | None = None
    gain_db: float = 0.0
    disagreement_db: float = 0.0
    points: int = 0


def stitch(plain: Complex, amplified: Complex, stated_gain_db: float, plain_floor_db: float) -> Stitched:
    """Join averaged S21 (K,) of both ranges on one grid; `stated_gain_db` is what the amplifier is said to give,
    `plain_floor_db` the averaged floor of the plain range.

    The stated gain is taken out of the amplified range and both are compared where they overlap: the ranges are joined
    only if the levels agree within half a decibel, noise apart, at every one of ten samples or more. What is left
    between them (the complex mean ratio) is then taken out too.
    """
    low = max(OVERLAP_FROM_DB, plain_floor_db + OVER_FLOOR_DB)
    levels = level_db(plain)
    overlap = (levels >= low) & (levels <= OVERLAP_TO_DB)
    count = int(overlap.sum())
    if count < FEWEST_OVERLAPPING:
        why = (
            f"only {count} samples lie between {low:.0f} and {OVERLAP_TO_DB:.0f} dB, {FEWEST_OVERLAPPING} are needed:"
            " average longer without the amplifier, or sweep more of the skirt"
        )
        return Stitched(False, why, points=count)
    ratio = amplified[overlap] / plain[overlap]
    off = level_db(ratio) - stated_gain_db
    noise_db = NOISE_SIGMAS * 8.685889638 / np.sqrt(2.0) * 10.0 ** ((plain_floor_db - levels[overlap]) / 20.0)
    worst = float(np.maximum(np.abs(off) - noise_db, 0.0).max())
    if worst > LARGEST_DISAGREEMENT_DB:
        why = f"the ranges disagree by {worst:.1f} dB where they overlap: amplifier overloaded, or its gain is another"
        return Stitched(False, why, disagreement_db=worst, points=count)
    gain = complex((amplified[overlap] * plain[overlap].conj()).sum() / (np.abs(plain[overlap]) ** 2).sum())
    weak = levels < OVERLAP_TO_DB
    joined = np.where(weak, amplified / gain, plain)
    why = f"both ranges agree within {worst:.2f} dB at {count} samples"
    return Stitched(True, why, joined, weak, amplitude_db(abs(gain)), worst, count)
