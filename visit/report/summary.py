"""The first page of a report: what was wrong, what was done, what it is now, what is owed, in words for whoever owns or
licenses the site.

Owns: these sentences. Refuses: a figure without its word, and a good word for what was not measured.
"""

from __future__ import annotations

import time
from collections.abc import Sequence

from rf.values.words import text
from visit.day.day import Day
from visit.day.next_deed import REPORT, NextDeed
from visit.day.nudges import NudgeRow
from visit.day.stages import Stood
from visit.day.turn_words import count_words
from visit.figures.assessment import Assessment, Channel, GoalResult, Role, overall
from visit.figures.replay import Figures
from visit.report.pictures import FOUND
from visit.site.hookup import HookUp, Side
from visit.site.site import Site

PORT_NAMES = {"A": "the antenna connector", "L": "the low side", "H": "the high side"}
STATES = {True: "met", False: "missed", None: "not shown"}


def hookup_words(hookup: HookUp) -> str:
    """What a short name such as A>L says, in a sentence."""
    if hookup.alone:  # a file may name anything as the ground of a stage
        return f"{hookup.text}: no duplexer between the leads"
    third = f", {PORT_NAMES[hookup.third_port]} closed by a {hookup.third}" if hookup.third_port else ""
    return (
        f"{hookup.text}: the analyzer drives {PORT_NAMES[hookup.driven]} and reads at {PORT_NAMES[hookup.read]}{third}"
    )


def heading(site: Site, day: Day, visited_s: tuple[float, float]) -> list[tuple[str, str]]:
    """Who, what, when: name and value; what nobody wrote down is left out, but for the names of people and things that
    a report needs."""
    first, last = (time.strftime("%Y-%m-%d %H:%M", time.localtime(at)) for at in visited_s)
    zone = time.strftime("%Z (UTC%z)", time.localtime(visited_s[1]))
    warm = [
        f"{name.removeprefix('temperature of the ').removeprefix('temperature ')} {value:g} C"
        for name in ("temperature outside", "temperature of the cabinet", "temperature of the duplexer")
        if (value := day.value(name)) is not None
    ]
    if not warm and site.temperature_c is not None:
        warm = [f"{site.temperature_c:g} C by the site file"]
    rows = [
        ("measured", f"{first} to {last}, {zone}"),
        ("technician", day.words("technician") or "not written down"),
        ("duplexer", day.words("maker and type") or f"{site.kind}; maker and type not written down"),
        ("serial number", day.words("serial number") or "not written down"),
        ("channels", f"low {site.low_hz / 1e6:.4f} MHz, high {site.high_hz / 1e6:.4f} MHz"),
        ("transmitter", f"on the {site.transmit.word} side ({site.pass_hz(site.transmit) / 1e6:.4f} MHz)"),
        ("temperature", ", ".join(warm) or "not written down"),
    ]
    return rows + ([("notes of the site", site.notes)] if site.notes else [])


def goals_by_channel(a: Assessment) -> list[tuple[Channel, GoalResult]]:
    """Each goal with its channel, in their order (`goals_of` makes one for a channel held back, two for one passed)."""
    at = [channel for channel in a.channels for _ in range(1 if channel.role is Role.REJECT else 2)]
    return list(zip(at, a.goals, strict=True))


def wrong(day: Day, found: list[Figures]) -> list[str]:
    """The complaint, and the goals that the duplexer missed as found."""
    complaint = day.words("complaint")
    lines = [f"Complaint: {complaint}"] if complaint else ["No complaint was written down."]
    for one in found:
        lines += [
            f"As found, {_place(one, channel)}: {goal.name} {text(goal.figure)}, goal {goal.goal_db:g} dB: missed."
            for channel, goal in goals_by_channel(one.assessment)
            if goal.met is False
        ]
    if found and not any(goal.met is False for one in found for goal in one.assessment.goals):
        shown = all(overall(one.assessment) for one in found)
        lines.append(
            "As found, every goal that was measured was met."
            if shown
            else "As found, no goal was shown to be missed; not all could be shown (below)."
        )
    return lines


def done(day: Day, nudges: list[NudgeRow], calibrated: bool, stood: Sequence[Stood]) -> list[str]:
    """What was turned, decided, and how the analyzer was corrected; what moved and was not written down."""
    lines = [line for before, after in stood if before and after and (line := _unwritten(before, after, nudges))]
    for side in Side:
        mine = [row for row in nudges if row.side == side.value]
        if mine:
            lines.append(f"On the {side.word} side: {count_words(mine)}; each turn stands under 'screws'.")
    lines += [] if lines else ["No turn of a screw was written down."]
    lines += [f"{name.capitalize()}: {words}" for name in ("decision", "reason") if (words := day.words(name))]
    lines.append(
        "The analyzer was calibrated on this computer; the checks stand below."
        if calibrated
        else "No calibration was made on this computer."
    )
    return lines


def _unwritten(before: Figures, after: Figures, nudges: list[NudgeRow]) -> str:
    """A notch that moved though no turn of its side stands in the ledger; "" otherwise."""
    side, (x, y) = after.hookup.side, (before.assessment.notch_offset, after.assessment.notch_offset)
    if side is None or not (x.known and y.known) or any(row.side == side.value for row in nudges):
        return ""
    if abs(y.value - x.value) <= (x.high - x.low) / 2.0 + (y.high - y.low) / 2.0:
        return ""
    return (
        f"On the {side.word} side the notch moved from {text(x, signed=True)} to {text(y, signed=True)}; nobody wrote"
        " down why."
    )


def now(stood: Sequence[Stood], stage: str) -> list[str]:
    """Each goal of each hook-up that was measured, with its verdict; `stage` names what was measured last."""
    lines = []
    for before, after in stood:
        one, when = (after, stage) if after is not None else (before, f"{FOUND}, not measured since")
        if one is None:
            continue
        lines.append(f"{one.hookup.name}, {when}:")
        for channel, goal in goals_by_channel(one.assessment):
            state = goal.words if goal.condition else STATES[goal.met]
            lines.append(f"{_place(one, channel)}: {goal.name} {text(goal.figure)}, goal {goal.goal_db:g} dB: {state}.")
    return lines or ["Nothing was measured."]


def unmeasured(site: Site, last: list[Figures]) -> list[str]:
    """Sides of which nothing is known."""
    sides = {one.hookup.side for one in last}
    return [
        f"The {side.word} side was NOT measured: nothing is said of {site.pass_hz(side) / 1e6:.4f} MHz passing or"
        f" {site.reject_hz(side) / 1e6:.4f} MHz held back there."
        for side in Side
        if side not in sides
    ]


def owed(not_shown: list[str], left_out: list[str], doubts: list[str], next_due: str, deed: NextDeed) -> list[str]:
    """What remains to be done; `deed` is what the visit itself would have done next."""
    lines = [f"Not shown: {line}" for line in not_shown]
    lines += [f"In doubt: {line}" for line in doubts]
    lines += [f"Left out: {line}" for line in left_out]
    if deed.do == REPORT.do and deed != REPORT:
        lines.append(f"Left as it is: {deed.why}.")
    elif deed != REPORT:
        lines.append(f"Next: {deed.do}: {deed.why}.")
    lines += [f"Next visit due: {next_due}" if next_due else "The next visit is not fixed."]
    return lines


def _place(one: Figures, channel: Channel) -> str:
    """Which connection a goal speaks of, in words."""
    side, at = one.hookup.side, f"({one.hookup.name}) at {channel.frequency_hz / 1e6:.4f} MHz"
    return f"Side to side {at}" if side is None else f"{side.word.capitalize()} side {at}"
