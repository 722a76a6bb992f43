"""What follows from the figures of a visit and what was entered by hand: powers against sweeps, holding range.

Owns: these lines, each with the assumptions it rests on. Refuses: a figure of the duplexer; those come from replay.
"""

from __future__ import annotations

from rf.notch.cavity import holding_range
from rf.repeater.desense import power_loss_db
from rf.values.words import text
from visit.day.day import Day
from visit.figures.assessment import Role
from visit.figures.replay import Figures, Replay
from visit.site.hookup import HookUp

AGREE_DB = 0.3
"""Loss by wattmeters and by sweep agree within this (study, idea 26)."""
METALS = ("copper", "nickel-iron")
LEAST_RANGE_HZ = 500.0
"""A holding range below this is no range: the goal is met without anything to spare."""


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
    channel = a.channel(Role.REJECT)
    if tested is None or a.notch is None or not a.notch.trusted or channel is None or not channel.transmission.known:
        return []
    shown, goal_db, lines = channel.transmission.low, a.site.goals.rejection_db, list[str]()
    for metal in METALS:
        held = holding_range(
            shown, goal_db, a.notch_offset.value, a.notch.bottom_width_hz, a.site.reject_hz(tested), metal
        )
        if held is None:
            continue
        if held.shift_hz < LEAST_RANGE_HZ:
            return [f"{one.hookup.name} shows {goal_db:g} dB with nothing to spare: any drift may lose it (INFERRED)"]
        lines.append(
            f"{one.hookup.name} holds {goal_db:g} dB within {_two_digits(held.shift_hz / 1e3)} kHz, about"
            f" ±{_two_digits(held.kelvin)} K if {metal}: INFERRED, no promise"
        )
    return lines


def _two_digits(value: float) -> str:
    """At least two digits, never an exponent."""
    return f"{value:.0f}" if value >= 10.0 else f"{value:.2g}"
