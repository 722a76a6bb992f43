"""Speed of the wire, by hand: `make bench`. Sweeps through a pty, parsed, against the bare descriptor as the limit.

The reference writes the same questions, reads until as many bytes have come, and has NumPy turn them into numbers in
one call. It looks at nothing: no echo, no prompt, no damaged digit, no deadline. Both talk to analyzers of one kind.
"""

from __future__ import annotations

import asyncio
import contextlib
import dataclasses
import os
import statistics
import subprocess
import sys
import time
import tty
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from protocol.analyzer import Analyzer
from protocol.profiles.profile import load_profile
from protocol.sweep import SweepSettings
from protocol.wire.link import SerialLink
from tests.benchmarks.fast_peer import VARIANTS
from tests.visit.stations import ROOT, site
from visit.run.conductor import RunOrder, new_visit
from visit.run.station import Station
from visit.site.hookup import HookUp

SETTINGS = SweepSettings(442.5e6, 462.5e6, 401, 1000.0)
TURNS, SWEEPS_A_TURN = 15, 10
LEAST_RATIO = 0.6
SWEEP_S = 0.5
GAP_SWEEPS = 30
MOST_LOST = 0.02


class Peer:
    """The analyzer in its own process."""

    def __init__(self, dialect: str, sweep_s: float) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.benchmarks.fast_peer", dialect, str(sweep_s)],
            cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
        )  # fmt: skip
        assert self._process.stdout is not None
        self.node = self._process.stdout.readline().strip()

    def lost(self) -> tuple[int, float, float]:
        """Sweeps, seconds lost between them, seconds altogether."""
        assert self._process.stdin is not None and self._process.stdout is not None
        self._process.stdin.write("lost\n")
        self._process.stdin.flush()
        sweeps, lost, whole = self._process.stdout.readline().split()
        return int(sweeps), float(lost), float(whole)

    def close(self) -> None:
        assert self._process.stdin is not None and self._process.stdout is not None
        self._process.stdin.close()
        self._process.wait(5)
        self._process.stdout.close()


@contextlib.contextmanager
def fast_peer(dialect: str, sweep_s: float = 0.0) -> Iterator[Peer]:
    peer = Peer(dialect, sweep_s)
    try:
        yield peer
    finally:
        peer.close()


class Traced(SerialLink):
    """Keeps what was asked, and how many bytes came for it."""

    trace: list[tuple[bytes, int]]

    async def send(self, data: bytes) -> None:
        self.trace.append((data, 0))
        await super().send(data)

    def send_now(self, data: bytes) -> int:
        sent = super().send_now(data)
        self.trace.append((data[:sent], 0))
        return sent

    def _take(self, data: bytes) -> None:
        asked, came = self.trace[-1]
        self.trace[-1] = (asked, came + len(data))
        super()._take(data)


def read_bare(descriptor: int, trace: list[tuple[bytes, int]], parse: Callable[[bytes], int]) -> None:
    """The same exchange, the longest reply parsed."""
    for asked, expected in trace:
        os.write(descriptor, asked)
        pieces, left = [], expected
        while left > 0:
            pieces.append(os.read(descriptor, 1 << 16))
            left -= len(pieces[-1])
        if expected > 1000:
            assert parse(b"".join(pieces)) >= 2 * 2 * SETTINGS.points


BLANKS = bytes(byte if byte in b"0123456789+-.eE" else 0x20 for byte in range(256))


def parse_text(body: bytes) -> int:
    """Everything that looks like a number, after the first line."""
    return np.fromstring(body[body.index(b"\n") :].translate(BLANKS), dtype=float, sep=" ").size


def parse_list(body: bytes) -> int:
    """Two lines of numbers with commas, each with an error entry behind it."""
    first, _, second, _ = body.split(b"\n", 3)
    return np.fromstring(first, dtype=float, sep=",").size + np.fromstring(second, dtype=float, sep=",").size


def parse_blocks(body: bytes) -> int:
    """Two blocks of as many bytes as were asked for, each with an error entry behind it."""
    size = 8 if len(body) > 10_000 else 4
    length = 2 * SETTINGS.points * size
    head = 2 + len(str(length))
    second = body.index(b"#", head + length)
    blocks = (body[at + head : at + head + length] for at in (0, second))
    return sum(np.frombuffer(block, f">f{size}").astype(float).view(complex).size * 2 for block in blocks)


async def one_trace(node: str, profile: Any) -> list[tuple[bytes, int]]:
    Traced.trace = [(b"", 0)]
    link = await Traced.open(node, profile.serial)
    analyzer = await Analyzer.on_link(link, profile)
    await analyzer.apply(SETTINGS)
    await analyzer.sweep()
    Traced.trace.clear()
    await analyzer.sweep()
    await analyzer.close()
    return [step for step in Traced.trace if step[1]]


async def race(dialect: str, number_format: str | None) -> tuple[float, float]:
    """Seconds a sweep: read bare, and measured by the program. Medians over the turns."""
    profile = load_profile(dialect)
    if number_format is not None:
        assert profile.scpi is not None
        profile = dataclasses.replace(profile, scpi=dataclasses.replace(profile.scpi, number_format=number_format))
    profile = dataclasses.replace(profile, timing=dataclasses.replace(profile.timing, quiet_s=0.02))
    with fast_peer(dialect) as measured, fast_peer(dialect) as bare:
        trace = await one_trace(bare.node, profile)
        parse = parse_text if number_format is None else parse_list if number_format == "ascii" else parse_blocks
        descriptor = os.open(bare.node, os.O_RDWR | os.O_NOCTTY)
        tty.setraw(descriptor)
        analyzer = await Analyzer.open(measured.node, profile)
        await analyzer.apply(SETTINGS)
        ours, theirs = list[float](), list[float]()
        for turn in range(TURNS + 4):  # the first turns fill what the peers keep
            began = time.perf_counter()
            for _ in range(SWEEPS_A_TURN):
                read_bare(descriptor, trace, parse)
            between = time.perf_counter()
            for _ in range(SWEEPS_A_TURN):
                await analyzer.sweep()
            if turn >= 4:
                theirs.append((between - began) / SWEEPS_A_TURN)
                ours.append((time.perf_counter() - between) / SWEEPS_A_TURN)
        await analyzer.close()
        os.close(descriptor)
    return statistics.median(theirs), statistics.median(ours)


@pytest.mark.timeout(200)
@pytest.mark.benchmark(group="wire: a sweep of 401 points through the pty")
@pytest.mark.parametrize(
    ("dialect", "number_format"), [("console-lines", None), ("scpi", "real32"), ("scpi", "real64"), ("scpi", "ascii")]
)
def test_wire(benchmark: Any, dialect: str, number_format: str | None) -> None:
    bare_s, ours_s = benchmark.pedantic(lambda: asyncio.run(race(dialect, number_format)), rounds=1)
    ratio = bare_s / ours_s
    print(f"\n{dialect} {number_format or ''}: bare {1e3 * bare_s:.2f} ms, parsed {1e3 * ours_s:.2f} ms: {ratio:.2f}")
    assert ratio >= LEAST_RATIO


@pytest.mark.timeout(200)
@pytest.mark.benchmark(group="time lost between sweeps of half a second")
@pytest.mark.parametrize("dialect", ["console-lines", "scpi"])
def test_gaps(benchmark: Any, dialect: str, tmp_path: Path) -> None:
    """As the station measures: settings read back, each sweep committed, figures made meanwhile."""

    def run() -> tuple[int, float, float]:
        chosen = site("demo-450")
        visit = new_visit(tmp_path / "a.visit", chosen, "demo")
        with (
            fast_peer(dialect, SWEEP_S) as peer,
            Station(peer.node, load_profile(dialect), chosen, visit, HookUp("A", "L"), watched=True) as station,
        ):
            station.measure(RunOrder(HookUp("A", "L"), SETTINGS, GAP_SWEEPS + VARIANTS + 1, "check", trusted=True))
            lost = peer.lost()
        visit.close()
        return lost

    sweeps, lost_s, whole_s = benchmark.pedantic(run, rounds=1)
    print(f"\n{dialect}: {1e3 * lost_s / sweeps:.1f} ms lost after each of {sweeps} sweeps, {lost_s / whole_s:.2%}")
    assert sweeps >= GAP_SWEEPS and lost_s / whole_s <= MOST_LOST
