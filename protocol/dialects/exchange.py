"""The machine below all dialects: a request is a generator of steps, each step a text to send and a reply to await.

Owns: the buffer and its limit, the order of steps, the way a fault ends a request. Refuses: any command word.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable, Generator
from dataclasses import dataclass

from protocol.dialects.events import (
    Apply,
    Event,
    Fault,
    Identify,
    ReadHelp,
    ReadSettings,
    Reply,
    Request,
    Send,
    Setup,
    TakeSweep,
    Waiting,
)
from protocol.errors import RequestError
from protocol.sweep import SweepSettings

PLAIN_LIMIT = 64 << 10
"""A reply that is not data and is longer than this is an error; help listings are the longest."""
NUMBER_LIMIT = 40
"""Bytes that one number may take as text, separators included."""
SHOWN = 60
"""Characters of a damaged reply that a message shows."""

Frame = Callable[[bytearray], tuple[bytes, int] | None]
"""Finds a complete reply in the buffer: (reply, bytes used up), or None while more must come. May raise WireError."""


class WireError(Exception):
    """A reply that cannot be right. Never leaves the dialects: it becomes a Fault."""

    def __init__(self, message: str, *, refused: bool = False) -> None:
        super().__init__(message)
        self.fault = Fault(message, refused)


@dataclass(frozen=True, slots=True)
class Step:
    """Send `data`, then wait for what `frame` finds. `what` names the step in messages.

    `data` is empty when the question went out with the step before.
    """

    data: bytes
    frame: Frame
    what: str
    waiting: Waiting = Waiting.REPLY
    limit: int = PLAIN_LIMIT
    after_sweep: bool = False
    again: bool = False
    """Whether the same was asked before and is put again, because a sweep still runs."""
    settle: Frame | None = None
    """What silence makes of the buffer, where silence ends a reply; None where it is a fault."""
    empty: bool = False
    """Whether nothing at all may be the whole reply, where silence ends it."""
    nearly: Callable[[bytearray], bool] | None = None
    """Whether all that is needed has come, so that a short silence will do."""


Steps = Generator[Step, bytes, Reply]


class Exchange(ABC):
    """A dialect's common part. Subclasses give the steps of each request and the words of a silence."""

    no_help = "this family of analyzers has no list of commands"

    def __init__(self) -> None:
        self._buffer = bytearray()
        self._steps: Steps | None = None
        self._step: Step | None = None
        self.last_time = False
        """Set by the driver when what is asked again and again is asked for the last time."""

    def missing(self, step: Step, got: bytes) -> str:
        """What to say when a step's reply stays away or stops half-way."""
        if not got:
            return f"no answer to {step.what}; is the analyzer switched on and in its normal mode?"
        return f"the reply to {step.what} stopped after {len(got)} bytes: {shown(got)}"

    @property
    def waiting(self) -> Waiting:
        """What the request in hand waits for."""
        return self._step.waiting if self._step is not None else Waiting.NOTHING

    @property
    def unread(self) -> bytes:
        """Bytes that came beyond the end of the last reply."""
        return bytes(self._buffer) if self._step is None else b""

    def start(self, request: Request) -> bytes:
        """Begin a request."""
        if self._step is not None:
            raise RuntimeError("a request is under way")
        steps = self._steps_of(request)
        step = next(steps)  # every request has a first step; a RequestError passes through
        self._buffer.clear()
        self._steps, self._step, self.last_time = steps, step, False
        return step.data

    def receive(self, data: bytes) -> list[Event]:
        """Take bytes in and tell what follows from them."""
        self._buffer += data
        events: list[Event] = []
        while self._step is not None:
            try:
                event = self._advance(self._step)
            except WireError as error:
                self._finish()
                event = error.fault
            if event is None:
                break
            if not isinstance(event, Send) or event.data:
                events.append(event)
        return events

    @property
    def settles(self) -> bool:
        """Whether silence may end the reply that is awaited."""
        return self._step is not None and self._step.settle is not None

    @property
    def may_be_empty(self) -> bool:
        """Whether silence alone may be the reply that is awaited."""
        return self._step is not None and self._step.empty

    @property
    def nearly(self) -> bool:
        """Whether all that is needed has come and only a short silence is wanted to be sure."""
        step = self._step
        return step is not None and step.nearly is not None and step.nearly(self._buffer)

    def silence(self) -> Event:
        """What follows from silence: the end of a reply where that is how it ends, else words for what is missing."""
        if self._step is None:
            raise RuntimeError("nothing is awaited")
        if self._step.settle is not None:
            try:
                framed = self._step.settle(self._buffer)
                if framed is not None:
                    return self._complete(*framed)
            except WireError as error:
                self._finish()
                self._buffer.clear()
                return error.fault
        message = self.missing(self._step, bytes(self._buffer))
        self._finish()
        self._buffer.clear()
        return Fault(message)

    def forget(self) -> None:
        """Drop the request in hand and all unread bytes."""
        self._finish()
        self._buffer.clear()

    def _steps_of(self, request: Request) -> Steps:
        match request:
            case Identify():
                return self._identify()
            case Setup():
                return self._setup()
            case Apply(settings):
                return self._apply(settings)
            case ReadSettings():
                return self._read_settings()
            case TakeSweep(settings):
                return self._sweep(settings)
            case ReadHelp():
                return self._help()

    @abstractmethod
    def _identify(self) -> Steps:
        """Ask who is there."""

    @abstractmethod
    def _setup(self) -> Steps:
        """Bring the analyzer into the state that sweeps need."""

    @abstractmethod
    def _apply(self, settings: SweepSettings) -> Steps:
        """Set what the next sweep covers."""

    @abstractmethod
    def _read_settings(self) -> Steps:
        """Ask what is set."""

    @abstractmethod
    def _sweep(self, settings: SweepSettings) -> Steps:
        """Take one sweep."""

    def _help(self) -> Steps:
        """Ask for the list of commands; a family without one refuses."""
        raise RequestError(self.no_help)

    def _advance(self, step: Step) -> Event | None:
        framed = step.frame(self._buffer)
        if framed is None:
            if len(self._buffer) > step.limit:
                raise WireError(f"the reply to {step.what} is longer than {step.limit} bytes")
            return None
        used = framed[1]
        if used > step.limit + PLAIN_LIMIT:
            raise WireError(f"the reply to {step.what} is longer than {step.limit} bytes")
        return self._complete(*framed)

    def _complete(self, reply: bytes, used: int) -> Event:
        """The step in hand has its reply: the next one, or the request's end."""
        del self._buffer[:used]
        assert self._steps is not None
        try:
            self._step = self._steps.send(reply)
        except StopIteration as stop:
            self._finish()
            final: Reply = stop.value
            return final
        return Send(self._step.data, self._step.after_sweep, self._step.again)

    def _finish(self) -> None:
        if self._steps is not None:
            self._steps.close()
        self._steps = self._step = None


def shown(data: bytes) -> str:
    """Bytes for a message: printable ASCII, shortened, in quotes."""
    text = "".join(chr(byte) if 0x20 <= byte <= 0x7E else "." for byte in data[: SHOWN + 1])
    return repr(text if len(data) <= SHOWN else text[:SHOWN] + "...")


def plain(data: bytes, limit: int = 120) -> str:
    """Text of an analyzer made harmless: printable ASCII, blanks squeezed, shortened."""
    text = "".join(chr(byte) if 0x20 <= byte <= 0x7E else " " for byte in data)
    return " ".join(text.split())[:limit]


def line_frame(buffer: bytearray) -> tuple[bytes, int] | None:
    """One line up to LF; a CR before it is dropped."""
    end = buffer.find(b"\n")
    if end < 0:
        return None
    return bytes(buffer[:end]).rstrip(b"\r"), end + 1
