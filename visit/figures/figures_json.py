"""The figures of an assessment as the documented JSON object: for stdout, for frozen stages, for exports.

Owns: the keys (docs/json.md) and their schema number. Refuses: text for people.
"""

from __future__ import annotations

from typing import Any

from rf.repeater.fault_distance import Echo
from rf.repeater.hookup_check import State
from rf.values.decibel import amplitude_db
from rf.values.words import as_json, finite
from visit.figures.assessment import Assessment, Channel, Role

JSON_SCHEMA = 1
"""Counts up when a key changes its meaning or goes."""


def assessment_data(a: Assessment) -> dict[str, Any]:
    """The documented object."""
    return {
        "schema": JSON_SCHEMA,
        "site": a.site.name,
        "hookup": a.hookup.name,
        "hookup_checked": a.check.state is not State.UNSEEN,
        "hookup_check": {
            "state": a.check.state.value,
            "seen": a.check.seen,
            "says": a.check.short,
            "cure": a.check.cure,
        },
        "sweeps": a.sweeps,
        "thrown_sweeps": a.thrown_sweeps,
        "floor_one_sweep": as_json(a.floor_now),
        "floor_averaged": as_json(a.floor_averaged),
        "channels": [_channel_data(channel) for channel in a.channels],
        "notch_offset": as_json(a.notch_offset),
        "fitted": _fitted(a),
        "clipped_band": None
        if a.clipped is None
        else {
            "low_hz": a.clipped.low_hz,
            "high_hz": a.clipped.high_hz,
            "open_low": a.clipped.open_low,
            "open_high": a.clipped.open_high,
        },
        "deepest": None
        if a.lowest is None or not a.lowest.place.known
        else {"place": as_json(a.lowest.place), "depth": as_json(a.lowest.depth)},
        "leakage_limit_db": None if a.leakage is None else amplitude_db(a.leakage),
        "leakage": None if a.survey is None else as_json(a.survey.leakage),
        "worth_sweeps": None if a.survey is None else a.survey.worth_sweeps,
        "echo": None if a.echo is None else _echo_data(a.echo),
        "proven_db": a.proof.proven_db,
        "looks": {"taken": a.proof.looks, "nth_run": a.proof.nth_run, "goal": a.proof.goal},
        "goals": [
            {
                "name": goal.name,
                "goal_db": goal.goal_db,
                "verdict": goal.verdict.value,
                "condition": goal.condition,
                "figure": as_json(goal.figure),
            }
            for goal in a.goals
        ],
        "carriers": [{"frequency_hz": carrier.frequency_hz, "level_db": carrier.level_db} for carrier in a.carriers],
        "steps_after_sweeps": list(a.steps),
        "doubts": list(a.doubts),
        "cautions": list(a.cautions),
    }


def _channel_data(channel: Channel) -> dict[str, Any]:
    source, load = channel.leak_source, channel.load
    return {
        "frequency_hz": channel.frequency_hz,
        "role": channel.role.value,
        ("rejection" if channel.role is Role.REJECT else "loss"): as_json(channel.transmission),
        "return_loss": as_json(channel.return_loss),
        "leakage_limit_db": None if channel.leakage is None else amplitude_db(channel.leakage),
        "leakage_source": None
        if source is None
        else {"says": source.says, "found": source.found, "doubt": source.doubt},
        "proof_parts_db": dict(channel.parts),
        "third_port_load": None if load is None else {"return_loss_db": load.return_loss_db, "source": load.source},
        "budgets": {
            name: [
                {"name": part.name, "half_width_db": part.half_width_db, "law": part.law.value}
                for part in budget.contributions
            ]
            for name, budget in channel.budgets
        },
    }


def _fitted(a: Assessment) -> dict[str, Any] | None:
    """The notch, where its fit is trusted."""
    if a.notch is None or not a.notch.trusted:
        return None
    return {
        "rejection": as_json(a.notch.rejection_at[0]),
        "depth": as_json(a.notch.depth),
        "unloaded_q": as_json(a.notch.unloaded_q),
        "cavities": [as_json(figure) for figure in a.notch.each.figures],
        "cavities_together": [[number + 1 for number in group] for group in a.notch.each.groups],
    }


def _echo_data(echo: Echo) -> dict[str, Any]:
    """The strongest echo of a feeder; lengths in metres."""
    return {
        "place": as_json(echo.place),
        "level": as_json(echo.level),
        "resolution_m": finite(echo.resolution_m),
        "blind_m": finite(echo.blind_m),
        "range_m": finite(echo.range_m),
    }
