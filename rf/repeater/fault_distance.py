"""Distance to a fault of the feeder from a swept S11: the inverse transform of the reflection.

Owns: window, transform, the strongest echo with the intervals of its place and its level. Refuses: a span too narrow to
tell places on a feeder apart, an echo that side lobes or noise could have made, and to see behind a narrow antenna what
its own band hides.

Reflectometry by inverse transform (the discrete Fourier transform's relations, common practice): K points, a step
apart, give K cells of c v / (2 K step); the resolution is c v / (2 span), and as S11 is complex all K cells are
different places, so that distances repeat only after c v / (2 step) (study, F17).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rf.values.combine import as_inferred, negative, total
from rf.values.decibel import amplitude_db
from rf.values.figure import Figure, cant_say, inferred, reading
from rf.values.match import SPEED_OF_LIGHT, UNKNOWN_CABLE, Velocity

PADDING = 8
"""Finer cells in between, so that a peak is found wherever it lies; the rest is a parabola through three of them."""

FEWEST_POINTS = 16

MAIN_LOBE = 2.0
"""Half-width of the Hann window's main lobe in units of the resolution: what lies nearer is not told from the near
end."""

COARSEST_M = 5.0
"""A resolution coarser than this does not part the plugs, jumpers and clamps of a feeder."""

SHADOW, SHADOW_DB = 6.0, 20.0
"""Within so many resolutions of a stronger echo, one that is weaker by more is not told: a narrow antenna's own shape
looks so (own simulation: a resonator of loaded Q 8 behind 40 m throws 27 dB up to three resolutions ahead)."""

WEAKEST_DB = 30.0
"""Below the strongest echo: weaker ones are what runs there and back twice, and plugs that nobody mends."""

FALSE_ALARM = 1e-3
"""Chance, over all cells, that noise alone is taken for an echo."""

NOISE_95 = math.sqrt(-math.log(0.05))
"""|n| that complex Gaussian noise of E|n|^2 = 1 exceeds in 5 %."""


@dataclass(frozen=True, slots=True)
class Echo:
    """The strongest echo. `place` in m, INFERRED for it rests on a velocity; `level` in dB, the return loss as seen at
    the analyzer's end through twice the cable's loss, averaged over the span: READING. Both CAN'T SAY where none is
    told. At the likeliest velocity: echoes nearer together than `resolution_m` are one, nearer than `blind_m` the near
    end hides them, and one beyond `range_m` seems nearer by that; `delay_s` there and back (NaN: none).
    """

    place: Figure
    level: Figure
    delay_s: float
    resolution_m: float
    blind_m: float
    range_m: float

    @property
    def limits(self) -> str:
        """What cannot be told, in one sentence."""
        return (
            f"told apart to {self.resolution_m:.1f} m, from {self.blind_m:.1f} m on;"
            f" beyond {self.range_m:.0f} m it seems {self.range_m:.0f} m nearer"
        )


def behind_cable(level: Figure, loss: float | Figure) -> Figure:
    """Return loss at a reflection behind a cable of so much loss one way: seen minus twice the loss (study, F18).
    INFERRED even where the loss was measured: other joints reflect too. A bound of what is seen stays a bound."""
    one_way = loss if isinstance(loss, Figure) else inferred(loss, loss, loss, "dB", limited_by="cable loss")
    if not level.known or not one_way.known:
        return level if not level.known else one_way
    behind = as_inferred(total((level, *(negative(one_way),) * 2), level.unit))
    return replace(behind, limited_by="cable loss")


def needed_span_hz(velocity: Velocity = UNKNOWN_CABLE) -> float:
    """Span whose resolution is `COARSEST_M`."""
    return SPEED_OF_LIGHT * velocity.value / 2.0 / COARSEST_M


def strongest_echo(
    frequency_hz: NDArray[np.float64],
    s11: NDArray[np.complex128],
    velocity: Velocity = UNKNOWN_CABLE,
    tracking_db: float = 0.0,
) -> Echo:
    """The first of `echoes`."""
    return echoes(frequency_hz, s11, velocity, tracking_db, most=1)[0]


def echoes(
    frequency_hz: NDArray[np.float64],
    s11: NDArray[np.complex128],
    velocity: Velocity = UNKNOWN_CABLE,
    tracking_db: float = 0.0,
    most: int = 3,
) -> tuple[Echo, ...]:
    """Reflections along the cable, strongest first, from S11 (K,) over evenly spaced frequencies (K,): at least one,
    which CAN'T SAY where none is told. Never raises for data.

    A Hann window, so that the near end does not hide the far one; its loss is taken out by dividing by its sum. The
    noise of a cell is the median over all cells, which counts clutter as noise. The side lobes of two other echoes (the
    strongest near end and the strongest besides) widen the level's interval, and so does `tracking_db`, what a full
    reflection at the port may read beside 0 dB; the place's holds half the resolution and the velocity's limits.
    """
    if frequency_hz.size < FEWEST_POINTS or not np.isfinite(s11).all():
        return (_nothing(f"a distance needs {FEWEST_POINTS} points or more, all of them measured", math.nan, math.nan),)
    span_hz = float(frequency_hz[-1] - frequency_hz[0])
    resolution_m, range_m = _reach_m(span_hz, frequency_hz.size, velocity)
    if resolution_m > COARSEST_M:
        needed = needed_span_hz(velocity) / 1e6
        why = f"so narrow a span tells only {resolution_m:.0f} m apart: sweep {needed:.0f} MHz or more"
        return (_nothing(why, resolution_m, range_m),)
    heard = _Heard.of(s11, span_hz)
    found: list[Echo] = []
    for at in heard.told[np.argsort(-heard.amplitude[heard.told])]:
        delay_s, level = _summit(heard.amplitude, int(at), heard.delay_s[1])
        if any(heard.apart_s(delay_s, one.delay_s) <= heard.blind_s for one in found):
            continue
        if found and -amplitude_db(level) > found[0].level.value + WEAKEST_DB:
            break
        if any(
            heard.apart_s(delay_s, one.delay_s) <= SHADOW * heard.resolution_s
            and -amplitude_db(level) > one.level.value + SHADOW_DB
            for one in found
        ):
            continue
        echo = heard.echo(delay_s, level, velocity, tracking_db)
        if echo is None:
            break
        found.append(echo)
        if len(found) == most:
            break
    why = "no echo stands above noise and side lobes" if heard.told.size else "no echo stands apart from the near end"
    return tuple(found) or (_nothing(why, resolution_m, range_m),)


@dataclass(frozen=True, slots=True)
class _Heard:
    """S11 over its delay: `amplitude` (N,) in cells at `delay_s` (N,), `noise` of a cell, `told` (P,) the peaks apart
    from the near end; `count` points were swept over `span_hz`."""

    amplitude: NDArray[np.float64]
    delay_s: NDArray[np.float64]
    noise: float
    told: NDArray[np.intp]
    count: int
    span_hz: float
    resolution_s: float
    range_s: float

    @classmethod
    def of(cls, s11: NDArray[np.complex128], span_hz: float) -> _Heard:
        """The transform of S11 (K,) over a span."""
        count = s11.size
        resolution_s, range_s = 1.0 / span_hz, 1.0 / (span_hz / (count - 1))
        window = np.hanning(count)
        amplitude = np.abs(np.fft.ifft(s11 * window, PADDING * count)) * PADDING * count / window.sum()
        delay_s = np.arange(amplitude.size) * (range_s / amplitude.size)
        noise = math.sqrt(float(np.median(amplitude**2)) / math.log(2.0))
        peaks, blind_s = _peaks(amplitude), MAIN_LOBE * resolution_s
        told = peaks[(delay_s[peaks] > blind_s) & (delay_s[peaks] < range_s - blind_s)]
        return cls(amplitude, delay_s, noise, told, count, span_hz, resolution_s, range_s)

    @property
    def blind_s(self) -> float:
        """Delays nearer together than this are one."""
        return MAIN_LOBE * self.resolution_s

    def apart_s(self, one_s: float, other_s: float) -> float:
        """Distance of two delays, which repeat after the range."""
        return abs((one_s - other_s + self.range_s / 2.0) % self.range_s - self.range_s / 2.0)

    def lobes(self, delay_s: float) -> float:
        """What the side lobes of the near end and of the loudest other peak may add at a delay, as amplitude."""
        near = np.minimum(self.delay_s, self.range_s - self.delay_s) <= self.blind_s
        apart = self.told[np.abs(self.delay_s[self.told] - delay_s) > self.blind_s]
        loudest = apart[np.argsort(-self.amplitude[apart])[:1]]
        others = [(0.0, float(self.amplitude[near].max()))]
        others += [(float(self.delay_s[k]), float(self.amplitude[k])) for k in loudest]
        return sum(size * _side_lobe(self.apart_s(delay_s, where) / self.resolution_s) for where, size in others)

    def echo(self, delay_s: float, level: float, velocity: Velocity, tracking_db: float) -> Echo | None:
        """An echo of amplitude `level` with its intervals; None where noise or side lobes could have made it."""
        lobes = self.lobes(delay_s)
        spread = lobes + NOISE_95 * self.noise
        if level <= max(self.noise * math.sqrt(-math.log(FALSE_ALARM / self.count)), 2.0 * spread):
            return None
        half_speed, resolution_s = SPEED_OF_LIGHT / 2.0, self.resolution_s
        place = inferred(
            half_speed * velocity.value * delay_s,
            half_speed * velocity.low * (delay_s - resolution_s / 2.0),
            half_speed * velocity.high * (delay_s + resolution_s / 2.0),
            "m",
            limited_by="velocity" if delay_s * (velocity.high - velocity.low) > resolution_s else "resolution",
        )
        seen = reading(
            -amplitude_db(level),
            -amplitude_db(level + spread) - tracking_db,
            -amplitude_db(level - spread) + tracking_db,
            "dB",
            limited_by="other echoes" if lobes > NOISE_95 * self.noise else "random",
        )
        resolution_m, range_m = _reach_m(self.span_hz, self.count, velocity)
        return Echo(place, seen, delay_s, resolution_m, MAIN_LOBE * resolution_m, range_m)


def near_end(frequency_hz: NDArray[np.float64], s11: NDArray[np.complex128]) -> float:
    """Amplitude of what reflects at the near end, in S11 (K,): the plug, and what is left of the directivity."""
    window = np.hanning(frequency_hz.size)
    return float(abs(np.sum(s11 * window)) / window.sum())


def _peaks(transform: NDArray[np.float64]) -> NDArray[np.intp]:
    """Cells (P,) higher than both neighbours; the transform runs round."""
    return np.flatnonzero((transform > np.roll(transform, 1)) & (transform >= np.roll(transform, -1)))


def _summit(transform: NDArray[np.float64], at: int, cell_s: float) -> tuple[float, float]:
    """Delay and height of a peak by the parabola through the logarithms of its cell and both neighbours."""
    left, middle, right = np.log(transform[at - 1 : at + 2])
    bend = left - 2.0 * middle + right
    shift = 0.5 * (left - right) / bend
    return float((at + shift) * cell_s), math.exp(middle - 0.25 * (left - right) * shift)


def _reach_m(span_hz: float, count: int, velocity: Velocity) -> tuple[float, float]:
    """What `count` points over a span tell apart, and where distances begin anew, in metres."""
    half_speed = SPEED_OF_LIGHT / 2.0 * velocity.value
    return half_speed / span_hz, half_speed / (span_hz / (count - 1))


def _side_lobe(cells: float) -> float:
    """Envelope of the Hann window's transform relative to its peak, `cells` resolutions away (Harris, Proc. IEEE 66(1),
    1978): sin(pi x) / (pi x (1 - x^2))."""
    x = max(cells, MAIN_LOBE)
    return 1.0 / (math.pi * x * (x * x - 1.0))


def _nothing(why: str, resolution_m: float, range_m: float) -> Echo:
    return Echo(cant_say("m", why), cant_say("dB", why), math.nan, resolution_m, MAIN_LOBE * resolution_m, range_m)
