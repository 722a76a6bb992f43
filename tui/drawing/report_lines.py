"""The figures of an assessment as plain lines and as JSON for stdout.

Owns: the two formats (JSON: docs/json.md). Refuses: colour, progress, and any number without its kind.
"""

from __future__ import annotations

import math

from protocol.files.harmless import harmless_json
from rf.values.decibel import amplitude_db
from rf.values.figure import Kind
from rf.values.verdict import conformance_probability
from rf.values.words import rounded_down, text
from visit.day.next_deed import NextDeed
from visit.figures.assessment import Assessment, Role, leak_words
from visit.figures.figures_json import assessment_data
from visit.figures.third_load import load_words


def figures_lines(a: Assessment, deed: NextDeed | None = None) -> list[str]:
    """One figure a line: name, figure with its word, what limits it; last what to do next, where that is known."""
    cure = f" ({a.check.cure})" if a.check.cure else ""
    lines = [
        f"hook-up       {a.hookup.name} as declared; seen: {a.check.short}{cure}",
        f"sweeps        {a.sweeps}, thrown out {a.thrown_sweeps}",
        f"floor         one sweep {text(a.floor_now)}; averaged {text(a.floor_averaged)}",
    ]
    for channel in a.channels:
        name = "rejection" if channel.role is Role.REJECT else "loss"
        place = f"at {channel.frequency_hz / 1e6:.4f} MHz"
        lines.append(_line(name, f"{text(channel.transmission)} {place}", channel.transmission.limited_by))
        if channel.role is Role.PASS:
            lines.append(_line("return loss", f"{text(channel.return_loss)} {place}", channel.return_loss.limited_by))
            if channel.return_loss.kind is Kind.AT_LEAST and channel.return_loss.why:
                lines.append(f"              {channel.return_loss.why}")
    offset = text(a.notch_offset, signed=True)
    place = " off target" if a.notch_offset.known else f": {a.notch_offset.why}"
    lines.append(_line("notch", offset + place, ""))
    if a.notch is not None and a.notch.trusted:
        lines.append(_line("skirts say", f"{text(a.notch.rejection_at[0])} at the channel", "model"))
    if a.clipped is not None:
        lines.append(f"clipped       {a.clipped.width_hz / 1e3:.0f} kHz under the floor: no information in it")
    if a.lowest is not None and a.lowest.place.known:
        lines.append(_line("deepest", f"{text(a.lowest.depth)} at {text(a.lowest.place)}", ""))
    if a.survey is not None:
        worth = (
            f"averaging pays up to {a.survey.worth_sweeps} sweeps" if a.survey.worth_sweeps else "averaging still pays"
        )
        lines.append(_line("leakage", f"{text(a.survey.leakage)}; {worth}", a.survey.leakage.limited_by))
    if a.leakage is not None:
        lines.append(f"leak limit    {amplitude_db(a.leakage):.1f} dB re thru, in every bound")
    lines += [
        f"  at {channel.frequency_hz / 1e6:.4f} MHz: {leak_words(channel)}"
        for channel in a.channels
        if channel.leak_source
    ]
    if a.proof.proven_db is not None:
        counted = f"looks counted in: {a.proof.looks}, run {a.proof.nth_run}"
        lines.append(f"proven        {rounded_down(a.proof.proven_db, 1):.1f} dB or more, {counted}")
    lines += [f"goal          {goal.name} {goal.goal_db:g} dB: {goal.words}" for goal in a.goals]
    lines += [f"note          {caution}" for caution in a.cautions]
    return lines + ([f"next          {deed.words}"] if deed is not None else [])


def budget_lines(a: Assessment | None) -> list[str]:
    """The contributions of every figure: half-width by its law and standard uncertainty, both in dB."""
    if a is None or not a.channels:
        return ["no figure yet"]
    lines = []
    for channel in a.channels:
        at = f"at {channel.frequency_hz / 1e6:.4f} MHz"
        if channel.parts:
            lines.append(f"rejection {at}: the proof lies below the plain reading by")
            lines += [f"  {name:<12}{value:8.2f} dB" for name, value in channel.parts]
            if channel.load is not None:
                lines.append(f"  {load_words(channel.load)}")
        for name, budget in channel.budgets:
            lines.append(f"{name} {at}: u = {budget.standard_db:.3f} dB, interval ±{budget.drawn_db():.2f} dB")
            lines += [
                f"  {part.name:<12}±{part.half_width_db:.3f} dB {part.law.value:<12}u = {part.standard_db:.3f} dB"
                for part in budget.contributions
            ]
    for goal in a.goals:
        chance = conformance_probability(goal.figure, goal.goal_db)
        if math.isfinite(chance) and goal.name != "loss":
            lines.append(f"{goal.name} {goal.goal_db:g} dB: met with a chance of {100 * chance:.1f} % by the reading")
    return lines


def _line(name: str, figure: str, limit: str) -> str:
    return f"{name:<14}{figure}" + (f" (limited by: {limit})" if limit else "")


def json_text(a: Assessment, deed: NextDeed | None = None) -> str:
    """The documented JSON form, one object."""
    return harmless_json({**assessment_data(a), "next": None if deed is None else deed.data()})
