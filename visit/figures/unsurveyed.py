"""What a rejection is called whose leak nobody surveyed.

Owns: that a value no deeper than an analyzer of this class may leak is a reading with the leak in its interval, and a
deeper one only a bound, on the condition that nothing leaks. Refuses: a survey's own figures.

What is read is |s + l|, with a leak |l| up to L of unknown phase: |s| lies in |x| - L .. |x| + L. Where |x| is not well
above L the leak may be all that is read: the device may be any depth better, and, were the two in antiphase, worse than
the bound, which is why it carries its condition.
"""

from __future__ import annotations

from rf.values.decibel import amplitude, amplitude_db
from rf.values.figure import Figure, Kind, at_least, reading

WORST_LEAK_DB = -60.0
"""The worst shielding of this class of analyzer leaks at -60 dB re thru; deeper rejection is only believed after a
survey or a test of two states."""

NOT_SURVEYED = "leakage not surveyed"


def unsurveyed(figure: Figure, worst: float = amplitude(WORST_LEAK_DB)) -> Figure:
    """A rejection read with no survey, in positive dB: the same with the leak of the analyzer's kind in its interval
    (`worst` as an amplitude re the thru), or AT LEAST its weak end. Other kinds stay."""
    if figure.kind is not Kind.READING:
        return figure
    weak, strong = amplitude(-figure.high) - worst, amplitude(-figure.low) + worst
    if weak > worst:
        limit = figure.limited_by if figure.high - figure.low > amplitude_db(strong / weak) / 2.0 else "leakage"
        return reading(
            figure.value, -amplitude_db(strong), -amplitude_db(weak), "dB", limited_by=limit, why=NOT_SURVEYED
        )
    return at_least(figure.low, "dB", limited_by="leakage", why=NOT_SURVEYED)


def may_be_leak(figure: Figure) -> bool:
    """Whether something was read that may be the leak."""
    return figure.kind is Kind.AT_LEAST and figure.limited_by == "leakage" and figure.why == NOT_SURVEYED
