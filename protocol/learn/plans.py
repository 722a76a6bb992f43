"""Which of the instrument's commands may set the span, the points, and take and give data: candidates, best first.

Owns: making command templates from listed arguments, or from the trade's habits where a listing shows none. Refuses: to
try them; see `trial`.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from protocol.learn.vocabulary import Argument, Entry, ranked

UNIT_NAMES = {1.0: "hz", 1e3: "khz", 1e6: "mhz", 1e9: "ghz"}
FREQUENCY_ROLES = ("start", "stop", "centre", "span", "step")
MOST_PLANS = 60


@dataclass(frozen=True)
class Plan:
    """Templates that together set start, stop and points: (profile command, template, word)."""

    parts: tuple[tuple[str, str, str], ...]

    @property
    def words(self) -> frozenset[str]:
        """The command words it uses."""
        return frozenset(word for _, _, word in self.parts)

    @property
    def templates(self) -> dict[str, str]:
        """Template by profile command."""
        return {name: template for name, template, _ in self.parts}


def field_of(role: str, unit: str) -> str:
    """The profile's field for an argument."""
    if role in FREQUENCY_ROLES:
        return f"{{{role}_{unit}}}"
    return {"points": "{points}", "bandwidth": "{bandwidth_hz}", "level": "{level_dbm}"}.get(role, "")


def plans(entries: Sequence[Entry]) -> list[Plan]:
    """All ways to set span and points, the likeliest first."""
    safe = [entry for entry in entries if not entry.unsafe]
    points = [entry for entry in ranked(safe, "points") if entry.shown is False or len(entry.arguments) == 1]
    found: list[Plan] = []
    for unit in ("hz", "khz", "mhz"):
        for single in _together(safe, unit):
            found += _with_points(single, points, unit)
        for first, second in (("start", "stop"), ("centre", "width")):
            for pair in _apart(safe, first, second, unit):
                found += _with_points(pair, points, unit)
    unique = list(dict.fromkeys(found))
    return unique[:MOST_PLANS]


def _together(entries: Iterable[Entry], unit: str) -> list[tuple[tuple[str, str, str], ...]]:
    """One command for both ends."""
    found: list[tuple[tuple[str, str, str], ...]] = []
    listed = list(entries)
    for entry in sorted(listed, key=lambda e: -e.score("span")):
        roles = set(entry.roles)
        if {"start", "stop"} <= roles or {"centre", "span"} <= roles:
            for suffixed in (True, False):
                template = _filled(entry, unit, suffixed=suffixed)
                if template:
                    found.append((("span", template, entry.word),))
    for entry in [*ranked(listed, "span", 2.0), *ranked(listed, "sweep", 3.0)]:
        if entry.shown or entry.arguments:
            continue
        for order in itertools.permutations(("start", "stop", "points")):
            if order.index("start") < order.index("stop"):
                text = " ".join(field_of(role, unit) for role in order)
                found.append((("span", f"{entry.word} {text}", entry.word),))
        pair = f"{field_of('start', unit)} {field_of('stop', unit)}"
        found.append((("span", f"{entry.word} {pair}", entry.word),))
    return found


def _filled(entry: Entry, unit: str, *, suffixed: bool) -> str:
    """The template of an entry whose arguments are all known; "" when one is not."""
    parts: list[str] = []
    for argument in entry.arguments:
        role = argument.role
        own = UNIT_NAMES.get(argument.unit_hz or 0.0)
        text = field_of(role, own or _described(entry) or unit) if role else ""
        text = f"{text}{argument.suffix}" if text and suffixed else text
        if not text:
            if argument.optional:
                continue
            return ""
        parts.append(text)
    return f"{entry.word} {(',' if entry.comma else ' ').join(parts)}"


def _described(entry: Entry) -> str:
    """The unit that a description names, as in "span in kHz"."""
    said = Argument(entry.description).unit_hz
    return UNIT_NAMES.get(said or 0.0, "")


def _apart(entries: Sequence[Entry], first: str, second: str, unit: str) -> list[tuple[tuple[str, str, str], ...]]:
    """A command for each end."""
    found: list[tuple[tuple[str, str, str], ...]] = []
    names = {"start": "start", "stop": "stop", "centre": "start", "width": "stop"}
    fields = {"start": "start", "stop": "stop", "centre": "centre", "width": "span"}
    lows, highs = (
        [entry for entry in ranked(entries, name, 2.0) if len(entry.arguments) == 1 or not entry.shown]
        for name in (first, second)
    )
    if first == "centre":
        return []  # the profile sets centre and width in one command only
    for low in lows[:3]:
        for high in highs[:3]:
            if low.word == high.word:
                continue
            for suffixed in (True, False):
                parts: list[tuple[str, str, str]] = []
                for entry, name in ((low, first), (high, second)):
                    argument = entry.arguments[0] if entry.arguments else Argument("")
                    own = UNIT_NAMES.get(argument.unit_hz or 0.0) or _described(entry) or unit
                    behind = argument.suffix if suffixed else ""
                    parts.append((names[name], f"{entry.word} {field_of(fields[name], own)}{behind}", entry.word))
                found.append(tuple(parts))
    return found


def _with_points(span: tuple[tuple[str, str, str], ...], points: Sequence[Entry], unit: str) -> list[Plan]:
    """A plan needs the number of points: in the span command itself, else by a command of its own."""
    del unit
    if any("{points}" in template or "{step_" in template for _, template, _ in span):
        return [Plan(span)]
    used = {word for _, _, word in span}
    return [
        Plan((*span, ("points", f"{entry.word} {{points}}", entry.word)))
        for entry in points[:3]
        if entry.word not in used
    ]
