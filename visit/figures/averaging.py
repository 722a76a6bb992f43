"""From the sweeps of one run to their average: the only place where a sweep is corrected, turned, judged and averaged.

Owns: the order of these steps (correction, alignment of phase, bursts thrown out), for every reader of sweeps; sums
that can be kept and gone on from. Refuses: figures, and sweeps of other frequency points.
"""

from __future__ import annotations

import hashlib
import struct
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from rf.floor.average import Average, RunningAverage, RunningSums
from rf.floor.drift import phase_against
from rf.floor.floor import Floor, floor_from_one_sweep, floor_from_scatter
from rf.values.decibel import amplitude

LARGEST_PHASE_RAD = 0.02
"""A sweep turned by less than a degree costs the average 0.002 dB and is left as it is."""

GUARD_DB = 3.0
"""Added to the floor that one sweep betrays before its phase is trusted: the estimate is a rough one."""

FEWEST_POINTS = 33
"""With fewer points the floor of one sweep is not told, so no phase either."""

HEAD, MAGIC = struct.Struct("<4sqqqqdd"), b"avg1"
"""Before the arrays of kept sums: points, sweeps, hits of S11 and S21, noise, sum of squared phases. Another rule of
averaging needs another mark: what was kept by the former one is not used then."""

Complex = NDArray[np.complex128]
Correct = Callable[[NDArray[np.float64], Complex, Complex], tuple[Complex, Complex]]


class SweepLike(Protocol):
    """A sweep from the wire or from the file: arrays (K,)."""

    @property
    def frequency_hz(self) -> NDArray[np.float64]:
        """Frequency points."""

    @property
    def s11(self) -> Complex:
        """Reflection at port 1, as it came."""

    @property
    def s21(self) -> Complex:
        """Transmission, as it came."""


@dataclass(frozen=True, slots=True)
class Averaged:
    """The average of a run: frequency (K,), both parameters; `phase_cost_db` what phase drift would have cost."""

    frequency_hz: NDArray[np.float64]
    s11: Average
    s21: Average
    phase_cost_db: float = 0.0

    @property
    def sweeps(self) -> int:
        """Sweeps in it, thrown-out ones included."""
        return self.s21.sweeps


class RunAverage:
    """The sweeps of one run, taken in one by one.

    `correct`: raw sweeps to S-parameters at the plane; left out: as they came. `keep`: so many corrected S21 are held
    for whoever must see them singly.
    """

    def __init__(self, correct: Correct | None = None, *, keep: int = 0) -> None:
        self._correct = correct
        self._s11, self._s21 = RunningAverage(), RunningAverage()
        self._frequency_hz: NDArray[np.float64] | None = None
        self._reference: Complex | None = None
        self._noise = self._phase_square = 0.0
        self._keep, self._kept = keep, list[Complex]()
        self._passed = 0
        self.digest = b""
        """Chained over all sweeps so far, taken in or passed over: which sweeps they were."""

    @property
    def sweeps(self) -> int:
        """Sweeps taken in so far, passed over ones included."""
        return self._s21.sweeps + self._passed

    def add(self, sweep: SweepLike) -> None:
        """Take in one sweep. Raises ValueError when its points differ from the earlier ones'."""
        self._chain(sweep)
        s11, s21 = sweep.s11, sweep.s21
        if self._correct is not None and self._frequency_hz is not None:
            s11, s21 = self._correct(self._frequency_hz, s11, s21)
        self._s11.add(s11)
        self._s21.add(self._aligned(s21))
        if len(self._kept) < self._keep:
            self._kept.append(s21)

    def pass_over(self, sweep: SweepLike) -> None:
        """Count a sweep whose share will come with `restore`. Raises ValueError as `add`."""
        self._chain(sweep)
        self._passed += 1

    def _chain(self, sweep: SweepLike) -> None:
        frequency = self._frequency_hz
        if frequency is None:
            self._frequency_hz = sweep.frequency_hz
        elif frequency is not sweep.frequency_hz and not np.array_equal(frequency, sweep.frequency_hz):
            raise ValueError("sweeps of one run must share their frequency points")
        chained = hashlib.sha256(self.digest)
        chained.update(np.ascontiguousarray(sweep.s11, "<c16").data)
        chained.update(np.ascontiguousarray(sweep.s21, "<c16").data)
        self.digest = chained.digest()

    def sums(self) -> bytes | None:
        """All that goes on from here, to be kept; None while there is nothing that can be (the first sweeps, a survey,
        whose sweeps are held singly)."""
        first, second = self._s11.sums(), self._s21.sums()
        if first is None or second is None or self._reference is None or self._keep or self._passed:
            return None
        counts = (second.mean.size, second.sweeps, first.hits, second.hits)
        arrays = [array.astype("<c16") for array in (self._reference, first.mean, second.mean)]
        arrays += [array.astype("<i8") for array in (first.kept, second.kept)]
        arrays += [array.astype("<f8") for array in (first.spread, second.spread)]
        head = HEAD.pack(MAGIC, *counts, self._noise, self._phase_square)
        return head + b"".join(array.tobytes() for array in arrays)

    def restore(self, kept: bytes) -> None:
        """Go on from sums that were kept; to the last bit as if the sweeps passed over had been taken in. Raises
        ValueError when they are not those of so many sweeps of these points."""
        points = 0 if self._frequency_hz is None else self._frequency_hz.size
        if self._keep or len(kept) != HEAD.size + points * (3 * 16 + 4 * 8):
            raise ValueError("these are no sums of this run")
        magic, size, sweeps, hits11, hits21, noise, phase_square = HEAD.unpack_from(kept)
        at, arrays = HEAD.size, []
        for kind in ("<c16",) * 3 + ("<i8",) * 2 + ("<f8",) * 2:
            arrays.append(np.frombuffer(kept, kind, points, at))
            at += points * np.dtype(kind).itemsize
        reference, mean11, mean21, kept11, kept21, spread11, spread21 = arrays
        finite = all(np.isfinite(array).all() for array in arrays) and np.isfinite((noise, phase_square)).all()
        counts = np.concatenate((kept11, kept21))
        right = (magic, size, sweeps) == (MAGIC, points, self.sweeps) and finite
        if not (right and counts.min() >= 0 and counts.max() <= sweeps and min(noise, phase_square) >= 0.0):
            raise ValueError("these are no sums of this run")
        self._s11.restore(RunningSums(sweeps, hits11, mean11, kept11, spread11))
        self._s21.restore(RunningSums(sweeps, hits21, mean21, kept21, spread21))
        self._reference, self._noise, self._phase_square, self._passed = reference, noise, phase_square, 0

    def _aligned(self, s21: Complex) -> Complex:
        """The sweep turned to the phase of the first one, where the strong samples show that it drifted: a drift of p
        rad costs 4.34 p^2 dB in the average [study F21]."""
        if self._reference is None:
            self._reference = s21
            if s21.size >= FEWEST_POINTS:
                self._noise = floor_from_one_sweep(s21).additive_power * amplitude(GUARD_DB) ** 2
            return s21
        phase = phase_against(s21, self._reference, self._noise) if self._noise > 0 else 0.0
        self._phase_square += phase**2
        return np.asarray(s21 * np.exp(-1j * phase)) if abs(phase) > LARGEST_PHASE_RAD else s21

    def average(self) -> Averaged | None:
        """The average so far; None before the first sweep."""
        if self._frequency_hz is None or not self._s21.sweeps:
            return None
        cost = 4.343 * self._phase_square / self._s21.sweeps
        return Averaged(self._frequency_hz, self._s11.average(), self._s21.average(), cost)

    def kept(self) -> NDArray[np.complex128]:
        """The held S21 (N, K), not turned."""
        return np.array(self._kept)


def average_of(sweeps: Iterable[SweepLike], correct: Correct | None = None) -> Averaged | None:
    """The average of sweeps; None when there is none. Raises ValueError when their points differ."""
    run = RunAverage(correct)
    for sweep in sweeps:
        run.add(sweep)
    return run.average()


def floor_of(average: Average) -> Floor:
    """The floor from the scatter between sweeps, or from the roughness of a single one."""
    return floor_from_scatter(average) if average.sweeps > 1 else floor_from_one_sweep(average.mean)
