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
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

QUARTER = math.pi / 2.0


RIPPLE_TERMS = 10
"""Cosines of the ripple, half a period over the span and up: the finest has five periods in the span."""

SLOW_TERMS = 3
"""Complex coefficients of the log gain: level and phase, slope and delay, curvature."""

FAR_TERMS = 5
"""Waves that make the reflection which closes the other side, for that may be an antenna behind its cable: each turns
half a turn more over the span than the one before, which is two turns for 70 ns of cable in a span of 14 MHz."""

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
        """Real and imaginary part of the wave that closes the other side and does not turn."""
        return slice(self.cavities + 6, self.cavities + 8)

    @cached_property
    def far_turn(self) -> slice:
        """Real and imaginary parts of those that turn, at the reject channel."""
        return slice(self.far.stop, self.far.stop + 2 * (FAR_TERMS - 1))

    @cached_property
    def waves(self) -> slice:
        """All of them."""
        return slice(self.far.start, self.far_turn.stop)

    @cached_property
    def load(self) -> slice:
        """Real and imaginary part of the reflection of the analyzer's port 2."""
        return slice(self.far_turn.stop, self.far_turn.stop + 2)

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
class _Branches:
    """Branches of one side in the order of the cavities: admittance `y` (N, ..., K), and within it the `resonator`'s.
    `place`, `slope` and `q` (N, ..., 1) it was made of; imaginary parts `unit` (N, ..., K) of a susceptance that just
    cancels, and `held` of what there is of it (None where there is none)."""

    y: Values
    resonator: Values
    place: Real
    slope: Real
    q: Real
    unit: Real | None
    held: Real | None


@dataclass(frozen=True, slots=True)
class _Way:
    """Both sides worked from their far ends to the tee, side by side: axis 0 counts the cavities from the far end, axis
    1 the sides. `y` behind each branch, `y_out` behind the line after it, 1 / `factor` of that line and j sin of it;
    `through` the voltage ratio to the tee of the side under test; `node` the admittance at the tee."""

    y: Values
    y_out: Values
    inverse: Values
    turned: Values
    per: Real
    through: Values
    node: Values
    branches: tuple[_Branches, ...]


@dataclass(frozen=True, slots=True)
class Seen:
    """What the analyzer sees at `p` (P,): `total` (K,), S21 of the unit and the leak; `s21` without the leak."""

    p: NDArray[np.float64]
    total: Values
    s21: Values
    way: _Way

    def only(self, which: NDArray[np.intp]) -> Seen:
        """Some of B parameter vectors."""
        way = self.way
        branches = tuple(replace(each, **_of(each, BRANCH, which)) for each in way.branches)
        way = replace(way, **_of(way, WAY, which), branches=branches)
        return replace(self, **_of(self, SEEN, which), way=way)

    def put(self, where: NDArray[np.intp], other: Seen) -> None:
        """Take others in place of some of B parameter vectors."""
        branches = zip(self.way.branches, other.way.branches, strict=True)
        parts = ((self, other, SEEN), (self.way, other.way, WAY), *((*both, BRANCH) for both in branches))
        for mine, theirs, names in parts:
            for name in names:
                if getattr(mine, name) is not None:
                    getattr(mine, name)[..., where, :] = getattr(theirs, name)


SEEN = ("p", "total", "s21")
WAY = ("y", "y_out", "inverse", "turned", "through", "node")
BRANCH = ("y", "resonator", "place", "slope", "q", "unit", "held")
"""What belongs to one of B parameter vectors: they are counted by the last axis but one."""


def _of(whole: Seen | _Way | _Branches, names: tuple[str, ...], which: NDArray[np.intp]) -> dict[str, Any]:
    """Those of some of B parameter vectors, by name."""
    parts = {name: getattr(whole, name) for name in names}
    return {name: part if part is None else part.take(which, axis=-2) for name, part in parts.items()}


class Chain:
    """The circuit over fixed frequencies (K,) for a sweep that runs from `low_hz` to `high_hz`. Notch i stands at
    reject_hz (1 + p[i])."""

    def __init__(self, shape: ChainShape, frequency_hz: NDArray[np.float64], low_hz: float, high_hz: float) -> None:
        self.shape, self.low_hz, self.high_hz = shape, low_hz, high_hz
        self.f = np.asarray(frequency_hz, float) / shape.reject_hz
        self._inverse = 1.0 / self.f
        x = (np.asarray(frequency_hz, float) - shape.reject_hz) / ((high_hz - low_hz) / 2.0)
        along = (np.asarray(frequency_hz, float) - low_hz) / (high_hz - low_hz)
        self.powers = np.vander(x, SLOW_TERMS, increasing=True).T
        cosines = np.cos(math.pi * np.outer(np.arange(1, RIPPLE_TERMS + 1), along))
        self._turns = np.exp(-0.5j * math.pi * np.outer(np.arange(FAR_TERMS), x))
        self.gain_terms = np.concatenate((self.powers, cosines))
        self._terms = self.gain_terms.astype(np.complex128)
        self.pass_ratio = (shape.pass_hz or shape.reject_hz) / shape.reject_hz
        self.leak_rows = np.repeat(self.powers[:LEAK_TERMS], 2, axis=0) * np.tile([1.0, 1j], LEAK_TERMS)[:, None]
        self._gain_rows = np.repeat(self.gain_terms, 2, axis=0) * np.tile([1.0, 1j], len(self.gain_terms))[:, None]

    def at(self, frequency_hz: NDArray[np.float64]) -> Chain:
        """The same circuit over other frequencies."""
        return Chain(self.shape, frequency_hz, self.low_hz, self.high_hz)

    def log_s21(self, p: NDArray[np.float64]) -> tuple[Values, Values]:
        """log S21 (K,) of the unit, and its derivatives (P, K); what leaks past the unit is no part of it."""
        way = self._way(p)
        total, slopes = -np.log(way.through * (way.node / 2.0)), self._slopes(p, way)
        slopes[..., self.shape.slow.start : self.shape.leak.start, :] = self._gain_rows
        return total + self._log_gain(p), slopes

    def seen(self, p: NDArray[np.float64]) -> Seen:
        """What the analyzer sees at `p` (P,); its derivatives are worked out by `slopes` where somebody needs them."""
        way = self._way(p)
        s21 = np.exp(self._log_gain(p)) / (way.through * (way.node / 2.0))
        return Seen(p, s21 + p[..., self.shape.leak] @ self.leak_rows, s21, way)

    def slopes(self, seen: Seen, per: Real) -> Values:
        """Derivatives (P, K) of what is `seen`, over `per` (K,) each."""
        gain, leak, scale = slice(self.shape.slow.start, self.shape.leak.start), self.shape.leak, seen.s21 / per
        slopes = self._slopes(seen.p, seen.way)
        slopes[..., : gain.start, :] *= scale[..., None, :]
        np.multiply(self._gain_rows, scale[..., None, :], out=slopes[..., gain, :])
        np.divide(self.leak_rows, per[..., None, :], out=slopes[..., leak, :])
        return slopes

    def alone(self, p: NDArray[np.float64]) -> Values:
        """S21 (K,) of the circuit without slow terms, ripple and leak, without derivatives: for scans."""
        way = self._way(p)
        return np.asarray(2.0 / (way.through * way.node))

    def _log_gain(self, p: NDArray[np.float64]) -> Values:
        gain = np.ascontiguousarray(p[..., self.shape.slow.start : self.shape.leak.start])
        return np.asarray(gain.view(np.complex128) @ self._terms)

    def _way(self, p: NDArray[np.float64]) -> _Way:
        """From the far ends through each branch and the harness line behind it, to the tee.

        Both sides have as many cavities, so they are worked side by side: one operation on both costs hardly more than
        on one.
        """
        s, n = self.shape, self.shape.cavities
        sides, count = (2 if s.other_side else 1), p.shape[:-1]
        mine = self._own(p)
        branches: tuple[_Branches, ...] = (mine,)
        far = [_complex(p, s.load)]
        length = p[..., s.harness, None]
        lengths = [length[None] if n == 1 else length + _first(p[..., s.own[3]])[::-1]]
        per = [QUARTER * self.f]
        if s.other_side:
            branches += (self._other(p),)
            far.append(self._far(p))
            lengths.append((length + _part(p, s.other_own.start + 1))[None])
            per.append(QUARTER / self.pass_ratio * self.f)
        shaped = np.array(per).reshape(sides, *(1 for _ in count), self.f.size)
        cos, turned = self._lines(lengths, shaped, _part(p, s.loss))
        added = np.empty((n, sides, *count, self.f.size), np.complex128)
        for side, each in enumerate(branches):
            added[:, side] = each.y[::-1]
        y_at, y_out, inverse = np.empty_like(added), np.empty_like(added), np.empty_like(added)
        ends: Values = np.array(np.broadcast_arrays(*far))
        y: Values = (1.0 - ends) / (1.0 + ends)
        through: Values = np.ones((), np.complex128)
        for k in range(n):
            y = np.add(y, added[k], out=y_at[k])
            factor = cos[k] + turned[k] * y
            through = through * factor[0]
            np.divide(1.0, factor, out=inverse[k])
            y = np.multiply(y * cos[k] + turned[k], inverse[k], out=y_out[k])
        source = _complex(p, s.source)
        node = (1.0 - source) / (1.0 + source) + y.sum(axis=0)
        return _Way(y_at, y_out, inverse, turned, shaped, through, node, branches)

    def _lines(self, lengths: list[Real], per: Real, loss: Real) -> tuple[Values, Values]:
        """Cosine and j times the sine (N, sides, ..., K) of lines that lose `loss`: `lengths` of each side (N, ..., 1),
        in quarter waves, or one (1, ..., 1) for all."""
        decay = np.exp(per * loss)
        up, down = (decay + 1.0 / decay) / 2.0, (decay - 1.0 / decay) / 2.0
        whole = (self.shape.cavities, *decay.shape)
        cos, turned = np.empty(whole, np.complex128), np.empty(whole, np.complex128)
        for side, each in enumerate(lengths):
            angle = each * per[side]
            c, s = np.cos(angle), np.sin(angle)
            np.multiply(c, up[side], out=cos.real[:, side])
            np.multiply(s, down[side], out=cos.imag[:, side])
            np.multiply(c, down[side], out=turned.real[:, side])
            np.multiply(s, up[side], out=turned.imag[:, side])
        return cos, turned

    def _slopes(self, p: NDArray[np.float64], way: _Way) -> Values:
        """Derivatives (P, K) of log S21 of the circuit; slow terms, ripple and leak are left empty.

        The derivative with respect to the admittance runs back from the tee to the far ends (the adjoint), and every
        parameter takes its share where it acts.
        """
        s, n = self.shape, self.shape.cavities
        slopes = np.empty((*p.shape[:-1], s.size, self.f.size), np.complex128)
        slopes[..., s.leak, :] = 0.0
        passed = way.inverse**2
        added = way.turned[:, 0] * way.inverse[:, 0]  # the wave goes on only where it is measured
        behind = np.empty_like(way.y)
        first = -1.0 / way.node
        back: Values = np.broadcast_to(first, way.y.shape[1:])
        for k in reversed(range(n)):
            behind[k] = back
            back = back * passed[k]
            back[0] -= added[k]
        turn = behind * passed
        at_branch = turn.copy()
        at_branch[:, 0] -= added
        turn *= 1j * (1.0 - way.y**2)
        turn[:, 0] -= 1j * way.y_out[:, 0]
        turn *= way.per
        self._reflection(slopes, s.source, _complex(p, s.source), first)
        self._reflection(slopes, s.load, _complex(p, s.load), back[0])
        own, at = way.branches[0], at_branch[::-1, 0]
        dplace, dq = self._changes(own)
        if own.unit is not None and own.held is not None:
            ratio = self.pass_ratio / own.place
            if s.pass_follows:
                dplace.imag += own.held * (np.where(self.pass_ratio > 1.0, -1.0, 1.0) / own.place)
            else:
                dplace.imag += own.held * ((ratio + 1.0 / ratio) / (ratio - 1.0 / ratio) / own.place)
        _put(slopes, s.places, at * dplace)
        dtrim = 0.0 if own.unit is None else 1j * own.unit
        for common, part, change in zip((s.log_x, s.log_q, s.trim), s.own[:3], (-own.y, dq, dtrim), strict=True):
            each = at * change
            slopes[..., common, :] = each.sum(axis=0)  # what all have in common moves each one's own share
            _put(slopes, part, each)
        _put(slopes, s.own[3], turn[::-1, 0])
        harness = turn.sum(axis=(0, 1))
        slopes[..., s.harness, :] = harness
        slopes[..., s.loss, :] = -1j * harness
        if not s.other_side:
            slopes[..., s.other, :] = slopes[..., s.other_own, :] = 0.0
            slopes[..., s.waves, :] = 0.0
            return slopes
        other, there = way.branches[1], at_branch[:, 1].sum(axis=0)
        dplace, dq = self._changes(other)
        slopes[..., s.other, :] = there * (self.pass_ratio * dplace[0])
        coupled = -there * other.y[0]
        slopes[..., s.log_x, :] += coupled
        slopes[..., s.log_q, :] += there * dq[0]
        if other.unit is not None:
            slopes[..., s.trim, :] += there * (1j * other.unit[0])
        slopes[..., s.other_own.start, :] = coupled
        slopes[..., s.other_own.start + 1, :] = turn[:, 1].sum(axis=0)
        self._reflection(slopes, s.far, self._far(p), back[1])
        both = slopes[..., s.far, :]
        for k in range(1, FAR_TERMS):
            np.multiply(both, self._turns[k], out=slopes[..., s.far.start + 2 * k : s.far.stop + 2 * k, :])
        return slopes

    def _far(self, p: NDArray[np.float64]) -> Values:
        """Reflection (..., K) that closes the other side."""
        terms = np.ascontiguousarray(p[..., self.shape.waves])
        return np.asarray(terms.view(np.complex128) @ self._turns)

    def _reflection(self, slopes: Values, part: slice, reflection: Values, back: Values) -> None:
        """Share of a port's closing reflection: y = (1 - r) / (1 + r)."""
        change = back * (-2.0 / (1.0 + reflection) ** 2)
        slopes[..., part.start, :] = change
        slopes[..., part.start + 1, :] = 1j * change

    def _resonator(self, place: Real, slope: Real, q: Real) -> Values:
        """Admittance (..., K) of a series resonator at `place` times the reject channel."""
        lossy, off = slope / q, slope / place * self.f - slope * place * self._inverse
        size = 1.0 / (lossy**2 + off**2)
        y = np.empty(size.shape, np.complex128)
        np.multiply(lossy, size, out=y.real)
        np.multiply(-off, size, out=y.imag)
        return y

    def _changes(self, of: _Branches) -> tuple[Values, Values]:
        """Changes (N, ..., K) of resonators with the place and with log Q."""
        square = of.resonator**2
        per_place = of.slope / of.place**2 * self.f + of.slope * self._inverse
        return square * (1j * per_place), square * (of.slope / of.q)

    def _own(self, p: NDArray[np.float64]) -> _Branches:
        """The cavities of the side under test."""
        s = self.shape
        log_x, log_q, trim = _part(p, s.log_x)[None], _part(p, s.log_q)[None], _part(p, s.trim)[None]
        place = 1.0 + _first(p[..., s.places])
        if s.cavities > 1:
            log_x, log_q, trim = (
                one + _first(p[..., part]) for one, part in zip((log_x, log_q, trim), s.own[:3], strict=True)
            )
        slope, q = np.exp(log_x), np.exp(log_q)
        y = self._resonator(place, slope, q)
        if s.pass_hz is None:
            return _Branches(y, y, place, slope, q, None, None)
        ratio = self.pass_ratio if s.pass_follows else self.pass_ratio / place
        unit = self._susceptance(slope, ratio, ratio * place)
        return _held(y, place, slope, q, unit, trim * unit)

    def _susceptance(self, slope: Real, ratio: Real | float, at: Real | float) -> Real:
        """Imaginary part (..., K) of what cancels a branch of reactance `slope` at `ratio` times its notch, over f: a
        capacitor where it is positive, an inductor where it is negative."""
        b = np.divide(1.0, slope * (ratio - 1.0 / ratio))  # infinite where notch and pass coincide
        return np.asarray(np.where(b > 0, b / at * self.f, b * at * self._inverse))

    def _other(self, p: NDArray[np.float64]) -> _Branches:
        """The other side: like cavities whose notches stand at the pass channel; one branch (1, ..., K) for all."""
        s = self.shape
        slope = np.exp(_part(p, s.log_x) + _part(p, s.other_own.start))[None]
        q, place = np.exp(_part(p, s.log_q))[None], self.pass_ratio * (1.0 + _part(p, s.other))[None]
        unit = self._susceptance(slope, 1.0 / self.pass_ratio, 1.0)
        return _held(self._resonator(place, slope, q), place, slope, q, unit, _part(p, s.trim) * unit)


def _held(resonator: Values, place: Real, slope: Real, q: Real, unit: Real, held: Real) -> _Branches:
    """Resonators with a susceptance beside them."""
    y = resonator.copy()
    y.imag += held
    return _Branches(y, resonator, place, slope, q, unit, held)


def _part(p: NDArray[np.float64], index: int) -> Real:
    """One parameter with an axis (1,) for the frequencies."""
    return p[..., index, None]


def _first(parts: NDArray[np.float64]) -> Real:
    """Parameters (..., N) of the cavities as (N, ..., 1)."""
    return parts.transpose(-1, *range(parts.ndim - 1))[..., None]


def _put(slopes: Values, part: slice, each: Values) -> None:
    """Derivatives (N, ..., K) of the cavities into their rows; nothing where a single cavity has none of its own."""
    if part.stop > part.start:
        slopes[..., part, :] = each.transpose(*range(1, each.ndim - 1), 0, -1)


def _complex(p: NDArray[np.float64], part: slice) -> Values:
    """A reflection from its two parts, with an axis (1,) for the frequencies."""
    return np.asarray(_part(p, part.start) + 1j * _part(p, part.start + 1))
