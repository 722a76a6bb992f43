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

from protocol.errors import RequestError
from protocol.sweep import OWN_BANDWIDTH, bandwidth_words
from rf.values.decibel import amplitude_db
from rf.values.figure import Figure, Kind
from rf.values.words import rounded_down, text
from visit.calibration.stored_calibration import checks_of
from visit.day.day import STEPS, Day
from visit.day.desense_test import AFTER, BEFORE, taken
from visit.day.gains import gains_of
from visit.day.next_deed import facts_of, next_deed
from visit.day.nudges import NudgeRow, ledger, whole_ledger
from visit.day.parts import paths_of
from visit.day.stages import AS_LEFT, Stood, differences, stage_at, stood
from visit.day.suits import suits_if_known
from visit.day.turn_words import did_words, told_words
from visit.day.witness import witnesses
from visit.figures.assessment import Assessment, Role
from visit.figures.feeder import feeder_sight
from visit.figures.replay import Figures, Replay
from visit.figures.resonators import band_sights, cavity_sight
from visit.figures.run_figures import no_figures
from visit.figures.third_load import load_words
from visit.figures.unsurveyed import NOT_SURVEYED
from visit.record.owner import unfinished
from visit.record.soundness import YEAR_10000
from visit.record.stored_json import stored_number, stored_object
from visit.record.visit_file import SWEEPS_AT_ONCE, VisitFile
from visit.report import summary
from visit.report.computed import computed_lines
from visit.report.desense_page import desense_lines
from visit.report.feeder_page import against_earlier, feeder_lines
from visit.report.gains_page import gains_lines, heard_words
from visit.report.parts_page import parts_lines
from visit.report.pictures import FOUND, LATEST, LEFT, Picture, pictures_of
from visit.report.resonator_page import band_lines, cavity_lines
from visit.report.suits_page import suits_lines
from visit.report.trend import Point, by_side, points_of
from visit.report.witness_page import worth_saying
from visit.site.site import Site

NOT_MEASURED = "not measured"
ONE_LOOK = "; the bound above is that of all its sweeps looked at once"
NOW = "what it is now"


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the table of figures; `left` is what was found last, as the report's `left_name` says."""

    hookup: str
    name: str
    found: str
    left: str
    goal: str
    verdict: str
    limited_by: str


@dataclass
class Report:
    """All of it, in the order in which it is printed."""

    site: Site
    made_at_s: float
    visited_s: tuple[float, float]
    digest: str
    heading: list[tuple[str, str]] = field(default_factory=list)
    """Who, what, when: name and value."""
    summary: list[tuple[str, list[str]]] = field(default_factory=list)
    """The first page: titles and sentences."""
    hookups: list[str] = field(default_factory=list)
    """What the short names of the hook-ups say."""
    left_name: str = LEFT
    instrument: list[str] = field(default_factory=list)
    calibration: list[str] = field(default_factory=list)
    rows: list[Row] = field(default_factory=list)
    pictures: list[Picture] = field(default_factory=list)
    evidence: list[str] = field(default_factory=list)
    nudges: list[str] = field(default_factory=list)
    entered: list[str] = field(default_factory=list)
    computed: list[str] = field(default_factory=list)
    feeder: list[str] = field(default_factory=list)
    """Feeder and antenna, and what has changed of them since earlier visits; empty where they were not swept."""
    witness: list[str] = field(default_factory=list)
    """What a source and a receiver, or the maker's curve, say to it; empty where nothing was typed."""
    resonators: list[str] = field(default_factory=list)
    """A single cavity and band-pass sides; empty where none was swept."""
    gains: list[str] = field(default_factory=list)
    """What the repeater gains; empty where no power was typed."""
    suits: list[str] = field(default_factory=list)
    """Whether the analyzer is good enough; empty where neither its card nor its sheet is known."""
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
    left = stage_at(visit, AS_LEFT)
    times = [run.started_s for run in replay.runs] or [time.time()]
    report = Report(site, time.time(), (min(times), max(times)), _digest(visit))
    report.left_name = LEFT if left else LATEST
    report.instrument = _instrument(visit)
    report.calibration = _calibration(visit, replay)
    pairs = stood(replay)
    for before, after in pairs:
        _figures(report, replay, before, after)
    nudges = ledger(visit)
    report.nudges = [_turned(row, site.cavities) for row in whole_ledger(visit)]
    report.entered = [
        f"{f'step {step}' if step else 'beside'}: {name}: {f'{value:g} {unit}'.strip() if value is not None else words}"
        for step, name, value, unit, words in day.entries()
    ]
    report.computed = computed_lines(day, replay)
    gains = gains_of(day, replay)
    heard = [heard_words(gains)] if gains.hears.known else []
    report.gains = gains_lines(gains, brief=True) if gains.known.radios.power_dbm.known else []
    paths = paths_of(replay)
    if any(path.parts for path in paths.values()):
        report.gains += parts_lines(paths, site)
    for when, at in ((BEFORE, gains.before), (AFTER, gains.after)):
        test = taken(visit, when, None if at is None else at.on_load)
        report.gains += desense_lines(test) if test.dbm else []
    report.feeder = _feeder(visit, replay, earlier)
    report.resonators = _resonators(replay)
    report.witness = worth_saying(witnesses(replay))
    report.suits = _suits(replay)
    report.together = _together(visit, replay)
    report.left_out = [
        f"step {number}, {_title(number)}: {words}"
        for number, (state, words) in sorted(day.states().items())
        if state == "skipped"
    ]
    report.doubts = list(
        dict.fromkeys(report.doubts + [line for line in (unfinished(visit),) if line] + differences(visit, replay))
    )
    due = day.value("next due")
    report.next_due = day.words("next due") if due is None else f"{due:g}"
    report.years = _years(visit.path, site, earlier)
    _sentences(report)
    _first_page(report, day, replay, nudges, pairs)
    report.summary = [(title, lines + heard if title == NOW else lines) for title, lines in report.summary]
    return report


def _first_page(report: Report, day: Day, replay: Replay, nudges: list[NudgeRow], pairs: list[Stood]) -> None:
    """What a reader without knowledge of measuring wants to know."""
    deed = next_deed(facts_of(replay.visit, replay.figures_of))
    last = [one for one in (after or before for before, after in pairs) if one is not None]
    report.heading = summary.heading(report.site, day, report.visited_s)
    report.hookups = list(dict.fromkeys(summary.hookup_words(one.hookup) for one in last))
    report.not_shown += summary.unmeasured(report.site, last)
    report.summary = [
        ("what was wrong", summary.wrong(day, [before for before, _ in pairs if before is not None])),
        ("what was done", summary.done(day, nudges, bool(replay.calibrations), pairs)),
        (NOW, summary.now(pairs, report.left_name)),
        ("what is owed", summary.owed(report.not_shown, report.left_out, report.doubts, report.next_due, deed)),
    ]


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
    own = {run.calibration_id: run.changes for run in replay.runs if OWN_BANDWIDTH in run.changes}
    for number, calibration in replay.calibrations.items():
        at = time.strftime("%Y-%m-%d %H:%M", time.localtime(calibration.at_s))
        s = calibration.settings
        warm = "" if calibration.temperature_c is None else f", {calibration.temperature_c:g} C"
        lines.append(
            f"{at}: {calibration.kit.name}, {s.start_hz / 1e6:.4f} to {s.stop_hz / 1e6:.4f} MHz, {s.points} points,"
            f" {bandwidth_words(s.bandwidth_hz, own.get(number, ()))}{warm}"
        )
        lines += [_check_line(check.verified.says, check.at_s, check.verified.good) for check in calibration.checks]
    lines += [_check_line(c.verified.says, c.at_s, c.verified.good) for c in checks_of(visit, None)]
    return lines or ["none on this computer; levels are as the analyzer corrects them"]


def _check_line(says: str, at_s: float, good: bool) -> str:
    return f"{time.strftime('%H:%M', time.localtime(at_s))} {says}: {'good' if good else 'NOT GOOD'}"


def _figures(report: Report, replay: Replay, before: Figures | None, after: Figures | None) -> None:
    """Rows, pictures and evidence of one hook-up."""
    last = after or before
    assert last is not None  # else it would not stand in the list
    runs, name, a = {run.id: run for run in replay.runs}, last.hookup.text, last.assessment
    report.rows += _rows(replay.site, name, before, after)
    report.pictures += pictures_of(replay, before, after, report.left_name)
    used = ", ".join(
        f"run {run_id}: {last.sweeps[run_id]} sweeps of {runs[run_id].settings.points} points,"
        f" {runs[run_id].bandwidth_words}"
        for run_id in last.run_ids
    )
    report.evidence.append(
        f"{name}: floor of one sweep {text(a.floor_now)}, averaged {text(a.floor_averaged)}, {a.thrown_sweeps} sweeps"
        f" thrown out; rests on {used}"
    )
    for channel in a.channels:
        if channel.parts:
            parts = ", ".join(f"{part} {value:.2f} dB" for part, value in channel.parts)
            load = f"; {load_words(channel.load)}" if channel.load is not None else ""
            report.evidence.append(
                f"{name} at {channel.frequency_hz / 1e6:.4f} MHz, proof below reading by: {parts}{load}"
            )
    report.evidence += _spent(name, last)
    report.doubts += [f"{name}: {doubt}" for doubt in (*last.notes, *a.doubts)]
    report.not_shown += [
        f"{name} at {channel.frequency_hz / 1e6:.4f} MHz: {goal.name} {goal.goal_db:g} dB: {goal.words}"
        + (f" ({goal.figure.why or goal.figure.limited_by})" if goal.figure.why or goal.figure.limited_by else "")
        for channel, goal in summary.goals_by_channel(a)
        if goal.met is None
    ]


def _spent(name: str, one: Figures) -> list[str]:
    """How often the rejection was looked at, and what is known of the leak."""
    a, lines = one.assessment, []
    proof = a.proof
    if proof.looks:
        proven = "nothing proven" if proof.proven_db is None else f"{rounded_down(proof.proven_db, 1):.1f} dB proven"
        looks = "1 look" if proof.looks == 1 else f"{proof.looks} looks"
        run = f"run {one.run_ids[-1]}" if len(one.run_ids) <= 2 else "a zoom"
        said = f"{name}: {proven} in {looks} of {run} (number {proof.nth_run} of {proof.goal})"
        bound = next((c.transmission for c in a.channels if c.role is Role.REJECT), None)
        single = bound is not None and bound.kind is Kind.AT_LEAST and proof.proven_db is not None
        lines.append(f"{said}; all its runs share 5 %" + (ONE_LOOK if single else ""))
    lines += [f"{name}: {proof.note}"] if proof.note else []
    for channel in a.channels:
        if channel.role is Role.REJECT:
            limit = NOT_SURVEYED if channel.leakage is None else f"no leak above {amplitude_db(channel.leakage):.1f} dB"
            lines.append(f"{name} at {channel.frequency_hz / 1e6:.4f} MHz: {limit}")
    return lines


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

            goal = next(
                goal
                for at, goal in summary.goals_by_channel(last.assessment)
                if goal.name == what and at.frequency_hz == channel.frequency_hz
            )
            figure = pick(last.assessment)
            rows.append(
                Row(
                    name,
                    f"{what} at {channel.frequency_hz / 1e6:.4f} MHz",
                    _text(cell(before, pick)),
                    _text(cell(after, pick)),
                    f"{goal.goal_db:g} dB",
                    goal.words,
                    figure.limited_by,
                )
            )
    if last.hookup.side is not None and site.kind != "band-pass":  # which has no notch of its own
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
    return NOT_MEASURED if figure is None else text(figure, signed=signed)


def _turned(row: NudgeRow, cavities: int | None) -> str:
    """One line of the ledger, with what was corrected in it later."""
    later = f" (entered at first as {told_words(row.first)})" if row.first is not None else ""
    later += f" STRUCK OUT, no turn: {row.struck}" if row.struck else ""
    at = time.strftime("%H:%M", time.localtime(row.at_s))
    return f"{at} side {row.side}, {told_words(row.told)}: {did_words(row, cavities)}{later}"


def _suits(replay: Replay) -> list[str]:
    """The page of the analyzer; empty where it is not known."""
    try:
        made = suits_if_known(replay)
    except RequestError as error:  # what was typed of it can't be
        return [str(error)]
    return [] if made is None else suits_lines(made)


def _feeder(visit: VisitFile, replay: Replay, earlier: Sequence[Path]) -> list[str]:
    sight = feeder_sight(replay.figures_of)
    return [*feeder_lines(sight), *against_earlier(visit, sight, earlier)] if sight.runs else []


def _resonators(replay: Replay) -> list[str]:
    cavity, sides = cavity_sight(replay.figures_of), band_sights(replay.figures_of)
    lines = cavity_lines(cavity) if cavity.runs else []
    return [*lines, *(band_lines(sides, replay.site) if sides else [])]


def _together(visit: VisitFile, replay: Replay) -> list[str]:
    from visit.figures.together import Together  # noqa: PLC0415 - heavy only where it is asked for

    lines = Together(visit, replay.figures_of).lines()
    return [] if lines and lines[0].startswith("nothing yet") else lines


def _sentences(report: Report) -> None:
    """Statements ready for a licence file."""
    day = time.strftime("%Y-%m-%d", time.localtime(report.visited_s[1]))
    for row in report.rows:
        later = row.left != NOT_MEASURED
        said, when = (row.left, report.left_name) if later else (row.found, FOUND)
        if row.goal:
            report.sentences.append(f"{day}, {row.hookup}, {when}: {row.name} {said}; goal {row.goal}: {row.verdict}.")
    if report.left_name == LATEST:
        report.sentences.append("As left was not frozen; what was measured last stands here.")
