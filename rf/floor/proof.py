"""The rejection at a channel with everything that may be wrong about it, and what it proves.

Owns: the one rule by which random, leakage, mismatch, step and fit errors meet; the proof bound; the verdict on a
rejection goal. Refuses: a pass from anything but the proof bound.

Rule: the random limit is an amplitude; a surveyed leak adds to it as an amplitude, for its phase is unknown;
mismatch at port 2, the load on the third port, step and fit errors are limits in dB and add to one another. Limits
that no averaging lowers are added, not taken as a root sum of squares, so that the bound holds for every phase (worst
case; EURAMET cg-12 treats the same terms as half-widths).
"""

from __future__ import annotations

from dataclasses import dataclass

from rf.floor.bound import rejection_figure, upper_limit
from rf.floor.pool import Pooled
from rf.values.decibel import amplitude_db
from rf.values.figure import CONFIDENCE, Figure, Kind
from rf.values.uncertainty import mismatch_db
from rf.values.verdict import Verdict, judge_at_least

REFLECTS_ALL_DB = 0.0
"""Return loss of a duplexer's side at its reject channel: it sends everything back."""


@dataclass(frozen=True, slots=True)
class Limits:
    """What limits a rejection besides noise: `leakage` amplitude re thru (None: not surveyed), match of the analyzer's
    port 2 as return loss, `step_db` for a channel between samples, and `third_port_db` what the load on the third port
    may do (`rf.floor.third_port`)."""

    leakage: float | None = None
    port2_return_loss_db: float = 20.0
    step_db: float = 0.0
    third_port_db: float = 0.0

    @property
    def systematic_db(self) -> float:
        """All that no averaging lowers and that is told in dB, but for the fit."""
        return self.mismatch_db + self.third_port_db + self.step_db

    @property
    def mismatch_db(self) -> float:
        """Largest change by reflections between the device and port 2 [study F10]."""
        return mismatch_db(REFLECTS_ALL_DB, self.port2_return_loss_db)


@dataclass(frozen=True, slots=True)
class Rejection:
    """`figure` at 95 %; `proof_db` what is proven at the stricter confidence of a look; `parts` (name, dB) by which the
    proof stays below the plain reading, in the order in which they apply."""

    figure: Figure
    proof_db: float
    parts: tuple[tuple[str, float], ...]


def rejection_of(pooled: Pooled, limits: Limits, confidence: float = CONFIDENCE) -> Rejection:
    """Rejection in positive dB re thru from one pooled value; `confidence` one-sided, for the proof."""
    systematic = limits.systematic_db + abs(pooled.bias_db)
    figure = rejection_figure(pooled.value, pooled.power, pooled.dof, leakage=limits.leakage, systematic_db=systematic)
    random = float(upper_limit(abs(pooled.value), pooled.power, pooled.dof, confidence))
    leak = limits.leakage or 0.0
    proof = -amplitude_db(random + leak) - systematic
    parts = (
        ("random", amplitude_db(random / max(abs(pooled.value), 1e-300))),
        ("leakage", amplitude_db((random + leak) / random)),
        ("mismatch", limits.mismatch_db),
        ("load", limits.third_port_db),
        ("step", limits.step_db),
        ("fit", abs(pooled.bias_db)),
    )
    return Rejection(figure, proof, parts)


def judge_rejection(figure: Figure, proven_db: float | None, goal_db: float) -> Verdict:
    """Pass only by a proof at a look; a reading that clears the goal without one is a conditional pass."""
    if proven_db is not None and proven_db >= goal_db:
        return Verdict.PASS
    if figure.kind is Kind.AT_LEAST:
        return Verdict.CANT_SAY
    verdict = judge_at_least(figure, goal_db)
    return Verdict.CONDITIONAL_PASS if verdict is Verdict.PASS else verdict
