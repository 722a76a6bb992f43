"""One case of the grid measured from survey to nudge, and all that was said of it beside the truth.

Owns: which runs a case has, and the line of JSON that it leaves. Refuses: to sum up; `tests.truth.tables` does.
"""

from __future__ import annotations

import os
import time
import traceback
import warnings
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from protocol.errors import RequestError
from rf.repeater.passband import Residuals
from tests.truth.bench import Bench
from tests.truth.cases import Case
from tests.truth.gathered import VISITS, isolation_rows, slope_rows
from tests.truth.judging import (
    Judged,
    Row,
    channel_rows,
    nudge_rows,
    plain,
    survey_rows,
    verdicts,
    wide_rows,
)
from tests.truth.visits import MEMORY, Measured, TruthVisit, beside, declared, fits, site_of
from visit.day.nudges import compare
from visit.figures.assessment import Assessment, with_zoom
from visit.figures.figures_json import assessment_data
from visit.site.hookup import HookUp

COUNT_UNKNOWN = 0.08
"""Share of the cases whose site file does not say how many cavities there are."""
NUDGED = 0.25
"""Share of the fitted cases in which a screw is turned afterwards."""
THREE_PORTS, TRENDS = 0.04, 0.02
"""Shares of the cases that are measured at all three ports, and of the fitted ones that are visited again and again."""
FEWEST_NUDGE_SWEEPS = 4
ZOOMS = (1, 4)
"""Sweeps of the zooms, as multiples of the wide run's."""


def beyond(bench: Bench) -> list[str]:
    """Errors of this bench that are larger than the program states that it allows for (`rf.repeater.passband`)."""
    e, stated, found = bench.errors, Residuals(), []
    if e.match2_db is not None and e.match2_db < stated.port2_return_loss_db:
        found.append("port 2")
    if e.directivity_db is not None and e.directivity_db < stated.directivity_db:
        found.append("directivity")
    if e.ripple_db > stated.tracking_db:
        found.append("tracking")
    return found


class Line:
    """What one case leaves."""

    def __init__(self, case: Case, cavities: int | None, bench: Bench) -> None:
        self.data: dict[str, Any] = {
            "number": case.number, "unit": case.unit_name, "kind": case.kind, "cavities": case.cavities,
            "hookup": case.hookup, "errors": case.errors, "leak": case.leak, "floor_db": round(case.floor_avg_db, 1),
            "averages": case.averages, "detune": case.detune, "told": cavities is not None, "beyond": beyond(bench),
            "runs": 0, "stopped": [], "rows": [], "verdicts": [], "seconds": {},
        }  # fmt: skip

    def run(self, name: str, measured: Measured) -> None:
        """A run more."""
        self.data["runs"] += 1
        self.data["seconds"].setdefault(name, []).append(round(measured.seconds, 5))
        if measured.stopped:
            self.data["stopped"].append(f"{name}: {measured.stopped}")

    def rows(self, rows: list[Row]) -> None:
        """Figures more."""
        self.data["rows"] += plain(rows)

    def verdicts(self, where: str, found: list[Judged]) -> None:
        """Verdicts more."""
        self.data["verdicts"] += [[where, one.goal, one.step, one.verdict] for one in found]


def run_case(case: Case, folder: Path = MEMORY, count_unknown: float = COUNT_UNKNOWN) -> dict[str, Any]:
    """All figures of one case as a line of JSON; `count_unknown` is the chance that nobody told the count. A fault of
    the program becomes a line with its traceback."""
    rng = np.random.default_rng(case.seed ^ 0x5EED)
    bench = case.build()
    cavities = None if rng.random() < count_unknown else case.cavities
    line = Line(case, cavities, bench)
    began = time.process_time()
    truth_db = max(float(np.mean(_rejections(bench, case))), 20.0)
    visit = TruthVisit(site_of(case, cavities, round(truth_db, 2)), folder / f"truth-{os.getpid()}-{case.number}.visit")
    heard = warnings.catch_warnings(record=True, action="always", category=RuntimeWarning)
    try:
        with heard as said:
            _measured(line, visit, case, bench, rng)
        line.data["warned"] = [f"{one.filename.rpartition('/')[2]}:{one.lineno}: {one.message}" for one in said][:3]
        if rng.random() < THREE_PORTS:
            line.rows(isolation_rows(case, bench, folder / f"ports-{os.getpid()}-{case.number}.visit"))
            line.data["runs"] += 3
        told = any(row["figure"] == "place" and row["covered"] is not None for row in line.data["rows"])
        if rng.random() < TRENDS and told:
            line.rows(slope_rows(case, bench, folder / f"trend-{os.getpid()}-{case.number}.visit"))
            line.data["runs"] += VISITS
    except Exception:
        line.data["fault"] = traceback.format_exc(limit=-4)
    finally:
        visit.close()
    line.data["seconds"]["case"] = [round(time.process_time() - began, 4)]
    return line.data


def _rejections(bench: Bench, case: Case) -> list[float]:
    hz = [case.high_hz if case.side == "L" else case.low_hz]
    return [-20.0 * float(np.log10(abs(bench.truth_ideal_load(hz)[1][0]) + 1e-30))]


def _measured(line: Line, visit: TruthVisit, case: Case, bench: Bench, rng: np.random.Generator) -> None:
    hookup = declared(case, bench)
    if case.surveyed:
        survey = visit.survey(bench)
        line.run("survey", survey)
        if survey.assessment is not None:
            line.rows(list(survey_rows(bench, survey.assessment)))
    fitted = None
    if hookup.side is None:  # the bottom is that of the side which rejects: its own wide run comes first
        aside = beside(bench, f"A>{case.side}", case.seed)
        fitted = visit.wide(aside, HookUp.parse(hookup.text.replace(hookup.name, f"A>{case.side}")), case.averages)
        line.run("wide", fitted)
    wide = visit.wide(bench, hookup, case.averages)
    line.run("side to side" if hookup.side is None else "wide", wide)
    if wide.assessment is None:
        return
    line.rows(list(wide_rows(bench, hookup, wide)))
    line.verdicts("wide", list(verdicts(wide.assessment, bench, wide)))
    notch = wide if fitted is None else fitted
    if fits(notch):
        _zoomed(line, visit, case, bench, hookup, wide.assessment, notch)
        if hookup.side is not None and case.averages >= FEWEST_NUDGE_SWEEPS and rng.random() < NUDGED:
            _nudged(line, visit, case, bench, hookup, wide, rng)


def _zoomed(
    line: Line, visit: TruthVisit, case: Case, bench: Bench, hookup: HookUp, wide: Assessment, notch: Measured
) -> None:
    a = notch.assessment
    assert a is not None and a.notch is not None  # it fits
    channel_hz = case.high_hz if case.side == "L" else case.low_hz
    for times in ZOOMS:
        zoomed = visit.zoom(bench, hookup, channel_hz, a.notch.bottom_width_hz, times * case.averages)
        line.run("zoom", zoomed)
        if zoomed.assessment is None:
            return
        both = with_zoom(wide, zoomed.assessment)
        line.rows(list(channel_rows("zoomed ", bench, zoomed, zoomed.assessment, assessment_data(zoomed.assessment))))
        found = [one for one in verdicts(both, bench, zoomed) if one.goal == "rejection"]
        line.verdicts("zoom", found if hookup.side is not None else found[: len(found) // 2])


def _nudged(
    line: Line, visit: TruthVisit, case: Case, bench: Bench, hookup: HookUp, wide: Measured, rng: np.random.Generator
) -> None:
    number = int(rng.integers(1, case.cavities + 1))
    bench.errors = replace(bench.errors, screw_at=None, drift_k=0.0)
    before = visit.wide(bench, hookup, case.averages)
    line.run("nudge", before)
    zeros = bench.unit_at().zeros_hz(case.side)
    per_turn = bench.unit_at().khz_per_turn(case.side, number) * 1e3 if zeros.size else 1.0
    width_hz = wide.assessment.notch.bottom_width_hz if wide.assessment and wide.assessment.notch else 1e4
    bench.turn(case.side, number, float(rng.choice([-1, 1]) * rng.uniform(0.1, 1.0)) * width_hz / abs(per_turn))
    after = visit.wide(bench, hookup, case.averages)
    line.run("nudge", after)
    if zeros.size == 0:
        return
    moved = bench.unit_at().zeros_hz(case.side)
    runs = visit.file.run(before.run_id), visit.file.run(after.run_id)
    try:
        nudge = compare(visit.figures, *runs, before.assessment, after.assessment)
    except RequestError as error:
        line.data["stopped"].append(f"nudge: {error}")
        return
    line.rows(list(nudge_rows(nudge, float(zeros[number - 1].real), float(moved[number - 1].real))))
