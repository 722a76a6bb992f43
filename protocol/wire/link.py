"""Bytes over a serial port, on an asyncio loop. pyserial opens and sets the port; the loop reads it in bulk.

Owns: `Link`, which is all that the analyzer needs to know of a port, and `SerialLink`, the real one. Refuses: any
meaning of the bytes, retries, `flush` and `tcdrain` (some USB devices never return from them), and to open a port
again by itself. A lost port is closed first and reported then; every waiter gets the cause.
"""

from __future__ import annotations

import asyncio
import contextlib
import fcntl
import os
import termios
import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol, TypeVar

import serial

from protocol.errors import AnalyzerError
from protocol.profiles.profile import SerialSettings
from protocol.wire import wire_log
from protocol.wire.port_errors import PORT_FAULTS, lost, translated_io, translated_opening

T = TypeVar("T")

READ_SIZE = 1 << 16
"""One read takes all that the kernel holds."""
LESS_THAN_FULL = 2048
"""The kernel gives up to 4095 bytes of a terminal at a time as long as there are more."""
READS = 8
"""Reads in a row before other work on the loop gets its turn; drivers hand out 4096 bytes at a time at most."""
BUFFER_LIMIT = 8 << 20
"""More unread bytes than this (a sweep of 100,000 points as text) are thrown away and reported."""
OPEN_S = 10.0
"""Opening takes this long at most; some drivers wait for the device."""
CLOSE_S = 3.0
"""After this the closing of a port goes on unattended in its thread; some drivers wait for bytes nobody takes."""
WRITE_S = 5.0
"""A port that takes no byte for so long is stuck."""


@dataclass(frozen=True, slots=True)
class Patience:
    """How long to wait: for the first byte, between two pieces after it, and for everything together."""

    first_s: float
    gap_s: float
    longest_s: float


Sink = Callable[[bytes], bool | Patience]
"""Takes a piece of what came; True when it has all that it wants, a new Patience when it has begun to wait anew."""


class Link(Protocol):
    """Bytes to and from an analyzer. All of it runs on one loop; only one task may receive at a time."""

    @property
    def name(self) -> str:
        """What to call the port in messages."""

    async def send(self, data: bytes) -> None:
        """Write all of `data`. Raises PortLostError, or AnalyzerError when the port takes nothing any more."""

    def send_now(self, data: bytes) -> int:
        """Write without waiting; returns how many bytes of `data` went, perhaps none. The rest is for `send`."""

    async def receive(self, timeout_s: float) -> bytes:
        """All bytes that are there, at least one. Raises TimeoutError when none comes, PortLostError on loss.

        Cancelling loses no byte: what came stays for the next call.
        """

    async def feed(self, sink: Sink, patience: Patience) -> None:
        """Hand each piece to `sink` the moment it comes, until it returns True. Raises as `receive` does.

        The sink is called on the loop and must not block. Pieces that it was given before an error are its own.
        """

    def discard(self) -> bytes:
        """Take and drop what has come so far; returns it."""

    async def close(self) -> None:
        """Give the port back. Harmless when it is closed."""


class SerialLink:
    """A `Link` over a device node, held exclusively (flock against those who ask, TIOCEXCL against the others)."""

    def __init__(self, port: serial.Serial, name: str) -> None:
        self._port = port
        self._fd: int = port.fileno()
        self._name = name
        self._loop = asyncio.get_running_loop()
        self._buffer = bytearray()
        self._overflow = False
        self._fault: AnalyzerError | None = None
        self._listener: _Listener | None = None
        self._writer: asyncio.Future[None] | None = None
        self._open = True
        self._closing: asyncio.Task[None] | None = None
        self._loop.add_reader(self._fd, self._on_readable)

    @classmethod
    async def open(cls, name: str, settings: SerialSettings | None = None) -> SerialLink:
        """Open and lock a port. Raises RequestError (no such port, no permission, in use) or AnalyzerError."""
        chosen = settings or SerialSettings()
        try:
            port = await _apart(lambda: _open_port(name, chosen), _close_port, OPEN_S)
        except TimeoutError as error:
            raise AnalyzerError(
                f"{name} does not open within {OPEN_S:.0f} s; unplug it, plug it in, try again"
            ) from error
        except PORT_FAULTS as error:
            raise translated_opening(error, name) from error
        return cls(port, name)

    @property
    def name(self) -> str:
        """The device node as it was given."""
        return self._name

    async def send(self, data: bytes) -> None:
        """Write all of `data`; a full kernel buffer is waited for, WRITE_S at most without progress."""
        rest = memoryview(data)
        wire_log.note(wire_log.SENT, data)
        while True:
            await self._check()
            try:
                rest = rest[os.write(self._fd, rest) :]
            except (BlockingIOError, InterruptedError):
                pass
            except PORT_FAULTS as error:
                self._lose(error)
                await self._check()
            if not rest:
                return
            await self._until_writable()

    def send_now(self, data: bytes) -> int:
        """Write what the kernel takes at once."""
        if not self._open or self._writer is not None:
            return 0
        try:
            gone = os.write(self._fd, data)
            wire_log.note(wire_log.SENT, data[:gone])
            return gone
        except PORT_FAULTS:
            return 0  # `send` meets the same fault and tells it

    async def receive(self, timeout_s: float) -> bytes:
        """All bytes that are there; waits up to `timeout_s` for the first."""
        pieces: list[bytes] = []

        def take(piece: bytes) -> bool:
            pieces.append(piece)
            return True

        await self.feed(take, Patience(timeout_s, 0.0, timeout_s))
        return pieces[0]

    async def feed(self, sink: Sink, patience: Patience) -> None:
        """Hand each piece to `sink` the moment it comes, until it returns True."""
        if self._overflow:
            self._overflow = False
            raise AnalyzerError(f"{self._name}: more than {BUFFER_LIMIT >> 20} MB came unasked; is this an analyzer?")
        if self._buffer:
            more = sink(self.discard())
            if more is True:
                return
            if isinstance(more, Patience):
                patience = more
        await self._check()
        if self._listener is not None:
            raise RuntimeError("two tasks read one port")
        self._listener = listener = _Listener(self._loop, sink, patience)
        try:
            await listener.done
        finally:
            listener.timer.cancel()
            self._listener = None

    def discard(self) -> bytes:
        """Take what has come so far."""
        data = bytes(self._buffer)
        self._buffer.clear()
        return data

    async def close(self) -> None:
        """Give the port back; a waiting task gets an AnalyzerError."""
        if self._open:
            self._shut(AnalyzerError(f"{self._name}: the port was closed"))
        if self._closing is not None:
            await asyncio.shield(self._closing)

    async def _check(self) -> None:
        """Raise the fault of a port that is lost or closed, but not before it has been given back."""
        if self._open:
            return
        if self._closing is not None:
            await asyncio.shield(self._closing)
        if self._fault is not None:
            raise type(self._fault)(str(self._fault)) from self._fault.__cause__

    def _on_readable(self) -> None:
        """What has come, in one piece: whoever waits looks at it once, not after every 4096 bytes."""
        pieces: list[bytes] = []
        cause: Exception | None = None
        gone = False
        try:
            for _ in range(READS):
                data = os.read(self._fd, READ_SIZE)
                if not data:  # with VMIN 1 only a port that was hung up reads empty; ignored, it would spin for ever
                    gone = True
                    break
                pieces.append(data)
                if len(data) < LESS_THAN_FULL:
                    break  # most likely the last; asking whether there is more costs as much as reading it
        except (BlockingIOError, InterruptedError):
            pass
        except PORT_FAULTS as error:
            cause, gone = error, True
        if pieces:
            came = b"".join(pieces)
            wire_log.note(wire_log.CAME, came)
            self._take(came)
        if gone:
            self._lose(cause)

    def _take(self, data: bytes) -> None:
        if self._listener is not None and not self._listener.done.done():
            self._listener.take(data)
        elif len(self._buffer) + len(data) > BUFFER_LIMIT:
            self._buffer.clear()
            self._overflow = True
        else:
            self._buffer += data

    async def _until_writable(self) -> None:
        if self._writer is not None:
            raise RuntimeError("two tasks write to one port")
        self._writer = self._loop.create_future()
        self._loop.add_writer(self._fd, _wake, self._writer)
        timer = self._loop.call_later(WRITE_S, _expire, self._writer)
        try:
            await self._writer
        except TimeoutError as error:
            raise AnalyzerError(f"{self._name} takes no bytes; unplug it, plug it in, try again") from error
        finally:
            timer.cancel()
            self._writer = None
            if self._open:
                self._loop.remove_writer(self._fd)

    def _lose(self, cause: Exception | None) -> None:
        """The port is gone."""
        fault = lost(self._name) if cause is None else translated_io(cause, self._name)
        fault.__cause__ = cause
        self._shut(fault)

    def _shut(self, fault: AnalyzerError) -> None:
        """Stop listening, close in a thread, and only then wake the waiters with the cause."""
        if not self._open:
            return
        self._open = False
        self._fault = fault
        self._loop.remove_reader(self._fd)
        self._loop.remove_writer(self._fd)
        self._closing = self._loop.create_task(self._release(fault))

    async def _release(self, fault: AnalyzerError) -> None:
        port = self._port
        # The thread goes on when this gives up: nobody can do more about a driver that does not let go.
        with contextlib.suppress(*PORT_FAULTS):
            await _apart(lambda: _close_port(port), None, CLOSE_S)
        for waiter in (self._listener.done if self._listener else None, self._writer):
            if waiter is not None and not waiter.done():
                waiter.set_exception(type(fault)(str(fault)))


class _Listener:
    """One wait for bytes. Its timer is set once and looks for itself whether pieces have moved the deadline."""

    def __init__(self, loop: asyncio.AbstractEventLoop, sink: Sink, patience: Patience) -> None:
        self.done: asyncio.Future[None] = loop.create_future()
        self._loop, self._sink = loop, sink
        self._begin(patience)
        self.timer = loop.call_at(self._until, self._overdue)

    def _begin(self, patience: Patience) -> None:
        now = self._loop.time()
        self._gap_s = patience.gap_s
        self._until = now + patience.first_s
        self._end = now + max(patience.longest_s, patience.first_s)

    def take(self, piece: bytes) -> None:
        try:
            enough = self._sink(piece)
        except Exception as error:  # raised where the wait was begun
            self.done.set_exception(error)
            return
        if enough is True:
            self.done.set_result(None)
        elif isinstance(enough, Patience):
            self._begin(enough)
            if self._until < self.timer.when():
                self.timer.cancel()
                self.timer = self._loop.call_at(self._until, self._overdue)
        else:
            self._until = max(self._until, self._loop.time() + self._gap_s)

    def _overdue(self) -> None:
        if self.done.done():
            return
        until = min(self._until, self._end)
        if self._loop.time() < until:
            self.timer = self._loop.call_at(until, self._overdue)
        else:
            self.done.set_exception(TimeoutError())


def _expire(waiter: asyncio.Future[None]) -> None:
    if not waiter.done():
        waiter.set_exception(TimeoutError())


def _wake(waiter: asyncio.Future[None]) -> None:
    if not waiter.done():
        waiter.set_result(None)


def _open_port(name: str, settings: SerialSettings) -> serial.Serial:
    port = serial.Serial(
        name, settings.baud, timeout=0, exclusive=True, rtscts=settings.rtscts, xonxoff=settings.xonxoff
    )
    try:
        fcntl.ioctl(port.fileno(), termios.TIOCEXCL)
        attributes = termios.tcgetattr(port.fileno())
        attributes[6][termios.VMIN] = 1  # so that "nothing there" and "hung up" are two different answers
        attributes[6][termios.VTIME] = 0
        termios.tcsetattr(port.fileno(), termios.TCSANOW, attributes)
    except BaseException:
        _close_port(port)
        raise
    return port


def _close_port(port: serial.Serial) -> None:
    with contextlib.suppress(*PORT_FAULTS):
        fcntl.ioctl(port.fileno(), termios.TIOCNXCL)  # else a port that somebody keeps open stays barred
    port.close()


async def _apart(work: Callable[[], T], undo: Callable[[T], None] | None, timeout_s: float) -> T:
    """Run a blocking call in a thread of its own, which nobody waits for at exit.

    When the caller is cancelled or runs out of time, a result that comes late is undone.
    """
    loop = asyncio.get_running_loop()
    outcome: asyncio.Future[T] = loop.create_future()
    lock = threading.Lock()
    abandoned = False

    def deliver(result: T | None, error: BaseException | None) -> None:
        if outcome.done():
            if error is None and undo is not None:
                threading.Thread(target=undo, args=(result,), name="port", daemon=True).start()
        elif error is not None:
            outcome.set_exception(error)
        else:
            outcome.set_result(result)  # type: ignore[arg-type]

    def thread() -> None:
        result: T | None = None
        error: BaseException | None = None
        try:
            result = work()
        except Exception as problem:  # carried over to the loop as it is
            error = problem
        with lock:
            late = abandoned
            if not late:
                try:
                    loop.call_soon_threadsafe(deliver, result, error)
                except RuntimeError:  # the loop has been closed meanwhile
                    late = True
        if late and error is None and undo is not None:
            undo(result)  # type: ignore[arg-type]

    threading.Thread(target=thread, name="port", daemon=True).start()
    try:
        async with asyncio.timeout(timeout_s):
            return await outcome
    finally:
        with lock:
            abandoned = True
