"""Transmission through a chain of notch cavities, with every derivative, as the fit needs it.

Owns: the circuit of one side of a duplexer between its antenna port and its side port, and the derivatives of log S21
with respect to the fitted parameters, for one vector of parameters or many at once: wherever (P,) or (K,) is written,
leading axes are allowed and kept. Refuses: data, weights and starts; those are `rf.notch.chain_fit`'s.

The chain is worked backwards from the matched side port as normalised admittance y and voltage ratio (Pozar,
Microwave Engineering, chapters 2 and 4): a shunt branch adds its admittance; a line of electrical length t gives
V_in / V_out = F = cos t + j sin t y and y_in = (y cos t + j sin t) / F, so that dy_in/dy = 1/F^2 and dy_in/dt =
j (1 - y^2) / F^2. A cavity branch is 1 / (j X (f/f_i - f_i/f) + X / Q) beside a fixed susceptance B; every cavity
makes one zero at f_i (1 + j / 2Q) that no cable length moves [study F11].
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

QUARTER = math.pi / 2.0


RIPPLE_TERMS = 10
"""Cosines of the ripple, half a period over the span and up: the finest has five periods in the span."""

SLOW_TERMS = 3
"""Complex coefficients of the log gain: level and phase, slope and delay, curvature."""

LEAK_TERMS = 2
"""Complex coefficients of what leaks past the unit: value in the middle of the span, and slope over half the span."""


@dataclass(frozen=True)
class ChainShape:
    """What is known of a side before any sweep: `cavities` notches nominally at `reject_hz`, a pass at `pass_hz`.

    `pass_hz` None: no pass channel, so no susceptance to cancel there. `other_side`: a mirrored side (its notches at
    the pass channel) hangs on the same tee; without it the chain stands alone. `pass_follows`: a cavity's rod moves
    its pass together with its notch (pass-reject units); otherwise the pass stays. The properties say where each
    parameter stands in the vector (P,).
    """

    cavities: int
    reject_hz: float
    pass_hz: float | None
    other_side: bool = True
    pass_follows: bool = False

    @cached_property
    def places(self) -> slice:
        """Relative offset of each notch from the reject channel."""
        return slice(0, self.cavities)

    @cached_property
    def log_x(self) -> int:
        """Log of the reactance slope X / Z0 common to all cavities."""
        return self.cavities

    @cached_property
    def log_q(self) -> int:
        """Log of the common unloaded Q."""
        return self.cavities + 1

    @cached_property
    def harness(self) -> int:
        """Harness length in quarter waves."""
        return self.cavities + 2

    @cached_property
    def trim(self) -> int:
        """The susceptance, as a multiple of what cancels the notch at the pass channel."""
        return self.cavities + 3

    @cached_property
    def other(self) -> int:
        """The other side's mean notch, as a relative offset from the pass channel."""
        return self.cavities + 4

    @cached_property
    def loss(self) -> int:
        """Loss of a harness line in nepers per radian."""
        return self.cavities + 5

    @cached_property
    def far(self) -> slice:
        """Real and imaginary part of the reflection that closes the other side."""
        return slice(self.cavities + 6, self.cavities + 8)

    @cached_property
    def load(self) -> slice:
        """Real and imaginary part of the reflection of the analyzer's port 2."""
        return slice(self.far.stop, self.far.stop + 2)

    @cached_property
    def source(self) -> slice:
        """Real and imaginary part of the reflection of the analyzer's port 1."""
        return slice(self.load.stop, self.load.stop + 2)

    @cached_property
    def own(self) -> tuple[slice, slice, slice, slice]:
        """Each cavity's departure from the common log X, log Q, susceptance and line; empty for a single cavity."""
        count, first = (self.cavities if self.cavities > 1 else 0), self.source.stop
        return tuple(slice(first + k * count, first + (k + 1) * count) for k in range(4))  # type: ignore[return-value]

    @cached_property
    def other_own(self) -> slice:
        """Departures of the other side from log X and harness of this one."""
        return slice(self.own[3].stop, self.own[3].stop + 2)

    @cached_property
    def slow(self) -> slice:
        """Real and imaginary parts of the slow terms, in turn."""
        return slice(self.other_own.stop, self.other_own.stop + 2 * SLOW_TERMS)

    @cached_property
    def ripple(self) -> slice:
        """Real and imaginary parts of the ripple, in turn."""
        return slice(self.slow.stop, self.slow.stop + 2 * RIPPLE_TERMS)

    @cached_property
    def leak(self) -> slice:
        """Real and imaginary parts of what leaks past the unit, in turn."""
        return slice(self.ripple.stop, self.ripple.stop + 2 * LEAK_TERMS)

    @cached_property
    def size(self) -> int:
        """Number of real parameters."""
        return int(self.leak.stop)


Values = NDArray[np.complex128]
Real = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Branch:
    """Admittance (K,) of one cavity and how it changes with the parameters: (index, (K,))."""

    y: Values
    slopes: list[tuple[int, Values]]


@dataclass(frozen=True, slots=True)
class _Side:
    """A side as seen from the tee: its admittance, log voltage ratio, and what the way back needs."""

    y: Values
    log_ratio: Values
    steps: list[tuple[Branch, Values, Values, Values, Values]]
    per: NDArray[np.float64]
    line: tuple[int, ...]


class Chain:
    """The circuit over fixed frequencies (K,) for a sweep that runs from `low_hz` to `high_hz`. Notch i stands at
    reject_hz (1 + p[i])."""

    def __init__(self, shape: ChainShape, frequency_hz: NDArray[np.float64], low_hz: float, high_hz: float) -> None:
        self.shape, self.low_hz, self.high_hz = shape, low_hz, high_hz
        self.f = np.asarray(frequency_hz, float) / shape.reject_hz
        x = (np.asarray(frequency_hz, float) - shape.reject_hz) / ((high_hz - low_hz) / 2.0)
        along = (np.asarray(frequency_hz, float) - low_hz) / (high_hz - low_hz)
        self.powers = np.vander(x, SLOW_TERMS, increasing=True).T
        cosines = np.cos(math.pi * np.outer(np.arange(1, RIPPLE_TERMS + 1), along))
        self.gain_terms = np.concatenate((self.powers, cosines))
        self.pass_ratio = (shape.pass_hz or shape.reject_hz) / shape.reject_hz
        self.leak_rows = np.repeat(self.powers[:LEAK_TERMS], 2, axis=0) * np.tile([1.0, 1j], LEAK_TERMS)[:, None]
        self._gain_rows = np.repeat(self.gain_terms, 2, axis=0) * np.tile([1.0, 1j], len(self.gain_terms))[:, None]

    def at(self, frequency_hz: NDArray[np.float64]) -> Chain:
        """The same circuit over other frequencies."""
        return Chain(self.shape, frequency_hz, self.low_hz, self.high_hz)

    def log_s21(self, p: NDArray[np.float64]) -> tuple[Values, Values]:
        """log S21 (K,) of the unit, and its derivatives (P, K); what leaks past the unit is no part of it."""
        total, slopes = self.circuit(p)
        gain = p[..., self.shape.slow.start : self.shape.leak.start]
        total = total + (gain[..., 0::2] + 1j * gain[..., 1::2]) @ self.gain_terms
        slopes[..., self.shape.slow.start : self.shape.leak.start, :] = self._gain_rows
        return total, slopes

    def seen(self, p: NDArray[np.float64]) -> tuple[Values, Values]:
        """What the analyzer sees (K,), S21 and leak together, and its derivatives (P, K)."""
        log, slopes = self.log_s21(p)
        through = np.exp(log)
        slopes *= through[..., None, :]
        leak = self.shape.leak
        slopes[..., leak, :] = self.leak_rows
        return through + p[..., leak] @ self.leak_rows, slopes

    def seen_alone(self, p: NDArray[np.float64]) -> Values:
        """What the analyzer sees (K,), without derivatives."""
        gain, leak = p[..., self.shape.slow.start : self.shape.leak.start], self.shape.leak
        total = self._forward(p)[0] + (gain[..., 0::2] + 1j * gain[..., 1::2]) @ self.gain_terms
        return np.asarray(np.exp(total) + p[..., leak] @ self.leak_rows)

    def circuit(self, p: NDArray[np.float64]) -> tuple[Values, Values]:
        """log S21 (K,) of the circuit without slow terms and ripple, and its derivatives (P, K), zero for those.

        Forward along each side to the tee; then the derivative with respect to the admittance runs back from the tee to
        the far ends (the adjoint), and every parameter takes its share where it acts.
        """
        s = self.shape
        slopes = np.zeros((*p.shape[:-1], s.size, self.f.size), np.complex128)
        total, node, own, other = self._forward(p)
        back = -1.0 / node
        self._reflection(slopes, s.source, _complex(p, s.source), back)
        self._reflection(slopes, s.load, _complex(p, s.load), self._back(slopes, own, back, transmitted=True))
        if s.cavities > 1:  # what all have in common moves each one's own share
            for common, part in zip((s.log_x, s.log_q, s.trim), s.own, strict=False):
                slopes[..., common, :] = slopes[..., part, :].sum(axis=-2)
        if other is not None:
            self._reflection(slopes, s.far, _complex(p, s.far), self._back(slopes, other, back, transmitted=False))
        return total, slopes

    def value(self, p: NDArray[np.float64]) -> Values:
        """log S21 (K,) of the circuit alone, without derivatives: for scans."""
        return self._forward(p)[0]

    def _forward(self, p: NDArray[np.float64]) -> tuple[Values, Values, _Side, _Side | None]:
        """log S21, admittance at the tee, the side under test and the other one."""
        s = self.shape
        branches = [self._cavity(p, k) for k in range(s.cavities - 1, -1, -1)]
        lines = tuple(range(s.own[3].stop - 1, s.own[3].start - 1, -1))
        own = self._side(p, _complex(p, s.load), 1.0, branches, lines)
        source = _complex(p, s.source)
        node = (1.0 - source) / (1.0 + source) + own.y
        other = self._mirrored(p) if s.other_side else None
        if other is not None:
            node = node + other.y
        return own.log_ratio - np.log(node / 2.0), node, own, other

    def _side(
        self, p: NDArray[np.float64], far: Values, quarter_at: float, branches: list[Branch], line: tuple[int, ...]
    ) -> _Side:
        """From a far end closed by reflection `far` through each branch and one harness line behind it, to the tee.
        The lines are cut for `quarter_at` times the reject channel; `line` says which parameter lengthens each (one
        for all: the same)."""
        per = QUARTER / quarter_at * self.f
        angle = per * (_part(p, self.shape.harness) - 1j * _part(p, self.shape.loss))
        turn = np.exp(1j * angle)
        cos, sin = (turn + 1.0 / turn) / 2.0, (turn - 1.0 / turn) / 2j
        if len(line) == 1:
            cos, sin = _longer(cos, sin, per * _part(p, line[0]))
        y: Values = (1.0 - far) / (1.0 + far)
        ratio: Values = np.ones(angle.shape, np.complex128)
        steps = []
        for k, branch in enumerate(branches):
            own_cos, own_sin = _longer(cos, sin, per * _part(p, line[k])) if len(line) > 1 else (cos, sin)
            y = y + branch.y
            turned = 1j * own_sin
            factor = own_cos + turned * y
            steps.append((branch, y, factor, own_cos, own_sin))
            ratio = ratio * factor
            y = (y * own_cos + turned) / factor
        return _Side(y, -np.log(ratio), steps, per, line)

    def _back(self, slopes: Values, side: _Side, back: Values, *, transmitted: bool) -> Values:
        """Carry d log S21 / d y from the tee to the far end of a side, adding to `slopes` (P, K) on the way."""
        s = self.shape
        line = side.line or (s.harness,)
        for k in reversed(range(len(side.steps))):
            branch, y, factor, cos, sin = side.steps[k]
            per_factor = 1.0 / factor
            through = back * per_factor**2
            turn = through * (1j * (1.0 - y**2))
            back = through
            if transmitted:
                turn = turn - (1j * cos * y - sin) * per_factor
                back = back - 1j * sin * per_factor
            slopes[..., line[k % len(line)], :] += turn * side.per
            for index, change in branch.slopes:
                slopes[..., index, :] += back * change
        turned = slopes[..., sorted(line), :].sum(axis=-2)
        if side.line:
            slopes[..., s.harness, :] += turned
        slopes[..., s.loss, :] -= 1j * turned
        return back

    def _reflection(self, slopes: Values, part: slice, reflection: Values, back: Values) -> None:
        """Share of a port's closing reflection: y = (1 - r) / (1 + r)."""
        change = back * (-2.0 / (1.0 + reflection) ** 2)
        slopes[..., part.start, :] += change
        slopes[..., part.start + 1, :] += 1j * change

    def _resonator(self, place: Real, slope: Real, q: Real) -> tuple[Values, Values]:
        """Admittance (K,) of a series resonator at `place` times the reject channel, and its change with the place."""
        branch = 1.0 / (slope * (1j * (self.f / place - place / self.f) + 1.0 / q))
        return np.asarray(branch), np.asarray(branch**2 * slope * 1j * (self.f / place**2 + 1.0 / self.f))

    def _cavity(self, p: NDArray[np.float64], index: int) -> Branch:
        """One cavity of the side under test."""
        s = self.shape
        own = [part.start + index for part in s.own[:3]] if s.cavities > 1 else []
        depart = [_part(p, k) for k in own] or [np.zeros(1)] * 3
        slope, q = np.exp(_part(p, s.log_x) + depart[0]), np.exp(_part(p, s.log_q) + depart[1])
        place = 1.0 + _part(p, index)
        y, dplace = self._resonator(place, slope, q)
        dx, dq, dtrim = -y, y**2 * slope / q, np.zeros_like(y)
        if s.pass_hz is not None:
            ratio = np.full_like(place, self.pass_ratio) if s.pass_follows else self.pass_ratio / place
            dtrim = self._susceptance(slope, ratio, ratio * place)
            held = (_part(p, s.trim) + depart[2]) * dtrim
            y, dx = y + held, dx - held
            if s.pass_follows:
                dplace = dplace + held * np.where(ratio > 1.0, -1.0, 1.0) / place
            else:
                dplace = dplace + held * (ratio + 1.0 / ratio) / (ratio - 1.0 / ratio) / place
        return Branch(y, [(index, dplace), *zip(own or (s.log_x, s.log_q, s.trim), (dx, dq, dtrim), strict=True)])

    def _susceptance(self, slope: Real, ratio: Real, at: Real) -> Values:
        """What cancels a branch of reactance `slope` at `ratio` times its notch, over f: a capacitor where it is
        positive, an inductor where it is negative."""
        b = np.divide(1.0, slope * (ratio - 1.0 / ratio))  # infinite where notch and pass coincide
        return np.asarray(1j * b * np.where(b > 0, self.f / at, at / self.f))

    def _mirrored(self, p: NDArray[np.float64]) -> _Side:
        """The other side: like cavities whose notches stand at the pass channel."""
        s = self.shape
        own_x, line = s.other_own.start, s.other_own.start + 1
        slope, q = np.exp(_part(p, s.log_x) + _part(p, own_x)), np.exp(_part(p, s.log_q))
        y, dplace = self._resonator(self.pass_ratio * (1.0 + _part(p, s.other)), slope, q)
        one = np.ones_like(slope)
        dtrim = self._susceptance(slope, one / self.pass_ratio, one)
        dq, y = y**2 * slope / q, y + _part(p, s.trim) * dtrim
        slopes = [(s.other, dplace * self.pass_ratio), (s.log_x, -y), (own_x, -y), (s.log_q, dq), (s.trim, dtrim)]
        return self._side(p, _complex(p, s.far), self.pass_ratio, [Branch(y, slopes)] * s.cavities, (line,))


def _part(p: NDArray[np.float64], index: int) -> Real:
    """One parameter with an axis (1,) for the frequencies."""
    return p[..., index, None]


def _longer(cos: Values, sin: Values, by: Real) -> tuple[Values, Values]:
    """Cosine and sine of an angle that grew by a real one."""
    c, s = np.cos(by), np.sin(by)
    return cos * c - sin * s, sin * c + cos * s


def _complex(p: NDArray[np.float64], part: slice) -> Values:
    """A reflection from its two parts, with an axis (1,) for the frequencies."""
    return np.asarray(_part(p, part.start) + 1j * _part(p, part.start + 1))
