"""The figures of an assessment as plain lines and as JSON for stdout.

Owns: the two formats (documented in README). Refuses: colour, progress, and any number without its kind.
"""

from __future__ import annotations

import json
from typing import Any

from rf.words import as_json, text
from visit.assess import Assessment, Role

JSON_SCHEMA = 1
"""Counts up when a key changes its meaning or goes."""


def figures_text(a: Assessment) -> str:
    """One figure a line: name, figure with its word, what limits it."""
    lines = [
        f"hook-up       {a.hookup.name} (as told, not checked)",
        f"sweeps        {a.sweeps}, thrown out {a.thrown_sweeps}",
        f"floor         one sweep {text(a.floor_now)}; averaged {text(a.floor_averaged)}",
    ]
    for channel in a.channels:
        name = "rejection" if channel.role is Role.REJECT else "loss"
        place = f"at {channel.frequency_hz / 1e6:.4f} MHz"
        lines.append(_line(name, f"{text(channel.transmission)} {place}", channel.transmission.limited_by))
        if channel.role is Role.PASS:
            lines.append(_line("return loss", f"{text(channel.return_loss)} {place}", channel.return_loss.limited_by))
    offset = text(a.notch_offset, signed=True)
    place = " off target" if a.notch_offset.known else f": {a.notch_offset.why}"
    lines.append(_line("notch", offset + place, ""))
    if a.notch is not None and a.notch.trusted:
        lines.append(_line("skirts say", f"{text(a.notch.rejection_at[0])} at the channel", "model"))
    if a.clipped is not None:
        lines.append(f"clipped       {a.clipped.width_hz / 1e3:.0f} kHz under the floor: no information in it")
    lines += [f"goal          {goal.name} {goal.goal_db:g} dB: {goal.verdict.value}" for goal in a.goals]
    lines += [f"note          {caution}" for caution in a.cautions]
    return "\n".join(lines)


def _line(name: str, figure: str, limit: str) -> str:
    return f"{name:<14}{figure}" + (f" (limited by: {limit})" if limit else "")


def json_text(a: Assessment) -> str:
    """The documented JSON form, one object."""
    data: dict[str, Any] = {
        "schema": JSON_SCHEMA,
        "site": a.site.name,
        "hookup": a.hookup.name,
        "hookup_checked": False,
        "sweeps": a.sweeps,
        "thrown_sweeps": a.thrown_sweeps,
        "floor_one_sweep": as_json(a.floor_now),
        "floor_averaged": as_json(a.floor_averaged),
        "channels": [
            {
                "frequency_hz": channel.frequency_hz,
                "role": channel.role.value,
                ("rejection" if channel.role is Role.REJECT else "loss"): as_json(channel.transmission),
                "return_loss": as_json(channel.return_loss),
            }
            for channel in a.channels
        ],
        "notch_offset": as_json(a.notch_offset),
        "fitted": None
        if a.notch is None or not a.notch.trusted
        else {
            "rejection": as_json(a.notch.rejection_at[0]),
            "depth": as_json(a.notch.depth),
            "unloaded_q": as_json(a.notch.unloaded_q),
            "cavities": [as_json(figure) for figure in a.notch.singles],
        },
        "clipped_band": None
        if a.clipped is None
        else {
            "low_hz": a.clipped.low_hz,
            "high_hz": a.clipped.high_hz,
            "open_low": a.clipped.open_low,
            "open_high": a.clipped.open_high,
        },
        "goals": [
            {"name": goal.name, "goal_db": goal.goal_db, "verdict": goal.verdict.value, "figure": as_json(goal.figure)}
            for goal in a.goals
        ],
        "cautions": list(a.cautions),
    }
    return json.dumps(data, indent=2, allow_nan=False)
