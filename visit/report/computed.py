"""What follows from the figures of a visit and what was entered by hand: powers against sweeps, desensitisation, needed
rejection, holding range.

Owns: these lines, each with the assumptions it rests on. Refuses: a figure of the duplexer; those come from replay.
"""

from __future__ import annotations

from rf.notch.cavity import EXPANSION_PER_K, drift_hz_per_k
from rf.repeater.desense import explained_desense_db, needed_rejection, power_loss_db, watt_dbm
from rf.values.words import text
from visit.day.day import Day
from visit.day.nudges import shift_words
from visit.figures.assessment import Role
from visit.figures.replay import Figures, Replay
from visit.site.hookup import HookUp

AGREE_DB = 0.3
"""Loss by wattmeters and by sweep agree within this (study, idea 26)."""
NOISE_BAND_DBC_HZ = (-140.0, -125.0)
"""Noise of transmitters at the receive frequency is seldom known: quiet and loud ones (common practice; shown as a
band)."""
USUAL_NOISE_FIGURE_DB = 8.0
BLOCKING_DBM = -20.0
METALS = ("copper", "nickel-iron")


def computed_lines(day: Day, replay: Replay) -> list[str]:
    """All lines, in the order in which they are printed."""
    return [
        *_powers(day, replay),
        *_desensitisation(day, replay),
        *(line for one in replay.all_figures() for line in _holding(one)),
    ]


def _transmit(replay: Replay) -> Figures | None:
    return replay.figures(HookUp("A", replay.site.transmit.value))


def _powers(day: Day, replay: Replay) -> list[str]:
    """Loss by wattmeters against loss by sweep."""
    into, out = day.value("power into duplexer"), day.value("power out of duplexer")
    if not (into and out and out <= into):
        return []
    by_power = power_loss_db(into, out)
    line = f"loss by wattmeters {by_power:.2f} dB"
    transmit = _transmit(replay)
    channel = transmit.assessment.channel(Role.PASS) if transmit else None
    if channel is not None and channel.transmission.known:
        off = abs(by_power - channel.transmission.value)
        line += f", by sweep {text(channel.transmission)}: {'they agree' if off <= AGREE_DB else 'they DISAGREE'}"
    return [line]


def _desensitisation(day: Day, replay: Replay) -> list[str]:
    """What the duplexer explains of the desensitisation that was seen, and what rejection it takes."""
    power = day.value("transmitter power") or day.value("power into duplexer")
    if not power:
        return []
    lines, seen, transmit = [], day.value("desense with load"), _transmit(replay)
    reject = transmit.assessment.channel(Role.REJECT) if transmit else None
    if reject is not None and reject.transmission.known:
        low, high = (
            explained_desense_db(watt_dbm(power), noise, USUAL_NOISE_FIGURE_DB, reject.transmission.low)
            for noise in NOISE_BAND_DBC_HZ
        )
        line = (
            f"the duplexer explains {low:.1f} to {high:.1f} dB of desensitisation at most (transmitter noise"
            f" {NOISE_BAND_DBC_HZ[0]:g} to {NOISE_BAND_DBC_HZ[1]:g} dBc/Hz, receiver"
            f" {USUAL_NOISE_FIGURE_DB:g} dB: assumed)"
        )
        if seen is not None:
            line += f"; {seen:g} dB were seen" + ("" if seen <= high + 0.5 else ": look elsewhere")
        lines.append(line)
    needs = [
        needed_rejection(watt_dbm(power), noise, USUAL_NOISE_FIGURE_DB, BLOCKING_DBM, 0.5)
        for noise in NOISE_BAND_DBC_HZ
    ]
    lines.append(
        f"needed for 0.5 dB of desensitisation: {needs[0].noise_db:.0f} to {needs[1].noise_db:.0f} dB against the"
        f" transmitter's noise, {needs[0].carrier_db:.0f} dB against its carrier (receiver blocked at"
        f" {BLOCKING_DBM:g} dBm: assumed)"
    )
    return lines


def _holding(one: Figures) -> list[str]:
    """How far the unit may drift before a goal that was shown is lost; what is not shown has no range to tell."""
    a, tested = one.assessment, one.hookup.side
    channel, goal_db = a.channel(Role.REJECT), a.site.goals.rejection_db
    if tested is None or a.notch is None or channel is None or not channel.transmission.low > goal_db:
        return []
    if a.notch.falls is None:
        return [f"{one.hookup.name}: how far it may drift before {goal_db:g} dB are lost: CAN'T SAY, {a.notch.why}"]
    held = a.notch.falls.within(channel.transmission, goal_db)
    if not held.known:
        return [f"{one.hookup.name}: how far it may drift before {goal_db:g} dB are lost: CAN'T SAY, {held.why}"]
    reject_hz = a.site.reject_hz(tested)
    metals = ", ".join(
        f"±{_two_digits(held.low / abs(drift_hz_per_k(reject_hz, EXPANSION_PER_K[metal])))} K of {metal}"
        for metal in METALS
    )
    return [f"{one.hookup.name} holds {goal_db:g} dB within {shift_words(held)}, at least {metals}: no promise"]


def _two_digits(value: float) -> str:
    """At least two digits, never an exponent."""
    return f"{value:.0f}" if value >= 10.0 else f"{value:.2g}"
