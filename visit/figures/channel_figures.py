"""What one hook-up shows at one channel: loss or rejection, return loss, and what both are made of.

Owns: which samples carry a channel's value, and what takes a figure away (a carrier, bursts, levels that are not re a
thru). Refuses: the notch's fit, goals and verdicts (`visit.figures.assess`); the mathematics is in `rf/`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from rf.floor.floor import Floor
from rf.floor.pool import Bottom, pool_at, pool_half_width_hz
from rf.floor.proof import Limits, rejection_of
from rf.floor.settling import largest_step_hz
from rf.repeater.passband import Budgeted, Residuals, loss_at, return_loss_at
from rf.values.figure import Figure, cant_say
from rf.values.uncertainty import Budget
from visit.figures.assessment import Channel, Role
from visit.figures.averaging import Averaged
from visit.figures.known import Known
from visit.figures.match_cure import with_cure
from visit.figures.third_load import third_load
from visit.figures.unsurveyed import unsurveyed
from visit.figures.walking import Walking, hidden
from visit.site.hookup import HookUp
from visit.site.site import Site

UNMATCHED_DB = 10.0
"""Return loss that is assumed beside a loss where none was found."""


@dataclass(frozen=True, slots=True)
class Basis:
    """What the figures of all channels of one hook-up rest on. `bottom` of the notch as these sweeps fit it (None: not
    fitted); `no_level` says why levels are not re a thru (None: they are); `confidence` of a proof, one-sided."""

    site: Site
    hookup: HookUp
    averaged: Averaged
    known: Known
    floor: Floor
    floor_s11: Floor
    walk: Walking
    bottom: Bottom | None
    no_level: Figure | None
    confidence: float

    @property
    def residuals(self) -> Residuals:
        """What is left uncorrected; of common practice where it is not known."""
        return self.known.residuals or Residuals()


@dataclass(frozen=True, slots=True)
class ChannelFound:
    """A channel and how it came about: `points` samples carry its rejection; `proof_db` that one run proves (None: no
    rejection was asked here)."""

    channel: Channel
    points: int = 0
    proof_db: float | None = None
    cautions: tuple[str, ...] = ()


def channel_at(basis: Basis, channel_hz: float, role: Role) -> ChannelFound:
    """All that one hook-up shows at one channel."""
    returned = _return_loss(basis, channel_hz)
    found = (_passing if role is Role.PASS else _rejecting)(basis, channel_hz, returned)
    if basis.no_level is None:
        return found
    bare = replace(found.channel, transmission=basis.no_level, return_loss=basis.no_level, parts=(), budgets=())
    return replace(found, channel=bare, proof_db=None)


def _return_loss(basis: Basis, channel_hz: float) -> Budgeted:
    """Return loss in dB, with the sentence that says what would make it better known."""
    frequency_hz, s11, walk = basis.averaged.frequency_hz, basis.averaged.s11, basis.walk
    if s11.too_busy:
        returned = Budgeted(cant_say("dB", "S11 was not the same from sweep to sweep", limited_by="bursts"))
    elif hidden(walk.s11, frequency_hz, channel_hz):
        returned = Budgeted(walk.hides("dB", channel_hz))
    else:
        nearest = int(np.argmin(np.abs(frequency_hz - channel_hz)))
        through, quiet = float(np.abs(basis.averaged.s21.mean[nearest])), ~walk.s11
        power = basis.floor_s11.averaged_power[quiet]
        returned = return_loss_at(
            frequency_hz[quiet], s11.mean[quiet], power, channel_hz, basis.known.residuals, through
        )
    return replace(returned, figure=with_cure(returned.figure, basis.known.residuals))


def _passing(basis: Basis, channel_hz: float, returned: Budgeted) -> ChannelFound:
    """A channel that is let through: its insertion loss in dB."""
    frequency_hz, calm, known = basis.averaged.frequency_hz, ~basis.walk.s21, basis.known
    through = Budgeted(basis.walk.hides("dB", channel_hz))
    if not hidden(basis.walk.s21, frequency_hz, channel_hz):
        match_db = returned.figure.value if returned.figure.known else UNMATCHED_DB
        mean, power = basis.averaged.s21.mean[calm], basis.floor.averaged_power[calm]
        through = loss_at(frequency_hz[calm], mean, power, channel_hz, match_db, known.residuals)
    return ChannelFound(
        Channel(
            channel_hz, Role.PASS, through.figure, returned.figure, leakage=known.leak_at(channel_hz),
            budgets=_made(("loss", through), ("return loss", returned)), worst_leak=known.worst_leak,
        )
    )  # fmt: skip


def _rejecting(basis: Basis, channel_hz: float, returned: Budgeted) -> ChannelFound:
    """A channel that is held back: its rejection in dB, no better than leak, mismatch and third port allow."""
    frequency_hz, known = basis.averaged.frequency_hz, basis.known
    leak, source = known.leak_at(channel_hz), known.leak_source_at(channel_hz)
    load = third_load(basis.site, basis.hookup, known, channel_hz, returned.figure)
    port2_db = basis.residuals.port2_return_loss_db
    limits = Limits(leak, port2_db, third_port_db=load.limit_db if load else 0.0)
    found = _rejection(basis, channel_hz, limits)
    figure = unsurveyed(found.figure, known.worst_leak) if leak is None else found.figure
    channel = Channel(
        channel_hz, Role.REJECT, figure, returned.figure, found.parts, _made(("return loss", returned)), leak, source,
        load, known.worst_leak,
    )  # fmt: skip
    cautions = (found.caution, source.doubt if source is not None else "")
    covered = frequency_hz[0] <= channel_hz <= frequency_hz[-1]
    return ChannelFound(
        channel, found.points, found.proof_db if covered else None, tuple(words for words in cautions if words)
    )


def _made(*figures: tuple[str, Budgeted]) -> tuple[tuple[str, Budget], ...]:
    """The budgets that there are, by name."""
    return tuple((name, found.budget) for name, found in figures if found.budget is not None)


@dataclass(frozen=True, slots=True)
class _Found:
    """A rejection and how it came about."""

    figure: Figure
    proof_db: float = -math.inf
    parts: tuple[tuple[str, float], ...] = ()
    points: int = 0
    caution: str = ""


def _rejection(basis: Basis, channel_hz: float, limits: Limits) -> _Found:
    """Rejection at a channel from the samples that carry its value."""
    frequency_hz, s21, walk = basis.averaged.frequency_hz, basis.averaged.s21, basis.walk
    bottom = basis.bottom or basis.known.bottom_at(channel_hz)
    if not frequency_hz[0] <= channel_hz <= frequency_hz[-1]:
        return _Found(cant_say("dB", f"the sweep does not cover {channel_hz / 1e6:.4f} MHz"))
    step, width_hz = float(frequency_hz[1] - frequency_hz[0]), bottom.width_hz
    nearest = int(np.argmin(np.abs(frequency_hz - channel_hz)))
    off = abs(float(frequency_hz[nearest]) - channel_hz)
    if bottom.known and off > pool_half_width_hz(width_hz):
        why = f"nearest sample {off / 1e3:.0f} kHz off, bottom {width_hz / 1e3:.0f} kHz wide: zoom in"
        return _Found(cant_say("dB", why, limited_by="step"), caution=why)
    half = pool_half_width_hz(width_hz) if bottom.known else max(off, 0.01 * step)
    within = np.abs(frequency_hz - channel_hz) <= half
    calm = ~(walk.s21 | s21.too_busy_points)
    if not calm[nearest] and (within & calm).sum() < max(within.sum() / 2.0, 2.0):
        return _Found(walk.hides("dB", channel_hz))
    caution = ""
    if bottom.known and step > largest_step_hz(width_hz):
        caution = f"points {step / 1e3:.3g} kHz apart, wide for a notch bottom of {width_hz / 1e3:.0f} kHz: zoom in"
    # Without a known width only the sample at the channel itself is known to carry the channel's value.
    f, mean, power = frequency_hz[calm], s21.mean[calm], basis.floor.averaged_power[calm]
    pooled = pool_at(f, mean, power, channel_hz, half, basis.floor.dof, bottom.shape)
    assert pooled is not None  # the nearest sample always lies inside
    found = rejection_of(pooled, limits, basis.confidence)
    return _Found(found.figure, found.proof_db, found.parts, pooled.points, caution)
