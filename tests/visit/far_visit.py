"""The advice and a hand, without a screen: looks of the simulated bench, the ledger's rows, the next deed.

Owns: a short way through `visit.day` for many starts. Refuses: the file and the terminal; `tests/tui/far_hand` takes
those.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import numpy as np

from protocol.errors import RequestError
from protocol.simulated.duplexer import Duplexer, load_unit
from protocol.simulated.hookup import HookUp as OnTheBench
from protocol.simulated.instrument import Instrument, InstrumentOptions
from protocol.sweep import SweepSettings
from rf.floor.leakage import LEADS_MOVE, leak_limit_at, split_floor
from rf.values.figure import Figure
from rf.values.words import as_json, finite, text
from visit.day.cavities import expected_of, track
from visit.day.far import FarLook
from visit.day.nudges import TRIMMER, NudgeRow, Told, compare, dips_of
from visit.day.passes import pass_look, returned_in
from visit.day.planner import UNTRIED, SurveyPlan, Tried, plan_proof, survey_for_turns
from visit.day.tuning import Advice, Deed, Tuning, advise
from visit.figures.assess import assess
from visit.figures.assessment import Assessment, Role
from visit.figures.averaging import Averaged, average_of
from visit.figures.known import Known
from visit.figures.run_figures import RunFigures
from visit.record.visit_file import RunRow
from visit.site.hookup import HookUp, Side
from visit.site.presets import BANDWIDTH_HZ, POINTS, far_sweeps, wide
from visit.site.site import Site, load_site

SITES = Path(__file__).parents[2] / "fixtures/sites"
SITE_OF = {"U6": "demo-450", "V6": "demo-150", "V4": "demo-154", "P6": "demo-150"}
HAND_ERROR = 0.2
TURN_S = 20.0
"""What a turn takes a hand, with the nut and the look at the screen."""
USUAL = 8
MOVING_S = 60.0
"""What it takes to move both leads to loads, or back."""
MOST_PROOFS = 4


def site_of(unit: str) -> Site:
    """The site of a unit."""
    site = load_site(SITES / f"{SITE_OF[unit]}.toml")
    return replace(site, kind="pass-reject") if unit == "P6" else site


class FarVisit:
    """The low side of a unit whose rods stand off by `rods_hz`, between the `ends_hz` of their travel (from 0)."""

    def __init__(
        self,
        unit: str,
        seed: int,
        rods_hz: Sequence[float],
        trimmers_hz: Sequence[float] = (),
        ends_hz: dict[int, tuple[float, float]] | None = None,
        bench: tuple[Duplexer, Site] | None = None,
    ) -> None:
        """`bench`: another unit than one that ships, and its site."""
        self.unit, self.site = bench or (load_unit(unit), site_of(unit))
        self._rods, self._ends = list(rods_hz), ends_hz or {}
        for number, hz in enumerate(rods_hz, 1):
            self.unit.turn("L", number, hz)
        for number, hz in enumerate(trimmers_hz, 1):
            self.unit.turn("L", number, hz, trimmer=True)
        self._rng = np.random.default_rng(seed)
        spacing, count = self.site.high_hz - self.site.low_hz, len(self._rods)
        self._per_turn = self._rng.uniform(0.07, 0.2, count) * spacing * self._rng.choice([-1.0, 1.0], count)
        ways = np.random.default_rng(seed + 9000)
        self._per_trim = ways.uniform(0.03, 0.1, count) * spacing * ways.choice([-1.0, 1.0], count)
        self._bench = Instrument(InstrumentOptions(seed=seed), self.unit, OnTheBench("A", "L"))
        self._averages: dict[int, Averaged] = {}
        self._rows: list[NudgeRow] = []
        self._farther: Averaged | None = None
        self._leak: float | None = None
        self._blind = 0
        self._proved: Figure | None = None
        self.surveys = self.proofs = 0
        self._spans = far_sweeps(self.site, Side.LOW)
        self.seconds, self.turns, self.sweeps = 0.0, 0, 0
        self._sweep_s, self._tried = 0.5, UNTRIED
        self.said: list[str] = []

    def run(self, most_turns: int = 60) -> Advice:
        """Until the advice ends, or after so many turns."""
        level, sweeps, before, told = 0, USUAL, None, None
        for _ in range(4 * most_turns):
            run, seen = self._look(wide(self.site) if level == 0 else self._spans[level - 1], sweeps)
            if told is not None and before is not None:
                self._write(before, (run, seen), told)
            advice = advise(self._tuning(run, seen, level))
            self.said.append(f"{advice.do} | {advice.why}")
            told, before = None, (run, seen)
            if advice.deed is Deed.SURVEY:
                self._survey(seen)
            elif advice.deed is Deed.PROVE:
                if self._prove(seen):
                    return advice
                if self.proofs >= MOST_PROOFS:
                    return replace(advice, deed=Deed.WAIT)
            elif advice.level is not None:
                level = advice.level
            elif advice.deed is Deed.LONGER and advice.sweeps is not None:
                sweeps = advice.sweeps
            elif advice.told is not None and advice.deed is not Deed.OUT_OF_REACH and self.turns < most_turns:
                told = advice.told
                self._turn(told)
            else:
                return advice
        return advice

    def pass_db(self) -> tuple[float, float]:
        """Loss and return loss of the pass channel on the bench."""
        s = self.unit.s(np.array([self.site.low_hz]))[0]
        return float(-20.0 * np.log10(abs(s[1, 0]))), float(-20.0 * np.log10(abs(s[0, 0])))

    def true_db(self) -> float:
        """What the bench gives at the channel."""
        return float(-20.0 * np.log10(abs(self.unit.s(np.array([self.site.high_hz]))[0, 1, 0])))

    def _look(self, settings: SweepSettings, sweeps: int) -> tuple[RunRow, Assessment]:
        bench, hookup = self._bench, HookUp.parse("A>L")
        self._set(settings)
        taken = [bench.sweep() for _ in range(sweeps)]
        self.seconds += sum(sweep.duration_s for sweep in taken)
        self._sweep_s = taken[-1].duration_s
        self.sweeps += sweeps
        averaged = average_of(taken)
        assert averaged is not None
        run = RunRow(len(self._averages) + 1, "tune", hookup, settings, (), sweeps, None, 0.0)
        self._averages[run.id] = averaged
        return run, assess(
            self.site, hookup, averaged, Known(trusted=True, leakage=self._leak, bandwidth_hz=settings.bandwidth_hz)
        )

    def _survey(self, seen: Assessment) -> None:
        """Both leads on loads for as many sweeps as the advice asks."""
        plan = self._needed(seen)
        assert plan is not None and plan.settings is not None
        self._set(plan.settings)
        self._bench.hookup.hang("loads")
        split = split_floor(np.array([self._bench.sweep().s21 for _ in range(plan.sweeps)]))
        self._bench.hookup.hang("")
        limit = leak_limit_at(plan.settings.frequency_hz(), split, self.site.reject_hz(Side.LOW))
        assert limit is not None
        self._leak, self._blind = LEADS_MOVE * limit, len(self._rows)
        self.said.append(f"survey of {plan.sweeps} sweeps: {20.0 * np.log10(self._leak):.1f} dB")
        self.seconds += plan.seconds + 2 * MOVING_S
        self.sweeps += plan.sweeps
        self.surveys += 1

    def _needed(self, seen: Assessment) -> SurveyPlan | None:
        return None if self._leak is not None else survey_for_turns(self.site, Side.LOW, seen, self._sweep_s)

    def _set(self, settings: SweepSettings) -> None:
        bench = self._bench
        bench.start_hz, bench.stop_hz = settings.start_hz, settings.stop_hz
        bench.points, bench.bandwidth_hz = settings.points, settings.bandwidth_hz

    def _prove(self, wide_one: Assessment) -> bool:
        """The proof as it is planned, with a load of 30 dB on the third port; whether it shows the goal."""
        reject_hz, hookup, bench = self.site.reject_hz(Side.LOW), HookUp.parse("A>L"), self._bench
        self.proofs += 1
        if self._leak is None:
            self._survey(wide_one)  # nothing is shown to be met before it
        try:
            plan = plan_proof(self.site, wide_one, BANDWIDTH_HZ, self._sweep_s / POINTS, tried=self._tried)
        except RequestError:
            return False
        self._set(plan.settings)
        taken = [bench.sweep() for _ in range(plan.sweeps)]
        self.seconds += sum(sweep.duration_s for sweep in taken)
        self.sweeps += plan.sweeps
        averaged, notch = average_of(taken), wide_one.notch
        assert averaged is not None and notch is not None
        known = Known(
            trusted=True, leakage=self._leak, bottoms=((reject_hz, notch.bottom()),), third_loads=((reject_hz, 30.0),)
        )
        channel = assess(self.site, hookup, averaged, known).channel(Role.REJECT)
        assert channel is not None
        self._proved, self._tried = channel.transmission, Tried(self._tried.runs + 1, plan.sweeps)
        self.said.append(f"proof of {plan.sweeps} sweeps: {text(self._proved)}")
        return self._proved.may_support_pass and self._proved.low >= self.site.goals.rejection_db

    def _tuning(self, run: RunRow, seen: Assessment, level: int) -> Tuning:
        averaged, reject_hz, count = self._averages[run.id], self.site.reject_hz(Side.LOW), self.site.cavities
        self._farther = averaged if level else self._farther
        dips = tuple(dip.figure for dip in dips_of(averaged))
        far = FarLook(
            dips, run.settings.start_hz, run.settings.stop_hz, level,
            tuple((one.start_hz, one.stop_hz) for one in self._spans),
            None if self._farther is None else tuple(dip.figure for dip in dips_of(self._farther)),
        )  # fmt: skip
        channel, notch = seen.channel(Role.REJECT), seen.notch
        assert channel is not None
        singles = notch.singles if notch is not None and notch.trusted else dips
        rods = track(self._rows, reject_hz, count, seen.notch_offset, singles, self._blind)
        passing = pass_look(self.site, seen, self._rows, rods)
        trims = passing is not None and bool(passing.rows)
        places = (
            track(self._rows, reject_hz, count, seen.notch_offset, singles, self._blind, trims=True) if trims else rods
        )
        return Tuning(
            self.site.goals.rejection_db, reject_hz, channel.transmission, notch, seen.notch_offset, places, count,
            seen.sweeps, spacing_hz=self.site.high_hz - self.site.low_hz, far=far,
            survey=self._needed(seen), proved=self._proved,
            passing=passing,
        )  # fmt: skip

    def _write(self, before: tuple[RunRow, Assessment], after: tuple[RunRow, Assessment], told: Told) -> None:
        figures: Any = SimpleNamespace(
            site=self.site, averaged=lambda run: self._averages[run.id], assess=lambda _: None
        )
        expected = expected_of(self._rows, self.site.reject_hz(Side.LOW), self.site.cavities, told, self._blind)
        nudge = compare(cast("RunFigures", figures), before[0], after[0], before[1], after[1], expected)
        made = {
            "before": as_json(nudge.before), "after": as_json(nudge.after), "moved": as_json(nudge.moved),
            "mean_before": as_json(before[1].notch_offset), "mean_after": as_json(after[1].notch_offset),
            "pass_before": as_json(returned_in(before[1])), "pass_after": as_json(returned_in(after[1])),
            "misfit": finite(nudge.misfit), "unseen": nudge.unseen, "left": nudge.left, "single": nudge.single,
        }  # fmt: skip
        self._rows.append(NudgeRow(0.0, "L", told, before[0].id, after[0].id, made, len(self._rows) + 1))

    def _turn(self, told: Told) -> None:
        """As badly as a hand."""
        assert told.cavity is not None and told.turns is not None
        k, sign = told.cavity - 1, {"clockwise": 1.0, "anticlockwise": -1.0}[told.direction]
        trimmer = told.screw == TRIMMER
        rate = self._per_trim[k] if trimmer else self._per_turn[k]
        hz = sign * told.turns * rate * self._rng.normal(1.0, HAND_ERROR)
        if k in self._ends and not trimmer:
            low, high = self._ends[k]
            hz = min(max(self._rods[k] + hz, low), high) - self._rods[k]
        self._rods[k] += 0.0 if trimmer else hz
        self.unit.turn("L", told.cavity, hz, trimmer=trimmer)
        self._proved, self._tried = None, UNTRIED
        self.turns += 1
        self.seconds += TURN_S
