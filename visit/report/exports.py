"""The sweeps and figures of a visit for other programs: Touchstone 1.1, CSV, JSON.

Owns: the files, each with its provenance in comments. Refuses: to invent a parameter: what was not measured is zero
and the comment says so.
"""

from __future__ import annotations

import csv
import io
import math
import time
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from protocol.errors import RequestError, not_written
from protocol.files.harmless import ascii_only, harmless, harmless_json
from protocol.files.small_files import private_folder, write_private
from protocol.sweep import OWN_BANDWIDTH
from rf.values.decibel import amplitude_db
from rf.values.figure import Figure
from rf.values.words import text
from visit.day.day import Day
from visit.day.gains import gains_of
from visit.day.parts import paths_of
from visit.day.stages import stages
from visit.day.suits import suits_if_known
from visit.day.witness import witnesses
from visit.figures.assessment import Assessment, Role
from visit.figures.averaging import Complex
from visit.figures.feeder import feeder_sight
from visit.figures.figures_json import assessment_data
from visit.figures.replay import Figures, Replay
from visit.figures.resonators import band_sights, cavity_sight
from visit.figures.unsurveyed import NOT_SURVEYED
from visit.record.visit_file import RunRow, VisitFile
from visit.report.feeder_page import feeder_data
from visit.report.gains_page import gains_data
from visit.report.parts_page import parts_data
from visit.report.resonator_page import band_data, cavity_data
from visit.report.suits_page import suits_data
from visit.report.witness_page import witness_data

LONGEST_COMMENT = 500
"""Letters of a line of comment; a program that reads Touchstone may have a short line."""


def export_visit(visit: VisitFile, folder: Path, *, singly: bool = False) -> list[Path]:
    """Write all runs as .s2p (or .s1p), the figures as JSON and CSV; `singly`: every sweep of the duplexer and of
    surveys as a file of its own too, from which `read` makes the same figures. Raises RequestError when a file exists
    or can't be written; what was written before stays."""
    replay = Replay(visit)
    try:
        private_folder(folder)
    except OSError as error:
        raise not_written(error)(f"can't make {folder}: {error.strerror}; choose another folder") from None
    written, identities = [], _identities(visit)
    for run in replay.runs:
        shown = replay.assess(run)  # its sweeps give the average too
        made = replay.figures_of.averaged(run)
        if made is None:
            continue
        name = f"run{run.id:03d}-{_safe_name(run.hookup.text)}"
        comments = _provenance(replay, run, identities.get(run.id, ""), shown)
        mean = f"mean of {made.sweeps} sweeps; what they scattered is not in it, 'export --sweeps' writes them singly"
        frequency, s11, s21 = made.frequency_hz, made.s11.mean, made.s21.mean
        written.append(_write_sweep(folder, name, run, frequency, s11, s21, [*comments, mean]))
        written.append(_write(folder / f"{name}.csv", csv_text(frequency, s11, s21)))
        if singly and not run.hookup.one_port:
            written += _singly(visit, replay, run, folder, name, comments)
    found = replay.all_figures()
    figures = {
        "site": replay.site.name,
        "time_zone": time.strftime("%Z%z"),
        "runs": [_run_data(replay, run, identities.get(run.id, "")) for run in replay.runs],
        "figures": [
            {**assessment_data(one.assessment), "runs": one.run_ids, "notes": list(one.notes)} for one in found
        ],
        "feeder": feeder_data(feeder_sight(replay.figures_of)),
        "witness": witness_data(witnesses(replay)),
        "cavity": cavity_data(cavity_sight(replay.figures_of)),
        "resonators": band_data(band_sights(replay.figures_of)),
        "gains": gains_data(gains_of(Day(visit), replay)),
        "parts": parts_data(paths_of(replay)),
        "suits": _suits(replay),
        "stages": [
            {
                "name": stage.name,
                "hookup": stage.hookup,
                "at_s": stage.at_s,
                "runs": stage.run_ids,
                "figures": stage.figures,
            }
            for stage in stages(visit)
        ],
    }
    written.append(_write(folder / "figures.json", harmless_json(figures) + "\n"))
    written.append(_write(folder / "figures.csv", figures_csv(replay.site.name, found)))
    return written


def _singly(
    visit: VisitFile, replay: Replay, run: RunRow, folder: Path, name: str, comments: Sequence[str]
) -> list[Path]:
    """Each sweep of a run, corrected like the mean."""
    corrector = replay.figures_of.corrector(run)
    written = []
    for number, sweep in enumerate(visit.each_sweep(run.id), 1):
        s11, s21 = corrector(sweep.frequency_hz, sweep.s11, sweep.s21)
        at = f"sweep {number}, {_local(sweep.started_s)}, took {sweep.duration_s:.3f} s"
        place = f"{name}-sweep{number:05d}"
        written.append(_write_sweep(folder, place, run, sweep.frequency_hz, s11, s21, [*comments, at]))
    return written


def _write_sweep(
    folder: Path,
    name: str,
    run: RunRow,
    frequency_hz: NDArray[np.float64],
    s11: Complex,
    s21: Complex,
    comments: Sequence[str],
) -> Path:
    """One port as .s1p, two as .s2p with what was not measured written as 0 and said."""
    if run.hookup.one_port:
        return _write(folder / f"{name}.s1p", touchstone(frequency_hz, [s11], comments))
    nothing = np.zeros_like(s11)
    if run.hookup.survey:
        said, s12 = (
            "no device: each lead ends in a load of its own; S12 and S22 were not measured, written as 0",
            nothing,
        )
    else:
        said, s12 = "S12 = S21 (reciprocal device); S22 was not measured and is written as 0", s21
    return _write(folder / f"{name}.s2p", touchstone(frequency_hz, [s11, s21, s12, nothing], [*comments, said]))


def _identities(visit: VisitFile) -> dict[int, str]:
    """The analyzer of each run by its own words."""
    rows = visit.rows("select run.id, analyzer.identity from run join analyzer on analyzer.id = run.analyzer_id")
    return {int(str(run_id)): str(identity) for run_id, identity in rows}


def _local(at_s: float) -> str:
    return time.strftime("%Y-%m-%d %H:%M:%S %Z%z", time.localtime(at_s))


def _suits(replay: Replay) -> dict[str, object] | None:
    """Whether the analyzer is good enough; None where it is not known, or what was typed of it can't be."""
    try:
        made = suits_if_known(replay)
    except RequestError:
        return None
    return None if made is None else suits_data(made)


def _run_data(replay: Replay, run: RunRow, identity: str) -> dict[str, object]:
    """What a run was, for JSON."""
    s = run.settings
    return {
        "id": run.id,
        "purpose": run.purpose,
        "hookup": run.hookup.text,
        "started_s": run.started_s,
        "analyzer": identity,
        "start_hz": s.start_hz,
        "stop_hz": s.stop_hz,
        "points": s.points,
        "bandwidth_hz": None if OWN_BANDWIDTH in run.changes else s.bandwidth_hz,
        "sweeps": replay.figures_of.sweeps(run),
        "calibration": run.calibration_id,
        "outcome": run.outcome,
    }


def touchstone(frequency_hz: NDArray[np.float64], columns: Sequence[Complex], comments: Sequence[str]) -> str:
    """Touchstone 1.1 text: one column (1-port) or four in the order 11 21 12 22 (2-port), RI, 50 ohm."""
    lines = [f"! {_ascii(comment)}" for comment in comments]
    lines.append("# Hz S RI R 50")
    for index, hz in enumerate(frequency_hz):
        values = " ".join(f"{column[index].real:.12e} {column[index].imag:.12e}" for column in columns)
        lines.append(f"{hz:.6f} {values}")
    return "\n".join(lines) + "\n"


def csv_text(frequency_hz: NDArray[np.float64], s11: Complex, s21: Complex) -> str:
    """Frequency, S11 and S21 as real and imaginary parts and in decibels; numbers only below the heading."""
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow(("frequency_hz", "s11_re", "s11_im", "s21_re", "s21_im", "s11_db", "s21_db"))
    with np.errstate(divide="ignore"):
        levels = 20.0 * np.log10(np.abs(np.stack((s11, s21))))
    for index, hz in enumerate(frequency_hz):
        a, b = s11[index], s21[index]
        numbers = (a.real, a.imag, b.real, b.imag)
        decibels = (f"{level:.4f}" if np.isfinite(level) else "" for level in levels[:, index])
        writer.writerow((f"{hz:.6f}", *(f"{number:.12e}" for number in numbers), *decibels))
    return buffer.getvalue()


def figures_csv(site: str, found: Sequence[Figures]) -> str:
    """The figures of all hook-ups, a line each, every number with its kind; texts are never formulas."""
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow(("site", "hookup", "figure", "frequency_hz", "kind", "value", "low", "high", "unit", "limited_by"))
    for one in found:
        a = one.assessment
        lines: list[tuple[str, float | None, Figure]] = []
        for channel in a.channels:
            name = "rejection" if channel.role is Role.REJECT else "loss"
            lines += [(name, channel.frequency_hz, channel.transmission)]
            lines += [("return loss", channel.frequency_hz, channel.return_loss)]
        for name, at_hz, figure in (*lines, ("notch offset", None, a.notch_offset)):
            numbers = (figure.value, figure.low, figure.high)
            shown = ("" if not math.isfinite(number) else f"{number:.6g}" for number in numbers)
            texts = (site, one.hookup.text, name, "" if at_hz is None else f"{at_hz:.6f}", figure.kind.value)
            ends = (figure.unit, figure.limited_by)
            writer.writerow((*map(plain_cell, texts), *shown, *map(plain_cell, ends)))
    return buffer.getvalue()


FORMULA = "=+-@|%\uff1d\uff0b\uff0d\uff20"
"""What a cell begins with that a spreadsheet computes or sends; the last four are the wide forms of the first."""


def plain_cell(words: str) -> str:
    """Text for a spreadsheet cell: harmless, and behind an apostrophe where a program would take it for a formula."""
    clean = harmless(words)
    return f"'{clean}" if clean.lstrip()[:1] in FORMULA and clean.strip() else clean


def _provenance(replay: Replay, run: RunRow, identity: str, shown: Assessment | None) -> list[str]:
    """Where the numbers come from and what limits them: enough to judge them again without the visit file."""
    site = replay.site
    calibration = replay.calibrations.get(run.calibration_id or 0)
    kit = (
        "analyzer's own" if calibration is None else f"on the host, {calibration.kit.name}, {_local(calibration.at_s)}"
    )
    lines = [
        f"{site.name} {site.call_sign}".strip(),
        f"low {site.low_hz:.0f} Hz, high {site.high_hz:.0f} Hz, {site.kind}",
        f"run {run.id}, {run.hookup.text}, {_local(run.started_s)}, {run.bandwidth_words}",
        f"analyzer: {identity or 'not known'}",
        f"correction: {kit}; pads and amplifier declared with the hook-up are taken out",
    ]
    if shown is None:
        return lines
    lines.append(f"floor of one sweep {text(shown.floor_now)}, averaged {text(shown.floor_averaged)}")
    if shown.leakage is not None:
        limit = math.ceil(amplitude_db(shown.leakage) * 10.0) / 10.0
        lines.append(f"leak at most {limit:.1f} dB re thru at the channels to hold back: read --leakage {limit:.1f}")
    elif run.hookup.side is not None:
        lines.append(NOT_SURVEYED)
    return lines + [f"in doubt: {doubt}" for doubt in shown.doubts]


def _ascii(words: str) -> str:
    return ascii_only(harmless(words, LONGEST_COMMENT))


def _safe_name(words: str) -> str:
    return "".join(letter if letter.isalnum() else "-" for letter in words).strip("-")


def _write(path: Path, content: str) -> Path:
    try:
        write_private(path, content, new=True)
    except FileExistsError:
        raise RequestError(f"{path} exists already; give another folder, nothing was overwritten") from None
    except OSError as error:
        raise not_written(error)(f"can't write {path}: {error.strerror}; choose another folder") from None
    return path
