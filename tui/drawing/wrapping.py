"""Rows that are wider than the screen go on in the next row, at a word; a figure stays with its word.

Owns: where a row may be parted. Refuses: to cut anything off.
"""

from __future__ import annotations

import re

from tui.drawing.rows import Row

INDENT = 9
"""Columns of the label at the left of a row; what goes on stands beside it."""

_NUMBER = r"[-+]?\d[\d.]*"
FIGURE = re.compile(
    rf"(READING|AT LEAST|AT MOST|INFERRED) {_NUMBER}( MHz)?( ±[\d.]+| \({_NUMBER}\.\.{_NUMBER}\))?"
    r"( (dB|kHz|MHz|Hz|m)\b)?"
    r"|CAN'T SAY"
)
"""A word, its number, its interval, its unit: never parted."""


def wrapped(row: Row, width: int, indent: int = INDENT) -> list[Row]:
    """The row in as many as it needs; one that fits comes back as it is. A word longer than a row is parted."""
    plain = "".join(text for text, _ in row).rstrip()
    if len(plain) <= width:
        return [row]
    styles = [style for text, style in row for _ in text]
    kept = {at for found in FIGURE.finditer(plain) for at in range(*found.span())}
    cuts = [at for at, letter in enumerate(plain) if letter == " " and at not in kept and at >= indent]
    made: list[Row] = []
    begin = 0
    while begin < len(plain):
        room = width - (indent if made else 0)
        end = begin + room
        if end < len(plain):
            end = max((at for at in cuts if begin < at <= begin + room), default=end)
        made.append(_runs(plain[begin:end].rstrip(), styles[begin:end], indent if made else 0))
        begin = end
        while begin < len(plain) and plain[begin] == " ":
            begin += 1
    return made


def _runs(text: str, styles: list[str], indent: int) -> Row:
    """Letters with one style each as runs."""
    row: Row = [(" " * indent, "")] if indent else []
    for letter, style in zip(text, styles, strict=False):
        if row and row[-1][1] == style:
            row[-1] = (row[-1][0] + letter, style)
        else:
            row.append((letter, style))
    return row
