"""Transmission through a chain of notch cavities, with every derivative, as the fit needs it.

Owns: the circuit of one side of a duplexer between its antenna port and its side port, and the derivatives of log S21
with respect to the fitted parameters. Refuses: data, weights and starts; those are `rf.chain_fit`'s.

The chain is worked backwards from the matched side port as normalised admittance y and voltage ratio (Pozar,
Microwave Engineering, chapters 2 and 4): a shunt branch adds its admittance; a line of electrical length t gives
V_in / V_out = F = cos t + j sin t y and y_in = (y cos t + j sin t) / F, so that dy_in/dy = 1/F^2 and dy_in/dt =
j (1 - y^2) / F^2. A cavity branch is 1 / (j X (f/f_i - f_i/f) + X / Q) beside a fixed susceptance B; every cavity
makes one zero at f_i (1 + j / 2Q) that no cable length moves [study F11].
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

QUARTER = math.pi / 2.0


RIPPLE_TERMS = 10
"""Cosines of the ripple, half a period over the span and up: the finest has five periods in the span."""

SLOW_TERMS = 3
"""Complex coefficients of the log gain: level and phase, slope and delay, curvature."""


@dataclass(frozen=True, slots=True)
class ChainShape:
    """What is known of a side before any sweep: `cavities` notches nominally at `reject_hz`, a pass at `pass_hz`.

    `pass_hz` None: no pass channel, so no susceptance to cancel there. `other_side`: a mirrored side (its notches at
    the pass channel) hangs on the same tee; without it the chain stands alone. The properties say where each parameter
    stands in the vector (P,).
    """

    cavities: int
    reject_hz: float
    pass_hz: float | None
    other_side: bool = True

    @property
    def places(self) -> slice:
        """Relative offset of each notch from the reject channel."""
        return slice(0, self.cavities)

    @property
    def log_x(self) -> int:
        """Log of the reactance slope X / Z0 common to all cavities."""
        return self.cavities

    @property
    def log_q(self) -> int:
        """Log of the common unloaded Q."""
        return self.cavities + 1

    @property
    def harness(self) -> int:
        """Harness length in quarter waves."""
        return self.cavities + 2

    @property
    def trim(self) -> int:
        """The susceptance, as a multiple of what cancels the notch at the pass channel."""
        return self.cavities + 3

    @property
    def other(self) -> int:
        """The other side's mean notch, as a relative offset from the pass channel."""
        return self.cavities + 4

    @property
    def loss(self) -> int:
        """Loss of a harness line in nepers per radian."""
        return self.cavities + 5

    @property
    def far(self) -> slice:
        """Real and imaginary part of the reflection that closes the other side."""
        return slice(self.cavities + 6, self.cavities + 8)

    @property
    def load(self) -> slice:
        """Real and imaginary part of the reflection of the analyzer's port 2."""
        return slice(self.far.stop, self.far.stop + 2)

    @property
    def source(self) -> slice:
        """Real and imaginary part of the reflection of the analyzer's port 1."""
        return slice(self.load.stop, self.load.stop + 2)

    @property
    def own(self) -> tuple[slice, slice, slice]:
        """Each cavity's departure from the common log X, log Q and susceptance; empty for a single cavity."""
        count, first = (self.cavities if self.cavities > 1 else 0), self.source.stop
        return tuple(slice(first + k * count, first + (k + 1) * count) for k in range(3))  # type: ignore[return-value]

    @property
    def slow(self) -> slice:
        """Real and imaginary parts of the slow terms, in turn."""
        return slice(self.own[2].stop, self.own[2].stop + 2 * SLOW_TERMS)

    @property
    def ripple(self) -> slice:
        """Real and imaginary parts of the ripple, in turn."""
        return slice(self.slow.stop, self.slow.stop + 2 * RIPPLE_TERMS)

    @property
    def size(self) -> int:
        """Number of real parameters."""
        return int(self.ripple.stop)


Values = NDArray[np.complex128]


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
        self._gain_rows = np.repeat(self.gain_terms, 2, axis=0) * np.tile([1.0, 1j], len(self.gain_terms))[:, None]

    def at(self, frequency_hz: NDArray[np.float64]) -> Chain:
        """The same circuit over other frequencies."""
        return Chain(self.shape, frequency_hz, self.low_hz, self.high_hz)

    def log_s21(self, p: NDArray[np.float64]) -> tuple[Values, Values]:
        """log S21 (K,) and its derivatives (P, K)."""
        total, inner = self.circuit(p)
        gain = p[self.shape.slow.start :]
        total = total + (gain[0::2] + 1j * gain[1::2]) @ self.gain_terms
        return total, np.concatenate((inner, self._gain_rows))

    def circuit(self, p: NDArray[np.float64]) -> tuple[Values, Values]:
        """log S21 (K,) of the circuit without slow terms and ripple, and the derivatives of that part."""
        s = self.shape
        y, dy = self._closed(p, s.load)
        total, dtotal = np.zeros(self.f.size, np.complex128), np.zeros_like(dy)
        lines = self._lines(p, 1.0)
        for index in range(s.cavities - 1, -1, -1):
            self._add_cavity(p, index, y, dy)
            y, dy = self._through(lines, y, dy, total, dtotal)
        near, dnear = self._closed(p, s.source)
        node, dnode = near + y, dnear + dy
        if s.other_side:
            other, dother = self._other(p)
            node, dnode = node + other, dnode + dother
        total -= np.log(node / 2.0)
        dtotal -= dnode / node
        return total, dtotal

    def _closed(self, p: NDArray[np.float64], part: slice) -> tuple[Values, Values]:
        """Admittance (K,) of a port closed by the reflection at `part`, and its derivatives."""
        reflection = complex(*p[part])
        dy = np.zeros((self.shape.slow.start, self.f.size), np.complex128)
        slope = -2.0 / (1.0 + reflection) ** 2
        dy[part.start], dy[part.start + 1] = slope, 1j * slope
        return np.full(self.f.size, (1.0 - reflection) / (1.0 + reflection), np.complex128), dy

    def _lines(self, p: NDArray[np.float64], quarter_at: float) -> tuple[NDArray[np.float64], Values, Values]:
        """Angle per quarter wave (K,), cosine and sine of the complex angle of one harness line that is cut for
        `quarter_at` times the reject channel."""
        per = QUARTER / quarter_at * self.f
        angle = per * (p[self.shape.harness] - 1j * p[self.shape.loss])
        return per, np.cos(angle), np.sin(angle)

    def _through(
        self,
        lines: tuple[NDArray[np.float64], Values, Values],
        y: Values,
        dy: Values,
        total: Values | None = None,
        dtotal: Values | None = None,
    ) -> tuple[Values, Values]:
        """Back through one harness line; the log voltage ratio goes into `total` where one is wanted."""
        per, cos, sin = lines
        factor = cos + 1j * sin * y
        if total is not None and dtotal is not None:
            total -= np.log(factor)
            dtotal -= (1j * sin / factor) * dy
            turn = per * (1j * cos * y - sin) / factor
            dtotal[self.shape.harness] -= turn
            dtotal[self.shape.loss] += 1j * turn
        square = 1.0 / factor**2
        out = dy * square
        turn = per * 1j * (1.0 - y**2) * square
        out[self.shape.harness] += turn
        out[self.shape.loss] -= 1j * turn
        return (y * cos + 1j * sin) / factor, out

    def _add_cavity(self, p: NDArray[np.float64], index: int, y: Values, dy: Values) -> None:
        """Add one cavity branch of the side under test, in place."""
        s = self.shape
        own = [part.start + index for part in s.own] if s.cavities > 1 else []
        depart = p[own] if own else np.zeros(3)
        slope, q = float(np.exp(p[s.log_x] + depart[0])), float(np.exp(p[s.log_q] + depart[1]))
        place = 1.0 + p[index]
        branch = 1.0 / (slope * (1j * (self.f / place - place / self.f) + 1.0 / q))
        dplace = branch**2 * slope * 1j * (self.f / place**2 + 1.0 / self.f)
        dx, dq, dtrim = -branch, branch**2 * slope / q, np.zeros_like(y)
        if s.pass_hz is not None:
            ratio = self.pass_ratio / place
            b, course = self._susceptance(slope, ratio, self.pass_ratio)
            dtrim = np.asarray(1j * b * course)
            share = p[s.trim] + depart[2]
            branch = branch + share * dtrim
            dx = dx - share * dtrim
            dplace = dplace + share * dtrim * (ratio + 1.0 / ratio) / (ratio - 1.0 / ratio) / place
        y += branch
        dy[index] += dplace
        for common, part, change in zip((s.log_x, s.log_q, s.trim), (0, 1, 2), (dx, dq, dtrim), strict=True):
            dy[common] += change
            if own:
                dy[own[part]] += change

    def _susceptance(self, slope: float, ratio: float, at: float) -> tuple[float, NDArray[np.float64]]:
        """Susceptance that cancels a branch of reactance `slope` at `ratio` times its notch, and its course over f: a
        capacitor where it is positive, an inductor where it is negative."""
        b = 1.0 / (slope * (ratio - 1.0 / ratio))
        return b, (self.f / at if b > 0 else at / self.f)

    def _other(self, p: NDArray[np.float64]) -> tuple[Values, Values]:
        """Admittance (K,) of the mirrored side at the tee and its derivatives."""
        s = self.shape
        y, dy = self._closed(p, s.far)
        slope, q = float(np.exp(p[s.log_x])), float(np.exp(p[s.log_q]))
        place = self.pass_ratio * (1.0 + p[s.other])
        branch = 1.0 / (slope * (1j * (self.f / place - place / self.f) + 1.0 / q))
        b, course = self._susceptance(slope, 1.0 / self.pass_ratio, 1.0)
        step = branch + 1j * p[s.trim] * b * course
        dplace = branch**2 * slope * 1j * (self.f / place**2 + 1.0 / self.f) * self.pass_ratio
        dq, dtrim = branch**2 * slope / q, 1j * b * course
        lines = self._lines(p, self.pass_ratio)
        for _ in range(s.cavities):
            y = y + step
            dy[s.other] += dplace
            dy[s.log_x] -= step
            dy[s.log_q] += dq
            dy[s.trim] += dtrim
            y, dy = self._through(lines, y, dy)
        return y, dy
