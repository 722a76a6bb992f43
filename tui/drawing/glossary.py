"""The glossary: what the words on the screen mean, read from the table that ships with the program.

Owns: reading `fixtures/glossary.toml`. Refuses: layout; a screen and `docs/glossary.md` each show it in their own way.
"""

from __future__ import annotations

import importlib.resources
import tomllib
from dataclasses import dataclass

SORTS = {
    "figure": "Words beside a figure",
    "measurement": "The measurement",
    "duplexer": "The duplexer",
    "kit": "The kit",
    "visit": "The visit",
}
"""Headings, in their order."""


@dataclass(frozen=True, slots=True)
class Entry:
    """A word, which heading it stands under (a key of `SORTS`), and its meaning in one or two sentences."""

    name: str
    sort: str
    means: str


def load_glossary() -> tuple[Entry, ...]:
    """All entries, in the order of `SORTS`, then of the table."""
    text = (importlib.resources.files("fixtures") / "glossary.toml").read_text(encoding="utf-8")
    entries = [Entry(row["name"], row["sort"], row["means"]) for row in tomllib.loads(text)["word"]]
    return tuple(sorted(entries, key=lambda entry: list(SORTS).index(entry.sort)))
