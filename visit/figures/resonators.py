"""Single cavities and band-pass sides of a visit: the newest run of each, fitted.

Owns: which runs count, what part of a sweep shows one side, what the correction leaves. Refuses: words for a page, and
a fit where nobody corrected the sweep.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

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
from rf.resonators.coupled_fit import CoupledFit, Errors, Swept, fit_coupled
from rf.resonators.notch_fit import fit_notch
from visit.figures.averaging import FEWEST_POINTS, Averaged, floor_of
from visit.figures.known import Known
from visit.figures.run_figures import RunFigures, no_figures
from visit.record.sheet import CAVITY_AT, CAVITY_DEPTH, CAVITY_LOSS, Sheet
from visit.record.visit_file import RunRow
from visit.site.hookup import ANTENNA_PORT, CAVITY, CAVITY_ONE, HookUp, Side
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
    """Each side of a band-pass unit by its newest sweep: from its own port where there is one, else from the antenna's.
    Raises RecordError."""
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
        shown = band_figures(fit, number, site.pass_hz(side), site.reject_hz(side), tee=True)
    deed = advise_band(shown, fit, site.pass_hz(side), site.goals.return_loss_db)
    return BandSight(side, run.id, run.hookup, shown, deed, figures.sweeps(run))


def fit_side(made: Averaged, known: Known, site: Site, side: Side, hookup: HookUp) -> CoupledFit | None:
    """The fit of one side; of as many resonators as the site file says, else of the fewest that explain the sweep."""
    f, own, other = made.frequency_hz, site.pass_hz(side), site.reject_hz(side)
    toward = np.sign(other - own) * (f - own) / abs(other - own)
    near = (toward < INNER) & (toward > -OUTER)
    if near.sum() < FEWEST_POINTS:
        return None
    power11, power21 = (floor_of(one).averaged_power[near] for one in (made.s11, made.s21))
    s11 = made.s11.mean[near] if hookup.driven != ANTENNA_PORT else None
    swept = Swept(f[near], s11, made.s21.mean[near], power11, power21)
    fit = None
    for order in (site.cavities,) if site.cavities else ORDERS:
        fit = fit_coupled(swept, order, _errors(known))
        if fit is not None and fit.trusted:
            break
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
