"""What has been learned so far: commands, reply shapes, limits, timing, each with the evidence for it.

Owns: `Draft` and `Unknown remainders` in words. Refuses: I/O; `writer` makes the file.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass, field

from protocol.learn.shapes import Block

Ask = Callable[[str, Sequence[str]], Awaitable[str]]
"""Asks the technician a question with its possible answers; "" when nobody answers."""


async def nobody(_: str, __: Sequence[str]) -> str:
    """There is nobody to ask."""
    return ""


@dataclass
class ReadDraft:
    """One read: its command ("" when the data come with the sweep's own reply) and the shape of what comes."""

    command: str
    block: Block
    hints: list[str] = field(default_factory=list)


@dataclass
class Draft:
    """A profile in the making. `evidence` is keyed by the profile's key, `unknown` are sentences."""

    identity: str = ""
    identify: str = ""
    help: str = ""
    setters: dict[str, str] = field(default_factory=dict)
    """Template per profile command: span, start, stop, points, bandwidth, level."""
    sweep: str = ""
    pause: str = ""
    resume: str = ""
    abort: str = ""
    reads: list[ReadDraft] = field(default_factory=list)
    readback: list[tuple[str, list[str]]] = field(default_factory=list)
    bandwidths_hz: list[float] = field(default_factory=list)
    bandwidth_codes: list[str] = field(default_factory=list)
    min_points: int = 0
    max_points: int = 0
    start_hz: float = 0.0
    stop_hz: float = 0.0
    settling_s: float = 0.0
    bandwidth_factor: float = 1.0
    overhead_s: float = 0.1
    corrects_itself: bool = False
    conjugate: bool = False
    evidence: dict[str, str] = field(default_factory=dict)
    unknown: list[str] = field(default_factory=list)
