"""Single cavities and band-pass sides of a visit: the newest run of each, fitted.

Owns: which runs count, what part of a sweep shows one side, what the correction leaves. Refuses: words for a page, and
a fit where nobody corrected the sweep.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from protocol.errors import RequestError
from protocol.sweep import Limits, SweepSettings
from rf.repeater.passband import Residuals
from rf.resonators.band_figures import BandDeed, BandFigures, advise_band, band_figures, no_band
from rf.resonators.cavity_figures import (
    ONE_PORT,
    PASS,
    CavityDeed,
    CavityFigures,
    Wish,
    advise_cavity,
    no_cavity,
    notch_cavity,
    pass_cavity,
)
from rf.resonators.coupled_fit import CoupledFit, Errors, Swept, fit_coupled, fit_crossed
from rf.resonators.notch_fit import fit_notch
from rf.resonators.turns import BandTurn, hz_per_turn, measured, turns_for
from rf.values.figure import Figure, cant_say
from visit.figures.averaging import FEWEST_POINTS, Averaged, floor_of
from visit.figures.known import Known
from visit.figures.run_figures import RunFigures, no_figures
from visit.record.band_turns import read_turns, typed_turn, write_turn
from visit.record.sheet import CAVITY_AT, CAVITY_DEPTH, CAVITY_LOSS, Sheet
from visit.record.visit_file import RunRow, VisitFile
from visit.site.hookup import ANTENNA_PORT, CAVITY, CAVITY_ONE, PART, HookUp, Side
from visit.site.presets import wide
from visit.site.site import Site

BAND_PASS = "band-pass"
TOO_FEW = "too few points or too many bursts in its sweeps"
ORDERS = (2, 3, 4, 5, 6)
INNER, OUTER = 0.5, 1.5
"""So far from the channel a side's own sweep is fitted, toward the other channel and away from it, in spacings: beyond
the middle the other side takes its share at the tee."""


@dataclass(frozen=True, slots=True)
class CavitySight:
    """A single cavity: by both of its ports, and by one; what was wished; what to turn. `runs`: hook-up to run."""

    runs: dict[str, int] = field(default_factory=dict)
    cavity: CavityFigures | None = None
    one_port: CavityFigures | None = None
    wish: Wish = field(default_factory=Wish)
    deeds: tuple[CavityDeed, ...] = ()


@dataclass(frozen=True, slots=True)
class BandSight:
    """One band-pass side: the run behind it, where it is driven, figures and advice."""

    side: Side
    run: int
    hookup: HookUp
    figures: BandFigures
    deed: BandDeed
    sweeps: int
    turns: Figure
    """Of the screw that the deed names, inwards; CAN'T SAY while none of its turns was measured."""


def cavity_sight(figures: RunFigures) -> CavitySight:
    """What the visit shows of the cavity on its bench now. Raises RecordError."""
    sheet = Sheet(figures.visit)
    at = sheet.value(CAVITY_AT)
    wish = Wish(None if at is None else at * 1e6, sheet.value(CAVITY_LOSS), sheet.value(CAVITY_DEPTH))
    with no_figures(figures.visit, "its single cavity"):
        runs: dict[str, int] = {}
        made: dict[str, CavityFigures] = {}
        for name in (CAVITY, CAVITY_ONE):
            run = _newest(figures, name)
            if run is not None:
                runs[name], made[name] = run.id, _cavity(figures, run)
        both, one = made.get(CAVITY), made.get(CAVITY_ONE)
        shown = both if both is not None else one
        deeds = () if shown is None else advise_cavity(shown, wish)
        return CavitySight(runs, both, one, wish, deeds)


def _newest(figures: RunFigures, name: str) -> RunRow | None:
    return next((run for run in reversed(figures.runs) if run.hookup.name == name and figures.sweeps(run)), None)


def _cavity(figures: RunFigures, run: RunRow) -> CavityFigures:
    made, known, site = figures.averaged(run), figures.known(run), figures.site
    kind = ONE_PORT if run.hookup.one_port else PASS
    why = _why_not(made, known)
    if made is None or why:
        return no_cavity(kind, why)
    f, errors = made.frequency_hz, _errors(known)
    power11, power21 = (floor_of(one).averaged_power for one in (made.s11, made.s21))
    if run.hookup.one_port:
        return pass_cavity(fit_coupled(Swept(f, made.s11.mean, None, power11, power21), 1, errors))
    channels = (site.low_hz, site.high_hz)
    if _is_notch(made.s21.mean):
        return notch_cavity(fit_notch(f, made.s21.mean, power21, errors), channels)
    return pass_cavity(fit_coupled(Swept(f, made.s11.mean, made.s21.mean, power11, power21), 1, errors), channels)


def _is_notch(s21: NDArray[np.complex128]) -> bool:
    """Most of a notch cavity's sweep goes through; most of a pass cavity's is held back."""
    level = abs(s21)
    return bool(np.median(level) > 0.5 * level.max()) and bool(level.min() < 0.7 * np.median(level))


def band_sights(figures: RunFigures) -> tuple[BandSight, ...]:
    """Each side of a band-pass unit by its newest sweep: from its own port where there is one, else from the antenna's;
    a preselector by its newest sweep from end to end. Raises RecordError."""
    own = figures.site.own_side
    if own is not None:
        with no_figures(figures.visit, "its resonators"):
            run = _newest(figures, PART)
            return () if run is None else (_side(figures, run, own),)
    if figures.site.kind != BAND_PASS:
        return ()
    with no_figures(figures.visit, "its resonators"):
        found = []
        for side in Side:
            port = side.value
            run = _newest(figures, f"{port}>{ANTENNA_PORT}") or _newest(figures, f"{ANTENNA_PORT}>{port}")
            if run is not None:
                found.append(_side(figures, run, side))
        return tuple(found)


def _side(figures: RunFigures, run: RunRow, side: Side) -> BandSight:
    site, made, known = figures.site, figures.averaged(run), figures.known(run)
    why = _why_not(made, known)
    order = site.cavities or 0
    if why or made is None:
        fit, shown = None, no_band(order, why)
    else:
        fit = fit_side(made, known, site, side, run.hookup)
        number = order if fit is None else fit.elements.order
        shown = band_figures(fit, number, site.pass_hz(side), site.reject_hz(side), tee=site.own_side is None)
    deed = advise_band(shown, fit, site.pass_hz(side), site.goals.return_loss_db)
    turns = _turns(figures, side, run, shown, deed)
    return BandSight(side, run.id, run.hookup, shown, deed, figures.sweeps(run), turns)


def places(shown: BandFigures) -> dict[str, tuple[float, float]]:
    """Where resonators and couplings stand, in hertz with half of the interval; only what is told."""
    named = [
        *((str(number), one) for number, one in enumerate(shown.offsets, 1)),
        *((f"{number}-{number + 1}", one) for number, one in enumerate(shown.couplings, 1)),
    ]
    return {what: (one.value, max(one.high - one.value, one.value - one.low)) for what, one in named if one.known}


def _turns(figures: RunFigures, side: Side, run: RunRow, shown: BandFigures, deed: BandDeed) -> Figure:
    """How far, by the turns of that screw whose effect was measured."""
    if not deed.what or deed.by_hz == 0.0:
        return cant_say("", "nothing to turn by a measured amount", limited_by="turns")
    stored = read_turns(figures.visit, side)
    swept_since = not stored or stored[-1][1] != run.id
    seen = measured([turn for turn, _ in stored], places(shown) if swept_since else None, deed.what)
    largest = max((abs(one.turns) for one in seen), default=0.0)
    return turns_for(deed.by_hz, hz_per_turn(seen), largest)


def note_turn(visit: VisitFile, sights: Sequence[BandSight], side: Side, words: str) -> None:
    """Write down a turn of a side's screw, with where everything stood before it as `sights` show it. Raises
    RequestError where they do not tell that, RecordError."""
    what, turns = typed_turn(words)
    sight = next((one for one in sights if one.side is side), None)
    if sight is None or not places(sight.figures):
        raise RequestError(f"sweep it first ({_how(visit.site(), side)}): nothing tells where it stands")
    if what not in places(sight.figures):
        raise RequestError(f"nothing tells where {what} stands; told are {', '.join(places(sight.figures))}")
    write_turn(visit, side, BandTurn(what, turns, places(sight.figures)), sight.run)


def _how(site: Site, side: Side) -> str:
    return f"from port {side.value}" if site.own_side is None else "both ends on the leads"


def fit_side(made: Averaged, known: Known, site: Site, side: Side, hookup: HookUp) -> CoupledFit | None:
    """The fit of one side; of as many resonators as the site file says, else of the fewest that explain the sweep. A
    plain row comes first; one with a coupling across it where none is enough, or the site file names it."""
    f, own, other = made.frequency_hz, site.pass_hz(side), site.reject_hz(side)
    toward = np.sign(other - own) * (f - own) / abs(other - own)
    near = (toward < INNER) & (toward > -OUTER) if site.own_side is None else abs(toward) < OUTER
    if near.sum() < FEWEST_POINTS:
        return None
    power11, power21 = (floor_of(one).averaged_power[near] for one in (made.s11, made.s21))
    s11 = made.s11.mean[near] if hookup.driven != ANTENNA_PORT else None
    swept = Swept(f[near], s11, made.s21.mean[near], power11, power21)
    fit = None
    orders = (site.cavities,) if site.cavities else ORDERS
    for order in orders if site.cross is None else ():
        fit = fit_coupled(swept, order, _errors(known))
        if fit is not None and fit.trusted:
            return fit
    across = None if site.cross is None else (site.cross[0] - 1, site.cross[1] - 1)
    for order in orders:
        if order > (2 if across is None else across[1]):
            crossed = fit_crossed(swept, order, _errors(known), across)
            if crossed is not None:
                return crossed
    return fit


def _errors(known: Known) -> Errors:
    left = known.residuals or Residuals()
    return Errors(left.tracking_db + left.drift_db, left.directivity_db, left.port2_return_loss_db, known.worst_leak)


def _why_not(made: Averaged | None, known: Known) -> str:
    if known.uncorrected or known.axis_doubt:
        return known.uncorrected or known.axis_doubt
    busy = made is None or made.s21.too_busy or made.s11.too_busy or made.frequency_hz.size < FEWEST_POINTS
    return TOO_FEW if busy else ""


CAVITY_SPAN = 14.0
"""Widths of a cavity at 3 dB that its sweep spans: its flanks tell Q, its ends the line."""


def cavity_settings(site: Site, limits: Limits | None, sight: CavitySight | None) -> SweepSettings:
    """The sweep for a cavity: around where it was last seen, else where it is wanted, else over both channels."""
    preset = wide(site, limits)
    shown = None if sight is None else sight.cavity or sight.one_port
    centre_hz, span_hz = (preset.start_hz + preset.stop_hz) / 2.0, preset.stop_hz - preset.start_hz
    if shown is not None and shown.f0.known:
        centre_hz, span_hz = shown.f0.value, CAVITY_SPAN * shown.bandwidth.value
    elif sight is not None and sight.wish.at_hz is not None:
        centre_hz = sight.wish.at_hz
    start, stop = centre_hz - span_hz / 2.0, centre_hz + span_hz / 2.0
    if limits is not None:
        start, stop = max(start, limits.start_hz), min(stop, limits.stop_hz)
    return preset if stop <= start else SweepSettings(start, stop, preset.points, preset.bandwidth_hz)
