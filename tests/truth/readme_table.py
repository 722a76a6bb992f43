"""Owns the table of tuned units in README.md: python -m tests.truth.readme_table rewrites it below the marker line."""

from __future__ import annotations

import pathlib
from collections import Counter

from . import unit

MARK = "<!-- table -->"


def main() -> None:
    """Rewrite the table from the kept units' figures."""
    here = pathlib.Path(__file__).parent
    count = Counter(n.split("_")[0] for n in unit.names())
    rows = [
        MARK,
        "",
        f"{sum(count.values())} units: " + ", ".join(f"{k} {v}" for k, v in sorted(count.items())),
        "",
        "Loss, rejection and return loss in dB at the channels (L/H); width in kHz where the rejection is at least "
        "60 and 75 dB; zeros off: largest distance from the rejected channel, kHz; Q of the lines, mean.",
        "",
        "| unit | loss | rejection | return loss | at A | width 60 | width 75 | zeros off | Q |",
        "|---|---|---|---|---|---|---|---|---|",
    ]
    for name in unit.names():
        u = unit.load(name)
        g = u.figures()
        off = [
            f"{max(abs(u.zeros_hz(k).real - s.f_rej)) / 1e3:.1f}" if s.style == "chain" else "-"
            for k, s in u.sides.items()
        ]
        q = "/".join(f"{s.q.mean():.0f}" for s in u.sides.values())
        rows.append(
            f"| {name} | {g['loss_L']:.2f}/{g['loss_H']:.2f} | {g['rej_L']:.1f}/{g['rej_H']:.1f} | "
            f"{g['rl_L']:.0f}/{g['rl_H']:.0f} | {g['rl_A_low']:.0f}/{g['rl_A_high']:.0f} | "
            f"{g['width60_L_khz']:.0f}/{g['width60_H_khz']:.0f} | "
            f"{g['width75_L_khz']:.0f}/{g['width75_H_khz']:.0f} | {'/'.join(off)} | {q} |"
        )
    path = here / "README.md"
    head = path.read_text().split(MARK)[0]
    path.write_text(head + "\n".join(rows) + "\n")


if __name__ == "__main__":
    main()
