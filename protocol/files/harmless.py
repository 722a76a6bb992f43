"""Untrusted words made harmless: what comes from a file, a wire or a name leaves the program as one plain line.

Owns: the one rule, used at every way out (screens, lines on a terminal, pages, exports). Refuses: escaping for a
format (HTML, CSV, JSON); the way out does that besides.
"""

from __future__ import annotations

import json
import unicodedata
from typing import Any

LONGEST = 4000
"""Letters of one line; a report's longest sentence has a few hundred."""
MOST_MARKS = 3
"""Marks that may stand above and below one letter; scripts of living languages need no more."""
CUT = " ... (cut)"


def harmless(text: object, longest: int = LONGEST) -> str:
    """`text` as one line that moves no cursor, forges no line and turns no reading direction.

    Blanks of any kind (tabs, line ends) become a blank. Controls (C0, C1, DEL), formatting marks (among them those
    that turn the reading direction), lone surrogates of broken file names and unassigned letters become `?`. Towers
    of combining marks are taken down, and an endless line is cut.
    """
    words = text if isinstance(text, str) else str(text)
    if len(words) > longest:
        words = words[:longest] + CUT
    if words.isascii() and words.isprintable():
        return words
    found, marks = [], 0
    for letter in words:
        marks = marks + 1 if unicodedata.category(letter) in ("Mn", "Me") else 0
        if marks > MOST_MARKS:
            continue
        found.append(letter if letter.isprintable() else " " if letter.isspace() and letter not in _PARTERS else "?")
    return "".join(found)


_PARTERS = "\x1c\x1d\x1e\x1f"
"""Separators that count as blanks for `str.isspace` and are control characters all the same."""


def ascii_only(text: str) -> str:
    """One line of printable ASCII, `?` for every other letter; for what can show no more."""
    return "".join(letter if " " <= letter <= "~" else "?" for letter in text)


def harmless_data(data: Any) -> Any:
    """The same of every text within lists and dictionaries, keys included; numbers stay what they are."""
    if isinstance(data, str):
        return harmless(data)
    if isinstance(data, dict):
        return {harmless(key): harmless_data(value) for key, value in data.items()}
    return [harmless_data(value) for value in data] if isinstance(data, list | tuple) else data


def harmless_json(data: Any, indent: int | None = 2) -> str:
    """Harmless data as JSON text, ASCII only; what a reader takes out of it again is harmless too."""
    return json.dumps(harmless_data(data), indent=indent, allow_nan=False)
