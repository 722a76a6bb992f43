"""Limits and bandwidths of a console whose settings are understood.

Owns: fewest and most points, lowest and highest frequency, the bandwidths and their codes. Refuses: to claim a value
that was neither told by the console nor taken when tried.
"""

from __future__ import annotations

import re
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass, field
from functools import partial

from protocol.learn.dialogue import Role, Word
from protocol.learn.sweeps.setters import line_with
from protocol.learn.sweeps.told import counts_told
from protocol.learn.sweeps.trials import Trials
from protocol.learn.sweeps.trying import Outcome
from protocol.learn.words.asides import modern

COUNTS = (11, 21, 25, 50, 51, 64, 75, 100, 101, 128, 150, 151, 200, 201, 256, 301, 401, 500, 501, 512, 801, 1001)
MOST_MISSED = 3
"""Counts in a row that are not taken, after which no larger ones are tried."""
NARROW_HZ = 1e5
"""A span that fits near the end of every range."""
LADDER_HZ = (
    1e4, 3e4, 1e5, 3e5, 5e5, 1e6, 2e6, 5e6, 1e7, 2e7, 5e7, 1e8, 1.4e8, 2e8, 3e8, 3.5e8, 5e8, 7e8, 9e8, 1e9, 1.3e9,
    1.5e9, 2e9, 2.5e9, 3e9, 4e9, 4.4e9, 5e9, 6e9, 8e9,
)  # fmt: skip
"""Ends of ranges that are tried, in hertz."""
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
    assumed: bool = False
    """Whether an end of the range was never refused beyond: it stands where a sweep followed last."""
    bandwidth: str = ""
    """Template of the command; "" where there is none."""


async def find_points(trials: Trials, bounds: Bounds) -> None:
    """Which numbers of points are taken: the ends that the console tells, then usual ones."""
    setter = trials.setters.found.get(Role.POINTS)
    await trials.look()
    taken, refused = set(trials.points), set(trials.refused_counts)
    if trials.points_form and setter is not None:
        tried = [2**exponent for exponent in range(4, 11)]
        bounds.points = tuple([n for n in tried if n in taken or (await trials.holds(Role.POINTS, n)).taken])
        bounds.min_points, bounds.max_points = bounds.points[0], bounds.points[-1]
        return
    shown = (
        setter is not None
        and not trials.counted_by_data
        and (setter.source is not None or trials.shows or bool(refused))
    )
    if setter is not None and shown:
        told = trials.counts_told or counts_told([f"{setter.word.usage} {setter.word.description}"], 0)
        ends = told if len(told) == 2 else []
        between = [count for count in (64, 100, 101) if ends and ends[0] < count < ends[1]]
        for count in (*told, *between) if ends else told:
            if count not in taken | refused:
                (taken if (await trials.holds(Role.POINTS, count)).taken else refused).add(count)
        if not ends or refused & {*ends, *between}:
            await _usual_counts(trials, taken, refused)
    if setter is not None and not shown and trials.proved:
        taken = set(trials.proved)  # others may have been made other ones without a word
    bounds.min_points, bounds.max_points = (min(taken), max(taken)) if taken else (0, 0)
    if (
        (setter is not None and not shown)  # only what was swept is known: any other may be made another one
        or trials.counted_by_data
        or trials.points_form
        or (setter is None and len(trials.counts_told) > 2)  # one command for all: a refusal listed the only ones
        or any(bounds.min_points < count < bounds.max_points for count in refused)
    ):
        bounds.points = tuple(sorted(taken))


async def _usual_counts(trials: Trials, taken: set[int], refused: set[int]) -> None:
    """Try the usual counts, outwards from those that are taken until two in a row are not."""
    middle = sorted(taken)[len(taken) // 2] if taken else 101
    for row in ([n for n in COUNTS if n >= middle], [n for n in reversed(COUNTS) if n < middle]):
        missed = 0
        for count in row:
            if count in taken | refused:
                missed = missed + 1 if count in refused else 0
                continue
            good = (await trials.holds(Role.POINTS, count)).taken
            (taken if good else refused).add(count)
            missed = 0 if good else missed + 1
            if missed >= MOST_MISSED:
                break


Follows = Callable[[float, bool], Awaitable[bool]]
"""Whether a sweep that ends at a frequency (True), or begins there, shows what the one that was understood showed."""


async def find_range(trials: Trials, bounds: Bounds, follows: Follows) -> None:
    """The lowest start and the highest stop: as told, else by steps outwards until one is not taken.

    An end that was tried is believed only where a value beyond it was refused or moved, and where values within it were
    followed, as read back. Any other is the outermost beside which a sweep followed, or what was swept before.
    """
    low, high = trials.low_hz, trials.high_hz
    for told in trials.told_ranges():
        low, high = min(low, told[0]), max(high, told[1])
    setters = trials.setters.found
    if {"start", "stop"} <= {name.partition("_")[0] for name in re.findall(r"\{(\w+)", trials.combined)}:
        await _ends_together(trials, bounds, (low, high), follows)
        return
    roles = [role for role in (Role.START, Role.STOP, Role.CENTRE) if role in setters]
    if roles and any(setters[role].source is not None or trials.shows or trials.refuses for role in roles):
        upper = next(role for role in (Role.STOP, Role.CENTRE, Role.START) if role in setters)
        lower = Role.START if Role.START in setters else upper
        if Role.SPAN in setters and upper is Role.CENTRE:
            await trials.holds(Role.SPAN, NARROW_HZ)
        rises, falls = (partial(trials.holds, role) for role in (upper, lower))
        highest, refused_high = await _outermost(trials, rises, high, LADDER_HZ, "high")
        lowest, refused_low = await _outermost(trials, falls, low, tuple(reversed(LADDER_HZ)), "low")
        shown = trials.shows or all(setters[role].source is not None for role in roles)
        if not (shown and refused_high):
            highest = await _followed(high, highest, follows, up=True)
        if not (shown and refused_low):
            lowest = await _followed(low, lowest, follows, up=False)
        low, high = lowest, highest
        if not (refused_high and refused_low):
            bounds.assumed = True
    bounds.start_hz, bounds.stop_hz = low, high


async def _ends_together(trials: Trials, bounds: Bounds, held: tuple[float, float], follows: Follows) -> None:
    """The same where one command sets both ends: one end stays while the other is tried."""
    low, high = held
    highest, refused_high = await _outermost(trials, partial(trials.holds_ends, low), high, LADDER_HZ, "high")
    down = tuple(reversed(LADDER_HZ))
    lowest, refused_low = await _outermost(trials, lambda hz: trials.holds_ends(hz, highest), low, down, "low")
    shown = bool(trials.combined_read[0])
    if not (shown and refused_high):
        highest = await _followed(high, highest, follows, up=True)
    if not (shown and refused_low):
        lowest = await _followed(low, lowest, follows, up=False)
    bounds.start_hz, bounds.stop_hz = lowest, highest
    bounds.assumed = not (refused_high and refused_low)


async def _followed(held: float, end: float, follows: Follows, *, up: bool) -> float:
    """The outermost step between `held` and `end` beside which a sweep follows; `held` where none does."""
    if (end <= held) if up else (end >= held):
        return end  # within what was swept: it was refused beyond
    if await follows(end, up):
        return end
    steps = sorted((hz for hz in LADDER_HZ if (held < hz < end if up else end < hz < held)), reverse=not up)
    known, last = -1, len(steps)
    while last - known > 1:
        middle = (known + last) // 2
        if await follows(steps[middle], up):
            known = middle
        else:
            last = middle
    return steps[known] if known >= 0 else held


async def _outermost(
    trials: Trials, holds: Callable[[float], Awaitable[Outcome]], held: float, ladder: Sequence[float], end: str
) -> tuple[float, bool]:
    """The outermost value that is taken, found by steps outwards from `held`, or inwards when that is not taken, and
    whether one beyond it was not.

    Where a value is moved to the end of the range, that end.
    """
    up = ladder[-1] > ladder[0]
    trials.clamped.clear()
    outwards = [hz for hz in ladder if (hz > 1.05 * held if up else hz < 0.95 * held)]
    inwards = [hz for hz in reversed(ladder) if (hz < 0.95 * held if up else hz > 1.05 * held)]
    first = await holds(held)
    if end in trials.clamped:
        return trials.clamped[end], True
    for hertz in outwards if first.taken else inwards:
        outcome = await holds(hertz)
        if end in trials.clamped and (trials.clamped[end] >= held if up else trials.clamped[end] <= held):
            return trials.clamped[end], True
        if outcome.taken != first.taken:
            return held if first.taken else hertz, True
        held = hertz if first.taken else held
    return held, False


async def find_bandwidth(trials: Trials, bounds: Bounds) -> None:
    """The bandwidths that the console's words list and that are taken."""
    for word in trials.setters.of(Role.BANDWIDTH):
        told = re.sub(r"(?i)\bcycles\b", "Hz", modern(f"{word.usage[len(word.name) :]} {word.description}"))
        listed, codes = _listed(told)
        if not listed:
            await _usual_bandwidths(trials, bounds, word)
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


async def _usual_bandwidths(trials: Trials, bounds: Bounds, word: Word) -> None:
    """Where no text lists them: those that a refusal lists, else usual ones that are read back as they were set."""
    form = next((form for form in trials.setters.set_forms(word) if "\n" not in form), "")
    if not form or bounds.bandwidths_hz:
        return
    told: list[int] = []
    for hertz in (1000.0, 777.0):
        lines = await trials.talk.ask(form.replace("{v}", f"{hertz:g}"))
        told = told or (counts_told(lines, 0) if trials.talk.turned_down(lines) else [])
    values = [float(hz) for hz in told] if len(told) > 2 else list(USUAL_HZ)
    kept = []
    for hertz in values:
        lines = await trials.talk.ask(form.replace("{v}", f"{hertz:g}"))
        if not trials.talk.turned_down(lines) and await _shown(trials, word, hertz, lines):
            kept.append(hertz)
    if len(kept) > 1:
        bounds.bandwidths_hz, bounds.bandwidth = kept, form.replace("{v}", "{bandwidth_hz}")


async def _shown(trials: Trials, word: Word, value: float, lines: Sequence[str]) -> bool:
    """Whether a value stands in the reply to it, or in the answer to a question for it."""
    commands = [command for command in (next(trials.setters.reads(word), ""), *trials.status) if command]
    answers = [list(lines), *[await trials.talk.ask(command) for command in commands]]
    return any(line_with(answer, f"{value:g}", value) for answer in answers)


def _listed(told: str) -> tuple[list[float], list[str]]:
    """Bandwidths in hertz and their codes, as the console's words list them."""
    index = re.search(r"0\.\.(\d+) \(([\d. ]+) Hz\)", told)
    pairs = re.findall(r"\b(\d+):(\d+)\b", told)
    if index:
        values = [float(text) for text in index.group(2).split()]
        return (values, [str(at) for at in range(len(values))]) if len(values) == int(index.group(1)) + 1 else ([], [])
    if len(pairs) >= 2:
        return [float(hz) for _, hz in pairs], [code for code, _ in pairs]
    scaled = _scaled(told)
    if scaled[0]:
        return scaled
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


def _scaled(told: str) -> tuple[list[float], list[str]]:
    """Bandwidths listed in kilohertz (`kHz: 0,15 1,5 15`) or with a k behind (`10 100 1k 10k`), each with its text."""
    row = re.search(r"(?i)\bkHz\W{0,3}((?:\d+(?:[.,]\d+)?[ /|]+)+\d+(?:[.,]\d+)?)", told)
    lettered = re.search(r"(?<!\w)((?:\d+(?:\.\d+)?k?[ ,/|]+)+\d+(?:\.\d+)?k?)(?!\w)", told)
    if row:
        texts, scale = re.split(r"[ /|]+", row.group(1)), 1e3
    elif lettered and "k" in lettered.group(1):
        texts, scale = re.split(r"[ ,/|]+", lettered.group(1)), 1.0
    else:
        return [], []
    values = [float(text.rstrip("k").replace(",", ".")) * (1e3 if text.endswith("k") else scale) for text in texts]
    return (values, texts) if values == sorted(set(values)) and len(values) > 1 else ([], [])
