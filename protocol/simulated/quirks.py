"""How a simulated console behaves beyond its profile: its own listing, pages, remarks in between, words of refusal.

Owns: the types and the reading of a small TOML file. Refuses: the dialect itself, which is the profile's.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from protocol.files.strict_toml import Table


@dataclass(frozen=True, slots=True)
class Quirks:
    """`listing`: lines of the help (None: made from the profile); `details`: what `help WORD` says; `page_lines`:
    pages of so many lines, each ended by `pager` and a wait for a key; `chatter`: a line that comes unasked before
    every `chatter_every`-th answer; `refusal`: words of a refusal with {word} in them; `number`: how values are
    written."""

    listing: tuple[str, ...] | None = None
    details: dict[str, str] = field(default_factory=dict)
    page_lines: int = 0
    pager: str = "-- more --"
    chatter: str = ""
    chatter_every: int = 0
    refusal: str = ""
    number: str = ".9e"


PLAIN = Quirks()


def load_quirks(path: Path) -> Quirks:
    """Read a quirks file. Raises RequestError naming file, line and key."""
    table = Table.load(path)
    listing = table.texts("listing", ())
    details = dict(line.split("\t", 1) for line in table.texts("details", ()) if "\t" in line)
    found = Quirks(
        listing=listing or None,
        details=details,
        page_lines=table.integer("page_lines", 0, low=0, high=1000),
        pager=table.text("pager", "-- more --"),
        chatter=table.text("chatter", ""),
        chatter_every=table.integer("chatter_every", 0, low=0, high=1000),
        refusal=table.text("refusal", ""),
        number=table.text("number", ".9e"),
    )
    table.done()
    return found
