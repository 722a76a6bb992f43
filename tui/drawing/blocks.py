"""Blocks of text that fit a screen by construction: words wrap, whole blocks give way, nothing is cut in the middle.

Owns: wrapping a labelled text to a width, and choosing which blocks stand when not all do. Refuses: to shorten a
sentence; a block that has no room is left out whole, least important first.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from tui.drawing.wrapping import wrapped

WIDTH = 79
"""One column less than the usual terminal: the last one would wrap on some."""
LABEL = 8


@dataclass(frozen=True, slots=True)
class Block:
    """Lines that stand together. `weight`: the smallest gives way first; None never does."""

    lines: tuple[str, ...]
    weight: int | None = None


def labelled(label: str, text: str, width: int = WIDTH, column: int = LABEL) -> list[str]:
    """A word in front and text beside it from `column` on, wrapped within `width`; nothing where there is no text."""
    if not text:
        return []
    first = f" {label}".ljust(column)
    first = first if first.endswith(" ") else f"{first} "
    return ["".join(part for part, _ in row) for row in wrapped([(first + text, "")], width, len(first))]


def flowed(items: Sequence[str], width: int) -> list[str]:
    """Short items such as keys, side by side in as many lines as they need, none parted."""
    lines: list[str] = []
    for item in items:
        if lines and len(lines[-1]) + 2 + len(item) <= width:
            lines[-1] += f"  {item}"
        else:
            lines.append(f" {item}")
    return lines


def kept_blocks(sizes: Sequence[tuple[int, int | None]], rows: int) -> list[int]:
    """Which blocks stand in `rows`, of so many lines and such a weight each: their places, in their order."""
    kept = list(range(len(sizes)))
    while sum(sizes[k][0] for k in kept) > rows:
        lightest = min(
            (k for k in kept if sizes[k][1] is not None and sizes[k][0]),
            key=lambda k: (sizes[k][1] or 0, -k),
            default=None,
        )
        if lightest is None:
            break
        kept.remove(lightest)
    return kept


def stacked(blocks: Sequence[Block], rows: int) -> list[str]:
    """The lines of those blocks that fit in `rows`, in their order."""
    kept = kept_blocks([(len(block.lines), block.weight) for block in blocks], rows)
    return [line for k in kept for line in blocks[k].lines]
