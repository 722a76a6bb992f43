"""Whole sessions with hostile partners, for fuzzing: a device that is learned, a stranger's visit that is measured on.

Time is not waited for: a link that has nothing to say lets its clock jump.
"""

from __future__ import annotations

import asyncio
import collections
import contextlib
import functools
import selectors
import tempfile
import time
import tomllib
from collections.abc import Callable, Iterator
from pathlib import Path

from protocol.files.strict_toml import Table
from protocol.learn import scpi as learn_scpi
from protocol.learn.dialogue import Nobody
from protocol.learn.learner import Learned, NotLearnedError, learn
from protocol.profiles.scpi import Scpi, read_scpi
from protocol.simulated.duplexer import load_unit
from protocol.simulated.hookup import HookUp
from protocol.simulated.instrument import Instrument, InstrumentOptions
from protocol.simulated.replies import Wait
from protocol.simulated.scpi_server import ScpiServer
from protocol.sweep import Sweep
from protocol.wire.link import Patience, SerialLink, Sink
from tests.hostile.in_memory import changed_in_memory, opened
from tests.hostile.oracle import outcome
from tests.hostile.visits import with_bytes, with_value
from tests.protocol.learn.bench_console import BenchConsole
from visit.figures.replay import Replay
from visit.figures.run_figures import RunFigures
from visit.record.owner import register
from visit.record.schema import SCHEMA_VERSION
from visit.record.soundness import check_rows
from visit.record.visit_file import VisitFile
from visit.report.report import build_report
from visit.run.figure_maker import Follower

MOST_SENT = 4000
"""Lines; a session of an honest device sends a few hundred."""
LONGEST_LINE = 400
KEEP_LOOP = False
"""Whether sessions use one loop; to make one, and its sockets, takes a fifth of a session. For a fuzzer's process."""
LOOPS: list[tuple[asyncio.AbstractEventLoop, Jumping]] = []
CONSOLE = {"data": "measure", "start": "start", "stop": "stop", "points": "points", "identity": "version"}
LISTING = """start  start in kHz, frequency of sweep
stop  stop in kHz, frequency of sweep
points  number of points
measure  data of one sweep
version  version
"""
PIECES = (
    b"", b"\r\n", b"\n", b"\r", b"> ", b"? ", b" ", b"\0", b"\xff", b"-", b"1e999", b"nan", b"9.9E37", b"99999999999",
    b"error", b"Are you sure (y/n)?", b"press a key", b",", b";", b"\x1b[2J", b"\"", b"{start_hz}", b"-- more --",
    b"0x1F", b"1.5 GHz", b"start", b"[", b"1..2", b"OK",
)  # fmt: skip


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

    def _note(self, data: bytes) -> None:
        self.sent += 1
        assert self.sent < MOST_SENT, "it sends for ever"
        assert len(data) < LONGEST_LINE and all(32 <= byte < 127 or byte in b"\r\n\x03\x1b" for byte in data), data

    def send_now(self, data: bytes) -> int:
        self._note(data)
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

    device: Device

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        """What is ready now."""
        ready = super().select(0)
        if not ready:
            assert timeout is not None, "it waits for ever"
            self.device.now_s += timeout
        return ready


class Spoiled(Device):
    """A `Link` to an honest simulated analyzer some of whose replies are spoiled: five bytes an edit, which reply, what
    is done, where, and two that choose what stands there."""

    def __init__(self, data: bytes) -> None:
        super().__init__(b"")
        kind = data[0] % 3 if data else 0
        settings = InstrumentOptions(min_points=11, max_points=501, serial="1")
        instrument = Instrument(settings, load_unit("U6"), HookUp())
        self._console = BenchConsole(CONSOLE, LISTING, "help")
        self._server = ScpiServer(instrument, ("", "define", "traces")[kind]) if kind else None
        self._edits = {data[at]: data[at + 1 : at + 5] for at in range(1, len(data) - 4, 5)}
        self._due: collections.deque[tuple[float, bytes]] = collections.deque()

    def send_now(self, data: bytes) -> int:
        self._note(data)
        at_s = max(self.now_s, self._due[-1][0] if self._due else 0.0)
        for action in self._said(data) if self._server is None else self._server.feed(data):
            if isinstance(action, Wait):
                at_s += action.seconds
            elif isinstance(action, bytes):
                self._asked += 1
                edit = self._edits.get(self._asked % 256)
                self._due.append((at_s, action if edit is None else _edited(action, edit)))
            else:
                self._due.clear()
        return len(data)

    def _said(self, data: bytes) -> list[bytes]:
        lines = data.decode("latin-1").replace("\r\n", "\r").replace("\n", "\r").split("\r")[:-1]
        return [
            "\r\n".join([line, *self._console._answer(line.strip()), "$ "]).encode() for line in lines
        ]  # echo, reply, prompt

    async def receive(self, timeout_s: float) -> bytes:
        if not self._due or self._due[0][0] > self.now_s + timeout_s:
            self.now_s += timeout_s
            raise TimeoutError
        at_s, piece = self._due.popleft()
        self.now_s = max(self.now_s, at_s)
        return piece

    def discard(self) -> bytes:
        dropped = b"".join(piece for at_s, piece in self._due if at_s <= self.now_s)
        self._due = collections.deque(one for one in self._due if one[0] > self.now_s)
        return dropped


def _edited(reply: bytes, edit: bytes) -> bytes:
    """A reply with something done to it."""
    at, word = edit[1] * (len(reply) + 1) // 256, PIECES[edit[2] % len(PIECES)]
    if edit[2] % len(PIECES) == 0:
        word = edit[3:4]
    match edit[0] % 6:
        case 0:
            return reply[:at] + word + reply[at:]
        case 1:
            return reply[:at] + word + reply[at + len(word) :]
        case 2:
            return reply[:at]
        case 3:
            return reply[:at] + reply[: edit[3]] + reply[at:]
        case 4:
            return word * (edit[3] % 4)
        case _:
            return reply.replace(reply[at : at + 1] or b" ", word)


@functools.cache
def _found() -> Scpi:
    return read_scpi(Table.parse("find = true", "scpi"))


def _finding(table: Table) -> Scpi:
    """Our own words, the same for every device: to read them takes a seventh of a session."""
    assert table.boolean("find", default=False)
    return _found()


def learning_spoiled(data: bytes) -> None:
    """A whole learning session with an analyzer that is honest but for some replies."""
    outcome(lambda: learned(data, Spoiled(data)))


def learning(data: bytes) -> None:
    """A whole learning session; it ends, learned or not, in one line."""
    outcome(lambda: learned(data))


def learned(data: bytes, device: Device | None = None) -> Learned:
    """A whole learning session with a device that answers so. Raises what it raises; texts for files are sound."""
    device = device or Device(data)

    async def opened(*_: object, **__: object) -> Device:
        return device

    async def at_once(call: Callable[..., object], *words: object) -> object:
        return call(*words)

    async def slept(seconds: float, *_: object) -> None:
        device.now_s += seconds

    put = (
        (SerialLink, "open", opened), (asyncio, "sleep", slept), (learn_scpi, "read_scpi", _finding),
        (asyncio, "to_thread", at_once), (time, "monotonic", device.clock),
    )  # fmt: skip
    with _loop(device) as loop, _put(*put):
        try:
            found = loop.run_until_complete(learn(device.name, Nobody()))
        except NotLearnedError as missing:
            assert str(missing).isprintable(), missing
            _sound(missing.half)
            raise
        _sound(found.text)
        assert "\n".join((*found.unknown, found.proof)).replace("\n", "").isprintable()
        return found


@contextlib.contextmanager
def _loop(device: Device) -> Iterator[asyncio.AbstractEventLoop]:
    """Whose clock is the device's. Nothing may go on in it behind a session."""
    loop, jumping = LOOPS.pop() if LOOPS else _new_loop()
    jumping.device = device
    try:
        yield loop
        assert not asyncio.all_tasks(loop), "something goes on behind a session"
    finally:
        if KEEP_LOOP:
            LOOPS.append((loop, jumping))
        else:
            loop.close()


def _new_loop() -> tuple[asyncio.AbstractEventLoop, Jumping]:
    jumping = Jumping()
    return asyncio.SelectorEventLoop(jumping), jumping


@contextlib.contextmanager
def _put(*places: tuple[object, str, object]) -> Iterator[None]:
    """In each place that stands there for a while."""
    before = [(owner, name, vars(owner)[name]) for owner, name, _ in places]
    try:
        for owner, name, value in places:
            setattr(owner, name, value)
        yield
    finally:
        for owner, name, value in before:
            setattr(owner, name, value)


def _sound(text: str) -> None:
    """A profile, or a half of one, as it is written to a file."""
    tomllib.loads(text)
    assert text.replace("\n", "").isprintable(), text


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


def stranger_in_memory(data: bytes) -> None:
    """The same without a file and without figures, and what was written is sound again."""

    def way(visit: VisitFile) -> None:
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
