"""The page "Write a profile for your analyzer" is right: its worked example is a whole profile and measures."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from protocol.analyzer import Analyzer
from protocol.profiles.profile import parse_profile
from protocol.simulated.bench import Bench
from protocol.sweep import SweepSettings

PAGE = (Path(__file__).parents[2] / "docs/profiles.md").read_text(encoding="utf-8")


def blocks() -> list[str]:
    """Indented blocks of the page, without their indentation."""
    found = re.findall(r"(?:^ {4}.*\n|^\n(?= {4}))+", PAGE, re.MULTILINE)
    return ["\n".join(line[4:] for line in block.splitlines()).strip() for block in found]


def example() -> str:
    common = next(block for block in blocks() if block.startswith("schema = 1"))
    console = next(block for block in blocks() if block.startswith("[console]"))
    return (
        re.sub(r"bandwidths_hz = .*", "bandwidths_hz = [30, 300, 3000]", common).replace("level_dbm = [-40, 0]", "")
        + "\n"
        + console
    )


async def test_the_worked_example_measures(tmp_path: Path) -> None:
    profile = parse_profile(example(), "docs/profiles.md")
    path = tmp_path / "example.toml"
    path.write_text(example(), encoding="utf-8")
    async with await Bench.start(["--speed", "0", "--seed", "3", "--profile", str(path)]) as bench:
        analyzer = await Analyzer.open(bench.node, profile)
        applied = await analyzer.apply(SweepSettings(442.5e6, 462.5e6, 201, 300.0))
        sweep = await analyzer.sweep()
        await analyzer.close()
    assert {"start_hz", "stop_hz", "points", "bandwidth_hz"} <= applied.verified
    assert 20 * np.log10(abs(sweep.s21[75])) == pytest.approx(-1.45, abs=0.2)


def test_the_other_blocks_are_read_by_their_families() -> None:
    common = next(block for block in blocks() if block.startswith("schema = 1"))
    scpi = next(block for block in blocks() if block.startswith("[scpi]"))
    assert parse_profile(common.replace('"console"', '"scpi"') + "\n" + scpi).scpi is not None
    shipped = (Path(__file__).parents[2] / "fixtures/profiles/registers.toml").read_text(encoding="utf-8")
    registers = next(block for block in blocks() if block.startswith("[registers]"))
    maps = shipped[shipped.index("[registers.map.identity]") :]
    limits = shipped[: shipped.index("[registers]")]
    assert parse_profile(limits + registers + "\n" + maps).registers == parse_profile(shipped).registers
