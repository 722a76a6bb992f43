"""Which signs this terminal can show, and the palette.

Owns: the choice among braille, block and ASCII signs by locale and wish, and colours that colour-blind eyes can tell
apart. Refuses: to carry meaning by colour alone; every colour here stands beside a word or a mark.
"""

from __future__ import annotations

import codecs
import enum
import locale
import os
from collections.abc import Mapping


class MarkSet(enum.Enum):
    """How a trace is drawn."""

    BRAILLE = "braille"
    BLOCKS = "blocks"
    ASCII = "ascii"


def choose_marks(wish: str | None, environment: Mapping[str, str], encoding: str) -> MarkSet:
    """The signs to draw with: the user's wish, else braille where the terminal speaks UTF-8, else ASCII.

    The Linux text console has block elements but no braille in its fonts (known from 456 Debian console fonts), so
    TERM=linux gets blocks.
    """
    if wish:
        return MarkSet(wish)
    try:
        unicode = codecs.lookup(encoding).name in ("utf-8", "utf-16")
    except LookupError:
        unicode = False
    if not unicode or plain_locale(environment) or environment.get("TERM") == "dumb":
        return MarkSet.ASCII
    return MarkSet.BLOCKS if environment.get("TERM") == "linux" else MarkSet.BRAILLE


def plain_locale(environment: Mapping[str, str]) -> bool:
    """True where somebody chose the C locale, ASCII and nothing more. Python answers UTF-8 there all the same (PEP 538
    puts C.UTF-8 into LC_CTYPE, PEP 540 turns its UTF-8 mode on), but the terminal need not know it."""
    chosen = environment.get("LC_ALL") or environment.get("LC_CTYPE") or environment.get("LANG") or ""
    if chosen in ("C.UTF-8", "C.utf8", "UTF-8") and not environment.get("LC_ALL"):
        chosen = environment.get("LANG") or chosen
    return chosen in ("C", "POSIX")


def terminal_marks(wish: str | None = None) -> MarkSet:
    """`choose_marks` for the terminal this process runs in."""
    return choose_marks(wish, os.environ, locale.getpreferredencoding(do_setlocale=False))


# Okabe and Ito's palette (2008), made to be told apart with any common form of colour blindness.
ORANGE = "#e69f00"
SKY = "#56b4e9"
GREEN = "#009e73"
YELLOW = "#f0e442"
VERMILLION = "#d55e00"
PLAIN = "#d0d0d0"
FAINT = "#808080"

WORD_STYLE = {
    "READING": f"bold {SKY}",
    "AT LEAST": f"bold {YELLOW}",
    "AT MOST": f"bold {YELLOW}",
    "INFERRED": f"italic {ORANGE}",
    "CAN'T SAY": PLAIN,
}
"""Style of each kind's word. The word itself carries the meaning."""

PLAIN_SIGNS = str.maketrans(
    {
        "±": "~",
        "−": "-",
        "·": ".",
        "°": " ",
        "█": "#",
        "▏": "|",
        "│": "|",
        "─": "-",
        "┄": "-",
        "╱": "/",
        "▲": "^",
        "◆": "G",
        "→": ">",
        "…": ".",
        "┤": "+",
        "├": "+",
        "┊": ":",
        "≥": ">",
        "×": "x",
    }
)


def plain(text: str, marks: MarkSet) -> str:
    """`text` with signs outside ASCII replaced where the terminal has only ASCII."""
    if marks is not MarkSet.ASCII:
        return text
    return text.replace("±", "+-").translate(PLAIN_SIGNS).encode("ascii", "replace").decode("ascii")
