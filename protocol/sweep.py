"""What is asked of an analyzer and what comes back: settings, identity, limits, one sweep.

Owns: the frozen types that the whole serial layer and the visit pass around. Refuses: any I/O.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from protocol.errors import RequestError


@dataclass(frozen=True, slots=True)
class SweepSettings:
    """One sweep as asked for: linear span, points, receiver bandwidth, source level.

    `level_dbm` None leaves the analyzer's own level. Raises RequestError for a span that cannot be swept.
    """

    start_hz: float
    stop_hz: float
    points: int
    bandwidth_hz: float
    level_dbm: float | None = None

    def __post_init__(self) -> None:
        numbers = (self.start_hz, self.stop_hz, self.bandwidth_hz)
        if not all(math.isfinite(x) and x > 0 for x in numbers):
            raise RequestError(f"start, stop and bandwidth must be above 0 Hz: {numbers}")
        if self.stop_hz <= self.start_hz:
            raise RequestError(f"stop {self.stop_hz:.0f} Hz must lie above start {self.start_hz:.0f} Hz")
        if self.points < 2:
            raise RequestError(f"a sweep needs 2 points or more, not {self.points}")

    @classmethod
    def around(
        cls, centre_hz: float, span_hz: float, points: int, bandwidth_hz: float, level_dbm: float | None = None
    ) -> SweepSettings:
        """Settings for a span centred on `centre_hz`."""
        half = span_hz / 2
        return cls(centre_hz - half, centre_hz + half, points, bandwidth_hz, level_dbm)

    @property
    def step_hz(self) -> float:
        """Distance between neighbouring points."""
        return (self.stop_hz - self.start_hz) / (self.points - 1)

    def frequency_hz(self) -> NDArray[np.float64]:
        """The grid, shape (points,), in hertz."""
        return np.linspace(self.start_hz, self.stop_hz, self.points)


@dataclass(frozen=True, slots=True)
class Identity:
    """Who the instrument says it is. Fields are empty where it does not say; text is printable ASCII only."""

    maker: str = ""
    model: str = ""
    serial: str = ""
    firmware: str = ""

    @property
    def text(self) -> str:
        """One line for people."""
        return " ".join(part for part in (self.maker, self.model, self.serial, self.firmware) if part) or "unknown"


@dataclass(frozen=True, slots=True)
class Limits:
    """What the analyzer can be asked for. `bandwidths_hz` is empty when any value in the range is taken."""

    start_hz: float
    stop_hz: float
    min_points: int
    max_points: int
    min_bandwidth_hz: float
    max_bandwidth_hz: float
    bandwidths_hz: tuple[float, ...] = ()
    min_level_dbm: float | None = None
    max_level_dbm: float | None = None
    points: tuple[int, ...] = ()
    """The only numbers of points that are taken; empty when any between the limits is."""


@dataclass(frozen=True, slots=True)
class Applied:
    """Settings as the analyzer reports them back, beside what was asked.

    `changes` holds one plain sentence per setting that the analyzer altered without a word ("asked 1601 points,
    analyzer took 1001"); empty when all was taken. `verified` names the settings that could be read back.
    """

    asked: SweepSettings
    actual: SweepSettings
    changes: tuple[str, ...] = ()
    verified: frozenset[str] = field(default_factory=frozenset)


OWN_BANDWIDTH = "this analyzer's bandwidth can't be set and is not known: it measures with its own"
"""One of the sentences of `Applied.changes`."""


def bandwidth_words(bandwidth_hz: float, changes: Sequence[str]) -> str:
    """The bandwidth of settings for people, where the `changes` with which they were taken do not say that nobody
    knows it."""
    return "bandwidth not known" if OWN_BANDWIDTH in changes else f"{bandwidth_hz:g} Hz bandwidth"


@dataclass(frozen=True, slots=True)
class Sweep:
    """One complete sweep. Arrays have shape (K,) and are read-only; S-parameters are linear and complex.

    `started_s` is Unix time; `duration_s` is from the trigger to the last byte; `sequence` counts from 0 on one
    opened analyzer and never repeats.
    """

    settings: SweepSettings
    frequency_hz: NDArray[np.float64]
    s11: NDArray[np.complex128]
    s21: NDArray[np.complex128]
    sequence: int
    started_s: float
    duration_s: float

    def __post_init__(self) -> None:
        count = self.frequency_hz.shape
        if len(count) != 1 or self.s11.shape != count or self.s21.shape != count:
            raise ValueError("frequency, s11 and s21 must be one-dimensional and of one length")
        for array in (self.frequency_hz, self.s11, self.s21):
            array.flags.writeable = False
