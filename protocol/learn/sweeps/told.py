"""What a console tells besides: ranges and counts in a refusal, the value that it holds instead of the one sent.

Owns: reading them out of lines. Refuses: to believe them; whoever uses them tries them.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from protocol.learn.sweeps.setters import numbers_in

RANGE = re.compile(
    r"([-+]?\d[\d.,]*)\s*([kMG]?)(?:[Hh][Zz])?\s*"
    r"(?:\.\.\.?|(?i:to|and|thru|through|up to|until|bis)|-|<=?)\s*(\d[\d.,]*)\s*([kMG]?)(?:[Hh][Zz])?"
)
"""Two numbers that are the ends of a range."""


def counts_told(lines: Sequence[str], sent: int) -> list[int]:
    """Numbers of points that a refusal lists; for a range its ends. Empty where it tells none."""
    for line in lines:
        numbers = [
            int(text) for text in re.findall(r"(?<![\w.,])\d{1,5}(?![\w,]|\.\d)", line) if 1 < int(text) <= 50_000
        ]
        numbers = [number for number in dict.fromkeys(numbers) if number != sent]
        ends = re.search(
            r"(?<![\d.])(\d{1,5})\s*(?:\.\.\.?|(?i:to|and|thru|through|up to|until)|-)\s*(\d{2,5})(?![\d.])", line
        )
        if ends and 1 < int(ends.group(1)) < int(ends.group(2)):
            return [int(ends.group(1)), int(ends.group(2))]
        if len(numbers) >= 2 and numbers == sorted(numbers):
            return numbers
    return []


def told_range(lines: Sequence[str]) -> bool:
    """Whether a refusal tells ends of a range."""
    return any(RANGE.search(line) for line in lines)


def changed(before: Sequence[str], after: Sequence[str]) -> tuple[str, float] | None:
    """The one number that differs between two answers to the same question, as it stands in the second."""
    old = [number for line in before for number in numbers_in(line)]
    new = [number for line in after for number in numbers_in(line)]
    if len(old) != len(new):
        return None
    other = [number for number, then in zip(new, old, strict=True) if number[1] != then[1]]
    return other[0] if len(other) == 1 else None
