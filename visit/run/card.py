"""The instrument card: what this very analyzer was measured to be able to do, dated, kept, compared with last time.

Owns: measuring floor against bandwidth, the leak at both channels, pace and drift with a load on each lead; the file
per instrument. Refuses: figures of a duplexer; and a card when the leads do not look like being on loads.
"""

from __future__ import annotations

import math
import re
import time
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path

import numpy as np

from protocol.analyzer import Analyzer
from protocol.errors import RequestError
from protocol.files.harmless import harmless_json
from protocol.files.small_files import append_private, json_data, private_folder, read_text
from protocol.profiles.profile import Profile
from protocol.sweep import Sweep, SweepSettings
from rf.floor.leakage import leak_limit_at, split_floor
from rf.values.decibel import amplitude_db
from visit.figures.averaging import average_of, floor_of
from visit.figures.leak_advice import found
from visit.record.instrument_card import Card, Floor, card_of, settable_of
from visit.site.folders import data_folder
from visit.site.presets import wide
from visit.site.site import Site

FEW_POINTS = 101
"""Some analyzers refuse fewer."""
LARGEST_BYTES = 20_000_000
NOT_LOADS_DB = -50.0
"""A mean level above this between two loads is no leak of this class of analyzer: something else hangs there."""
WORSE_DB, SLOWER = 2.0, 1.2
"""Changes since last time that are worth a warning; a floor from 20 sweeps of 401 points repeats to 0.1 dB."""


async def measure_card(
    port: str, profile: Profile, site: Site, sweeps: int, tell: Callable[[str], None] = lambda _: None
) -> Card:
    """Sweep at up to three bandwidths with a load on each lead. Raises RequestError, AnalyzerError."""
    analyzer = await Analyzer.open(port, profile)
    try:
        identity = (await analyzer.identify()).text
        limits = analyzer.limits
        base = wide(site, limits)
        floors, narrow = [], list[Sweep]()
        for bandwidth in _bandwidths(limits.bandwidths_hz, limits.min_bandwidth_hz, limits.max_bandwidth_hz):
            tell(f"{sweeps} sweeps at {bandwidth:g} Hz")
            await analyzer.apply(SweepSettings(base.start_hz, base.stop_hz, base.points, bandwidth))
            taken = [await analyzer.sweep() for _ in range(sweeps)]
            floors.append(_floor(taken, bandwidth))
            narrow = narrow or taken
        tell("fewer points, to part the overhead of a sweep from its points")
        few = await _few_points(analyzer, base, sweeps)
        tell("drift of a total reflection against the first sweeps")
    finally:
        await analyzer.close()
    made = average_of(narrow)
    assert made is not None  # it was swept
    level_db = amplitude_db(float(np.sqrt((np.abs(made.s21.mean) ** 2).mean())))
    if level_db > NOT_LOADS_DB:
        raise RequestError(
            f"{port}: {level_db:.0f} dB come through: no card; put a load on each lead, nothing between, then again"
        )
    split = split_floor(np.array([sweep.s21 for sweep in narrow]))
    frequency = narrow[0].frequency_hz
    leaks = [leak_limit_at(frequency, split, hz) for hz in (site.low_hz, site.high_hz)]
    return Card(
        identity=identity,
        profile=profile.name,
        at_s=time.time(),
        span_hz=(base.start_hz, base.stop_hz),
        points=base.points,
        floors=tuple(floors),
        leak_limit_db=tuple(amplitude_db(limit) for limit in leaks if limit is not None),
        channels_hz=(site.low_hz, site.high_hz),
        drift_db_per_min=_drift(narrow),
        limits=settable_of(limits, sets_bandwidth=profile.sets_bandwidth),
        pace=_pace(base.points, floors, few),
        leak_found=found(split),
    )


def _bandwidths(listed: tuple[float, ...], low: float, high: float) -> list[float]:
    """Narrow, middle and wide, the narrowest not below 100 Hz so that a card takes a minute and not ten."""
    usual = [hz for hz in (listed or (100.0, 1000.0, 10_000.0)) if max(low, 100.0) <= hz <= high] or [high]
    return sorted({usual[0], usual[len(usual) // 2], usual[-1]})


def _floor(taken: list[Sweep], bandwidth_hz: float) -> Floor:
    made = average_of(taken)
    assert made is not None  # it was swept
    power = floor_of(made.s21).additive_power
    return Floor(bandwidth_hz, 10.0 * math.log10(power), float(np.median([sweep.duration_s for sweep in taken])))


async def _few_points(analyzer: Analyzer, base: SweepSettings, sweeps: int) -> tuple[int, float, float] | None:
    """Points, bandwidth and seconds of a sweep of few points; None where the analyzer has no fewer."""
    limits = analyzer.limits
    listed = [number for number in limits.points if number >= FEW_POINTS]
    points = min(listed, default=max(limits.min_points, FEW_POINTS))
    if points > base.points / 2:
        return None
    bandwidth = _bandwidths(limits.bandwidths_hz, limits.min_bandwidth_hz, limits.max_bandwidth_hz)[-1]
    await analyzer.apply(SweepSettings(base.start_hz, base.stop_hz, points, bandwidth))
    taken = [await analyzer.sweep() for _ in range(sweeps)]
    return points, bandwidth, float(np.median([sweep.duration_s for sweep in taken]))


def _pace(points: int, floors: list[Floor], few: tuple[int, float, float] | None) -> tuple[float, ...]:
    """Overhead, settling and bandwidth factor, each 0 or more, that explain the times best; () where the sweeps were
    too alike to part them."""
    from scipy.optimize import nnls  # noqa: PLC0415 - heavy imports stay out of start-up

    if few is None or len(floors) < 2:
        return ()
    rows = [(points, floor.bandwidth_hz, floor.sweep_s) for floor in floors] + [few]
    terms = np.array([(1.0, number, number / hz) for number, hz, _ in rows])
    seconds = np.array([each for *_, each in rows])
    # Each time is as good as the others in per cent, not in seconds.
    return tuple(float(part) for part in nnls(terms / seconds[:, None], np.ones(seconds.size))[0])


def _drift(taken: list[Sweep]) -> float:
    """Slope of the mean S11 level of what hangs on port 1, in dB per minute: a load is small but steady."""
    minutes = np.array([(sweep.started_s - taken[0].started_s) / 60.0 for sweep in taken])
    if np.ptp(minutes) <= 0.0:
        return 0.0
    levels = np.array([amplitude_db(float(np.sqrt((np.abs(sweep.s11) ** 2).mean()))) for sweep in taken])
    return float(np.polyfit(minutes, levels, 1)[0])


# Keeping and comparing


def card_text(card: Card) -> str:
    """The card as JSON."""
    return harmless_json(asdict(card))


def _file(identity: str) -> Path:
    safe = re.sub(r"[^a-z0-9]+", "-", identity.lower()).strip("-")[:80] or "unknown"
    folder = data_folder() / "cards"
    private_folder(folder)
    return folder / f"{safe}.jsonl"


def keep_card(card: Card) -> Path:
    """Append the card to the file of its instrument."""
    path = _file(card.identity)
    try:
        append_private(path, harmless_json(asdict(card), indent=None) + "\n")
    except OSError as error:
        raise RequestError(f"can't write {path}: {error.strerror}; the card was shown and is not kept") from None
    return path


def last_card(identity: str) -> Card | None:
    """The newest kept card of that instrument; None when there is none. Raises RequestError for a damaged file."""
    path = _file(identity)
    if not path.exists():
        return None
    lines = [line for line in read_text(path, "cards of an instrument", LARGEST_BYTES).splitlines() if line.strip()]
    if not lines:
        return None
    try:
        return card_of(json_data(lines[-1]))
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise RequestError(
            f"{path}: the last card is damaged ({error}); move the file away, the new one is kept"
        ) from None


def kept_text(identity: str) -> str | None:
    """The newest kept card of an instrument as JSON for the record of a visit; None when there is none, or none that
    can be read (a visit does not fail for want of a card)."""
    try:
        card = last_card(identity)
    except RequestError:
        return None
    return None if card is None else card_text(card)


def card_lines(card: Card, before: Card | None) -> list[str]:
    """The card in words, with what changed since last time."""
    day = time.strftime("%Y-%m-%d %H:%M", time.localtime(card.at_s))
    lines = [
        f"instrument    {card.identity}",
        f"measured      {day}, {card.span_hz[0] / 1e6:.3f} to {card.span_hz[1] / 1e6:.3f} MHz, {card.points} points",
    ]
    earlier = {floor.bandwidth_hz: floor for floor in before.floors} if before is not None else {}
    for floor in card.floors:
        old = earlier.get(floor.bandwidth_hz)
        note = ""
        if old is not None:
            change = floor.floor_db - old.floor_db
            worse = f"  ! {change:+.1f} dB against last time" if change > WORSE_DB else f"  ({change:+.1f} dB)"
            slower = "  ! slower than last time" if floor.sweep_s > SLOWER * old.sweep_s + 0.05 else ""
            note = worse + slower
        lines.append(
            f"floor         {floor.floor_db:.1f} dB at {floor.bandwidth_hz:g} Hz, {floor.sweep_s:.2f} s a sweep{note}"
        )
    for hz, limit in zip(card.channels_hz, card.leak_limit_db, strict=False):
        lines.append(f"leak          none above {limit:.1f} dB at {hz / 1e6:.4f} MHz (95 %)")
    lines.append(f"drift         {card.drift_db_per_min:+.3f} dB a minute of the load's reflection")
    if before is None:
        lines.append("last time     no earlier card of this instrument")
    else:
        days = (card.at_s - before.at_s) / 86400.0
        lines.append(f"last time     {time.strftime('%Y-%m-%d', time.localtime(before.at_s))}, {days:.0f} days ago")
        worse_leak = max(card.leak_limit_db, default=-math.inf) - max(before.leak_limit_db, default=-math.inf)
        if math.isfinite(worse_leak) and worse_leak > 6.0:
            lines.append(f"              ! the leak's limit is {worse_leak:.0f} dB worse: look at leads and plugs")
    return lines
