"""What the repeater gains: desensitisation, margins and range as found and as left, from the figures of the visit.

Owns: which figures stand for what lies between the radios, and holding what was seen with the radio against what
follows. Refuses: to make a figure of the duplexer; those come from replay and stages.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from rf.repeater.chain import Link, chained, noise_figure_of
from rf.repeater.desense import noise_floor_dbm
from rf.repeater.gain import (
    NO_SITE,
    Between,
    Outcome,
    Radios,
    hears_better,
    needed,
    outcome,
    range_change,
    site_by_levels,
    site_deafness,
    site_over_own,
    with_antenna,
)
from rf.values.combine import as_inferred, negative, total
from rf.values.figure import Figure, Kind, cant_say, inferred, reading
from visit.day.day import STEPS, Day
from visit.day.desense_test import AFTER as TEST_AFTER
from visit.day.desense_test import BEFORE as TEST_BEFORE
from visit.day.desense_test import taken
from visit.day.parts import PartPath, paths_of
from visit.day.radios import KnownRadios, known_radios
from visit.day.stages import AS_LEFT, stage_at, stood
from visit.figures.assessment import Channel, Role
from visit.figures.feeder import FeederSight, feeder_sight
from visit.figures.replay import Figures, Replay
from visit.record.sheet import Sheet
from visit.site.hookup import HookUp
from visit.site.site import Site

BEFORE, LATEST = "as found", "measured last"
BY_ONE_SIDE = 1.0
"""Half-width in dB of the isolation that is taken from one side's rejection and the other side's loss, where side to
side was not measured (own simulation of four units, tuned and detuned: within 0.3 dB)."""
BY_EAR = 1.0
"""A generator's level for 12 dB SINAD is found to this (common practice)."""

ALLOWED_DB = 0.5
"""Desensitisation that nobody hears (common practice)."""

LOAD, ANTENNA = "desense with load", "desense with antenna"


@dataclass(frozen=True, slots=True)
class Seen:
    """Desensitisation as it was seen with the radio, and what the computed one says to it. `agrees`: None where
    nothing was computed."""

    when: str
    name: str
    decibels: float
    agrees: bool | None
    says: str


@dataclass(frozen=True, slots=True)
class At:
    """One time: what lay between the radios, what follows, and how the isolation is known."""

    when: str
    between: Between
    outcome: Outcome
    site: Figure
    """dB by which the site's noise makes the receiver deafer, transmitter off."""
    over_own: Figure
    """That noise over the receiver's own, as a ratio; nothing where nobody told of it."""
    on_load: Figure
    """Desensitisation with a load in the antenna's place, dB."""
    sensitivity_dbm: Figure
    """Of the receiver as it stands behind all that, at the duplexer's antenna port."""
    says: str


@dataclass(frozen=True, slots=True)
class Gains:
    """Before, after, and the change of what the repeater hears and radiates. What CAN'T SAY says what is missing."""

    known: KnownRadios
    before: At | None
    after: At | None
    hears: Figure
    """dB by which it hears better."""
    farther: Figure
    """Per cent by which it hears farther."""
    radiates: Figure
    """dB by which more leaves the duplexer for the feeder."""
    seen: tuple[Seen, ...]
    needed: tuple[Figure, Figure]
    """Isolation for `ALLOWED_DB` of desensitisation, and for a receiver that is not blocked."""


def gains_of(day: Day, replay: Replay) -> Gains:
    """The gains of a visit. Raises RecordError."""
    site, sheet, visit = replay.site, Sheet(replay.visit), replay.visit
    known = known_radios(site, sheet, day.value("power into duplexer"))
    if not known.radios.power_dbm.known:  # nothing follows without it, and figures take their time
        nothing = cant_say("dB", known.radios.power_dbm.why)
        return Gains(known, None, None, nothing, nothing, nothing, (), (nothing, nothing))
    feeder = feeder_sight(replay.figures_of)
    pairs = stood(replay)
    found = {one.hookup: one for one, _ in pairs if one is not None}
    left = {one.hookup: one for _, one in pairs if one is not None}
    after_name = AS_LEFT if stage_at(visit, AS_LEFT) else LATEST
    beside = _beside(site, known.radios, paths_of(replay))
    before = _at(site, known, feeder, BEFORE, found, beside, taken(visit, TEST_BEFORE).levels.site)
    after = _at(site, known, feeder, after_name, left, beside, taken(visit, TEST_AFTER).levels.site)
    hears, radiates = cant_say("dB", "before or after was not measured"), cant_say("dB", "before or after is missing")
    if before is not None and after is not None:
        noisy = next((one.over_own for one in (after, before) if one.over_own.known), NO_SITE)
        hears = hears_better(beside.radios, before.between, after.between, noisy)
        radiates = as_inferred(total((before.between.transmit_loss, negative(after.between.transmit_loss)), "dB"))
    last = after or before
    return Gains(known, before, after, hears, range_change(hears), radiates, _seen(day, before, after),
                 needed(known.radios, ALLOWED_DB, None if last is None else last.site))  # fmt: skip


def _at(
    site: Site,
    known: KnownRadios,
    feeder: FeederSight,
    when: str,
    figures: dict[HookUp, Figures],
    beside: Beside,
    seen_site: Figure,
) -> At | None:
    """One time; None where neither side was measured. `seen_site`: what a desense test saw of the site's noise."""
    transmit, receive = site.transmit, site.transmit.other
    tx, rx = _of(figures, HookUp("A", transmit.value)), _of(figures, HookUp("A", receive.value))
    if tx is None and rx is None:
        return None
    tx_reject, tx_loss = (_transmission(tx, role, f"A>{transmit.value}") for role in (Role.REJECT, Role.PASS))
    rx_reject, rx_loss = (_transmission(rx, role, f"A>{receive.value}") for role in (Role.REJECT, Role.PASS))
    noise, how = _isolation(figures, site.pass_hz(receive), tx_reject, rx_loss)
    carrier, _ = _isolation(figures, site.pass_hz(transmit), rx_reject, tx_loss)
    noise_extra = beside.transmit(WHOLE, site.pass_hz(receive))
    tx_extra = beside.transmit(_return_loss(tx), site.pass_hz(transmit))
    carrier_extra = beside.receive(WHOLE, site.pass_hz(transmit))
    radios, front_end = beside.radios, beside.front_end
    loaded = Between(_and(noise, noise_extra), _and(carrier, carrier_extra), _and(tx_loss, tx_extra), rx_loss)
    on_load = outcome(radios, loaded, front_end).desense
    at = {channel.frequency_hz: channel for channel in feeder.channels}
    says = how
    for hz, name in ((site.pass_hz(receive), "noise"), (site.pass_hz(transmit), "carrier")):
        match = at.get(hz)
        if match is None or not match.return_loss.known:
            continue
        of_noise = name == "noise"
        sides = (tx_reject, rx_loss) if of_noise else (tx_loss, rx_reject)
        port = _return_loss(rx if of_noise else tx)
        closed = with_antenna(noise if of_noise else carrier, *sides, match.return_loss, port)
        noise, carrier = (closed, carrier) if of_noise else (noise, closed)
        says = f"{how}; with the measured antenna in any phase"
    between = Between(_and(noise, noise_extra), _and(carrier, carrier_extra), _and(tx_loss, tx_extra), rx_loss)
    over_own, noisy = _site(known, radios, rx_loss, seen_site)
    follows = outcome(radios, between, front_end, noisy if noisy.known else None)
    says += beside.says
    sensitivity = total((known.sensitivity_dbm, follows.deafness), "dBm")
    return At(when, between, follows, noisy, over_own, on_load, sensitivity, says)


def _site(known: KnownRadios, radios: Radios, rx_loss: Figure, seen: Figure) -> tuple[Figure, Figure]:
    """The site's noise over the receiver's own, and the deafness by it: as seen with the radio, else as typed."""
    if seen.known:
        seen = as_inferred(seen)
        return site_by_levels(seen, rx_loss), replace(seen, value=max(seen.value, 0.0), low=max(seen.low, 0.0),
                                                      high=max(seen.high, 0.0))  # fmt: skip
    if known.site_noise is not None:
        over_own = site_over_own(known.site_noise, radios.own_dbm_hz)
        return over_own, site_deafness(over_own, rx_loss)
    why = "nobody told of it: none is counted, and with it less is lost to the transmitter"
    return cant_say("", why), cant_say("dB", why)


WHOLE = reading(0.0, 0.0, 0.0, "dB", limited_by="mismatch")
"""Return loss of a side of the duplexer at the channel that it rejects: nearly all comes back."""


@dataclass(frozen=True, slots=True)
class Beside:
    """The further parts of the chain: the radios with the receiver's noise in front of its parts, by which these make
    it deafer, and what each path loses besides."""

    radios: Radios
    front_end: Figure | None
    paths: Mapping[str, PartPath]
    low_hz: float

    @property
    def says(self) -> str:
        """How many parts count."""
        count = sum(len(path.parts) for path in self.paths.values())
        return f"; with {count} further part{'s' if count > 1 else ''} (deepnotch part)" if count else ""

    def _link(self, place: str, hz: float) -> Link | None:
        path = self.paths[place]
        return path.low if abs(hz - self.low_hz) < 0.5 else path.high

    def transmit(self, port: Figure, hz: float) -> Figure | None:
        """What the transmitter's parts lose at a channel, the duplexer's port of return loss `port` behind them."""
        link = self._link("transmit", hz)
        return None if link is None else chained([link], port).forward

    def receive(self, port: Figure, hz: float) -> Figure | None:
        """What the receiver's parts lose at a channel, the duplexer's port in front of them."""
        link = self._link("receive", hz)
        nothing = reading(0.0, 0.0, 0.0, "dB")
        return None if link is None else chained([Link(nothing, nothing, nothing, port), link]).forward


def _beside(site: Site, radios: Radios, paths: Mapping[str, PartPath]) -> Beside:
    """With parts before the receiver its noise counts in front of them (Friis)."""
    parts = paths["receive"].parts
    if not parts:
        return Beside(radios, None, paths, site.low_hz)
    low = site.pass_hz(site.transmit.other) == site.low_hz
    stages = [((part.low if low else part.high).forward, part.noise_figure) for part in parts]
    thermal = inferred(*(noise_floor_dbm(1.0, 0.0),) * 3, "dBm/Hz")
    own = total((radios.own_dbm_hz, negative(thermal)), "dB")
    whole = noise_figure_of(stages, own)
    moved = replace(radios, own_dbm_hz=total((thermal, whole), "dBm/Hz"))
    return Beside(moved, total((whole, negative(own)), "dB"), paths, site.low_hz)


def _and(figure: Figure, extra: Figure | None) -> Figure:
    return figure if extra is None else total((figure, extra), "dB")


def _of(figures: dict[HookUp, Figures], hookup: HookUp) -> Figures | None:
    """The figures of a hook-up, by leads that differ in a pad or an amplifier too."""
    return next((one for at, one in figures.items() if (at.driven, at.read) == (hookup.driven, hookup.read)), None)


def _transmission(one: Figures | None, role: Role, name: str) -> Figure:
    channel = None if one is None else one.assessment.channel(role)
    return cant_say("dB", f"{name} was not measured") if channel is None else channel.transmission


def _return_loss(one: Figures | None) -> Figure:
    channel = None if one is None else one.assessment.channel(Role.PASS)
    return cant_say("dB", "not measured") if channel is None else channel.return_loss


def _isolation(figures: dict[HookUp, Figures], hz: float, reject: Figure, other_loss: Figure) -> tuple[Figure, str]:
    """Isolation between the sides at a channel: measured side to side, or by one side's rejection and what the other
    side loses; and which of both it is."""
    near = inferred(0.0, -BY_ONE_SIDE, BY_ONE_SIDE, "dB", limited_by="one side")
    by_side = total((reject, other_loss, near), "dB")
    for ends in (("L", "H"), ("H", "L")):
        one = _of(figures, HookUp(*ends))
        found = None if one is None else _channel_at(one, hz)
        if found is None or not found.transmission.known:
            continue
        if found.transmission.kind is Kind.AT_LEAST and by_side.known and by_side.low > found.transmission.low:
            break  # a bound that a longer run of one side passes
        return found.transmission, "isolation as measured side to side"
    return by_side, "isolation by one side's rejection and the other's loss"


def _channel_at(one: Figures, hz: float) -> Channel | None:
    return next((channel for channel in one.assessment.channels if abs(channel.frequency_hz - hz) < 0.5), None)


def _seen(day: Day, before: At | None, after: At | None) -> tuple[Seen, ...]:
    """What was seen with the radio, in the phases of the day, against what follows."""
    lines = []
    for phase, at in (("arrive", before), ("prove", after)):
        seen = {
            name: value
            for number, name, value, _, _ in day.entries()
            if value is not None and 1 <= number <= len(STEPS) and STEPS[number - 1].phase == phase
        }
        when = "before" if phase == "arrive" else "after"
        if LOAD in seen:
            lines.append(against(when, seen[LOAD], at))
        if ANTENNA in seen and LOAD in seen:
            more = seen[ANTENNA] - seen[LOAD]
            says = (
                f"{more:g} dB more than with the load: feeder, arrester, antenna or rusty joints, not the duplexer"
                if more > BY_EAR
                else "no more than with the load: feeder and antenna add nothing"
            )
            lines.append(Seen(when, ANTENNA, seen[ANTENNA], more <= BY_EAR, says))
    return tuple(lines)


def against(when: str, seen_db: float, at: At | None) -> Seen:
    """A desensitisation that was seen with a load against the computed one; within `BY_EAR` they agree."""

    def made(agrees: bool | None, says: str) -> Seen:
        return Seen(when, LOAD, seen_db, agrees, says)

    if at is None or not at.on_load.known:
        why = "" if at is None else f" ({at.on_load.why})"
        return made(None, f"nothing was computed to hold it against{why}")
    low, high = max(at.on_load.low, 0.0), at.on_load.high
    if seen_db - BY_EAR > high:
        return made(False, f"CONTRADICTION: the duplexer explains {high:.1f} dB at most; look elsewhere: jumpers,"
                    " shielding, spurious of the transmitter, the receiver itself")  # fmt: skip
    if seen_db + BY_EAR < low:
        return made(False, f"CONTRADICTION: at least {low:.1f} dB should be seen: the transmitter is quieter than told,"
                    " or the receiver deafer")  # fmt: skip
    return made(True, "agrees with what the duplexer lets through")
