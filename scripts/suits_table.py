"""Makes the table of docs/suits.md: which analyzer suits which duplexer.

    .venv/bin/python scripts/suits_table.py           # writes it

Owns: the cases and the form of the table. Refuses: figures of its own; the rest of the page is written by hand.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

from visit.day.instrument import of_sheet
from visit.day.suits import Suits, suits
from visit.report.suits_page import short, timed
from visit.site.hookup import Side
from visit.site.site import Goals, Site

PAGE = Path(__file__).parents[1] / "docs" / "suits.md"
BEGIN, END = "<!-- made by scripts/suits_table.py -->", "<!-- end -->"
BANDS = {
    "2 m, 600 kHz apart": (145.0e6, 145.6e6),
    "4 m, 500 kHz apart": (70.1e6, 70.6e6),
    "70 cm, 5 MHz apart": (440.0e6, 445.0e6),
}
KINDS = {"notch": "band-reject", "pass-reject": "pass-reject", "band-pass": "band-pass"}
CAVITIES = 3
GOAL = Goals(rejection_db=90.0)
SHEETS = {
    "modest": {"floor": "55@1000", "leak": "80", "points": "101", "narrowest": "300"},
    "usual": {"floor": "75@1000", "leak": "100", "points": "401", "narrowest": "30"},
    "good": {"floor": "95@1000", "leak": "120", "points": "1601", "narrowest": "10"},
}
HEADS = (
    "duplexer", "analyzer", "goal of 90 dB", "to show it", "READING up to, dB: wide, zoom, pool",
    "AT LEAST, dB: pool", "in", "ends", "place, kHz", "may move, kHz", "helps most",
)  # fmt: skip


def site(band: str, kind: str) -> Site:
    """One of the sites of the table."""
    low, high = BANDS[band]
    return Site(band, low, high, Side.HIGH, KINDS[kind], CAVITIES, GOAL)


def cells(band: str, kind: str, sheet: str) -> list[str]:
    """One row."""
    made: Suits = suits(site(band, kind), of_sheet(SHEETS[sheet]))
    pool = made.ways[-1]
    return [
        f"{band}: {kind}",
        sheet,
        made.verdict,
        timed(made.proof.minutes).removeprefix("INFERRED "),
        ", ".join(f"{way.reads.value:.0f}" for way in made.ways),
        short(pool.shows).removesuffix(" dB"),
        timed(pool.minutes).removeprefix("INFERRED "),
        pool.ends,
        short(made.place).removesuffix(" kHz"),
        short(made.holds).removesuffix(" kHz"),
        made.helps[0].name if made.helps else "-",
    ]


def table() -> Iterator[str]:
    """The lines."""
    yield "| " + " | ".join(HEADS) + " |"
    yield "|" + "---|" * len(HEADS)
    for band in BANDS:
        for kind in KINDS:
            for sheet in SHEETS:
                yield "| " + " | ".join(cells(band, kind, sheet)) + " |"


def main() -> int:
    """Write the table into the page."""
    text = PAGE.read_text(encoding="utf-8")
    before, _, rest = text.partition(BEGIN)
    after = rest.partition(END)[2]
    PAGE.write_text(f"{before}{BEGIN}\n" + "\n".join(table()) + f"\n{END}{after}", encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
