"""Whether a goal is met, with a guard band as wide as the figure's own uncertainty.

Owns: the decision rule (study F20; JCGM 106:2012, guarded acceptance with w = U). Refuses: a pass on an inference.
"""

from __future__ import annotations

import enum
import math

from rf.values.figure import NORMAL_95, Figure, Kind


class Verdict(enum.Enum):
    """The decision, from best to worst; CAN'T SAY stands apart. The values stand in JSON; people read `word`, because a
    pass is a channel to them."""

    PASS = "pass"
    CONDITIONAL_PASS = "conditional pass"
    CONDITIONAL_FAIL = "conditional fail"
    FAIL = "fail"
    CANT_SAY = "can't say"

    @property
    def word(self) -> str:
        """As it is said of a goal."""
        return WORDS[self]


WORDS = {
    Verdict.PASS: "met",
    Verdict.CONDITIONAL_PASS: "met on condition",
    Verdict.CONDITIONAL_FAIL: "missed on condition",
    Verdict.FAIL: "missed",
    Verdict.CANT_SAY: "can't say",
}


def judge_at_least(figure: Figure, goal: float) -> Verdict:
    """More is better (rejection, return loss). A bound passes when it clears the goal, one from above fails when it
    misses it; else it says nothing."""
    if not figure.may_support_pass:
        return Verdict.CANT_SAY
    if figure.kind is Kind.AT_LEAST:
        return Verdict.PASS if figure.low >= goal else Verdict.CANT_SAY
    if figure.kind is Kind.AT_MOST:
        return Verdict.FAIL if figure.high < goal else Verdict.CANT_SAY
    return _judge(figure.low, figure.value, figure.high, goal)


def judge_at_most(figure: Figure, goal: float) -> Verdict:
    """Less is better (loss). A bound from below fails when it exceeds the goal, one from above passes when it keeps
    it; else it says nothing."""
    if not figure.may_support_pass:
        return Verdict.CANT_SAY
    if figure.kind is Kind.AT_LEAST:
        return Verdict.FAIL if figure.low > goal else Verdict.CANT_SAY
    if figure.kind is Kind.AT_MOST:
        return Verdict.PASS if figure.high <= goal else Verdict.CANT_SAY
    return _judge(-figure.high, -figure.value, -figure.low, -goal)


def conformance_probability(figure: Figure, goal: float) -> float:
    """Chance that the true value reaches `goal`, from a READING taken as normal with the half of its 95 % interval's
    end towards the goal as 1.96 standard deviations (JCGM 106:2012, 7.2.2); NaN for every other kind."""
    if figure.kind is not Kind.READING:
        return math.nan
    end = figure.low if figure.value >= goal else figure.high
    standard = abs(figure.value - end) / NORMAL_95
    if standard == 0.0:
        return 1.0 if figure.value >= goal else 0.0
    return 0.5 * math.erfc((goal - figure.value) / standard / math.sqrt(2.0))


def _judge(low: float, value: float, high: float, goal: float) -> Verdict:
    if low >= goal:
        return Verdict.PASS
    if value >= goal:
        return Verdict.CONDITIONAL_PASS
    return Verdict.CONDITIONAL_FAIL if high >= goal else Verdict.FAIL
