"""How near the fitted place of a notch comes to the Cramer-Rao bound, for two to six cavities a side at averaged floors
from -60 to -94 dB. Writes the last section of docs/notch-methods.md; `--drawn` prints the same for drawn benches.

Run by hand: .venv/bin/python scripts/place_bound.py [--draws N] [--drawn]     (some minutes)
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Callable
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).parents[1]))
from tests.rf.place_trials import COUNTS, FLOORS_DB, Nearness, drawn_bench, like_cavities

PAGE = Path(__file__).parents[1] / "docs/notch-methods.md"
SECTION = "\n## How near the bound\n"
TEXT = """
Made by `scripts/place_bound.py`, {draws} draws a cell. The Cramer-Rao bound is the least standard deviation of the mean
place that any unbiased method can reach on the same samples, from the Fisher information of the place and of everything
else that is unknown: place of each cavity, mean place on the other side, unloaded Q, coupling, length and loss of the
harness, tuning of the pass, gain, phase and delay. The circuit is the study's, with like cavities, and the instrument
has no errors of its own. In a cell: rms distance from the truth over the bound, and the share of 95 % intervals that
hold. The ratio of {draws} draws scatters by {scatter:.0f} %.

| cavities | {floors} |
|---|---|---|---|---|
{rows}

Not so near: benches drawn with the usual departures of size 1 and seen by a real analyzer (`--drawn`). There the search
ends beside the likeliest circuit in some of them, most of them with six cavities, and one such place outweighs all the
others' rms.
"""


def rows_of(bench: Callable[[int, float, int], Nearness], draws: int) -> list[str]:
    """A row for each number of cavities, printed as it is made; what was refused is told in its cell."""
    rows: list[str] = []
    for count in COUNTS:
        cells = [bench(count, floor_db, draws) for floor_db in FLOORS_DB]
        said = " | ".join(
            f"{near.ratio:.2f}, {100 * near.covered:.0f} %" + (f", {near.refused} refused" if near.refused else "")
            for near in cells
        )
        rows.append(f"| {count} | {said} |")
        print(rows[-1], flush=True)
    return rows


def section(draws: int) -> str:
    """The whole section for like cavities."""
    rows = rows_of(like_cavities, draws)
    made = TEXT.format(
        draws=draws, scatter=100.0 / (2.0 * draws) ** 0.5, floors=" | ".join(f"{db:.0f} dB" for db in FLOORS_DB),
        rows="\n".join(rows),
    )  # fmt: skip
    return SECTION + made


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--draws", type=int, default=40)
    parser.add_argument("--drawn", action="store_true")
    asked = parser.parse_args()
    if asked.drawn:
        rows_of(drawn_bench, asked.draws)
        return
    made = section(asked.draws)
    PAGE.write_text(PAGE.read_text(encoding="utf-8").split(SECTION)[0] + made, encoding="utf-8")
    print(PAGE)


if __name__ == "__main__":
    main()
