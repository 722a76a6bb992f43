"""Figures made of figures: sums and monotone functions, the kind and the ends carried along.

Owns: what becomes of kind and interval. Refuses: to cancel one end against another. Ends are added as they stand, for
nobody knows how they hang together, so that a sum's interval is rather too wide than too narrow.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace

from rf.values.figure import Figure, Kind, at_least, at_most, cant_say, inferred, reading


def negative(figure: Figure) -> Figure:
    """The figure with the other sign: AT LEAST becomes AT MOST, for the numbers say the same."""
    why = {"why": figure.why, "limited_by": figure.limited_by}
    if figure.kind is Kind.AT_LEAST:
        return at_most(-figure.value, figure.unit, **why)
    if figure.kind is Kind.AT_MOST:
        return at_least(-figure.value, figure.unit, **why)
    if not figure.known:
        return figure
    return replace(figure, value=-figure.value, low=-figure.high, high=-figure.low)


def total(terms: Sequence[Figure], unit: str) -> Figure:
    """Sum of figures (N,) in `unit`.

    READING where all are; INFERRED where one is; AT LEAST or AT MOST where one is, with the worse ends of all others;
    CAN'T SAY where one is, or where bounds from both sides meet. `limited_by` is that of the widest term.
    """
    unknown = next((term for term in terms if not term.known), None)
    if unknown is not None:
        return cant_say(unit, unknown.why or unknown.limited_by or "a part of it is not known")
    kinds = {term.kind for term in terms}
    if {Kind.AT_LEAST, Kind.AT_MOST} <= kinds:
        return cant_say(unit, "a bound from below and one from above leave nothing to say")
    low, high = sum(term.low for term in terms), sum(term.high for term in terms)
    bounding = next((term for term in terms if term.kind in (Kind.AT_LEAST, Kind.AT_MOST)), None)
    if bounding is not None:
        made = at_least if bounding.kind is Kind.AT_LEAST else at_most
        end = low if bounding.kind is Kind.AT_LEAST else high
        return made(end, unit, limited_by=bounding.limited_by, why=bounding.why)
    widest = max(terms, key=lambda term: term.high - term.low)
    two_sided = inferred if Kind.INFERRED in kinds else reading
    return two_sided(sum(term.value for term in terms), low, high, unit, limited_by=widest.limited_by)


def mapped(figure: Figure, function: Callable[[float], float], unit: str, *, falling: bool = False) -> Figure:
    """A monotone `function` of a figure, in `unit`; `falling` turns a bound round. A bound whose open end has a finite
    image stays a bound: it says no more than its end."""
    if not figure.known:
        return cant_say(unit, figure.why, limited_by=figure.limited_by)
    told = {"limited_by": figure.limited_by, "why": figure.why}
    value = function(figure.value)
    if not math.isfinite(value):
        return cant_say(unit, "too far off to be a number", limited_by=figure.limited_by)
    if figure.kind in (Kind.AT_LEAST, Kind.AT_MOST):
        return (at_most if (figure.kind is Kind.AT_LEAST) == falling else at_least)(value, unit, **told)
    ends = sorted((function(figure.low), function(figure.high)))
    made = reading if figure.kind is Kind.READING else inferred
    return made(value, min(ends[0], value), max(ends[1], value), unit, **told)


def as_inferred(figure: Figure, why: str = "") -> Figure:
    """A reading that now rests on something told or assumed: INFERRED. Bounds stay bounds."""
    if figure.kind is not Kind.READING:
        return figure
    return inferred(
        figure.value, figure.low, figure.high, figure.unit, limited_by=figure.limited_by, why=why or figure.why
    )
