"""Drives all days of tests/tui/days.toml by the words of the screen alone, and writes docs/days.md.

    python scripts/days.py [--at-once 2] [--only NAME ...] [--keep FOLDER]    # a quarter of an hour; 1: one was not

Owns: the page's form. Refuses: a day that did not come to its honest end without saying so.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[1]
sys.path.insert(0, str(ROOT))

HEAD = """# Days

A technician's hand goes through a whole day in a real terminal: from the start screen to the report. It reads nothing
but the text of the screen, and does what stands there. It turns screws with an error of a fifth.

What is wrong on the simulated bench, and what an honest day comes to, was written down before any day was driven
(`tests/tui/days.toml`). Minutes are those of the analyzer's sweeps; a real hand needs more. Each row says at which
commit its day was driven last. Made by `scripts/days.py`.

| day | what nobody knew | the honest end | came to it | keys | turns | min | at |
|---|---|---|---|--:|--:|--:|---|
"""


def driven(name: str) -> dict[str, Any]:
    """One day, as a row."""
    from tests.tui.driven_days import DAYS, drive, true_db

    day = next(day for day in DAYS if day["name"] == name)
    with tempfile.TemporaryDirectory(prefix="deepnotch-day-") as folder:
        judged = drive(Path(folder), day)
    went = judged.went
    return {
        "name": name, "commit": commit(), "faults": judged.faults, "keys": went.keys, "turns": went.turns,
        "minutes": went.bench_min,
        "real_s": went.real_s, "deeds": went.deeds, "seen": went.seen, "report": went.report,
        "pressed": list(went.pressed) if judged.faults else [], "true_db": true_db(went) if went.status else {},
    }  # fmt: skip


def commit() -> str:
    """The commit that stands here."""
    asked = ["git", "rev-parse", "--short", "HEAD"]
    return subprocess.run(asked, cwd=ROOT, capture_output=True, text=True, check=True).stdout.strip()


def page(rows: list[dict[str, Any]]) -> str:
    """docs/days.md."""
    from tests.tui.driven_days import DAYS

    lines = []
    for day in DAYS:
        row = next((row for row in rows if row["name"] == day["name"]), None)
        if row is None:
            lines.append(f"| {day['name']} | {day['hidden']} | {day['honest']} | not finished | | | | |")
            continue
        came = "yes" if not row["faults"] else "NO"
        cells = (
            day["name"],
            day["hidden"],
            day["honest"],
            came,
            row["keys"],
            row["turns"],
            f"{row['minutes']:.0f}",
            row["commit"],
        )
        lines.append("| " + " | ".join(map(str, cells)) + " |")
    honest = sum(not row["faults"] for row in rows)
    return f"{HEAD}{chr(10).join(lines)}\n\n{honest} of {len(DAYS)} days came to their honest end.\n"


def main() -> int:
    """Drive, write, say."""
    from tests.tui.driven_days import DAYS

    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--at-once", type=int, default=2)
    parser.add_argument("--only", nargs="+", default=[day["name"] for day in DAYS])
    parser.add_argument("--keep", type=Path, help="folder for what was read and done, a JSON file a day")
    options = parser.parse_args()
    rows = []
    with multiprocessing.get_context("spawn").Pool(options.at_once, maxtasksperchild=1) as pool:
        for row in pool.imap_unordered(driven, options.only):
            rows.append(row)
            said = "honest" if not row["faults"] else f"NOT HONEST: {row['faults'][0].splitlines()[0]}"
            print(f"{row['name']}: {said}; {row['keys']} keys, {row['turns']} turns, {row['real_s']:.0f} s", flush=True)
            if options.keep:
                (options.keep / f"{row['name'].replace(' ', '-')}.json").write_text(json.dumps(row, indent=1))
    if options.keep:  # days that were driven before count with those of now
        kept = [json.loads(path.read_text()) for path in sorted(options.keep.glob("*.json"))]
        rows += [row for row in kept if row["name"] not in {mine["name"] for mine in rows}]
    if options.keep or set(options.only) == {day["name"] for day in DAYS}:
        (ROOT / "docs/days.md").write_text(page(rows), encoding="utf-8")
    return int(any(row["faults"] for row in rows))


if __name__ == "__main__":
    sys.exit(main())
