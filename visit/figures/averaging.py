"""From the sweeps of one run to their average: the only place where a sweep is corrected, turned, judged and averaged.

Owns: the order of these steps (correction, alignment of phase, bursts thrown out, begun again after a step of the
device), for every reader of sweeps; sums that can be kept and gone on from. Refuses: figures, and sweeps of other
frequency points.
"""

from __future__ import annotations

import hashlib
from collections import deque
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from rf.floor.average import Average, RunningAverage
from rf.floor.drift import phase_against
from rf.floor.floor import Floor, floor_from_one_sweep, floor_from_scatter
from rf.floor.step import MEMORY, StepWatch
from rf.values.decibel import amplitude

LARGEST_PHASE_RAD = 0.02
"""A sweep turned by less than a degree costs the average 0.002 dB and is left as it is."""

GUARD_DB = 3.0
"""Added to the floor that one sweep betrays before its phase is trusted: the estimate is a rough one."""

FEWEST_POINTS = 33
"""With fewer points the floor of one sweep is not told, so no phase either."""

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
    steps: tuple[int, ...] = ()
    """Sweeps of the run after which the device was another one; the average holds those after the last step."""
    before: Average | None = None
    """S21 averaged up to the last step."""

    @property
    def sweeps(self) -> int:
        """Sweeps in it, thrown-out ones included, those before a step not."""
        return self.s21.sweeps


class RunAverage:
    """The sweeps of one run, taken in one by one.

    `correct`: raw sweeps to S-parameters at the plane; left out: as they came. `keep`: so many corrected S21 are held
    for whoever must see them singly.
    """

    def __init__(self, correct: Correct | None = None, *, keep: int = 0) -> None:
        self._correct = correct
        self._s11, self._s21 = RunningAverage(), RunningAverage()
        self._watch, self._watch_s11 = StepWatch(), StepWatch()
        self._taken, self._steps = 0, list[int]()
        self._before: Average | None = None
        self._frequency_hz: NDArray[np.float64] | None = None
        self._reference: Complex | None = None
        self._noise = self._phase_square = 0.0
        self._keep, self._kept = keep, list[Complex]()
        self._passed = 0
        self._passing = deque[SweepLike](maxlen=MEMORY)
        self.digest = b""
        """Chained over all sweeps so far, taken in or passed over: which sweeps they were."""

    @property
    def sweeps(self) -> int:
        """Sweeps taken in so far, passed over ones included."""
        return self._taken + self._passed

    @property
    def steps(self) -> tuple[int, ...]:
        """Sweeps after which the device was another one."""
        return tuple(self._steps)

    def add(self, sweep: SweepLike) -> None:
        """Take in one sweep. Raises ValueError when its points differ from the earlier ones'."""
        self._chain(sweep)
        s11, s21 = self._corrected(sweep)
        aligned = self._aligned(s21)
        self._s11.add(s11)
        self._s21.add(aligned)
        self._taken += 1
        if len(self._kept) < self._keep:
            self._kept.append(s21)
        after = max(self._watch.add(aligned), self._watch_s11.add(s11))
        if after:
            self._begin_again(after)

    def _begin_again(self, after: int) -> None:
        """A fresh average from the sweeps after a step."""
        self._steps.append(self._taken - after)
        self._before = self._s21.average()
        self._s11, self._s21 = RunningAverage(), RunningAverage()
        for s11, s21 in zip(self._watch_s11.since(after), self._watch.since(after), strict=True):
            self._s11.add(s11)
            self._s21.add(s21)
        self._kept = self._kept[-after:]

    def pass_over(self, sweep: SweepLike) -> None:
        """Count a sweep whose share will come with `restore`. Raises ValueError as `add`."""
        self._chain(sweep)
        self._passed += 1
        self._passing.append(sweep)

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

    def sums(self) -> dict[str, NDArray[np.generic]] | None:
        """All that goes on from here, by name; None while there is nothing that can be kept: the first sweeps, a
        survey, whose sweeps are held singly, a device that has stepped."""
        first, second = self._s11.sums(), self._s21.sums()
        if first is None or second is None or self._reference is None or self._keep or self._passed or self._steps:
            return None
        drift = {"noise": np.asarray(self._noise, float), "phase_square": np.asarray(self._phase_square, float)}
        found = {f"s11{name}": value for name, value in first.items()}
        found |= {f"s21{name}": value for name, value in second.items()}
        return {**found, **drift, "reference": self._reference, "sweeps": np.asarray(self._taken)}

    def restore(self, sums: Mapping[str, NDArray[np.generic]]) -> None:
        """Go on from sums that were kept; to the last bit as if the sweeps passed over had been taken in. Raises
        ValueError when they are not those of so many sweeps of these points."""
        points = 0 if self._frequency_hz is None else self._frequency_hz.size
        parts = {part: {name[3:]: sums[name] for name in sums if name.startswith(part)} for part in ("s11", "s21")}
        rest = {name: value for name, value in sums.items() if name[:3] not in parts}
        if self._keep or set(rest) != {"noise", "phase_square", "reference", "sweeps"}:
            raise ValueError("these are no sums of this run")
        reference, numbers = rest.pop("reference"), {name: float(np.real(value)) for name, value in rest.items()}
        right = numbers["sweeps"] == self.sweeps and all(0.0 <= number < np.inf for number in numbers.values())
        if not right or reference.shape != (points,) or reference.dtype != np.complex128:
            raise ValueError("these are no sums of this run")
        first, second = RunningAverage(), RunningAverage()
        first.restore(parts["s11"], points)
        second.restore(parts["s21"], points)
        if (first.sweeps, second.sweeps) != (self.sweeps, self.sweeps) or not np.isfinite(reference).all():
            raise ValueError("these are no sums of this run")
        self._s11, self._s21, self._reference = first, second, np.asarray(reference, np.complex128)
        self._noise, self._phase_square = numbers["noise"], numbers["phase_square"]
        self._taken, self._passed = self.sweeps, 0
        for number, sweep in enumerate(self._passing, self._taken - len(self._passing) + 1):
            s11, s21 = self._corrected(sweep)  # what a step would be told from
            self._watch_s11.hold(s11, number)
            self._watch.hold(self._turned(s21, self._phase_of(s21)), number)
        self._passing.clear()

    def _aligned(self, s21: Complex) -> Complex:
        """The sweep turned to the phase of the first one, where the strong samples show that it drifted: a drift of p
        rad costs 4.34 p^2 dB in the average [study F21]."""
        if self._reference is None:
            self._reference = s21
            if s21.size >= FEWEST_POINTS:
                self._noise = floor_from_one_sweep(s21).additive_power * amplitude(GUARD_DB) ** 2
            return s21
        phase = self._phase_of(s21)
        self._phase_square += phase**2
        return self._turned(s21, phase)

    def _corrected(self, sweep: SweepLike) -> tuple[Complex, Complex]:
        if self._correct is None or self._frequency_hz is None:
            return sweep.s11, sweep.s21
        return self._correct(self._frequency_hz, sweep.s11, sweep.s21)

    def _phase_of(self, s21: Complex) -> float:
        """How far a sweep is turned against the first one."""
        if self._reference is None or not self._noise > 0:
            return 0.0
        return phase_against(s21, self._reference, self._noise)

    @staticmethod
    def _turned(s21: Complex, phase: float) -> Complex:
        return np.asarray(s21 * np.exp(-1j * phase)) if abs(phase) > LARGEST_PHASE_RAD else s21

    def average(self) -> Averaged | None:
        """The average so far; None before the first sweep."""
        if self._frequency_hz is None or not self._taken:
            return None
        cost = 4.343 * self._phase_square / self._taken
        return Averaged(self._frequency_hz, self._s11.average(), self._s21.average(), cost, self.steps, self._before)

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
    """The floor from the scatter between sweeps, or from the roughness of a single one.

    Sweeps that are alike to the last digit have no scatter: their roughness is an upper limit of what noise they hold.
    Raises ValueError where even that is nought.
    """
    if average.sweeps > 1 and ((average.scatter_power > 0) & ~average.too_busy_points).any():
        return floor_from_scatter(average)
    floor = floor_from_one_sweep(average.mean)
    if not floor.additive_power > 0.0:
        raise ValueError("the sweeps are all alike and hold no noise: computed, or copies of one, not measured")
    return floor
