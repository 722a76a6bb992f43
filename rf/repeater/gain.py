"""What a repeater gains by its duplexer: the transmitter's noise and carrier at the receiver, desensitisation, margins,
range; before and after, all as figures.

Owns: the arithmetic between isolation, what was told of the radios, and what follows. Refuses: to turn a bound into a
number. A rejection that is AT LEAST makes a noise that is AT MOST; what rests on a sheet is INFERRED.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import product

from rf.repeater.desense import desense_db, interference_for, noise_floor_dbm
from rf.values.combine import as_inferred, mapped, negative, total
from rf.values.decibel import amplitude, amplitude_db
from rf.values.figure import Figure, Kind, at_least, at_most, cant_say, inferred, reading

SINAD_OVER_NOISE = (5.5, 8.0, 10.5)
"""Carrier over noise in the channel filter at which narrow-band FM gives 12 dB SINAD (common practice)."""
CHANNEL_HZ = 12e3
"""Noise bandwidth of a voice channel's filter (common practice; 8 to 16 kHz, within the spread above)."""

FREE_SPACE, PLANE_EARTH = 20.0, 40.0
"""Loss per decade of distance in dB (Friis; plane earth, as mobile links near the ground come to; common practice)."""


@dataclass(frozen=True, slots=True)
class Radios:
    """What is told of transmitter and receiver. `power_dbm`; `noise_dbc_hz` of the transmitter at the receive
    frequency; `own_dbm_hz` noise of the receiver referred to its input; `blocking_dbm` carrier that makes it deaf."""

    power_dbm: Figure
    noise_dbc_hz: Figure
    own_dbm_hz: Figure
    blocking_dbm: Figure

    @property
    def over_own(self) -> Figure:
        """Transmitter's noise over the receiver's own with nothing in between, in dB."""
        return total((self.power_dbm, self.noise_dbc_hz, negative(self.own_dbm_hz)), "dB")


@dataclass(frozen=True, slots=True)
class Between:
    """What lies between the radios and the air, in dB: isolation from transmitter to receiver at the receive frequency
    (`noise`) and at the transmit frequency (`carrier`), losses from each radio to the antenna's feeder."""

    noise: Figure
    carrier: Figure
    transmit_loss: Figure
    receive_loss: Figure


@dataclass(frozen=True, slots=True)
class Outcome:
    """What follows for the repeater."""

    noise_dbm_hz: Figure
    """Transmitter's noise at the receiver's input."""
    noise_margin: Figure
    """By which it lies below the receiver's own, dB."""
    desense: Figure
    """Desensitisation by it, dB."""
    carrier_dbm: Figure
    """Transmitter's carrier at the receiver's input."""
    carrier_margin: Figure
    """By which it lies below what blocks the receiver, dB."""
    deafness: Figure
    """Loss on the way to the receiver, the site's noise and desensitisation together, dB."""
    radiated_dbm: Figure
    """Power that leaves the duplexer for the feeder."""


def own_noise_by_figure(noise_figure: Figure) -> Figure:
    """Own noise of a receiver in dBm/Hz: kT at 290 K plus its noise figure (check b2)."""
    return mapped(noise_figure, lambda decibels: noise_floor_dbm(1.0, decibels), "dBm/Hz")


def own_noise_by_sensitivity(sensitivity: Figure) -> Figure:
    """Own noise of a receiver in dBm/Hz from its sensitivity for 12 dB SINAD: less what the carrier must stand over the
    noise, less the filter's bandwidth."""
    low, usual, high = SINAD_OVER_NOISE
    over = inferred(-usual, -high, -low, "dB", limited_by="sensitivity")
    wide = 10.0 * math.log10(CHANNEL_HZ)
    return total((sensitivity, over, inferred(-wide, -wide, -wide, "dB")), "dBm/Hz")


def with_antenna(isolation: Figure, to_antenna: Figure, from_antenna: Figure, antenna: Figure, port: Figure) -> Figure:
    """Isolation between the sides with an antenna that reflects instead of a load, all in dB: what comes back from the
    antenna adds in a phase that nobody told.

    Of a three-port closed by G: S_rt' = S_rt + S_at S_ra G / (1 - G S_aa) (signal flow graph), so that its amplitude
    lies within |S_rt| -+ |S_at| |S_ra| |G| / (1 - |G| |S_aa|). `to_antenna` loss from the transmitter, `from_antenna`
    to the receiver, `antenna` and `port` return losses. Without a known antenna the isolation stands as it is.
    """
    if not (isolation.known and antenna.known and to_antenna.known and from_antenna.known):
        return isolation
    back = amplitude(-antenna.low)
    at_port = amplitude(-max(port.low, 0.0)) if port.known else 1.0
    round_trip = back * at_port
    if round_trip >= 1.0:
        return cant_say("dB", "an antenna that returns all leaves no isolation to tell", limited_by="antenna")
    added = amplitude(-to_antenna.low - from_antenna.low) * back / (1.0 - round_trip)
    bound = -amplitude_db(amplitude(-isolation.low) + added)
    if isolation.kind is Kind.AT_LEAST:
        return at_least(bound, "dB", limited_by=isolation.limited_by, why=isolation.why)
    if isolation.kind is Kind.AT_MOST:
        return cant_say("dB", "an isolation from above with an antenna leaves nothing to say")
    left = amplitude(-isolation.high) - added
    if left <= 0.0:
        return at_least(bound, "dB", limited_by="antenna", why="the antenna may cancel what is left")
    made = reading if isolation.kind is Kind.READING else inferred
    return made(isolation.value, bound, -amplitude_db(left), "dB", limited_by="antenna")


def site_over_own(site_noise: Figure, own_dbm_hz: Figure) -> Figure:
    """Noise that the antenna brings beyond the thermal one, over the receiver's own, as a ratio: (f_a - 1) / f_r of the
    system's noise factor (Recommendation ITU-R P.372, f = f_a - 1 + f_c f_t f_r). `site_noise` in dB over kT."""
    thermal = noise_floor_dbm(1.0, 0.0)
    ratio = _cornered(
        (site_noise, own_dbm_hz), (1, -1),
        lambda site, own: max(10.0 ** (site / 10.0) - 1.0, 0.0) / 10.0 ** ((own - thermal) / 10.0),
    )  # fmt: skip
    return replace(ratio, unit="")


def site_deafness(over_own: Figure, receive_loss: Figure) -> Figure:
    """dB by which the site's noise makes a receiver deafer behind so much loss: 10 lg (1 + e / L)."""
    if not receive_loss.known or not math.isfinite(receive_loss.high):
        return cant_say("dB", receive_loss.why or "the loss to the receiver is not known")
    return _cornered(
        (over_own, receive_loss), (1, -1), lambda e, loss: 10.0 * math.log10(1.0 + e / 10.0 ** (loss / 10.0))
    )


def site_by_levels(deafness: Figure, receive_loss: Figure) -> Figure:
    """`site_over_own` from what a receiver was seen to lose by it, with the transmitter off."""
    if not deafness.known or not receive_loss.known or not math.isfinite(receive_loss.high):
        return cant_say("", deafness.why or receive_loss.why)
    found = _cornered(
        (deafness, receive_loss), (1, 1),
        lambda lost, loss: 10.0 ** (loss / 10.0) * max(10.0 ** (lost / 10.0) - 1.0, 0.0),
    )  # fmt: skip
    return replace(found, unit="")


def outcome(radios: Radios, between: Between, front_end: Figure | None = None, site: Figure | None = None) -> Outcome:
    """What follows at one time (desensitisation: ECO handbook 1.2.8, Eq. 8-9; study, F13). `front_end`: dB by which
    parts before the receiver make it deafer (a preamplifier: less deaf); `radios` holds its noise in front of them.
    `site`: dB by which the site's noise makes it deafer without the transmitter."""
    heard = radios.own_dbm_hz if site is None else total((radios.own_dbm_hz, site), "dBm/Hz")
    noise = as_inferred(total((radios.power_dbm, radios.noise_dbc_hz, negative(between.noise)), "dBm/Hz"))
    carrier = as_inferred(total((radios.power_dbm, negative(between.carrier)), "dBm"))
    margin = as_inferred(total((heard, negative(noise)), "dB"))
    desense = mapped(negative(margin), desense_db, "dB")
    return Outcome(
        noise_dbm_hz=noise,
        noise_margin=margin,
        desense=desense,
        carrier_dbm=carrier,
        carrier_margin=as_inferred(total((radios.blocking_dbm, negative(carrier)), "dB")),
        deafness=as_inferred(
            total((between.receive_loss, desense, *(one for one in (front_end, site) if one is not None)), "dB")
        ),
        radiated_dbm=as_inferred(total((radios.power_dbm, negative(between.transmit_loss)), "dBm")),
    )


def needed(radios: Radios, allowed_desense_db: float, site: Figure | None = None) -> tuple[Figure, Figure]:
    """Isolation that it takes, in dB: at the receive frequency so that the transmitter's noise costs no more than so
    much desensitisation (study, F13), at the transmit frequency so that its carrier does not block the receiver."""
    allowed = interference_for(allowed_desense_db)
    noisier = [] if site is None or not site.known else [negative(site)]
    noise = total((radios.over_own, inferred(-allowed, -allowed, -allowed, "dB"), *noisier), "dB")
    return noise, total((radios.power_dbm, negative(radios.blocking_dbm)), "dB")


NO_SITE = inferred(0.0, 0.0, 0.0, "")
"""`site_over_own` of a site that brings no more than thermal noise."""


def hears_better(radios: Radios, before: Between, after: Between, site: Figure = NO_SITE) -> Figure:
    """dB by which the repeater hears better after than before: less loss and less desensitisation.

    The radios are the same both times, so their numbers are varied together: the difference of two desensitisations is
    monotone in what stands over the receiver's own noise, in each isolation and in each loss, and so has its ends in
    corners. Open ends of bounds count as infinite.
    With loss L, transmitter's noise i and the site's e over the receiver's own, it is deaf by L (1 + i) + e; the ratio
    of two such is monotone in e too.
    """
    over = radios.over_own
    told = (over, before.noise, after.noise, before.receive_loss, after.receive_loss, site)
    lost = next((figure for figure in told if not figure.known), None)
    if lost is not None:
        return cant_say("dB", lost.why or "before or after was not measured")

    def better(
        x: float, noise_before: float, noise_after: float, loss_before: float, loss_after: float, e: float
    ) -> float:
        return _deaf(loss_before, x - noise_before, e) - _deaf(loss_after, x - noise_after, e)

    return _cornered(told, (0, -1, 1, 1, -1, 0), better)


def _deaf(loss_db: float, over_noise_db: float, site: float) -> float:
    whole = loss_db + desense_of(over_noise_db)
    return whole if site == 0.0 else 10.0 * math.log10(10.0 ** (whole / 10.0) + site)


def desense_of(over_noise_db: float) -> float:
    """`desense_db` for an infinite margin too."""
    return 0.0 if over_noise_db == -math.inf else float(desense_db(over_noise_db))


def _cornered(told: Sequence[Figure], signs: Sequence[int], function: Callable[..., float]) -> Figure:
    """A function that is monotone in each of `told`, given the others, by its values in all corners. `signs`: +1
    where a larger figure makes a larger result, -1 a smaller one, 0 either."""
    corners: list[float] = [function(*ends) for ends in product(*((figure.low, figure.high) for figure in told))]
    low, high = min(corners), max(corners)
    if not all(map(math.isfinite, corners)):
        return cant_say("dB", "a loss that is only a bound: no pass was found there")
    kinds = set()
    for figure, sign in zip(told, signs, strict=True):
        if figure.kind in (Kind.AT_LEAST, Kind.AT_MOST):
            kinds.add((figure.kind is Kind.AT_LEAST) == (sign > 0))
    why = next((figure.limited_by for figure in told if figure.kind in (Kind.AT_LEAST, Kind.AT_MOST)), "radios")
    if len(kinds) > 1:
        # Open ends have finite images here, so that both ends hold: what they say on one side of nothing is said.
        if low > 0.0:
            return at_least(low, "dB", limited_by=why)
        if high < 0.0:
            return at_most(high, "dB", limited_by=why)
        return cant_say("dB", "bounds both before and after: a reading of one would tell", limited_by=why)
    if kinds:
        return at_least(low, "dB", limited_by=why) if kinds.pop() else at_most(high, "dB", limited_by=why)
    return inferred(function(*(figure.value for figure in told)), low, high, "dB", limited_by=why)


def range_change(decibels: Figure) -> Figure:
    """By how many per cent a range grows with so many dB: 10^(dB/40) - 1 by plane earth, which is the value, up to
    10^(dB/20) - 1 in free space."""
    if not decibels.known:
        return cant_say("%", decibels.why)

    def grown(change: float, slope: float) -> float:
        return float(100.0 * (10.0 ** (change / slope) - 1.0))

    slopes = (PLANE_EARTH, FREE_SPACE)
    if decibels.kind is Kind.AT_LEAST:
        return at_least(min(grown(decibels.low, slope) for slope in slopes), "%", limited_by=decibels.limited_by)
    if decibels.kind is Kind.AT_MOST:
        return at_most(max(grown(decibels.high, slope) for slope in slopes), "%", limited_by=decibels.limited_by)
    ends = [grown(end, slope) for end in (decibels.low, decibels.high) for slope in slopes]
    return inferred(grown(decibels.value, PLANE_EARTH), min(ends), max(ends), "%", limited_by="terrain")
