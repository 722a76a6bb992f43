"""The only place where a figure becomes text. No number leaves here without the word of its kind.

Owns: rounding, the words READING / AT LEAST / AT MOST / INFERRED / CAN'T SAY beside the number, and the form that goes
into JSON. Refuses: to print a bare number; callers get the word and the number together or not at all.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from rf.values.figure import CONFIDENCE, Figure, Kind, at_least, at_most

JSON_KINDS = {
    Kind.READING: "reading",
    Kind.AT_LEAST: "at_least",
    Kind.AT_MOST: "at_most",
    Kind.INFERRED: "inferred",
    Kind.CANT_SAY: "cannot_say",
}
"""How a kind is spelt in JSON."""

MAX_DECIMALS = 3
"""No analyzer of this class supports more in dB or kHz."""

LOPSIDED = 1.25
"""Above this ratio of the two half-widths the interval is printed by its ends instead of with a plus-minus sign."""


@dataclass(frozen=True, slots=True)
class Words:
    """A figure as text in parts that belong together: `word` always stands with `number`."""

    word: str
    number: str
    spread: str
    unit: str

    @property
    def line(self) -> str:
        """All of it on one line, e.g. ``READING 1.36 ±0.10 dB``."""
        return " ".join(part for part in (self.word, self.number + self.spread, self.unit) if part)


def decimals_for(half_width: float) -> int:
    """Decimals so that an uncertainty shows two digits when it starts with 1 or 2, else one.

    Common practice for stating uncertainty (JCGM 100:2008, 7.2.6: at most two significant digits).
    """
    if not math.isfinite(half_width) or half_width < 10.0**-MAX_DECIMALS:
        return MAX_DECIMALS
    exponent = math.floor(math.log10(half_width))
    leading = half_width / 10.0**exponent
    return min(max(-exponent + (1 if leading < 2.95 else 0), 0), MAX_DECIMALS)


def rounded_down(value: float, decimals: int) -> float:
    """`value` cut to `decimals` towards minus infinity, so that a printed bound never promises more than was shown."""
    factor = 10.0**decimals
    return math.floor(value * factor + 1e-6) / factor


def words(figure: Figure, *, signed: bool = False, bound_decimals: int = 1) -> Words:
    """Text of a figure in parts. Frequencies (unit "Hz") are shown in kHz; `signed` puts a + before offsets."""
    if figure.kind is Kind.CANT_SAY:
        return Words(figure.kind.value, "", "", "")
    factor, unit = (1e-3, "kHz") if figure.unit == "Hz" else (1.0, figure.unit)
    if abs(figure.value) >= 1e8 and figure.unit == "Hz":
        return _frequency_words(figure)
    sign = "+" if signed else ""
    if figure.kind is Kind.AT_LEAST:
        bound = rounded_down(figure.value * factor, bound_decimals)
        return Words(figure.kind.value, f"{bound:{sign}.{bound_decimals}f}", "", unit)
    if figure.kind is Kind.AT_MOST:
        bound = _no_negative_zero(_round_up(figure.value * factor, bound_decimals), bound_decimals)
        return Words(figure.kind.value, f"{bound:{sign}.{bound_decimals}f}", "", unit)
    below, above = (figure.value - figure.low) * factor, (figure.high - figure.value) * factor
    decimals = decimals_for(max(below, above))
    number = f"{_no_negative_zero(figure.value * factor, decimals):{sign}.{decimals}f}"
    return Words(figure.kind.value, number, _spread(figure, factor, decimals), unit)


def _frequency_words(figure: Figure) -> Words:
    """An absolute frequency: MHz with the interval in kHz, the way a technician reads a dial."""
    half_khz = max(figure.high - figure.value, figure.value - figure.low) / 1e3
    decimals = min(decimals_for(half_khz) + 3, 6)
    shown = f"{_round_up(half_khz, decimals_for(half_khz)):.{decimals_for(half_khz)}f}"
    return Words(figure.kind.value, f"{figure.value / 1e6:.{decimals}f} MHz", f" ±{shown}", "kHz")


def _spread(figure: Figure, factor: float, decimals: int) -> str:
    below, above = (figure.value - figure.low) * factor, (figure.high - figure.value) * factor
    if not (math.isfinite(below) and math.isfinite(above)):
        ends = (f"{end * factor:.{decimals}f}" for end in (figure.low, figure.high))
        return f" ({'..'.join(ends)})"
    small, large = min(below, above), max(below, above)
    around = _round_up(large, decimals)
    wrong_sign = figure.low >= 0.0 and around > round(figure.value * factor, decimals)  # no such end is in the interval
    if wrong_sign or large > LOPSIDED * max(small, 10.0**-decimals):
        low = _no_negative_zero(rounded_down(figure.low * factor, decimals), decimals)
        high = _round_up(figure.high * factor, decimals)
        return f" ({low:.{decimals}f}..{high:.{decimals}f})"
    return f" ±{around:.{decimals}f}"


def _round_up(value: float, decimals: int) -> float:
    factor = 10.0**decimals
    return math.ceil(value * factor - 1e-6) / factor


def _no_negative_zero(value: float, decimals: int) -> float:
    return 0.0 if round(value, decimals) == 0 else value


def text(figure: Figure, *, signed: bool = False) -> str:
    """One line with word, number, interval and unit."""
    return words(figure, signed=signed).line


def level_text(loss: Figure) -> str:
    """A loss (positive dB) said as the level of a trace: what loses at least so much stands at most so high."""
    if loss.kind is Kind.AT_LEAST:
        return text(at_most(-loss.value, loss.unit))
    if loss.kind is Kind.AT_MOST:
        return text(at_least(-loss.value, loss.unit))
    if not loss.known:
        return text(loss)
    return text(replace(loss, value=-loss.value, low=-loss.high, high=-loss.low))


def finite(value: float) -> float | None:
    """A number for JSON, None where there is none."""
    return float(value) if math.isfinite(value) else None


def as_json(figure: Figure) -> dict[str, str | float | None]:
    """The documented JSON form. Numbers that do not exist (no value, open end) are null, never NaN or infinity."""
    return {
        "value": finite(figure.value),
        "unit": figure.unit,
        "kind": JSON_KINDS[figure.kind],
        "low": finite(figure.low),
        "high": finite(figure.high),
        "confidence": CONFIDENCE,
        "limited_by": figure.limited_by,
        "why": figure.why,
    }
