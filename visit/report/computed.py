"""What follows from the figures of a visit and what was entered by hand: powers against sweeps, holding range.

Owns: these lines, each with the assumptions it rests on. Refuses: a figure of the duplexer; those come from replay.
"""

from __future__ import annotations

from rf.notch.cavity import EXPANSION_PER_K, drift_hz_per_k
from rf.repeater.desense import power_loss_db
from rf.values.words import text
from visit.day.day import Day
from visit.day.nudges import shift_words
from visit.figures.assessment import Role
from visit.figures.replay import Figures, Replay
from visit.site.hookup import HookUp

AGREE_DB = 0.3
"""Loss by wattmeters and by sweep agree within this (study, idea 26)."""
METALS = ("copper", "nickel-iron")


def computed_lines(day: Day, replay: Replay) -> list[str]:
    """All lines, in the order in which they are printed."""
    return [
        *_powers(day, replay),
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
        f"±{two_digits(held.low / abs(drift_hz_per_k(reject_hz, EXPANSION_PER_K[metal])))} K of {metal}"
        for metal in METALS
    )
    return [f"{one.hookup.name} holds {goal_db:g} dB within {shift_words(held)}, at least {metals}: no promise"]


def two_digits(value: float) -> str:
    """At least two digits, never an exponent."""
    return f"{value:.0f}" if value >= 10.0 else f"{value:.2g}"
