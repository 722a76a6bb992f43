"""Frequencies that nothing confirms give no figure, through a real device node: the console ignores what is read back
of it, its profile claims nothing. (Common practice: a reading without a traceable axis is no reading.)"""

from __future__ import annotations

import asyncio
import json
import subprocess
import sys
from importlib.resources import files
from pathlib import Path

from protocol.simulated.bench import Bench
from tests.visit.stations import table
from tui.commands.exit_status import ExitStatus
from visit.figures.known import AXIS, CONFIRMED
from visit.site.presets import wide

ROOT = Path(__file__).parents[2]
SITE = str(ROOT / "fixtures/sites/demo-450.toml")


def test_what_is_read_back_confirms_the_axis(tmp_path: Path) -> None:
    with table(tmp_path, "demo-450", "U6") as bench:
        bench.measure("A>L", wide(bench.site), 3)
        rows = bench.station.visit.file.rows("select words from remark where kind = ?", (AXIS,))
        assert all(words == CONFIRMED for (words,) in rows)


async def test_nothing_is_told_of_frequencies_that_nothing_confirms(tmp_path: Path) -> None:
    """The same console, its profile without read-back and without the column of frequencies."""
    shipped = (files("fixtures") / "profiles" / "console-lines.toml").read_text(encoding="utf-8")
    text = shipped[: shipped.index("[[console.readback]]")].replace("{frequency_hz} {s11_re}", "{skip} {s11_re}")
    mine = tmp_path / "mine.toml"
    mine.write_text(text, encoding="utf-8")
    async with await Bench.start(["--speed", "0", "--profile", "console-lines"]) as bench:
        words = ["check", "--port", bench.node, "--profile", str(mine), "--site", SITE, "--sweeps", "3", "--json"]
        done = await asyncio.to_thread(
            subprocess.run,
            [sys.executable, "-m", "tui.cli", *words, "--visit", str(tmp_path / "a.visit")],
            capture_output=True, check=False, cwd=ROOT,
        )  # fmt: skip
    assert done.returncode == ExitStatus.CANT_SAY, done.stderr
    found = json.loads(done.stdout)
    kinds = {
        channel[key]["kind"] for channel in found["channels"] for key in channel if "loss" in key or key == "rejection"
    }
    assert kinds == {"cannot_say"}
    assert any("nothing shows that it sweeps the frequencies that were set" in line for line in found["cautions"])
