"""A single cavity as figures, and what to turn so that it becomes the one that is wanted.

Owns: f0, loaded and unloaded Q, coupling of each loop, loss or depth with intervals; whether a loop is too tight or too
loose. Refuses: advice without a wish: what a cavity shall lose or take is told by whoever needs it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np

from rf.resonators.circuit import Elements, Real, response
from rf.resonators.coupled_fit import CoupledFit
from rf.resonators.notch_fit import NotchFit, lowest
from rf.values.figure import NORMAL_95, Figure, cant_say, inferred
from rf.values.words import text

PASS, NOTCH, ONE_PORT = "pass", "notch", "one port"
MODEL = "the curve of one cavity does not explain this sweep"
PULL_SHARE = 0.5
"""Reactance of a loop in shares of the line's impedance, at most: common practice for a loop short against the wave."""
LOOP_WITHIN = 0.05
"""A loop within 5 % of the external Q that is wanted is left alone; a hand sets none closer."""


@dataclass(frozen=True, slots=True)
class CavityFigures:
    """One cavity. `f0` as it stands with its loops; `alone`: without their pull; `couplings`: of each loop, Q_u / Q_e,
    1 is critical; `external_q` of each; `loss` in dB at f0 (pass), `depth` in dB at f0 (notch); `bandwidth` f0 / Q_L in
    hertz; `at` hertz and what it takes there in dB."""

    kind: str
    f0: Figure
    loaded_q: Figure
    unloaded_q: Figure
    couplings: tuple[Figure, ...]
    external_q: tuple[Figure, ...]
    loss: Figure
    depth: Figure
    bandwidth: Figure
    alone: Figure
    at: tuple[tuple[float, Figure], ...] = ()
    why: str = ""
    """Why nothing is told; empty where it is."""


@dataclass(frozen=True, slots=True)
class Wish:
    """What the cavity shall be: on `at_hz`, losing `loss_db` there (pass), taking `depth_db` (notch); None: unsaid."""

    at_hz: float | None = None
    loss_db: float | None = None
    depth_db: float | None = None


def no_cavity(kind: str, why: str) -> CavityFigures:
    """Nothing is told."""
    one = cant_say("", why)
    decibel, hertz = cant_say("dB", why), cant_say("Hz", why)
    return CavityFigures(kind, hertz, one, one, (), (), decibel, decibel, hertz, hertz, why=why)


def _alone(f0: Figure, external_q: Sequence[Figure]) -> Figure:
    """f0 without its loops: each pulls by X/R f0/(2 Q_e) where its own reactance X is not tuned out (Ginzton, Microwave
    Measurements (1957), section 9.2); X is ASSUMED to be at most PULL_SHARE of the line's impedance, either way."""
    known = [q for q in external_q if q.known and q.low > 0.0]
    if not f0.known or len(known) < len(external_q):
        return cant_say("Hz", "how tight its loops are is not told", limited_by="model")
    pull = sum(PULL_SHARE * f0.value / (2.0 * q.low) for q in known)
    return inferred(f0.value, f0.low - pull, f0.high + pull, "Hz", limited_by="loops")


def spread(
    value: Callable[[Real], float], at: Real, covariance: Real, unit: str, *, least: float | None = None
) -> Figure:
    """A function of fitted parameters (P,) with covariance (P, P) as a figure: INFERRED, linear in the parameters; ends
    of what can't be negative are laid on its logarithm. `least`: below it nothing goes."""
    middle = value(at)
    if not math.isfinite(middle):
        return cant_say(unit, "too far off to be a number", limited_by="model")
    sd_each = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    slopes = np.zeros(at.size)
    for i, sd in enumerate(sd_each):
        if sd > 0.0:
            step = np.zeros(at.size)
            step[i] = 0.1 * sd
            slopes[i] = (value(at + step) - value(at - step)) / (0.2 * sd)
    sd = math.sqrt(max(float(slopes @ covariance @ slopes), 0.0))
    if not math.isfinite(sd):
        return cant_say(unit, "the sweep does not tell it", limited_by="model")
    if unit == "" and middle > 0.0:
        factor = math.exp(min(NORMAL_95 * sd / middle, 5.0))
        return inferred(middle, middle / factor, middle * factor, unit, limited_by="model")
    low, high = middle - NORMAL_95 * sd, middle + NORMAL_95 * sd
    if least is not None:
        low, middle = max(low, least), max(middle, least)
        high = max(high, middle)
    return inferred(middle, low, high, unit, limited_by="model")


def pass_cavity(fit: CoupledFit | None, at_hz: Sequence[float] = ()) -> CavityFigures:
    """A cavity with one or two loops by its fit."""
    if fit is None or fit.elements.order != 1:
        return no_cavity(PASS, "no resonance stands in this sweep")
    two = fit.sides[1]
    kind = PASS if two else ONE_PORT
    if not fit.trusted:
        return no_cavity(kind, MODEL)
    e = fit.elements
    at = np.array([e.f_hz[0], math.log(e.q_in), math.log(e.q_out) if two else 0.0, math.log(e.unloaded_q)])
    covariance = fit.covariance[:4, :4].copy()
    if not two:
        covariance[2, :] = covariance[:, 2] = 0.0

    def of(p: Real) -> Elements:
        return Elements(p[:1], np.zeros(0), math.exp(p[1]), math.exp(p[2]) if two else math.inf, math.exp(p[3]))

    def loaded(p: Real) -> float:
        return 1.0 / (math.exp(-p[1]) + (math.exp(-p[2]) if two else 0.0) + math.exp(-p[3]))

    def loop(p: Real, i: int) -> float:
        return math.exp(p[i])

    def tight(p: Real, i: int) -> float:
        return math.exp(p[3] - p[i])

    def through_db(p: Real, hz: float) -> float:
        return -20.0 * math.log10(max(abs(complex(response(np.array([hz]), of(p)).s21[0])), 1e-12))

    def told(value: Callable[[Real], float], unit: str, least: float | None = None) -> Figure:
        return spread(value, at, covariance, unit, least=least)

    loops = (1, 2) if two else (1,)
    f0 = told(lambda p: float(p[0]), "Hz")
    external_q = tuple(told(partial(loop, i=i), "") for i in loops)
    nothing = cant_say("dB", "nothing hangs at the other loop" if not two else "a pass cavity")
    return CavityFigures(
        kind=kind,
        f0=f0,
        loaded_q=told(loaded, ""),
        unloaded_q=told(lambda p: math.exp(p[3]), ""),
        couplings=tuple(told(partial(tight, i=i), "") for i in loops),
        external_q=external_q,
        loss=told(lambda p: through_db(p, float(p[0])), "dB", 0.0) if two else nothing,
        depth=nothing,
        bandwidth=told(lambda p: float(p[0]) / loaded(p), "Hz", 0.0),
        alone=_alone(f0, external_q),
        at=tuple((hz, told(partial(through_db, hz=hz), "dB", 0.0)) for hz in at_hz) if two else (),
    )


def notch_cavity(fit: NotchFit | None, at_hz: Sequence[float] = ()) -> CavityFigures:
    """A cavity across a line by its fit."""
    if fit is None:
        return no_cavity(NOTCH, "no notch stands in this sweep")
    if not fit.trusted:
        return no_cavity(NOTCH, MODEL)
    at = np.array([math.log(fit.f0_hz), math.log(fit.loaded_q), fit.c.real, fit.c.imag])

    def taken_db(p: Real, hz: float) -> float:
        x = math.exp(p[1]) * (hz / math.exp(p[0]) - math.exp(p[0]) / hz)
        return -20.0 * math.log10(max(abs(1.0 - (p[2] + 1j * p[3]) / (1.0 + 1j * x)), 1e-9))

    def bottom(p: Real) -> float:
        return lowest(p[0], p[1], complex(p[2], p[3]))

    def told(value: Callable[[Real], float], unit: str, least: float | None = None) -> Figure:
        return spread(value, at, fit.covariance, unit, least=least)

    left = max(1.0 - fit.c.real, 1e-6)
    sd = math.sqrt(max(float(fit.covariance[2, 2]), 0.0))
    doubtful = left < 2.0 * NORMAL_95 * sd  # the ends of 1 / (1 - c) are far from even
    f0, external_q = told(bottom, "Hz"), (told(lambda p: math.exp(p[1]) / p[2], ""),)
    deep = cant_say("", "so tight that the sweep does not tell what the cavity itself loses", limited_by="model")
    return CavityFigures(
        kind=NOTCH,
        f0=f0,
        loaded_q=told(lambda p: math.exp(p[1]), ""),
        unloaded_q=deep if doubtful else told(lambda p: math.exp(p[1]) / (1.0 - p[2]), ""),
        couplings=(deep if doubtful else told(lambda p: p[2] / (1.0 - p[2]), ""),),
        external_q=external_q,
        loss=cant_say("dB", "a notch cavity"),
        depth=told(lambda p: taken_db(p, bottom(p)), "dB", 0.0),
        bandwidth=told(lambda p: math.exp(p[0] - p[1]), "Hz", 0.0),
        alone=_alone(f0, external_q),
        at=tuple((hz, told(partial(taken_db, hz=hz), "dB")) for hz in at_hz),
    )


@dataclass(frozen=True, slots=True)
class CavityDeed:
    """One thing to turn: what, and why."""

    do: str
    why: str


def advise_cavity(now: CavityFigures, wish: Wish) -> tuple[CavityDeed, ...]:
    """What to turn, in the order in which it is turned: loops first, for a loop pulls the frequency; then the rod; then
    nothing. Empty where nothing was wished or nothing is told."""
    if not now.f0.known:
        return ()
    deeds = [*_loops(now, wish), *_rod(now, wish)]
    if not deeds and wish != Wish():
        deeds.append(CavityDeed("nothing: lock it", "what was wished stands within what a hand can set"))
    return tuple(deeds)


def _loops(now: CavityFigures, wish: Wish) -> list[CavityDeed]:
    goal = wanted_external_q(now, wish)
    if goal is None:
        return []
    if not goal.known:
        return [CavityDeed("no loop brings that", goal.why)]
    deeds = []
    for number, (external, name) in enumerate(zip(now.external_q, ("in", "out"), strict=False), 1):
        share = external.value / goal.value
        if not external.known or abs(share - 1.0) <= LOOP_WITHIN or external.low <= goal.value <= external.high:
            continue
        loop = f"loop {number} ({name})" if len(now.external_q) > 1 else "the loop"
        how = "too loose: turn it in, tighter" if share > 1.0 else "too tight: turn it out, looser"
        deeds.append(CavityDeed(f"{loop} is {how}", f"external Q {text(external)}, wanted {text(goal)}"))
    return deeds


def wanted_external_q(now: CavityFigures, wish: Wish) -> Figure | None:
    """External Q that each loop must have for the loss or depth that is wished: L = -20 lg (1 - Q_L/Q_u) with two equal
    loops, D = 20 lg (1 + Q_u/Q_e) of a notch (Matthaei, Young and Jones, 1964, section 11.02), with the interval of the
    cavity's own Q. CAN'T SAY: no loop gives it; None: nothing was wished or the cavity's Q is not told."""
    own = now.unloaded_q
    if not own.known:
        return None
    if now.kind == PASS and wish.loss_db is not None:
        left = 10.0 ** (-wish.loss_db / 20.0)
        share = 2.0 * (1.0 - left) / left if left < 1.0 else 0.0
    elif now.kind == NOTCH and wish.depth_db is not None:
        share = 1.0 / (10.0 ** (wish.depth_db / 20.0) - 1.0) if wish.depth_db > 0.0 else 0.0
    else:
        return None
    if not share > 0.0:
        return cant_say("", f"it asks for more than the cavity's own Q {text(own)} gives", limited_by="model")
    return inferred(share * own.value, share * own.low, share * own.high, "", limited_by="model")


def _rod(now: CavityFigures, wish: Wish) -> list[CavityDeed]:
    if wish.at_hz is None:
        return []
    off = now.f0.value - wish.at_hz
    hand = 0.02 * now.bandwidth.value if now.bandwidth.known else 0.0
    if abs(off) <= max(hand, now.f0.high - now.f0.value, now.f0.value - now.f0.low):
        return []
    way = "down" if off > 0 else "up"
    ends = sorted((abs(now.f0.low - wish.at_hz), abs(now.f0.high - wish.at_hz)))
    by = inferred(abs(off), ends[0], ends[1], "Hz", limited_by="model")
    return [CavityDeed(f"rod: bring it {way} by {text(by)}", f"f0 {text(now.f0)} stands off what is wanted")]
