"""What a report of a visit holds: gathered from the file alone, every number a figure with its word.

Owns: the gathering, and the ready sentences. Refuses: layout (see `report_html`, `report_text`) and figures typed by
hand; what was read by eye is marked as entered.
"""

from __future__ import annotations

import hashlib
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from protocol.errors import RequestError
from rf.notch.cavity import EXPANSION_PER_K, holding_range
from rf.repeater.desense import explained_desense_db, needed_rejection, power_loss_db, watt_dbm
from rf.repeater.fault_distance import behind_cable
from rf.values.decibel import amplitude_db
from rf.values.figure import Figure
from rf.values.words import rounded_down, text
from visit.calibration.stored_calibration import checks_of
from visit.day.day import STEPS, Day
from visit.day.nudges import ledger
from visit.day.stages import AS_FOUND, AS_LEFT, Stage, differences, stage_at
from visit.figures.assess_alone import echo_line
from visit.figures.assessment import NOT_SURVEYED, Assessment, Role
from visit.figures.replay import Figures, Replay
from visit.figures.run_figures import no_figures
from visit.record.owner import unfinished
from visit.record.soundness import YEAR_10000
from visit.record.stored_json import stored_number, stored_object
from visit.record.visit_file import SWEEPS_AT_ONCE, VisitFile
from visit.report.trend import Point, by_side, points_of
from visit.site.hookup import HookUp
from visit.site.site import Site

AGREE_DB = 0.3
"""Loss by wattmeters and by sweep agree within this (study, idea 26)."""
NOISE_BAND_DBC_HZ = (-140.0, -125.0)
"""Noise of transmitters at the receive frequency is seldom known: quiet and loud ones (common practice; shown as a
band)."""
USUAL_NOISE_FIGURE_DB = 8.0
BLOCKING_DBM = -20.0
FEEDER_LOSSES_DB = (1.0, 2.0, 3.0)
TRACE_POINTS = 400


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the table of figures."""

    hookup: str
    name: str
    found: str
    left: str
    goal: str
    verdict: str
    limited_by: str


@dataclass(frozen=True, slots=True)
class Trace:
    """One curve for a plot: arrays (K,) of at most `TRACE_POINTS`."""

    label: str
    frequency_hz: NDArray[np.float64]
    level_db: NDArray[np.float64]
    floor_db: float


@dataclass(frozen=True, slots=True)
class Picture:
    """Curves of one hook-up with the channels and the goal."""

    title: str
    traces: tuple[Trace, ...]
    marks_hz: tuple[tuple[str, float], ...]
    goal_db: float


@dataclass
class Report:
    """All of it, in the order in which it is printed."""

    site: Site
    made_at_s: float
    visited_s: tuple[float, float]
    digest: str
    instrument: list[str] = field(default_factory=list)
    calibration: list[str] = field(default_factory=list)
    rows: list[Row] = field(default_factory=list)
    pictures: list[Picture] = field(default_factory=list)
    evidence: list[str] = field(default_factory=list)
    nudges: list[str] = field(default_factory=list)
    entered: list[str] = field(default_factory=list)
    computed: list[str] = field(default_factory=list)
    together: list[str] = field(default_factory=list)
    years: dict[str, list[Point]] = field(default_factory=dict)
    """Side: its points of this visit and of the earlier ones that were given, in time order."""
    next_due: str = ""
    not_shown: list[str] = field(default_factory=list)
    left_out: list[str] = field(default_factory=list)
    doubts: list[str] = field(default_factory=list)
    sentences: list[str] = field(default_factory=list)


def build_report(visit: VisitFile, earlier: Sequence[Path] = ()) -> Report:
    """Gather the report of a visit, and how it stands against earlier visits to the same site.

    Raises RecordError when a file can't be read, RequestError when an earlier visit is one to another site.
    """
    with no_figures(visit, "the report"):
        return _gathered(visit, earlier)


def _gathered(visit: VisitFile, earlier: Sequence[Path]) -> Report:
    replay, day = Replay(visit), Day(visit)
    site = replay.site
    found, left = stage_at(visit, AS_FOUND), stage_at(visit, AS_LEFT)
    times = [run.started_s for run in replay.runs] or [time.time()]
    report = Report(site, time.time(), (min(times), max(times)), _digest(visit))
    report.instrument = _instrument(visit)
    report.calibration = _calibration(visit, replay)
    _figures(report, replay, found, left)
    _turning(report, visit, site)
    _entries(report, day)
    _arithmetic(report, day, replay)
    report.together = _together(visit)
    report.left_out = [
        f"step {number}, {_title(number)}: {words}"
        for number, (state, words) in sorted(day.states().items())
        if state == "skipped"
    ]
    report.doubts += [line for line in (unfinished(visit),) if line]
    report.doubts += differences(visit)
    due = next(((value, words) for _, name, value, _, words in reversed(day.entries()) if name == "next due"), None)
    report.next_due = "" if due is None else due[1] if due[0] is None else f"{due[0]:g}"
    report.years = _years(visit.path, site, earlier)
    _sentences(report, left or found)
    return report


def _title(number: int) -> str:
    return STEPS[number - 1].title if 1 <= number <= len(STEPS) else "unknown to this program"


def _years(path: Path, site: Site, earlier: Sequence[Path]) -> dict[str, list[Point]]:
    if not earlier:
        return {}
    points = [point for each in (*earlier, path) for point in points_of(each)]
    others = [point for point in points if point.site != site.name]
    if others:
        raise RequestError(f"{others[0].path} is a visit to {others[0].site!r}, not to {site.name!r}")
    return by_side(points)


def _digest(visit: VisitFile) -> str:
    """SHA-256 over all sweeps in their order: the same sweeps, the same report."""
    sha = hashlib.sha256()
    last = 0
    while rows := visit.rows("select id, s11, s21 from sweep where id > ? order by id limit ?", (last, SWEEPS_AT_ONCE)):
        for number, s11, s21 in rows:
            assert isinstance(number, int) and isinstance(s11, bytes) and isinstance(s21, bytes)
            sha.update(s11)
            sha.update(s21)
            last = number
    return sha.hexdigest()


def _instrument(visit: VisitFile) -> list[str]:
    lines = [
        f"{identity}, profile {profile}, on {port}"
        for identity, profile, port in visit.rows("select distinct identity, profile_name, port from analyzer")
    ]
    for at_s, words in visit.rows("select at_s, json from card order by id desc limit 1"):
        card = stored_object(visit, words, "the card of the instrument")
        floors = card.get("floors")
        shown = []
        for entry in floors if isinstance(floors, list) else []:
            numbers = [
                stored_number(visit, entry.get(key) if isinstance(entry, dict) else "", "the card of the instrument")
                for key in ("floor_db", "bandwidth_hz")
            ]
            if None not in numbers:
                shown.append(f"{numbers[0]:.1f} dB at {numbers[1]:g} Hz")
        day = time.strftime("%Y-%m-%d", time.localtime(_card_time(card, float(str(at_s)))))
        lines.append(f"card of {day}: floor {', '.join(shown)}")
    return lines


def _card_time(card: dict[str, Any], stored_s: float) -> float:
    """When it was measured, by its own words where they can be."""
    at_s = card.get("at_s")
    return float(at_s) if isinstance(at_s, int | float) and 0 <= at_s < YEAR_10000 else stored_s


def _calibration(visit: VisitFile, replay: Replay) -> list[str]:
    lines = []
    for calibration in replay.calibrations.values():
        at = time.strftime("%Y-%m-%d %H:%M", time.localtime(calibration.at_s))
        s = calibration.settings
        warm = "" if calibration.temperature_c is None else f", {calibration.temperature_c:g} C"
        lines.append(
            f"{at}: {calibration.kit.name}, {s.start_hz / 1e6:.4f} to {s.stop_hz / 1e6:.4f} MHz, {s.points} points,"
            f" {s.bandwidth_hz:g} Hz{warm}"
        )
        lines += [_check_line(check.verified.says, check.at_s, check.verified.good) for check in calibration.checks]
    lines += [_check_line(c.verified.says, c.at_s, c.verified.good) for c in checks_of(visit, None)]
    return lines or ["none on this computer; levels are as the analyzer corrects them"]


def _check_line(says: str, at_s: float, good: bool) -> str:
    return f"{time.strftime('%H:%M', time.localtime(at_s))} {says}: {'good' if good else 'NOT GOOD'}"


def _figures(report: Report, replay: Replay, found: dict[str, Stage], left: dict[str, Stage]) -> None:
    """Rows and pictures per hook-up; without a frozen stage what the newest runs show counts as left."""
    runs = {run.id: run for run in replay.runs}
    newest = {one.hookup.text: one for one in replay.all_figures()}
    for name in dict.fromkeys((*found, *left, *newest)):
        hookup = HookUp.parse(name)
        before = _of_stage(replay, runs, found.get(name))
        after = _of_stage(replay, runs, left.get(name)) or (None if found else newest.get(name))
        last = after or before
        if last is None:
            continue
        report.rows += _rows(replay.site, name, before, after)
        report.pictures.append(_picture(replay.site, hookup, before, after))
        a = last.assessment
        used = ", ".join(
            f"run {run_id}: {runs[run_id].settings.points} points, {runs[run_id].settings.bandwidth_hz:g} Hz"
            for run_id in last.run_ids
            if run_id in runs
        )
        report.evidence.append(
            f"{name}: floor of one sweep {text(a.floor_now)}, averaged {text(a.floor_averaged)}, {a.sweeps} sweeps,"
            f" {a.thrown_sweeps} thrown out; {used}"
        )
        for channel in a.channels:
            if channel.parts:
                parts = ", ".join(f"{part} {value:.2f} dB" for part, value in channel.parts)
                report.evidence.append(
                    f"{name} at {channel.frequency_hz / 1e6:.4f} MHz, proof below reading by: {parts}"
                )
        report.evidence += _spent(name, a)
        report.doubts += [f"{name}: {doubt}" for doubt in a.doubts]
        report.not_shown += [
            f"{name}: {goal.name} {goal.goal_db:g} dB: {goal.words}"
            + (f" ({goal.figure.why or goal.figure.limited_by})" if goal.figure.why or goal.figure.limited_by else "")
            for goal in a.goals
            if goal.met is None
        ]


def _spent(name: str, a: Assessment) -> list[str]:
    """How often the rejection was looked at, and what is known of the leak."""
    proof, lines = a.proof, []
    if proof.looks:
        proven = "nothing proven" if proof.proven_db is None else f"{rounded_down(proof.proven_db, 1):.1f} dB proven"
        runs = f"run {proof.nth_run} of {proof.goal}"
        looks = "1 look" if proof.looks == 1 else f"{proof.looks} looks"
        lines.append(f"{name}: {proven} in {looks} of {runs}; all its runs share 5 %")
    lines += [f"{name}: {proof.note}"] if proof.note else []
    for channel in a.channels:
        if channel.role is Role.REJECT:
            limit = NOT_SURVEYED if channel.leakage is None else f"no leak above {amplitude_db(channel.leakage):.1f} dB"
            lines.append(f"{name} at {channel.frequency_hz / 1e6:.4f} MHz: {limit}")
    return lines


def _of_stage(replay: Replay, runs: dict[int, Any], stage: Stage | None) -> Figures | None:
    if stage is None or stage.run_ids[0] not in runs:
        return None
    return replay.figures(runs[stage.run_ids[0]].hookup, before_s=stage.at_s)


def _rows(site: Site, name: str, before: Figures | None, after: Figures | None) -> list[Row]:
    def cell(one: Figures | None, pick: Any) -> Figure | None:
        return None if one is None else pick(one.assessment)

    last = after or before
    assert last is not None
    rows = []
    for index, channel in enumerate(last.assessment.channels):
        names = ("rejection",) if channel.role is Role.REJECT else ("loss", "return loss")
        for what in names:

            def pick(a: Assessment, i: int = index, w: str = what) -> Figure:
                return a.channels[i].return_loss if w == "return loss" else a.channels[i].transmission

            goal = next((goal for goal in last.assessment.goals if goal.name == what), None)
            figure = pick(last.assessment)
            rows.append(
                Row(
                    name,
                    f"{what} at {channel.frequency_hz / 1e6:.4f} MHz",
                    _text(cell(before, pick)),
                    _text(cell(after, pick)),
                    "" if goal is None else f"{goal.goal_db:g} dB",
                    "" if goal is None else goal.words,
                    figure.limited_by,
                )
            )
    if last.hookup.side is not None:
        rows.append(
            Row(
                name,
                f"notch against {site.reject_hz(last.hookup.side) / 1e6:.4f} MHz",
                _text(cell(before, lambda a: a.notch_offset), signed=True),
                _text(cell(after, lambda a: a.notch_offset), signed=True),
                "",
                "",
                last.assessment.notch_offset.limited_by,
            )
        )
    return rows


def _text(figure: Figure | None, *, signed: bool = False) -> str:
    return "not measured" if figure is None else text(figure, signed=signed)


def _picture(site: Site, hookup: HookUp, before: Figures | None, after: Figures | None) -> Picture:
    traces = []
    for label, one in (("as found", before), ("as left", after)):
        if one is None:
            continue
        a = one.assessment
        step = max(a.frequency_hz.size // TRACE_POINTS, 1)
        floor = a.floor_averaged.value if a.floor_averaged.known else float("nan")
        traces.append(Trace(label, a.frequency_hz[::step], a.level_db[::step], floor))
    marks = (("low", site.low_hz), ("high", site.high_hz))
    return Picture(f"{hookup.text}: transmission", tuple(traces), marks, -site.goals.rejection_db)


def _turning(report: Report, visit: VisitFile, site: Site) -> None:
    for row in ledger(visit):
        told = row.told
        who = f"side {row.side}" + (f", cavity {told.cavity}" if told.cavity else "") + f", {told.screw}"
        how = " ".join(part for part in (f"{told.turns:g} turns" if told.turns else "", told.direction) if part)
        moved = row.figures["moved"]
        said = (
            "movement not determined"
            if moved["value"] is None
            else f"moved {moved['value'] / 1e3:+.1f} kHz, INFERRED"
            f" {moved['low'] / 1e3:+.1f} to {moved['high'] / 1e3:+.1f}"
        )
        report.nudges.append(
            f"{time.strftime('%H:%M', time.localtime(row.at_s))} {who}{': ' + how if how else ''}: {said}"
        )
    del site


def _entries(report: Report, day: Day) -> None:
    for step, name, value, unit, words in day.entries():
        shown = f"{value:g} {unit}" if value is not None else words
        report.entered.append(f"step {step}: {name}: {shown}")


def _arithmetic(report: Report, day: Day, replay: Replay) -> None:
    """Powers against sweeps, desensitisation, holding range."""
    site = replay.site
    side = HookUp("A", site.transmit.value)
    transmit = replay.figures(side)
    into, out = day.value("power into duplexer"), day.value("power out of duplexer")
    if into and out and out <= into:
        by_power = power_loss_db(into, out)
        line = f"loss by wattmeters {by_power:.2f} dB"
        channel = transmit.assessment.channel(Role.PASS) if transmit else None
        if channel is not None and channel.transmission.known:
            off = abs(by_power - channel.transmission.value)
            line += f", by sweep {text(channel.transmission)}: {'they agree' if off <= AGREE_DB else 'they DISAGREE'}"
        report.computed.append(line)
    power, seen = day.value("transmitter power") or into, day.value("desense with load")
    reject = transmit.assessment.channel(Role.REJECT) if transmit else None
    if power and reject is not None and reject.transmission.known:
        low, high = (
            explained_desense_db(watt_dbm(power), noise, USUAL_NOISE_FIGURE_DB, reject.transmission.low)
            for noise in NOISE_BAND_DBC_HZ
        )
        line = (
            f"the duplexer explains {low:.1f} to {high:.1f} dB of desensitisation at most (transmitter noise"
            f" {NOISE_BAND_DBC_HZ[0]:g} to {NOISE_BAND_DBC_HZ[1]:g} dBc/Hz, receiver"
            f" {USUAL_NOISE_FIGURE_DB:g} dB: assumed)"
        )
        if seen is not None:
            line += f"; {seen:g} dB were seen" + ("" if seen <= high + 0.5 else ": look elsewhere")
        report.computed.append(line)
    if power:
        needs = [
            needed_rejection(watt_dbm(power), noise, USUAL_NOISE_FIGURE_DB, BLOCKING_DBM, 0.5)
            for noise in NOISE_BAND_DBC_HZ
        ]
        report.computed.append(
            f"needed for 0.5 dB of desensitisation: {needs[0].noise_db:.0f} to {needs[1].noise_db:.0f} dB against the"
            f" transmitter's noise, {needs[0].carrier_db:.0f} dB against its carrier (receiver blocked at"
            f" {BLOCKING_DBM:g} dBm: assumed)"
        )
    _feeder(report, replay)
    for one in replay.all_figures():
        a, tested = one.assessment, one.hookup.side
        channel = a.channel(Role.REJECT)
        if (
            tested is None
            or a.notch is None
            or not a.notch.trusted
            or channel is None
            or not channel.transmission.known
        ):
            continue
        shown = channel.transmission.low
        for metal in EXPANSION_PER_K:
            if metal not in ("copper", "nickel-iron"):
                continue
            held = holding_range(
                shown,
                site.goals.rejection_db,
                a.notch_offset.value,
                a.notch.bottom_width_hz,
                site.reject_hz(tested),
                metal,
            )
            if held is not None:
                report.computed.append(
                    f"{one.hookup.name} holds {site.goals.rejection_db:g} dB within {held.shift_hz / 1e3:.0f} kHz,"
                    f" about ±{held.kelvin:.0f} K if {metal}: INFERRED, no promise"
                )


def _feeder(report: Report, replay: Replay) -> None:
    """Match of the antenna through its feeder and the strongest echo, from the newest run on the feeder."""
    found = replay.feeder()
    if found is None or found.echo is None:
        return
    echo = found.echo
    report.computed.append(echo_line(echo))
    if echo.level.known:
        report.computed.append(f"  the echo itself: {_behind(echo.level)} of cable up to there, one way")
    for channel in found.channels:
        report.computed.append(
            f"antenna at {channel.frequency_hz / 1e6:.4f} MHz: return loss through the feeder"
            f" {text(channel.return_loss)}; {_behind(channel.return_loss)}"
        )


def _behind(seen: Figure) -> str:
    """What is seen through a feeder, for the losses that feeders usually have one way."""
    return ", ".join(f"{text(behind_cable(seen, loss))} behind {loss:g} dB" for loss in FEEDER_LOSSES_DB)


def _together(visit: VisitFile) -> list[str]:
    from visit.figures.together import Together  # noqa: PLC0415 - heavy only where it is asked for

    lines = Together(visit).lines()
    return [] if lines and lines[0].startswith("nothing yet") else lines


def _sentences(report: Report, stage: dict[str, Stage]) -> None:
    """Statements ready for a licence file."""
    day = time.strftime("%Y-%m-%d", time.localtime(report.visited_s[1]))
    for row in report.rows:
        said = row.left if row.left != "not measured" else row.found
        when = "as left" if row.left != "not measured" else "as found"
        if row.goal:
            report.sentences.append(f"{day}, {row.hookup}, {when}: {row.name} {said}; goal {row.goal}: {row.verdict}.")
    if not stage:
        report.sentences.append("No stage was frozen; the newest runs stand here as left.")
