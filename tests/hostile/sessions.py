"""Whole sessions with hostile partners, for fuzzing: a device that is learned, a stranger's visit that is measured on.

Time is not waited for: a link that has nothing to say lets its clock jump.
"""

from __future__ import annotations

import asyncio
import contextlib
import functools
import selectors
import tempfile
import time
from pathlib import Path
from unittest import mock

from protocol.learn.dialogue import Nobody
from protocol.learn.learner import learn
from protocol.sweep import Sweep
from protocol.wire.link import Patience, Sink
from tests.hostile.in_memory import changed_in_memory, opened
from tests.hostile.oracle import outcome
from tests.hostile.visits import with_bytes, with_value
from visit.figures.replay import Replay
from visit.figures.run_figures import RunFigures
from visit.record.owner import mark_of, register
from visit.record.schema import SCHEMA_VERSION
from visit.record.soundness import check_rows
from visit.record.visit_file import VisitFile
from visit.report.report import build_report
from visit.run.figure_maker import Follower

MOST_SENT = 4000
"""Lines; a session of an honest device sends a few hundred."""
LONGEST_LINE = 400


class Device:
    """A `Link` to a device that answers the n-th line with the n-th piece of its script, over and over."""

    name = "/dev/hostile"

    def __init__(self, script: bytes) -> None:
        flags, rest = (script[0] if script else 0), script[1:]
        self._echo, self._prompt = bool(flags & 1), (b"", b"> ", b"ch> ", b"? ")[flags >> 1 & 3]
        self._answers = rest.split(b"\x00") or [b""]
        self._waiting, self._asked = b"", 0
        self.now_s, self.sent = 0.0, 0

    def clock(self) -> float:
        """Seconds; a thousandth goes by with each look."""
        self.now_s += 0.001
        return self.now_s

    async def send(self, data: bytes) -> None:
        self.send_now(data)

    def send_now(self, data: bytes) -> int:
        self.sent += 1
        assert self.sent < MOST_SENT, "it sends for ever"
        assert len(data) < LONGEST_LINE and all(32 <= byte < 127 or byte in b"\r\n\x03\x1b" for byte in data), data
        answer = self._answers[self._asked % len(self._answers)]
        self._asked += 1
        self._waiting += (data if self._echo else b"") + answer + self._prompt
        return len(data)

    async def receive(self, timeout_s: float) -> bytes:
        if not self._waiting:
            self.now_s += timeout_s
            raise TimeoutError
        piece, self._waiting = self._waiting[:512], self._waiting[512:]
        return piece

    async def feed(self, sink: Sink, patience: Patience) -> None:
        left = patience.longest_s
        while True:
            said = sink(await self.receive(min(patience.first_s, left)))
            if said is True:
                return
            left -= 0.01
            if left <= 0:
                raise TimeoutError
            if isinstance(said, Patience):
                patience = said

    def discard(self) -> bytes:
        dropped, self._waiting = self._waiting, b""
        return dropped

    async def close(self) -> None:
        """Nothing is open."""


class Jumping(selectors.SelectSelector):
    """Where a loop would wait, the device's clock jumps."""

    def __init__(self, device: Device) -> None:
        super().__init__()
        self._device = device

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        """What is ready now."""
        ready = super().select(0)
        if not ready:
            assert timeout is not None, "it waits for ever"
            self._device.now_s += timeout
        return ready


def learning(data: bytes) -> None:
    """A whole learning session; it ends, learned or not, in one line."""
    outcome(lambda: learned(data))


def learned(data: bytes) -> None:
    """A whole learning session with a device that answers so. Raises what it raises."""
    device = Device(data)

    async def opened(*_: object, **__: object) -> Device:
        return device

    async def slept(seconds: float, *_: object) -> None:
        device.now_s += seconds

    with contextlib.ExitStack() as stack:
        stack.enter_context(mock.patch("protocol.wire.link.SerialLink.open", opened))
        stack.enter_context(mock.patch("asyncio.sleep", slept))
        loop = stack.enter_context(contextlib.closing(asyncio.SelectorEventLoop(Jumping(device))))
        stack.enter_context(mock.patch.object(time, "monotonic", device.clock))
        loop.run_until_complete(learn(device.name, Nobody()))


def stranger(data: bytes, *, figures: bool = True) -> None:
    """Measuring on into a visit of a stranger's: a run goes on in it, sweeps are kept, and with `figures`, whose fits
    take seconds, followed and reported."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "a.visit"
        if data[:1] and data[0] & 1:
            path.write_bytes(with_bytes(data[1:]))
        elif not with_value(path, data[1:]):
            return

        def call() -> None:
            visit = VisitFile.open(path)
            try:
                _measured_on(visit, figures=figures)
            finally:
                visit.close()
            VisitFile.open(path, read_only=True).close()

        outcome(call)


_mark = functools.cache(mark_of)


def stranger_in_memory(data: bytes) -> None:
    """The same without a file and without figures, and what was written is sound again."""

    def way(visit: VisitFile) -> None:
        with mock.patch("visit.record.owner.mark_of", _mark):  # it reads /proc, which takes a tenth of the time
            _measured_on(visit, figures=False)

    def call() -> None:
        with changed_in_memory(data) as connection:
            opened(connection, way)
            check_rows(connection, SCHEMA_VERSION)

    outcome(call)


def _measured_on(visit: VisitFile, *, figures: bool) -> None:
    register(visit, "/dev/none")
    runs = visit.runs()
    if not runs:
        return
    kept = visit.sweeps(runs[-1].id, limit=3)
    last, number = runs[-1], visit.kept(runs[-1].id)[1]
    visit.reopen(last.id, 2e9)
    for sweep in kept:
        made = Sweep(last.settings, sweep.frequency_hz, sweep.s11, sweep.s21 * 1.001, number, 2e9, 0.5)
        visit.add_sweep(last.id, made)
        number += 1
    if figures:
        Follower(visit, visit, RunFigures(visit)).look(last.id)
    visit.end_run(last.id, "complete", 2e9)
    if figures:
        build_report(visit)
    else:
        Replay(visit)
