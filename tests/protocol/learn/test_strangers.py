"""Consoles that were written without knowledge of the learner: learned right, nothing harmful sent."""

from __future__ import annotations

import asyncio
import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from protocol.analyzer import Analyzer
from protocol.learn.dialogue import Nobody
from protocol.learn.learner import NotLearnedError, learn
from protocol.sweep import SweepSettings
from tests.strangers import truth

ROOT = Path(__file__).parents[3]
SLICE = (7, 14, 26, 27, 30, 33)
"""Consoles that are learned with nobody there: several prompts, ends, units, shapes and ways of sweeping."""
NOT = (2, 54)
"""Consoles that cannot be learned: a mute one, single keys that do harm."""


class Served:
    """One console in a process of its own."""

    def __init__(self, which: str, folder: Path) -> None:
        self.log = folder / f"{which}.jsonl"
        kind = ["serve", "--seed"] if which.isdigit() else ["handwritten"]
        self.process = subprocess.Popen(
            [sys.executable, "-m", "tests.strangers", *kind, which, "--log", str(self.log), "--speed", "4"],
            cwd=ROOT,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        assert self.process.stdout is not None
        self.port = self.process.stdout.readline().strip()

    def close(self) -> list[str]:
        """End it; the lines that did harm."""
        self.process.communicate(timeout=10)
        entries = [json.loads(line) for line in self.log.read_text().splitlines()]
        return [entry["line"] for entry in entries if entry["effect"] == "HARM"]


async def one(which: str, folder: Path) -> str:
    """Learn one console and drive what was learned; "" when all was right and harmless."""
    served = await asyncio.to_thread(Served, which, folder)
    said = ""
    try:
        learned = await learn(served.port, Nobody())
        limits = learned.profile.limits
        analyzer = await Analyzer.open(served.port, learned.profile)
        try:
            width = limits.stop_hz - limits.start_hz
            bandwidth = (limits.bandwidths_hz or (1000.0,))[0]
            start, stop = (round((limits.start_hz + part * width) / 1e5) * 1e5 for part in (0.25, 0.5))
            applied = await analyzer.apply(SweepSettings(start, stop, limits.min_points, max(bandwidth, 100.0)))
            sweep = await analyzer.sweep()
            assert analyzer.axis_confirmed, analyzer.axis_reason
        finally:
            await analyzer.close()
        world = truth.build(which).world
        s11, s21 = world.response("open", sweep.frequency_hz)
        slack = 8 * world.sigma(max(limits.bandwidths_hz or (10000.0,)), 1) + 0.02
        if max(np.median(np.abs(sweep.s11 - s11)), np.median(np.abs(sweep.s21 - s21))) > slack:
            said = f"{which}: wrong values"
        if abs(sweep.frequency_hz[0] - applied.actual.start_hz) > 2e3 + applied.actual.step_hz:
            said = f"{which}: wrong frequencies"
    except NotLearnedError as error:
        said = f"{which}: {error}"
    finally:
        harm = await asyncio.to_thread(served.close)
    return said or (f"{which}: did harm: {harm}" if harm else "")


@pytest.mark.timeout(120)
async def test_a_slice_of_strangers_is_learned_and_driven(tmp_path: Path) -> None:
    said = await asyncio.gather(*(one(str(seed), tmp_path) for seed in SLICE))
    assert [line for line in said if line] == []


@pytest.mark.timeout(60)
async def test_what_cannot_be_learned_is_said_and_nothing_is_harmed(tmp_path: Path) -> None:
    said = await asyncio.gather(*(one(str(seed), tmp_path) for seed in NOT))
    assert all("not learned" in line for line in said), said


@pytest.mark.long
@pytest.mark.timeout(900)
async def test_handwritten_strangers_are_never_harmed_nor_measured_wrong(tmp_path: Path) -> None:
    said = [await one(name, tmp_path) for name in truth.names()]
    assert [line for line in said if "harm" in line or "wrong" in line] == []
