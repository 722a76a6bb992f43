"""Coupled resonators as figures: band, loss, resonators, couplings, and what they hold back where nobody can see it.

Owns: from a fit to figures, and which resonator to turn. Refuses: to call anything of it more than INFERRED, and advice
on resonators that the sweep does not part.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from rf.resonators.cavity_figures import spread
from rf.resonators.circuit import Elements, Real, response
from rf.resonators.coupled_fit import CoupledFit
from rf.resonators.coupling_advice import best_coupling
from rf.values.figure import Figure, cant_say, inferred
from rf.values.words import text

MODEL = (
    "no row of coupled resonators explains this sweep, plain or with one coupling across: several across, another"
    " order, a bad hook-up?"
)
NOT_PARTED = "only S11 at the side's own port parts the resonators: hook-up L>A or H>A"
OTHER_SIDE_DB = (0.0, 5.0, 6.5)
"""What the other side takes beside this one at its own channel: least, usual, most. Matched there, it halves the
voltage at the tee (6 dB); off tune, it takes nothing."""
HAND_SHARE = 0.2
"""A turn lands within 20 % of what was asked."""
VAGUE_SHARE = 0.1
"""A resonator that is not told within a tenth of the bandwidth is not told well enough to say that it stands right."""
WORTH_SHARE = 0.02
"""A resonator within 2 % of the bandwidth is left alone."""


EXAMPLE = 'cross = "1-4"'
NO_CROSS = cant_say("Hz", "no coupling across the row was fitted")


@dataclass(frozen=True, slots=True)
class BandFigures:
    """One band-pass filter. `offsets`: each resonator against the channel in hertz; `couplings` between neighbours in
    hertz (coupling bandwidth k f; Ness, IEEE Trans. MTT 46 (1998) 343); `external_q` in, out;
    `bandwidth` between the points 3 dB below the best; `loss` and
    `return_loss` at the channel as it stands, `tuned_loss` and `tuned_return_loss` with all resonators on it;
    `rejection` at the other channel."""

    order: int
    centre: Figure
    bandwidth: Figure
    loss: Figure
    return_loss: Figure
    unloaded_q: Figure
    offsets: tuple[Figure, ...]
    couplings: tuple[Figure, ...]
    external_q: tuple[Figure, Figure]
    rejection: Figure
    tuned_loss: Figure
    tuned_return_loss: Figure
    tuned_rejection: Figure
    why: str = ""
    across: tuple[int, int] | None = None
    """Resonators, counted from 1 at the driven port, that one more coupling joins; `cross` in hertz, signed as in
    a coupling matrix whose row is positive."""
    cross: Figure = NO_CROSS


def no_band(order: int, why: str) -> BandFigures:
    """Nothing is told."""
    one, hz, db = (cant_say(unit, why, limited_by="model") for unit in ("", "Hz", "dB"))
    return BandFigures(order, hz, hz, db, db, one, (), (), (one, one), db, db, db, db, why)


def band_figures(fit: CoupledFit | None, order: int, pass_hz: float, reject_hz: float, *, tee: bool) -> BandFigures:
    """Figures of a fit; `tee`: another side hangs beside it on its far port."""
    if fit is None:
        return no_band(order, "no pass band stands in this sweep")
    if not fit.trusted:
        return no_band(order, MODEL)
    n, e = fit.elements.order, fit.elements
    count = e.size
    crossed = [] if e.across is None else [e.k_across]
    at = np.concatenate([e.f_hz, np.log(e.k), np.log([e.q_in, e.q_out, e.unloaded_q]), crossed, [e.slope, fit.slope]])
    covariance = _with_slope(fit, count)

    def of(p: Real, *, tuned: bool = False) -> Elements:
        f = np.full(n, pass_hz) if tuned else p[:n]
        q_in, q_out, q_u = np.exp(p[2 * n - 1 : 2 * n + 2])
        over = 0.0 if e.across is None else float(p[2 * n + 2])
        k = np.exp(p[n : 2 * n - 1])
        return Elements(f, k, float(q_in), float(q_out), float(q_u), float(p[-2]), e.across, over)

    def through_db(p: Real, hz: float, *, tuned: bool = False) -> float:
        size = abs(complex(response(np.array([hz]), of(p, tuned=tuned)).s21[0]))
        return -20.0 * math.log10(max(size, 1e-15)) - 20.0 * float(p[-1]) * math.log10(hz / float(e.f_hz.mean()))

    def back_db(p: Real, *, tuned: bool = False) -> float:
        return -20.0 * math.log10(max(abs(complex(response(np.array([pass_hz]), of(p, tuned=tuned)).s11[0])), 1e-4))

    def offset(p: Real, i: int) -> float:
        return float(p[i]) - pass_hz

    def coupling(p: Real, i: int) -> float:
        return pass_hz * math.exp(p[n + i])

    def told(value: Callable[[Real], float], unit: str, least: float | None = None) -> Figure:
        return spread(value, at, covariance, unit, least=least)

    matched, why = fit.matched, NOT_PARTED
    if fit.as_well:
        matched, why = False, _several(fit)
    limit = "model" if fit.as_well else "hook-up"
    apart, no_match, plain = (cant_say(unit, why, limited_by=limit) for unit in ("Hz", "dB", ""))
    return BandFigures(
        order=n,
        centre=told(lambda p: sum(_edges(of(p))) / 2.0, "Hz"),
        bandwidth=told(lambda p: _edges(of(p))[1] - _edges(of(p))[0], "Hz", 0.0),
        loss=told(lambda p: through_db(p, pass_hz), "dB", 0.0),
        return_loss=told(back_db, "dB", 0.0) if fit.matched else no_match,
        unloaded_q=told(lambda p: math.exp(p[2 * n + 1]), "") if fit.sd(2 * n + 1) < 1.0 else plain,
        offsets=tuple(told(partial(offset, i=i), "Hz") if matched else apart for i in range(n)),
        couplings=tuple(told(partial(coupling, i=i), "Hz", 0.0) if matched else apart for i in range(n - 1)),
        external_q=(
            told(lambda p: math.exp(p[2 * n - 1]), "") if matched else plain,
            told(lambda p: math.exp(p[2 * n]), "") if matched else plain,
        ),
        rejection=_beside(told(lambda p: through_db(p, reject_hz), "dB"), tee),
        tuned_loss=told(lambda p: through_db(p, pass_hz, tuned=True), "dB", 0.0) if matched else no_match,
        tuned_return_loss=told(lambda p: back_db(p, tuned=True), "dB", 0.0) if matched else no_match,
        tuned_rejection=_beside(told(lambda p: through_db(p, reject_hz, tuned=True), "dB"), tee)
        if matched
        else no_match,
        across=None if e.across is None or fit.as_well else (e.across[0] + 1, e.across[1] + 1),
        cross=told(lambda p: pass_hz * float(p[2 * n + 2]), "Hz") if e.across is not None and matched else NO_CROSS,
    )


def _several(fit: CoupledFit) -> str:
    """Why no element is told where several circuits explain the sweep."""
    places = [place for place in (fit.elements.across, *fit.as_well) if place is not None]
    named = ", ".join(f"{i + 1}-{j + 1}" for i, j in sorted(places))
    return (
        f"a coupling across the row at {named} explains this sweep equally: say which in the site file, e.g. {EXAMPLE}"
    )


def _with_slope(fit: CoupledFit, count: int) -> Real:
    """Covariance of the elements and of both exponents behind them."""
    pick = [*range(count), -1, count + 3]  # exponents of the couplings and of S21
    return np.asarray(fit.covariance[np.ix_(pick, pick)])


def _edges(e: Elements) -> tuple[float, float]:
    """The frequencies 3 dB below the best, (low, high)."""
    middle, half = float(e.f_hz.mean()), 2.0 * _width(e)
    f = np.linspace(middle - half, middle + half, 801)
    power = np.square(abs(response(f, e).s21), dtype=float)
    limit = float(power.max()) / 2.0
    inside = np.flatnonzero(power >= limit)
    low, high = int(inside[0]), int(inside[-1])
    return _crossing(f, power, low - 1, limit), _crossing(f, power, high, limit)


def _crossing(f: Real, power: Real, left: int, limit: float) -> float:
    if left < 0 or left + 1 >= f.size:
        return float(f[max(min(left, f.size - 1), 0)])
    a, b = power[left], power[left + 1]
    share = 0.0 if a == b else (limit - a) / (b - a)
    return float(f[left] + share * (f[left + 1] - f[left]))


def _width(e: Elements) -> float:
    """About the widest that the band can be, in hertz: couplings, ends and what the resonators stand apart."""
    middle = float(e.f_hz.mean())
    k = float(e.k.max()) if e.k.size else 0.0
    return middle * max(k, 0.5 / e.q_in, 0.5 / e.q_out, 1e-5) * 1.5 + float(np.ptp(e.f_hz))


def _beside(figure: Figure, tee: bool) -> Figure:
    """Rejection with what the other side takes beside it."""
    if not tee or not figure.known:
        return figure
    least, usual, most = OTHER_SIDE_DB
    return inferred(
        figure.value + usual, figure.low + least, figure.high + most, "dB", limited_by="model",
        why="by the fitted resonators; the other side takes up to 6 dB beside them",
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class BandDeed:
    """What to turn: `resonator` from the driven port (None: none), by how much its frequency shall move, or the
    coupling; `what` a screw moves: "2", "1-2", "loop in" ("" for nothing)."""

    resonator: int | None
    by_hz: float
    do: str
    why: str
    expect: str = ""
    what: str = ""


def advise_band(now: BandFigures, fit: CoupledFit | None, pass_hz: float, match_db: float) -> BandDeed:
    """The next deed at the screws: the resonator whose return to the channel gives most match, as far as the sweep
    parts it. A tuned row has all its resonators on the channel (synchronous tuning: Dishal, Proc. IRE 39 (1951) 1448;
    Ness, IEEE Trans. MTT 46 (1998) 343)."""
    if fit is None or not now.centre.known:
        return BandDeed(None, 0.0, "sweep the side from its own port", now.why or "no figures yet")
    if not fit.matched:
        return BandDeed(None, 0.0, "drive the side's own port", NOT_PARTED)
    if fit.as_well:
        return BandDeed(None, 0.0, "write into the site file which resonators are joined across", _several(fit))
    off = [one.value for one in now.offsets]
    open_ends = [one.high - one.value for one in now.offsets]
    width = now.bandwidth.value
    told = [i for i in range(now.order) if abs(off[i]) > max(WORTH_SHARE * width, open_ends[i])]
    if not told:
        vague = [i for i in range(now.order) if open_ends[i] > VAGUE_SHARE * width]
        if vague and not (now.return_loss.known and now.return_loss.low >= match_db):
            where = "; ".join(f"{i + 1} {text(now.offsets[i], signed=True)}" for i in vague)
            return BandDeed(None, 0.0, "average longer, or drive the other end",
                            f"not told within a tenth of the band: resonator {where}")  # fmt: skip
        if now.tuned_return_loss.known and now.tuned_return_loss.high < match_db:
            coupled = _coupling(now, fit.elements, pass_hz, match_db)
            if coupled is not None:
                return coupled
        return BandDeed(None, 0.0, "lock the nuts one by one", _standing(now), f"tuned: {_tuned(now)}")
    gains = {i: _residue(fit.elements, pass_hz, i) for i in told}
    best = min(gains, key=lambda i: gains[i])
    by = -off[best]
    way = "up" if by > 0 else "down"
    place = now.offsets[best]
    left = HAND_SHARE * abs(by) + max(open_ends[best], place.value - place.low)
    then = inferred(0.0, -left, left, "Hz", limited_by="model")
    return BandDeed(
        best + 1, by, f"resonator {best + 1} {way} by {text(_size(place))}",
        f"it stands {text(place, signed=True)} off, and its return gives most",
        f"it then stands {text(then)} off; all on the channel: {_tuned(now)}", str(best + 1),
    )  # fmt: skip


def _size(figure: Figure) -> Figure:
    """How far, whichever way."""
    return figure if figure.value >= 0.0 else replace(figure, value=-figure.value, low=-figure.high, high=-figure.low)


def _standing(now: BandFigures) -> str:
    """How far the row stands from its channel when nothing is left to turn: by the resonator that may be farthest."""
    number, worst = max(enumerate(now.offsets, 1), key=lambda one: max(abs(one[1].low), abs(one[1].high)))
    return f"no resonator is told off the channel; resonator {number} is told least: {text(worst, signed=True)}"


def _coupling(now: BandFigures, e: Elements, pass_hz: float, match_db: float) -> BandDeed | None:
    """The coupling that keeps the match below its goal."""
    move = best_coupling(e, pass_hz)
    if move is None:
        return None
    way = "tighter" if move.factor > 1.0 else "looser"
    match = now.tuned_return_loss
    why = f"with all resonators on the channel the match would be {text(match)}, goal {match_db:g}"
    gained = inferred(
        move.match_db, max(move.match_db - (match.value - match.low), 0.0), move.match_db + match.high - match.value,
        "dB", limited_by="model",
    )  # fmt: skip
    expect = f"return loss {text(gained)}; the resonators beside it move too: bring them back"
    if move.what.startswith("loop"):
        q = now.external_q[move.what == "loop out"]
        return BandDeed(
            None, 0.0, f"{move.what}: {way}, external Q {text(q)} to {text(_times(q, 1.0 / move.factor))}", why, expect,
            move.what,
        )  # fmt: skip
    i = int(move.what.partition("-")[0]) - 1
    by = pass_hz * float(e.k[i]) * (move.factor - 1.0)
    size = text(_times(now.couplings[i], abs(move.factor - 1.0)))
    return BandDeed(None, by, f"coupling {move.what} {way} by {size}", why, expect, move.what)


def _times(figure: Figure, factor: float) -> Figure:
    """The same share of a figure and of its ends."""
    if not figure.known:
        return figure
    low, value, high = (factor * part for part in (figure.low, figure.value, figure.high))
    return replace(figure, low=low, value=value, high=high)


def _residue(e: Elements, pass_hz: float, number: int) -> float:
    """|S11| summed over the channel's neighbourhood with one resonator on it."""
    f = e.f_hz.copy()
    f[number] = pass_hz
    moved = replace(e, f_hz=f)
    near = np.linspace(pass_hz - 0.1 * _width(e), pass_hz + 0.1 * _width(e), 11)
    return float((abs(response(near, moved).s11) ** 2).sum())


def _tuned(now: BandFigures) -> str:
    if not now.tuned_return_loss.known or not now.tuned_loss.known:
        return "nothing is told of it"
    return f"return loss {text(now.tuned_return_loss)}, loss {text(now.tuned_loss)}"
