"""What is asked of a dialect and what it answers: requests, events, and the shape of a dialect itself.

Owns: the frozen types that pass between a dialect (which knows the dialect) and its driver (which knows the port
and the clock). Refuses: any I/O.
"""

from __future__ import annotations

import enum
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from protocol.sweep import Identity, SweepSettings


@dataclass(frozen=True, slots=True)
class Identify:
    """Who are you? Answered by IdentityReply."""


@dataclass(frozen=True, slots=True)
class Setup:
    """Whatever must be said once after opening. Answered by Accepted."""


@dataclass(frozen=True, slots=True)
class Apply:
    """Take these settings. Answered by Accepted."""

    settings: SweepSettings


@dataclass(frozen=True, slots=True)
class ReadSettings:
    """What holds now? Answered by SettingsReply; `settings` was applied before (codes are looked up beside it)."""


@dataclass(frozen=True, slots=True)
class TakeSweep:
    """Sweep once and send the data. Answered by SweepReply with `settings.points` points."""

    settings: SweepSettings


@dataclass(frozen=True, slots=True)
class ReadHelp:
    """The analyzer's own list of its commands. Answered by TextReply."""


Request = Identify | Setup | Apply | ReadSettings | TakeSweep | ReadHelp


class Waiting(enum.Enum):
    """What the driver waits for; it sets the time it may take."""

    NOTHING = "nothing"
    REPLY = "a reply"
    SWEEP = "the end of a sweep"


@dataclass(frozen=True, slots=True)
class Send:
    """The request goes on: send this. `after_sweep` asks to wait for the time of one sweep first; `again` says that it
    was asked before and not answered yet: a pause, and an end when a sweep would long be over."""

    data: bytes
    after_sweep: bool = False
    again: bool = False


@dataclass(frozen=True, slots=True)
class IdentityReply:
    """The identity, and the reply as it came."""

    identity: Identity
    raw: bytes


@dataclass(frozen=True, slots=True)
class Accepted:
    """Done, and nothing was refused."""


@dataclass(frozen=True, slots=True)
class SettingsReply:
    """The settings that could be read back, by field name (start_hz, stop_hz, points, bandwidth_hz, level_dbm)."""

    values: Mapping[str, float]
    derived: Mapping[str, float] = field(default_factory=dict)
    """What must hold by what was sent, rounding included; no analyzer said so."""


@dataclass(frozen=True, slots=True)
class SweepReply:
    """One sweep. Arrays have shape (K,); `frequency_hz` is None where the analyzer sends no list."""

    frequency_hz: NDArray[np.float64] | None
    s11: NDArray[np.complex128]
    s21: NDArray[np.complex128]


@dataclass(frozen=True, slots=True)
class TextReply:
    """Lines of text, printable ASCII only."""

    lines: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Fault:
    """The request failed; `message` is one line. `refused` marks a request that the analyzer understood and
    declined: the wire is in step. After any other fault it must be put in step before the next request."""

    message: str
    refused: bool = False


Reply = IdentityReply | Accepted | SettingsReply | SweepReply | TextReply
Event = Send | Reply | Fault


class Dialect(Protocol):
    """A dialect without a port or a clock: it turns requests into bytes and bytes into events.

    One request at a time: `start` it, send what it returns, feed `receive` until it gives a Reply or a Fault.
    """

    last_time: bool
    """Set by the driver when what is asked again and again is asked for the last time."""

    @property
    def waiting(self) -> Waiting:
        """What the request in hand waits for."""

    @property
    def unread(self) -> bytes:
        """Bytes that came beyond the end of the last reply."""

    def start(self, request: Request) -> bytes:
        """Begin a request; forgets unread bytes. Raises RequestError when this analyzer has no such command."""

    def receive(self, data: bytes) -> list[Event]:
        """Take bytes in and tell what follows from them. Never raises for what an analyzer sends."""

    @property
    def settles(self) -> bool:
        """Whether silence may end the reply that is awaited."""

    @property
    def may_be_empty(self) -> bool:
        """Whether silence alone may be the reply that is awaited."""

    @property
    def nearly(self) -> bool:
        """Whether all that is needed has come and only a short silence is wanted to be sure."""

    def silence(self) -> Event:
        """The driver has waited: the reply ends here where silence ends it, else a Fault that says what is missing."""

    def abort(self) -> bytes:
        """Forget the request in hand; returns what to send so that the analyzer gives it up, perhaps nothing."""

    def probe(self) -> bytes:
        """A harmless question whose answer can be told from any late reply."""

    def proven(self, data: bytes) -> bool:
        """True when `data`, all that came since the probe was sent, ends with the answer to it."""
