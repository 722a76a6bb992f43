"""One set of points in a reply: its columns as numbers, and the text of a point that a profile needs to read it again.

Owns: that form, and the number in a text. Refuses: to find points in a reply (`rows`, `shapes`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

FEWEST_POINTS = 3
LARGEST = 1e100
"""A larger number is none that an analyzer means (codes for `no value` are below it), and its square overflows."""


@dataclass(frozen=True)
class Shape:
    """One set of points in a reply: raw columns (N, k) and how to find them again."""

    values: NDArray[np.float64]
    literals: tuple[str, ...]
    """k + 1 texts around the numbers of one point."""
    forms: tuple[str, ...]
    stream: bool = False
    begin: str = ""
    finish: str = ""
    titles: tuple[str, ...] = field(default=())
    """Words of a header line."""

    @property
    def points(self) -> int:
        """Points that it holds."""
        return len(self.values)

    def line(self, names: Sequence[str]) -> str:
        """The template of one point; `names` are fields with divisor, "skip" where a column is of no use."""
        out = self.literals[0]
        for name, form, literal in zip(names, self.forms, self.literals[1:], strict=True):
            out += "{" + name + (f":{form}" if form else "") + "}" + literal
        return out.strip()


def number(text: str, form: str) -> float:
    """A number in one of the forms."""
    if form == "hex":
        value = int(text, 16)
        return float(value)
    if form == "comma" and text[-1:] not in "kMG":
        return float(text.replace(",", "."))
    if form in ("si", "comma") and text[-1:] in "kMG":
        return float(text[:-1]) * {"k": 1e3, "M": 1e6, "G": 1e9}[text[-1]]
    return float(text)
