"""Feeder and antenna in words and as JSON, and against earlier visits.

Owns: the page. Refuses: figures of its own; `visit.figures.feeder` has them.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from pathlib import Path

from protocol.errors import RequestError
from rf.repeater.cables import CABLES, SOURCE
from rf.repeater.fault_distance import needed_span_hz
from rf.values.combine import negative, total
from rf.values.figure import Figure
from rf.values.match import UNKNOWN_CABLE
from rf.values.words import as_json, finite, text
from visit.figures.feeder import FeederSight, Place, feeder_sight, velocity_by_length
from visit.figures.run_figures import RunFigures
from visit.record.visit_file import VisitFile
from visit.site.hookup import ANTENNA, FEEDER_OPEN, FEEDER_SHORT

FIRST = "measure what comes down the feeder FIRST: a co-sited transmitter may bring more than the port stands"
SWEPT = {ANTENNA: "its antenna", FEEDER_OPEN: "its far end open", FEEDER_SHORT: "its far end shorted"}


PLAIN = (
    "return loss is how much less comes back from the antenna than goes up: 14 dB less is 4 %, 10 dB is 10 %; above a"
    " VSWR of 2 look at antenna, plugs and water (common practice)"
)


def feeder_lines(sight: FeederSight) -> list[str]:
    """The page from top to bottom: power first, match, loss, distances."""
    come = "not written down yet" if sight.incoming_dbm is None else f"{sight.incoming_dbm:g} dBm, written down"
    lines = [f"incoming power: {come}; {FIRST}", cable_line(sight)]
    if not sight.runs:
        return [*lines, "nothing was swept yet: hook-up antenna, the feeder on port 1"]
    runs = {end: f"run {run}" for end, run in sight.runs.items()}
    runs |= {end: f"{runs[end]}, levels by run {run}" for end, run in sight.levels.items()}
    lines.append("swept with " + ", ".join(f"{SWEPT[end]} ({words})" for end, words in runs.items()))
    lines.append(PLAIN)
    for channel in sight.channels:
        at = f"{channel.frequency_hz / 1e6:.4f} MHz"
        why = f" ({channel.return_loss.why})" if not channel.return_loss.known else f", VSWR {text(channel.vswr)}"
        lines.append(f"at {at}: return loss {text(channel.return_loss)}{why}")
        if channel.behind.known:
            lines.append(f"  of the antenna itself, the feeder's loss taken out: {text(channel.behind)}")
        lines += [f"  {line}" for line in loss_lines(channel.measured_loss, channel.table_loss)]
    if sight.band is not None and sight.band_vswr is not None and sight.band.worst.known:
        lines.append(
            f"worst from channel to channel: {text(sight.band.worst)} at {sight.band.worst_hz / 1e6:.4f} MHz,"
            f" VSWR {text(sight.band_vswr)}"
        )
    if sight.channels and not any(c.measured_loss.known or c.table_loss.known for c in sight.channels):
        lines.append("feeder loss CAN'T SAY: open or short the far end and sweep, or type cable and length")
    lines += place_lines(sight)
    return [*lines, *(f"in doubt: {doubt}" for doubt in sight.doubts)]


def cable_line(sight: FeederSight) -> str:
    """What the distances rest on."""
    v = sight.velocity
    length = "" if sight.length_m is None else f", {sight.length_m:g} m as typed"
    other = sight.cable is not None and abs(sight.cable.impedance_ohm - 50.0) > 1.0
    odd = f"; {sight.cable.impedance_ohm:g} ohm, not 50: it reflects by itself" if other and sight.cable else ""
    kind = "ASSUMED" if v == UNKNOWN_CABLE else "INFERRED"
    return f"velocity {kind} {v.value:g} ({v.low:g} to {v.high:g}): {sight.velocity_says}{length}{odd}"


def loss_lines(measured: Figure, table: Figure) -> list[str]:
    """Loss of the feeder at a channel: measured, by the table, and whether they agree."""
    if measured.known and table.known:
        if measured.low > table.high:
            said = "MORE than the table: water, a bad plug, or another cable"
        elif measured.high < table.low:
            said = "less than the table: shorter, or another cable"
        else:
            said = "they agree"
        return [f"feeder loss {text(measured)}, by the cable table {text(table)}: {said}"]
    if measured.known:
        return [f"feeder loss {text(measured)}, by its open or shorted end"]
    return [f"feeder loss {text(table)}, by the cable table"] if table.known else []


def place_lines(sight: FeederSight) -> list[str]:
    """Echoes along the cable, what they are told by, and what can't be told."""
    first = sight.places[0].echo if sight.places else None
    if first is None:
        return []
    if not first.place.known:
        return [f"distances: {text(first.place)} ({first.place.why})"]
    lines = [_echo_words(place) for place in sight.places]
    lines.append(f"distances: {first.limits}")
    if sight.end is not None:
        lines.append(f"the open or shorted end stands at {text(sight.end)}")
    if sight.length_m is not None:
        factor = velocity_by_length(first, sight.length_m)
        if not sight.velocity.low <= factor.high or not factor.low <= sight.velocity.high:
            lines.append(f"if the strongest echo is the end, the velocity is {text(factor)}: not that of this cable")
    return lines


def _echo_words(place: Place) -> str:
    echo = place.echo
    behind = f", there {text(place.behind)}" if place.behind.known else ""
    why = "" if echo.level.known else f" ({echo.level.why})"
    return f"echo at {text(echo.place)}: seen {text(echo.level)}{why}{behind}; {place.says}"


def feeder_data(sight: FeederSight) -> dict[str, object]:
    """For JSON (docs/json.md)."""
    return {
        "incoming_dbm": sight.incoming_dbm,
        "cable": None if sight.cable is None else sight.cable.name,
        "length_m": sight.length_m,
        "velocity": {
            "value": sight.velocity.value,
            "low": sight.velocity.low,
            "high": sight.velocity.high,
            "from": sight.velocity_says,
        },
        "runs": sight.runs,
        "level_runs": sight.levels,
        "channels": [
            {
                "frequency_hz": one.frequency_hz,
                "return_loss": as_json(one.return_loss),
                "vswr": as_json(one.vswr),
                "antenna_return_loss": as_json(one.behind),
                "feeder_loss": as_json(one.measured_loss),
                "feeder_loss_by_table": as_json(one.table_loss),
            }
            for one in sight.channels
        ],
        "band": None
        if sight.band is None
        else {
            "worst": as_json(sight.band.worst),
            "worst_hz": finite(sight.band.worst_hz),
            "vswr": None if sight.band_vswr is None else as_json(sight.band_vswr),
            "return_loss": [
                {"frequency_hz": hz, **as_json(figure)}
                for hz, figure in zip(sight.band.frequency_hz, sight.band.return_loss, strict=True)
            ],
        },
        "echoes": [
            {
                "place": as_json(one.echo.place),
                "seen": as_json(one.echo.level),
                "there": as_json(one.behind),
                "resolution_m": finite(one.echo.resolution_m),
                "blind_m": finite(one.echo.blind_m),
                "range_m": finite(one.echo.range_m),
                "says": one.says,
            }
            for one in sight.places
        ],
        "end": None if sight.end is None else as_json(sight.end),
        "needed_span_hz": needed_span_hz(sight.velocity),
        "doubts": list(sight.doubts),
    }


def against_earlier(visit: VisitFile, now: FeederSight, earlier: Sequence[Path]) -> list[str]:
    """How feeder and antenna stand against earlier visits to the site. Raises RequestError for another site."""
    lines = []
    for path in earlier:
        before = VisitFile.open(path, read_only=True)
        try:
            figures = RunFigures(before)
            if (figures.site.low_hz, figures.site.high_hz) != (visit.site().low_hz, visit.site().high_hz):
                raise RequestError(f"{path} is a visit to {figures.site.name!r} with other channels")
            then = feeder_sight(figures)
            times = [run.started_s for run in figures.runs]
        finally:
            before.close()
        when = time.strftime("%Y-%m-%d", time.localtime(max(times))) if times else path.name
        if not then.runs:
            lines.append(f"{when}: the feeder was not swept then")
            continue
        for one, other in zip(now.channels, then.channels, strict=False):
            at = f"{one.frequency_hz / 1e6:.4f} MHz"
            lines.append(changed(f"return loss at {at}", one.return_loss, other.return_loss, when))
            if one.measured_loss.known and other.measured_loss.known:
                lines.append(changed(f"feeder loss at {at}", one.measured_loss, other.measured_loss, when))
        lines += _echo_changed(now, then, when)
    return lines


def changed(name: str, now: Figure, then: Figure, when: str) -> str:
    """What became of a figure: a change is told only where the intervals part."""
    if not now.known or not then.known:
        return f"{name}: nothing to compare with {when}"
    if now.low > then.high or now.high < then.low:
        return f"{name} CHANGED since {when}, by {text(total((now, negative(then)), now.unit), signed=True)}"
    return f"{name} as {when}, within the intervals"


def _echo_changed(now: FeederSight, then: FeederSight, when: str) -> list[str]:
    """Echoes of now that no echo of then explains: the cable has not moved, so the velocity does not part them."""
    if not now.places or not then.places:
        return []
    before = [place.echo for place in then.places if place.echo.place.known]
    lines = []
    for place in now.places:
        echo = place.echo
        if not echo.place.known or not before:
            continue
        factor = then.velocity.value / now.velocity.value
        same, apart = echo.place.value * factor, 2.0 * echo.resolution_m * factor
        if all(abs(one.place.value - same) > apart for one in before):
            lines.append(f"NEW echo since {when}: {_echo_words(place)}")
    return lines or [f"echoes as {when}"]


def cable_rows() -> list[tuple[str, ...]]:
    """The handbook table: name, what it is, ohm, velocity, dB per 100 m at 100, 150 and 450 MHz."""
    rows: list[tuple[str, ...]] = [("cable", "what it is", "ohm", "velocity", "100 MHz", "150 MHz", "450 MHz")]
    for cable in CABLES:
        losses = (f"{cable.nominal_db(mhz * 1e6, 100.0):.1f}" for mhz in (100, 150, 450))
        rows.append((cable.name, cable.says, f"{cable.impedance_ohm:g}", f"{cable.velocity.value:g}", *losses))
    return rows


CABLE_NOTE = f"dB per 100 m one way, INFERRED; {SOURCE}"
