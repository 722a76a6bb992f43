"""Three-line-high figures that can be read from two metres.

Owns: the choice between Textual's digit glyphs and a plain ASCII form. Refuses: to draw a number without being given
the word that stands beside it (see `live_rows`).
"""

from __future__ import annotations

from textual.renderables.digits import DIGITS, DIGITS3X3

from tui.drawing.marks import MarkSet

SEGMENTS = {
    "0": (" _ ", "| |", "|_|"), "1": ("   ", "  |", "  |"), "2": (" _ ", " _|", "|_ "), "3": (" _ ", " _|", " _|"),
    "4": ("   ", "|_|", "  |"), "5": (" _ ", "|_ ", " _|"), "6": (" _ ", "|_ ", "|_|"), "7": (" _ ", "  |", "  |"),
    "8": (" _ ", "|_|", "|_|"), "9": (" _ ", "|_|", " _|"), ".": (" ", " ", "."), "-": ("   ", " _ ", "   "),
    "+": ("   ", " | ", "   "), "?": (" _ ", "  ]", "  ."), " ": ("  ", "  ", "  "),
}  # fmt: skip
"""Seven-segment shapes out of ASCII signs only."""


def big(text: str, marks: MarkSet) -> tuple[str, str, str]:
    """`text` (digits, point, sign, space) as three lines of equal length."""
    if marks is MarkSet.ASCII:
        shapes = [SEGMENTS.get(letter, SEGMENTS[" "]) for letter in text]
        return ("".join(s[0] for s in shapes), "".join(s[1] for s in shapes), "".join(s[2] for s in shapes))
    lines = ["", "", ""]
    for letter in text:
        at = DIGITS.find(letter)
        glyph = DIGITS3X3[at * 3 : at * 3 + 3] if at >= 0 else [" ", " ", letter]
        for row in range(3):
            lines[row] += glyph[row].ljust(3 if letter not in ".,:" else 1)
    return lines[0], lines[1], lines[2]
