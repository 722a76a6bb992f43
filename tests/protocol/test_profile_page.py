"""The page "Write a profile for your analyzer" is right: its examples measure, and it names every key there is."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from protocol.analyzer import Analyzer
from protocol.profiles.profile import parse_profile
from protocol.profiles.scpi import WORDS
from protocol.simulated.bench import Bench
from protocol.sweep import SweepSettings
from protocol.trial.line_check import at_port, plan
from protocol.wire.link import SerialLink
from tests.scpi_quirks import truth

ROOT = Path(__file__).parents[2]
PAGE = (ROOT / "docs/profiles.md").read_text(encoding="utf-8")


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


async def test_the_worked_example_of_a_console_measures(tmp_path: Path) -> None:
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


async def test_the_worked_example_of_scpi_measures_and_each_of_its_lines_is_right(tmp_path: Path) -> None:
    text = next(block for block in blocks() if block.startswith("schema = 1") and 'family = "scpi"' in block)
    profile = parse_profile(text, "docs/profiles.md")
    (tmp_path / "bench").write_text("device", encoding="utf-8")
    command = [sys.executable, "-m", "tests.scpi_quirks", "serve", "thistle", "--log", str(tmp_path / "log")]
    with subprocess.Popen(
        [*command, "--bench", str(tmp_path / "bench")], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None and process.stdin is not None
        node = process.stdout.readline().strip()
        link = await SerialLink.open(node, profile.serial)
        outcomes = await at_port(profile, link, plan(profile))
        await link.close()
        analyzer = await Analyzer.open(node, profile)
        await analyzer.apply(SweepSettings(400e6, 440e6, 51, 1000.0))
        sweep = await analyzer.sweep()
        await analyzer.close()
        process.stdin.close()
        process.wait(10)
    assert [str(one) for one in outcomes if not one.good and one.verdict != "not sent"] == []
    wanted = truth.response("thistle", "device", np.linspace(400e6, 440e6, 51))
    tolerance = 6 * truth.noise("thistle", 1000.0) + 2e-3
    assert np.abs(sweep.s11 - wanted[0]).max() < tolerance and np.abs(sweep.s21 - wanted[1]).max() < tolerance


def test_the_register_block_is_read_and_is_the_one_that_ships() -> None:
    shipped = (ROOT / "fixtures/profiles/registers.toml").read_text(encoding="utf-8")
    registers = next(block for block in blocks() if block.startswith("[registers]"))
    maps = shipped[shipped.index("[registers.map.identity]") :]
    limits = shipped[: shipped.index("[registers]")]
    assert parse_profile(limits + registers + "\n" + maps).registers == parse_profile(shipped).registers


@pytest.mark.parametrize(
    ("source", "prefix"), [("profile.py", "top|table"), ("scpi.py", "table"), ("registers.py", "table")]
)
def test_every_key_that_is_read_is_on_the_page(source: str, prefix: str) -> None:
    """By the words that the reader itself takes; consoles have their own section."""
    code = (ROOT / "protocol/profiles" / source).read_text(encoding="utf-8").partition("def _console(")[0]
    keys = set(re.findall(rf"\b(?:{prefix})\.[a-z]+\(\s*\"(\w+)\"", code))
    keys |= set(WORDS) if source == "scpi.py" else set()
    assert len(keys) > 8
    named = {word for quoted in re.findall(r"`([^`]+)`", PAGE) for word in re.findall(r"\w+", quoted)}
    assert keys - named - {"limits", "timing", "serial", "console", "scpi", "registers"} == set()
