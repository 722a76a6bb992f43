"""Many draws of one case: how far off the notch is, how often the interval holds, and the Cramer-Rao bound for it.

The data come from the study's three-port circuit (`protocol.simulated.duplexer`). The bound is that of the same
circuit: derivatives of its own A>L transmission, taken numerically, with respect to all that its file says and no
analyzer knows: the place of every cavity on the low side, the mean place on the high side, pass tuning of the low
side, unloaded Q, coupling, length and loss of the harness; and gain, phase and delay of the leads.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from protocol.simulated.duplexer import Duplexer
from rf.notch.notch import NotchPlace, find_notch
from tests.benchtop import make_unit

SPANS_HZ = {"U6": 8e6, "V6": 1e6, "V4": 8e6, "P6": 1e6}
DISPLACED_HZ = {"U6": (-100e3, 0.0, 150e3), "V6": (-8e3, 0.0, 12e3), "V4": (-50e3, 30e3), "P6": (-6e3, 0.0, 9e3)}
POINTS = 401
PORT_RETURN_LOSS_DB = 20.0


@dataclass(frozen=True)
class Trial:
    """What one case gave; hertz."""

    rms_hz: float
    bias_hz: float
    bound_hz: float
    covered: float
    refused: int
    lowest_rms_hz: float
    median_half_hz: float
    depth_covered: float

    @property
    def efficiency(self) -> float:
        """rms error over the Cramer-Rao bound."""
        return self.rms_hz / self.bound_hz

    @property
    def gain(self) -> float:
        """How many times better than the lowest sample."""
        return self.lowest_rms_hz / self.rms_hz


def response(unit: Duplexer, f: np.ndarray, third: complex = 0.0) -> NDArray[np.complex128]:
    """A>L with the high side closed by a reflection, and a cable's phase and delay."""
    s = unit.s(f)
    through = s[:, 1, 0] + s[:, 1, 2] * third * s[:, 2, 0] / (1 - third * s[:, 2, 2])
    return np.asarray(0.97 * through * np.exp(1j * (0.3 - 2 * np.pi * f * 8e-9)))


def grid(unit: Duplexer, name: str) -> np.ndarray:
    """Frequencies around the channel to reject."""
    half = SPANS_HZ[name] / 2
    return np.linspace(unit.high_hz - half, unit.high_hz + half, POINTS)


def bound_hz(make: Callable[[], Duplexer], f: np.ndarray, power: float, relative_error: float) -> float:
    """Cramer-Rao bound (standard deviation in hertz) of the mean of the low side's notches."""
    unit = make()
    reference = response(unit, f)
    count = len(unit.sides["L"])

    def places(index: int) -> Callable[[Duplexer, float], None]:
        return lambda u, h: u.turn("L", index + 1, h)

    def high(u: Duplexer, h: float) -> None:
        for number in range(1, count + 1):
            u.turn("H", number, h)

    def scaled(key: str) -> Callable[[Duplexer, float], None]:
        def change(u: Duplexer, h: float) -> None:
            for side in u.sides.values():
                for cavity in side:
                    setattr(cavity, key, getattr(cavity, key) * (1 + h))

        return change

    def field(key: str) -> Callable[[Duplexer, float], None]:
        return lambda u, h: setattr(u, key, getattr(u, key) + h)

    def pass_tuning(u: Duplexer, h: float) -> None:
        u.low_hz += h
        for number in range(1, count + 1):
            u.turn("H", number, -h)

    changes = [*((places(k), 20.0) for k in range(count)), (high, 200.0)]
    changes += [(scaled("unloaded_q"), 1e-5), (scaled("resistance_ohm"), 1e-5)]
    changes += [(field("harness_quarters"), 1e-5), (field("line_loss_db"), 1e-4), (pass_tuning, 200.0)]
    rows = []
    for change, step in changes:
        up, down = make(), make()
        change(up, step)
        change(down, -step)
        rows.append((response(up, f) - response(down, f)) / (2 * step))
    x = (f - f.mean()) / np.ptp(f)
    rows += [reference, 1j * reference, 1j * x * reference]
    sigma = np.sqrt((power + (relative_error * np.abs(reference)) ** 2) / 2)
    j = np.array(rows) / sigma
    # Scale the rows before inverting: hertz and shares differ by ten powers of ten.
    real = np.concatenate((j.real, j.imag), axis=1)
    scale = np.sqrt((real**2).sum(axis=1))
    covariance = np.linalg.inv((real / scale[:, None]) @ (real / scale[:, None]).T) / np.outer(scale, scale)
    return float(math.sqrt(covariance[:count, :count].sum()) / count)


def run(
    name: str,
    floor_db: float,
    errors_hz: tuple[float, ...] = (),
    draws: int = 40,
    seed: int = 1,
    *,
    spoil: Callable[[Duplexer, np.random.Generator], None] | None = None,
    third: float = 0.0,
    ripple_db: float = 0.0,
    relative_error: float = 1e-4,
    **told: float,
) -> Trial:
    """`draws` averaged sweeps of one unit at one averaged floor, each fitted."""
    rng = np.random.default_rng(seed)
    f = grid(make_unit(name), name)
    power = 10 ** (floor_db / 10)
    errors, lowest, halves, held, deep, refused = [], [], [], 0, 0, 0
    for _ in range(draws):
        unit = make_unit(name, errors_hz)
        if spoil is not None:
            spoil(unit, rng)
        data = response(unit, f, third * np.exp(2j * np.pi * rng.random()))
        if ripple_db:
            swing = 10 ** (ripple_db / 20) - 1
            data = data * (
                1 + swing * np.exp(2j * np.pi * (rng.uniform(0.5, 3) * (f - f[0]) / np.ptp(f) + rng.random()))
            )
        truth = float(np.mean(unit.notch_hz("L")))
        channel_db = -20 * math.log10(abs(np.interp(unit.high_hz, f, np.abs(data))))
        data = data + relative_error * data * complex_normal(rng, f.size)
        data = data + math.sqrt(power) * complex_normal(rng, f.size)
        lowest.append(float(f[np.argmin(np.abs(data))]) - truth)
        found = fit(unit, f, data, power, relative_error=relative_error, **told)
        if not found.centre.known:
            refused += 1
            continue
        errors.append(found.centre.value - truth)
        halves.append((found.centre.high - found.centre.low) / 2)
        held += found.centre.low <= truth <= found.centre.high
        level = found.rejection_at[0]
        deep += not level.known or level.low <= channel_db <= level.high
    said = max(draws - refused, 1)
    return Trial(
        rms_hz=float(np.sqrt(np.mean(np.square(errors)))) if errors else math.nan,
        bias_hz=float(np.mean(errors)) if errors else math.nan,
        bound_hz=bound_hz(lambda: make_unit(name, errors_hz), f, power, relative_error),
        covered=held / said,
        refused=refused,
        lowest_rms_hz=float(np.sqrt(np.mean(np.square(lowest)))),
        median_half_hz=float(np.median(halves)) if halves else math.nan,
        depth_covered=deep / said,
    )


def complex_normal(rng: np.random.Generator, count: int) -> NDArray[np.complex128]:
    """Complex Gaussian samples of unit power."""
    return np.asarray((rng.normal(size=count) + 1j * rng.normal(size=count)) / math.sqrt(2), np.complex128)


def fit(unit: Duplexer, f: np.ndarray, data: np.ndarray, power: float, **told: float) -> NotchPlace:
    """Fit what was measured of the low side."""
    return find_notch(
        f, data, power, cavities=len(unit.sides["L"]), reject_hz=unit.high_hz, pass_hz=unit.low_hz, kind=unit.kind,
        ask_hz=(unit.high_hz,), **told,  # type: ignore[arg-type]
    )  # fmt: skip
