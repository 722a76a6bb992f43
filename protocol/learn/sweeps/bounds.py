"""Limits and bandwidths of a console whose settings are understood.

Owns: fewest and most points, lowest and highest frequency, the bandwidths and their codes. Refuses: to claim a value
that was neither told by the console nor taken when tried.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from protocol.learn.dialogue import Role
from protocol.learn.sweeps.trials import Trials

COUNTS = (11, 21, 25, 50, 51, 64, 75, 100, 101, 128, 150, 151, 200, 201, 256, 301, 401, 500, 501, 512, 801, 1001)
USUAL_HZ = (10.0, 30.0, 100.0, 300.0, 1000.0, 3000.0, 10_000.0)


@dataclass
class Bounds:
    """What may be asked for. `points` lists the only counts, where there are few."""

    start_hz: float = 0.0
    stop_hz: float = 0.0
    min_points: int = 0
    max_points: int = 0
    points: tuple[int, ...] = ()
    bandwidths_hz: list[float] = field(default_factory=list)
    codes: list[str] = field(default_factory=list)
    bandwidth: str = ""
    """Template of the command; "" where there is none."""


async def find_points(trials: Trials, bounds: Bounds) -> None:
    """Which numbers of points are taken, by the read-back; those that were seen where there is none."""
    setter = trials.setters.found.get(Role.POINTS)
    taken = set(trials.points)
    if setter is not None and setter.source is not None:
        for count in COUNTS:
            if count not in taken and await _holds(trials, Role.POINTS, str(count), float(count)):
                taken.add(count)
    inside = [count for count in COUNTS if taken and min(taken) <= count <= max(taken)]
    bounds.min_points, bounds.max_points = (min(taken), max(taken)) if taken else (0, 0)
    if setter is not None and setter.source is not None and len(taken) < 0.7 * len(inside):
        bounds.points = tuple(sorted(taken))


async def _holds(trials: Trials, role: Role, text: str, value: float) -> bool:
    setter = trials.setters.found[role]
    assert setter.source is not None
    for number, line in enumerate(setter.form.replace("{v}", text).split("\n")):
        lines = trials.talk.lines(await trials.talk.say(line, value=number > 0), line)
    if trials.talk.refused(lines):
        return False
    answer = await trials.talk.ask(setter.source.command)
    want = setter.source.line.replace("{v}", text)
    return any(re.sub(r"\s+", " ", line).strip() == want for line in answer) and bool(value)


async def find_bandwidth(trials: Trials, bounds: Bounds) -> None:
    """The bandwidths that the console's words list and that are taken."""
    for word in trials.setters.of(Role.BANDWIDTH):
        told = f"{word.usage[len(word.name) :]} {word.description}"
        listed, codes = _listed(told)
        if not listed:
            continue
        texts = codes or [f"{hz:g}" for hz in listed]
        for form in trials.setters.set_forms(word):
            if "\n" in form:
                continue
            kept = [
                (hz, text)
                for hz, text in zip(listed, texts, strict=True)
                if not trials.talk.refused(await trials.talk.ask(form.replace("{v}", text)))
            ]
            if len(kept) == len(listed):
                bounds.bandwidths_hz = [hz for hz, _ in kept]
                bounds.codes = [text for _, text in kept] if codes else []
                bounds.bandwidth = form.replace("{v}", "{bandwidth_code}" if codes else "{bandwidth_hz}")
                return


def _listed(told: str) -> tuple[list[float], list[str]]:
    """Bandwidths in hertz and their codes, as the console's words list them."""
    index = re.search(r"0\.\.(\d+) \(([\d. ]+) Hz\)", told)
    pairs = re.findall(r"\b(\d+):(\d+)\b", told)
    if index:
        values = [float(text) for text in index.group(2).split()]
        return (values, [str(at) for at in range(len(values))]) if len(values) == int(index.group(1)) + 1 else ([], [])
    if len(pairs) >= 2:
        return [float(hz) for _, hz in pairs], [code for code, _ in pairs]
    row = re.search(r"(?:Hz:?\s*|\[|\()((?:\d+(?:\.\d+)?[ ,|/]+){1,}\d+(?:\.\d+)?)", told)
    if row:
        values = [float(text) for text in re.split(r"[ ,|/]+", row.group(1))]
        return (values, []) if values == sorted(set(values)) and len(values) > 1 else ([], [])
    span = re.search(r"(\d+(?:\.\d+)?)\.\.(\d+(?:\.\d+)?) ?Hz", told)
    if span:
        low, high = float(span.group(1)), float(span.group(2))
        inner = [hz for hz in USUAL_HZ if low < hz < high]
        return sorted({low, *inner, high}), []
    return [], []
