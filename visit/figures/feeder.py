"""The feeder and antenna of a visit: match, standing wave ratio, loss, echoes, from the newest runs of each far end.

Owns: which runs count, and the figures that follow with what was typed of the cable. Refuses: words for a page (see
`visit.report.feeder_page`) and a place without the velocity that it rests on.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from rf.repeater.antenna import BandMatch, among_echoes, band_match, end_loss, loss_of_length, unwound, vswr
from rf.repeater.cables import Cable
from rf.repeater.fault_distance import Echo, behind_cable, echoes, near_end
from rf.repeater.passband import Residuals, return_loss_at
from rf.values.decibel import amplitude
from rf.values.figure import Figure, cant_say, inferred
from rf.values.match import SPEED_OF_LIGHT, Velocity
from visit.figures.averaging import FEWEST_POINTS, Averaged, floor_of
from visit.figures.known import UNCONFIRMED, Known
from visit.figures.run_figures import RunFigures, no_figures
from visit.record.sheet import LENGTH, Sheet
from visit.record.visit_file import RunRow
from visit.site.hookup import ANTENNA, FEEDER_OPEN, FEEDER_SHORT

INCOMING = "incoming power"
"""What the day calls the power that comes down the feeder."""

NO_LOSS = "the feeder's loss is not known: open or short its far end, or type cable and length"


@dataclass(frozen=True, slots=True)
class ChannelMatch:
    """The antenna at one channel: as seen through the feeder, its standing wave ratio there, and behind the feeder."""

    frequency_hz: float
    return_loss: Figure
    vswr: Figure
    behind: Figure
    """Return loss of the antenna itself, the feeder's loss taken out."""
    measured_loss: Figure
    """Of the feeder one way, by an open or short far end."""
    table_loss: Figure
    """Of the feeder one way, by the cable table and its typed length."""


@dataclass(frozen=True, slots=True)
class Place:
    """An echo with what lies there: `behind` its level with the cable's loss up to there taken out, at the middle of
    both channels."""

    echo: Echo
    behind: Figure
    says: str


@dataclass(frozen=True, slots=True)
class FeederSight:
    """All that is known of feeder and antenna. `runs`: far end to run; `places` holds one that CAN'T SAY where no echo
    is told, and none where nothing was swept."""

    velocity: Velocity
    velocity_says: str
    cable: Cable | None
    length_m: float | None
    incoming_dbm: float | None
    runs: dict[str, int] = field(default_factory=dict)
    channels: tuple[ChannelMatch, ...] = ()
    band: BandMatch | None = None
    band_vswr: Figure | None = None
    places: tuple[Place, ...] = ()
    end: Figure | None = None
    """Length of the feeder to its open or shorted end, by its echo."""
    doubts: tuple[str, ...] = ()
    levels: dict[str, int] = field(default_factory=dict)
    """Far end to the run that levels are told by, where it is another one than tells the places: a calibration over
    both channels need not reach over the sweep that parts the joints."""


@dataclass(frozen=True, slots=True)
class _Swept:
    run: RunRow
    made: Averaged
    known: Known


def feeder_sight(figures: RunFigures) -> FeederSight:
    """What the visit shows of its feeder now. Raises RecordError."""
    sheet = Sheet(figures.visit)
    with no_figures(figures.visit, "its feeder"):
        swept = {end: found for end in (ANTENNA, FEEDER_OPEN, FEEDER_SHORT) if (found := _runs(figures, end))}
        places = {end: _widest(found) for end, found in swept.items()}
        return _sight(figures, sheet, places, {end: _corrected(found) for end, found in swept.items()})


def incoming_dbm(figures: RunFigures) -> float | None:
    """The power that comes down the feeder, as it was written down; None where it was not."""
    rows = figures.visit.rows("select value from entry where name = ? order by id", (INCOMING,))
    found = [float(str(value)) for (value,) in rows if value is not None]
    return found[-1] if found else None


def _runs(figures: RunFigures, end: str) -> list[_Swept]:
    """Runs with that far end, the newest first."""
    found = []
    for run in reversed(figures.runs):
        made = figures.averaged(run) if run.hookup.name == end else None
        if made is not None and not made.s11.too_busy and made.frequency_hz.size >= FEWEST_POINTS:
            found.append(_Swept(run, made, figures.known(run)))
    return found


def _widest(found: list[_Swept]) -> _Swept:
    """The newest of those that are about as wide as the widest: it parts the places."""
    spans = [float(one.made.frequency_hz[-1] - one.made.frequency_hz[0]) for one in found]
    return next(one for one, span in zip(found, spans, strict=True) if span > 0.5 * max(spans))


def _corrected(found: list[_Swept]) -> _Swept:
    """The newest whose levels are told, else the newest."""
    return next((one for one in found if not _withheld(one.known)), found[0])


def _sight(figures: RunFigures, sheet: Sheet, swept: dict[str, _Swept], levels: dict[str, _Swept]) -> FeederSight:
    site, velocity, length_m = figures.site, sheet.velocity, sheet.value(LENGTH)
    bare = FeederSight(
        velocity, sheet.velocity_says, sheet.cable, length_m, incoming_dbm(figures),
        {end: one.run.id for end, one in swept.items()},
        levels={end: one.run.id for end, one in levels.items() if one is not swept[end]},
    )  # fmt: skip
    if not swept:
        return bare
    channels_hz = (site.low_hz, site.high_hz)
    measured = [_measured_loss(levels, hz) for hz in channels_hz]
    table = [_table_loss(sheet, hz) for hz in channels_hz]
    antenna = levels.get(ANTENNA)
    found = echoes_of(swept.get(ANTENNA) or next(iter(swept.values())))
    turned_by = found[0].delay_s
    others = [] if antenna is None else _others(antenna, found)
    matches, band = [], None
    for hz, by_end, by_table in zip(channels_hz, measured, table, strict=True):
        seen = cant_say("dB", "the feeder was not swept with its antenna") if antenna is None else _match(
            antenna, hz, turned_by
        )  # fmt: skip
        loss = by_end if by_end.known else by_table
        behind = behind_cable(among_echoes(seen, others), loss) if loss.known else cant_say("dB", NO_LOSS)
        matches.append(ChannelMatch(hz, seen, vswr(seen), behind, by_end, by_table))
    if antenna is not None:
        s11 = unwound(antenna.made.frequency_hz, antenna.made.s11.mean, turned_by)
        power = floor_of(antenna.made.s11).averaged_power
        band = band_match(antenna.made.frequency_hz, s11, power, *channels_hz, antenna.known.residuals)
        if _withheld(antenna.known):
            band = None
    doubts = dict.fromkeys(doubt for one in levels.values() for doubt in one.known.doubts)
    ends = [echoes_of(one)[0].place for end, one in swept.items() if end != ANTENNA]
    end_place = next((place for place in ends if place.known), None)
    of_all = next((loss for loss in (*measured, *table) if loss.known), None)
    return FeederSight(
        velocity, bare.velocity_says, bare.cable, length_m, bare.incoming_dbm, bare.runs, tuple(matches), band,
        None if band is None else vswr(band.worst), tuple(_place(one, end_place, length_m, of_all) for one in found),
        end_place, tuple(doubts), bare.levels,
    )  # fmt: skip


def _others(antenna: _Swept, found: tuple[Echo, ...]) -> list[float]:
    """Amplitudes of what else is seen besides the strongest echo: told echoes, and the near end."""
    if not found[0].place.known:
        return []
    told = [amplitude(-one.level.low) for one in found[1:] if one.level.known]
    return [*told, near_end(antenna.made.frequency_hz, antenna.made.s11.mean)]


def echoes_of(swept: _Swept) -> tuple[Echo, ...]:
    """The echoes of a sweep with what is known of its correction: no level where levels are not re a port."""
    known, made = swept.known, swept.made
    residuals = known.residuals or Residuals()
    found = echoes(made.frequency_hz, made.s11.mean, known.velocity, residuals.tracking_db + residuals.drift_db)
    why = known.axis_doubt or known.uncorrected
    if not why:
        return found
    limit = UNCONFIRMED if known.axis_doubt else "correction"
    level = cant_say("dB", why, limited_by=limit)
    place = cant_say("m", why, limited_by=limit) if known.axis_doubt else None
    return tuple(
        Echo(place or one.place, level, one.delay_s, one.resolution_m, one.blind_m, one.range_m) for one in found
    )


def _withheld(known: Known) -> str:
    """Why no level may be told; "" where it may."""
    return known.uncorrected or known.axis_doubt


def _match(swept: _Swept, hz: float, turned_by: float) -> Figure:
    why = _withheld(swept.known)
    if why:
        return cant_say("dB", why, limited_by="correction" if swept.known.uncorrected else UNCONFIRMED)
    made = swept.made
    s11 = unwound(made.frequency_hz, made.s11.mean, turned_by)
    power = floor_of(made.s11).averaged_power
    return return_loss_at(made.frequency_hz, s11, power, hz, swept.known.residuals).figure


def _measured_loss(swept: dict[str, _Swept], hz: float) -> Figure:
    """By the open end, the shorted one, or both where they share their points."""
    ends = [swept[end] for end in (FEEDER_OPEN, FEEDER_SHORT) if end in swept]
    if not ends:
        return cant_say("dB", "no far end was opened or shorted")
    why = next((words for one in ends if (words := _withheld(one.known))), "")
    if why:
        return cant_say("dB", why)
    first = ends[0]
    same = [one for one in ends if one.made.frequency_hz.shape == first.made.frequency_hz.shape]
    same = [one for one in same if abs(one.made.frequency_hz - first.made.frequency_hz).max() < 0.5]
    power = floor_of(first.made.s11).averaged_power
    found = [one.made.s11.mean for one in same]
    return end_loss(first.made.frequency_hz, found, power, hz, first.known.residuals)


def _table_loss(sheet: Sheet, hz: float) -> Figure:
    cable, length_m = sheet.cable, sheet.value(LENGTH)
    if cable is None or length_m is None:
        return cant_say("dB", "type the cable and its length")
    return cable.loss(hz, length_m)


def _place(echo: Echo, end: Figure | None, length_m: float | None, loss: Figure | None) -> Place:
    """What lies at an echo: the end of the feeder, before it, or nobody knows."""
    if not echo.place.known:
        return Place(echo, cant_say("dB", echo.place.why), "")
    typed = None if length_m is None else inferred(length_m, 0.95 * length_m, 1.05 * length_m, "m")
    far = end or typed
    if far is None:
        return Place(echo, cant_say("dB", NO_LOSS), "the antenna if the feeder is so long; else a joint or a fault")
    share = min(max(echo.place.value / far.value, 0.0), 1.0)
    behind = cant_say("dB", NO_LOSS) if loss is None else behind_cable(echo.level, loss_of_length(loss, share))
    # Both places rest on one velocity where the end was measured: only the resolution parts them then.
    slack_m = echo.resolution_m if end is not None else 0.0
    low, high = (echo.place.low, echo.place.high) if end is None else (echo.place.value,) * 2
    top, bottom = (far.high, far.low) if end is None else (far.value,) * 2
    if high < bottom - slack_m:
        return Place(echo, behind, "BEFORE THE END of the feeder: a joint, a kink, water or a fault")
    if low > top + slack_m:
        return Place(echo, behind, "behind the end: inside the antenna, seen twice, or the velocity is another one")
    return Place(echo, behind, "the end of the feeder: the antenna")


def velocity_by_length(echo: Echo, length_m: float) -> Figure:
    """Velocity factor of a feeder whose end gives this echo and whose length is known to 2 %: INFERRED."""
    if not math.isfinite(echo.delay_s):
        return cant_say("", echo.place.why)
    factor = 2.0 * length_m / SPEED_OF_LIGHT / echo.delay_s
    half = factor * (0.02 + 0.5 * echo.resolution_m / length_m)
    return inferred(factor, factor - half, factor + half, "", limited_by="length")
