"""The one value type that leaves this program: a figure with its kind and its interval.

Owns: `Kind`, `Figure` and the ways to make one. Refuses: to turn one kind into another, and to hold
a number without saying what it is. Text is made in `rf.values.words`, nowhere else.
"""

from __future__ import annotations

import enum
import math
from dataclasses import dataclass, replace

CONFIDENCE = 0.95
"""Every interval and bound of the program is a 95 % one (two-sided interval, one-sided bound)."""


NORMAL_95 = 1.959963984540054
"""Two-sided 95 % quantile of the normal law."""


class Kind(enum.Enum):
    """What a figure is. The value is the word that stands beside it on screen, in files and in reports."""

    READING = "READING"
    """The interval excludes the floor and the leakage."""
    AT_LEAST = "AT LEAST"
    """Only a bound: the floor or the leakage covers the rest."""
    AT_MOST = "AT MOST"
    """Only a bound from above: what follows of a noise or a loss from a rejection that is AT LEAST."""
    INFERRED = "INFERRED"
    """A model fitted to what stands above the floor. Guides the hand, never supports a pass."""
    CANT_SAY = "CAN'T SAY"
    """Nothing follows from the data."""


@dataclass(frozen=True, slots=True)
class Figure:
    """A value that carries its kind, its 95 % interval and what limits it.

    `value` is the best value (for AT LEAST and AT MOST: the bound itself; for CAN'T SAY: NaN). `low` and `high` bound
    the 95 % interval in the same unit (AT LEAST: `low` is the bound and `high` is +inf; AT MOST: `high` is the bound
    and `low` is -inf). `unit` is a plain symbol
    such as "dB" or "Hz". `limited_by` is a word for the largest contribution ("random", "leakage", "mismatch",
    "model", ...); `why` is one sentence for the reader.
    """

    kind: Kind
    unit: str
    value: float
    low: float
    high: float
    limited_by: str = ""
    why: str = ""

    def __post_init__(self) -> None:
        if self.kind is Kind.CANT_SAY:
            if not math.isnan(self.value):
                raise ValueError("a figure that can't be said holds no number")
        elif self.kind is Kind.AT_LEAST:
            if not math.isfinite(self.value) or self.low != self.value or self.high != math.inf:
                raise ValueError(f"a bound is one finite number, open upwards: {self!r}")
        elif self.kind is Kind.AT_MOST:
            if not math.isfinite(self.value) or self.high != self.value or self.low != -math.inf:
                raise ValueError(f"a bound is one finite number, open downwards: {self!r}")
        elif not (math.isfinite(self.value) and self.low <= self.value <= self.high):
            raise ValueError(f"the value must be finite and lie in its interval: {self!r}")

    @property
    def known(self) -> bool:
        """True unless the kind is CAN'T SAY."""
        return self.kind is not Kind.CANT_SAY

    @property
    def may_support_pass(self) -> bool:
        """Only a reading or a bound may; an inference never does (DESIGN, table of kinds)."""
        return self.kind in (Kind.READING, Kind.AT_LEAST, Kind.AT_MOST)


def reading(value: float, low: float, high: float, unit: str, *, limited_by: str = "", why: str = "") -> Figure:
    """A measured figure: `value` within its 95 % interval `low`..`high`, all in `unit`."""
    return Figure(Kind.READING, unit, float(value), float(low), float(high), limited_by, why)


def at_least(bound: float, unit: str, *, limited_by: str = "", why: str = "") -> Figure:
    """A one-sided 95 % bound: the true figure is `bound` or more, in `unit`."""
    return Figure(Kind.AT_LEAST, unit, float(bound), float(bound), math.inf, limited_by, why)


def at_most(bound: float, unit: str, *, limited_by: str = "", why: str = "") -> Figure:
    """A one-sided 95 % bound from above: the true figure is `bound` or less, in `unit`."""
    return Figure(Kind.AT_MOST, unit, float(bound), -math.inf, float(bound), limited_by, why)


def inferred(value: float, low: float, high: float, unit: str, *, limited_by: str = "", why: str = "") -> Figure:
    """A figure that follows from a fitted model only, within its 95 % interval, in `unit`."""
    return Figure(Kind.INFERRED, unit, float(value), float(low), float(high), limited_by, why)


def cant_say(unit: str, why: str, *, limited_by: str = "") -> Figure:
    """No figure follows from the data; `why` says in one sentence what stands in the way."""
    return Figure(Kind.CANT_SAY, unit, math.nan, -math.inf, math.inf, limited_by, why)


def shifted(figure: Figure, offset: float) -> Figure:
    """The same figure read against another origin: value and interval moved by `offset` (same unit and kind)."""
    return replace(figure, value=figure.value + offset, low=figure.low + offset, high=figure.high + offset)
