"""How near the fitted place of a notch comes to the Cramer-Rao bound, for two to six cavities a side at averaged floors
from -60 to -94 dB. Writes the last section of docs/notch-methods.md.

Run by hand: .venv/bin/python scripts/place_bound.py [DRAWS]
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).parents[1]))
from tests.rf.place_trials import COUNTS, FLOORS_DB, Nearness, drawn_bench, like_cavities

PAGE = Path(__file__).parents[1] / "docs/notch-methods.md"
SECTION = "\n## How near the bound\n"
TEXT = """
Made by `scripts/place_bound.py`, {draws} draws a cell. The Cramer-Rao bound is the least standard deviation of the mean
place that any unbiased method can reach on the same samples, from the Fisher information of the place and of everything
else that is unknown. In a cell: rms distance from the truth over the rms bound, and the share of 95 % intervals that
hold. A ratio of {draws} draws scatters by {scatter:.0f} %; {refused} of {all} fits were refused.

* **like cavities**: the study's three-port circuit, an instrument without errors of its own. Unknown besides: place of
  each cavity, mean place on the other side, unloaded Q, coupling, length and loss of the harness, tuning of the pass,
  gain, phase and delay.
* **drawn benches**: circuits drawn anew each time with the usual departures of size 1 (`rf.notch.chain_fit`), as an
  analyzer with 20 dB port match sees them; the fit is told what a visit tells it, but not the size of the departures.
  All of its parameters are unknown, each within its prior (van Trees 1968, section 2.4), on the samples below -6 dB.

| bench | cavities | {floors} |
|---|---|{lines}|
"""


def table(draws: int) -> str:
    rows: list[str] = []
    tried: list[Nearness] = []
    for name, bench in (("like cavities", like_cavities), ("drawn benches", drawn_bench)):
        for count in COUNTS:
            cells = []
            for floor_db in FLOORS_DB:
                near = bench(count, floor_db, draws)
                tried.append(near)
                cells.append(f"{near.ratio:.2f}, {100 * near.covered:.0f} %")
            rows.append(f"| {name} | {count} | {' | '.join(cells)} |")
            print(rows[-1], flush=True)
    head = TEXT.format(
        draws=draws, scatter=100.0 / (2.0 * draws) ** 0.5, refused=sum(near.refused for near in tried),
        all=draws * len(tried), floors=" | ".join(f"{db:.0f} dB" for db in FLOORS_DB), lines="|".join(["---"] * 4),
    )  # fmt: skip
    return SECTION + head + "\n".join(rows) + "\n"


def main() -> None:
    made = table(int(sys.argv[1]) if len(sys.argv) > 1 else 60)
    before = PAGE.read_text(encoding="utf-8").split(SECTION)[0]
    PAGE.write_text(before + made, encoding="utf-8")
    print(PAGE)


if __name__ == "__main__":
    main()
