"""Many draws of one kind of bench: how near the fitted place comes to the Cramer-Rao bound, two to six cavities.

`like_cavities`: the study's circuit, which shares no code with the fit, and the bound made from its own derivatives.
`drawn_bench`: circuits drawn from what the fit expects of a bench, and the bound from the Fisher information of all its
parameters together with what is known of them beforehand (van Trees 1968, Detection, Estimation and Modulation Theory
I, section 2.4).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from protocol.simulated.duplexer import Duplexer, make_unit
from rf.notch.chain_choice import SKIRT_LEVEL
from rf.notch.chain_fit import Observed, place_sd_hz, priors
from rf.notch.chain_model import Chain, ChainShape
from rf.notch.notch import find_notch
from tests.rf.notch_trials import bound_hz, complex_normal, fit, response

COUNTS = (2, 3, 4, 5, 6)
FLOORS_DB = (-60.0, -72.0, -84.0, -94.0)
LOW_HZ, HIGH_HZ = 450e6, 455e6
F = np.linspace(451e6, 459e6, 401)
WIDE = np.linspace(447e6, 460e6, 401)
ERROR = 1e-4
PORT = 0.1
"""What the analyzer's ports may reflect: 20 dB."""


@dataclass(frozen=True)
class Nearness:
    """What one cell gave: rms error and rms bound in hertz, how many intervals of those said held, how many were
    refused."""

    rms_hz: float
    bound_hz: float
    covered: float
    refused: int

    @property
    def ratio(self) -> float:
        """rms error over the bound."""
        return self.rms_hz / self.bound_hz


def like(count: int) -> Duplexer:
    """A unit of so many like cavities a side."""
    table = {"low_hz": LOW_HZ, "high_hz": HIGH_HZ, "kind": "band-reject", "unloaded_q": 950.0, "cavity_depth_db": 20.0}
    return make_unit(table | {"cavities": count})


def like_cavities(count: int, floor_db: float, draws: int) -> Nearness:
    """Draws of noise over one unit."""
    rng = np.random.default_rng(count * 1000 - int(floor_db))
    unit, power = like(count), 10 ** (floor_db / 10)
    bound, clean = bound_hz(lambda: like(count), F, power, ERROR), response(unit, F)
    errors, held = [], 0
    for _ in range(draws):
        data = clean + ERROR * clean * complex_normal(rng, F.size) + math.sqrt(power) * complex_normal(rng, F.size)
        centre = fit(unit, F, data, power, relative_error=ERROR).centre
        if centre.known:
            errors.append(centre.value - HIGH_HZ)
            held += centre.low <= HIGH_HZ <= centre.high
    return _near(errors, [bound], held, draws)


def drawn_bench(count: int, floor_db: float, draws: int) -> Nearness:
    """Draws of circuit and noise."""
    rng = np.random.default_rng(count * 1000 - int(floor_db))
    shape, power = ChainShape(count, HIGH_HZ, LOW_HZ), np.full(WIDE.size, 10 ** (floor_db / 10))
    chain = Chain(shape, WIDE, WIDE[0], WIDE[-1])
    errors, bounds, held = [], [], 0
    for _ in range(draws):
        q, leak = math.exp(rng.uniform(math.log(700.0), math.log(1500.0))), 10 ** (floor_db / 20)
        empty = Observed(np.zeros(WIDE.size, complex), power, ERROR, q, PORT, 0.6, leak)
        p = drawn(shape, empty, rng)
        clean = chain.seen(p).total
        data = clean + ERROR * clean * complex_normal(rng, WIDE.size)
        data = data + np.sqrt(power) * complex_normal(rng, WIDE.size)
        centre = find_notch(
            WIDE, data, power, relative_error=ERROR, cavities=count, reject_hz=HIGH_HZ, pass_hz=LOW_HZ, unloaded_q=q,
            port_reflection=PORT, least_departure=0.6, leakage=leak,
        ).centre  # fmt: skip
        if not centre.known:
            continue
        skirts = np.abs(data) < SKIRT_LEVEL
        seen = Observed(data[skirts], power[skirts], ERROR, q, PORT, 0.6, leak)
        bounds.append(float(place_sd_hz(chain.at(WIDE[skirts]), seen, p[None], 1.0)[0]))
        truth = HIGH_HZ * (1.0 + float(p[shape.places].mean()))
        errors.append(centre.value - truth)
        held += centre.low <= truth <= centre.high
    return _near(errors, bounds, held, draws)


def drawn(shape: ChainShape, observed: Observed, rng: np.random.Generator) -> np.ndarray:
    """Parameters (P,) drawn from the usual departures of size 1: the notches half a half-width about a mean within one
    half-width of the channel, loops as they are built for this kind, leads of some wavelengths."""
    mean, weight, free = priors(shape, observed, 1.0)
    known = free & (weight > 0)
    p = mean.copy()
    p[known] += rng.normal(size=int(known.sum())) / weight[known]
    half_width = 0.5 / observed.unloaded_q
    p[shape.places] += rng.uniform(-1.0, 1.0) * half_width
    p[shape.log_x] = rng.uniform(math.log(15.0), math.log(60.0))
    p[shape.log_q] = math.log(observed.unloaded_q) + 0.2 * rng.normal()
    p[shape.slow.start : shape.slow.start + 4] = -0.03, rng.uniform(-math.pi, math.pi), p[shape.slow.start + 2], -0.6
    return p


def _near(errors: list[float], bounds: list[float], held: int, draws: int) -> Nearness:
    rms, bound = (float(np.sqrt(np.mean(np.square(each)))) for each in (errors, bounds))
    return Nearness(rms, bound, held / max(len(errors), 1), draws - len(errors))
