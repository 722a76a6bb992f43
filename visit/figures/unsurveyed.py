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
"""The worst shielding of this class of analyzer leaks at -60 dB re its full level; deeper rejection is only believed
after a survey or a test of two states."""

MOST_PADS_DB = 20.0
"""Pads at the ports that a normalisation may hold (common practice: 6 or 10 dB at each, for the match). What is read is
then re a thru that is so much weaker, and the leak, which goes past the pads, stands so much higher."""

NOT_SURVEYED = "leakage not surveyed"


def worst_leak(normalised: float | None, through: float) -> float:
    """Amplitude re the thru that may leak where nobody surveyed: `normalised` what came through when it was measured
    raw (None: the analyzer normalised itself, through who knows what pads), `through` the pads and amplifier that are
    taken out of the path since."""
    raw = amplitude(-MOST_PADS_DB) if normalised is None else min(normalised, 1.0)
    return amplitude(WORST_LEAK_DB) / raw / through


def unsurveyed(figure: Figure, worst: float) -> Figure:
    """A rejection read with no survey, in positive dB: the same with the largest leak in its interval (`worst` as an
    amplitude re the thru), or AT LEAST its weak end. Other kinds stay."""
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
