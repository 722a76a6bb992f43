"""Retuning from anywhere, counted: units whose every screw was turned, and a hand that follows the advice alone.
`python -m scripts.retune [--starts 10] [--units U6 V6]` writes docs/retune.md; several may run side by side.

Owns: the starts, the count and the page. Refuses: to leave a start out; one that did not come to its goal is named.
"""

from __future__ import annotations

import argparse
import fcntl
import json
import time
from pathlib import Path
from statistics import median
from typing import Any

import numpy as np

from tests.visit.far_visit import FarVisit, site_of

ROOT = Path(__file__).parents[1]
PAGE, DATA = ROOT / "docs/retune.md", ROOT / "docs/retune.json"
SHARE = {"U6": 0.02, "V6": 0.01, "V4": 0.01, "P6": 0.01}
"""How far a cavity stands off at most, as a share of its channel."""
TRIMMERS_HZ = 100e3
GOAL_DB, RETURNED_DB = 90.0, 15.0
HEAD = """# Retuning from anywhere

Made by `python -m scripts.retune`. Each cavity of the low side starts anywhere within 2 % (U6) or 1 % (V6, V4, P6) of
its channel. The trimmers of P6 are up to 100 kHz off, too. The hand does what the tuning advice says and turns a fifth
more or less than that (one standard deviation). What a turn of a screw does, and which way, is drawn for each start.
When the advice comes to "prove it" the hand makes the proof as it is planned, up to four in all. Where that does not
show the goal it goes on with the advice. *At goal*: the rejection on the bench is 90 dB or more when the hand stops.
*Shown*: the proof says so. *Return loss*: of the pass channel then, worst of all starts (goal 15 dB). A turn is
reckoned as 20 s, leads to the loads and back as 2 min; sweeps take what they take.

| unit | starts | at goal | shown | worst dB | worst return loss | turns, median (most) | minutes, median (most) |
|---|---|---|---|---|---|---|---|
"""


def start(unit: str, seed: int) -> tuple[list[float], list[float]]:
    """Rods and trimmers in hertz off."""
    rng, site = np.random.default_rng(500 + seed), site_of(unit)
    count = site.cavities or 3
    rods = rng.uniform(-SHARE[unit], SHARE[unit], count) * site.high_hz
    trimmers = rng.uniform(-TRIMMERS_HZ, TRIMMERS_HZ, count) if unit == "P6" else np.zeros(count)
    return [float(hz) for hz in rods], [float(hz) for hz in trimmers]


def tried(unit: str, seed: int) -> dict[str, Any]:
    """One start to its end."""
    rods, trimmers = start(unit, seed)
    visit, began = FarVisit(unit, seed, rods, trimmers), time.monotonic()
    ended = visit.run()
    return {
        "unit": unit, "seed": seed, "rods_khz": [round(hz / 1e3) for hz in rods], "ended": ended.deed.value,
        "why": f"{ended.do}: {ended.why}", "true_db": round(visit.true_db(), 1), "turns": visit.turns,
        "returned_db": round(visit.pass_db()[1], 1), "surveys": visit.surveys, "proofs": visit.proofs,
        "sweeps": visit.sweeps, "minutes": round(visit.seconds / 60.0, 1), "cpu_s": round(time.monotonic() - began, 1),
    }  # fmt: skip


def page(done: list[dict[str, Any]]) -> str:
    """The page of all that was tried."""
    lines, rest = [], []
    for unit in SHARE:
        mine = sorted((one for one in done if one["unit"] == unit), key=lambda one: int(one["seed"]))
        if not mine:
            continue
        turns, minutes = ([one[name] for one in mine] for name in ("turns", "minutes"))
        worst, returned = (min(one[name] for one in mine) for name in ("true_db", "returned_db"))
        at_goal = sum(one["true_db"] >= GOAL_DB for one in mine)
        lines.append(
            f"| {unit} | {len(mine)} | {at_goal} | {sum(one['ended'] == 'prove' for one in mine)} | {worst:.1f} dB |"
            f" {returned:.1f} dB | {median(turns):.0f} ({max(turns)}) | {median(minutes):.0f} ({max(minutes):.0f}) |"
        )
        for one in mine:
            if one["ended"] != "prove" or one["true_db"] < GOAL_DB or one["returned_db"] < RETURNED_DB:
                places = " ".join(f"{khz:+d}" for khz in one["rods_khz"])
                rest.append(f"* {unit}, start {one['seed']} ({places} kHz): {one['true_db']} dB, return loss"
                            f" {one['returned_db']} dB after {one['turns']} turns and {one['proofs']} proofs;"
                            f" {one['why']}")  # fmt: skip
    return HEAD + "\n".join(lines) + ("\n\nNot at goal, or not shown:\n\n" + "\n".join(rest) if rest else "") + "\n"


def kept(more: dict[str, Any] | None = None) -> list[dict[str, Any]]:
    """All that was counted so far, with one more; both files are written while nobody else does."""
    with (ROOT / "docs").joinpath(".retune.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        done: list[dict[str, Any]] = json.loads(DATA.read_text("utf-8")) if DATA.exists() else []
        if more is not None and (more["unit"], more["seed"]) not in {(one["unit"], one["seed"]) for one in done}:
            done.append(more)
            DATA.write_text(json.dumps(done, indent=1) + "\n", "utf-8")
            PAGE.write_text(page(done), "utf-8")
    return done


def main() -> None:
    """Try what is not in the data yet, write both files after each start."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--starts", type=int, default=10)
    parser.add_argument("--units", nargs="+", default=list(SHARE))
    parser.add_argument("--anew", action="store_true", help="forget what was counted before")
    options = parser.parse_args()
    if options.anew:
        DATA.unlink(missing_ok=True)
    for seed in range(options.starts):
        for unit in options.units:
            if (unit, seed) not in {(one["unit"], one["seed"]) for one in kept()}:
                made = tried(unit, seed)
                kept(made)
                print(json.dumps(made), flush=True)


if __name__ == "__main__":
    main()
