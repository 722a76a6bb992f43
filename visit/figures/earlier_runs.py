"""What the other runs of a visit say of one: the leak beside it, the bottom of its notch, its third port, its path.

Owns: which earlier run counts for what, and which of several limits of a leak is the best. Refuses: to average or to
assess; `visit.figures.run_figures` has the runs and their figures, `visit.figures.known` what the rows tell.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Protocol

from rf.floor.leakage import LEADS_MOVE
from rf.floor.pool import MOST_CAVITIES, Bottom, narrowest_bottom
from rf.repeater.passband import return_loss_at
from rf.values.decibel import level_near
from visit.calibration.doubts import survey_doubt
from visit.figures.assess_alone import leak_limits
from visit.figures.assessment import Assessment
from visit.figures.averaging import FEWEST_POINTS, floor_of
from visit.figures.known import Knowledge, Known, LeakSource
from visit.figures.leak_advice import found
from visit.figures.looks import covers_both, seen_from_antenna
from visit.figures.two_states import Averages, jumper_leaks
from visit.record.visit_file import RunRow
from visit.site.hookup import ANTENNA_PORT, HookUp, Side

DOUBTED = 2.0
"""A limit of a leak that is in doubt gives way to a fresh one that is not over so many times as large."""


class Assessed(Averages, Protocol):
    """The runs of a visit, their averages and their figures."""

    def settled(self, run: RunRow) -> Assessment | None:
        """The figures of a run; None when it kept no sweep."""


class EarlierRuns:
    """The runs of one visit as evidence for one another."""

    def __init__(self, figures: Assessed, knowledge: Knowledge) -> None:
        self._figures, self._knowledge = figures, knowledge
        self._site = figures.site

    def known(self, run: RunRow, as_of_s: float = math.inf) -> Known:
        """Everything that is known of a run by the rows of the file up to a time."""
        known = self._knowledge.of(run)
        if run.hookup.alone and not run.hookup.part:
            return known
        leaks = self._leaks(run, as_of_s)
        if run.hookup.part:
            return replace(known, leaks=tuple((hz, limit) for hz, limit, _ in leaks))
        return replace(
            known,
            leaks=tuple((hz, limit) for hz, limit, _ in leaks),
            leak_sources=tuple((hz, source) for hz, _, source in leaks),
            bottoms=self._bottoms(run),
            path_doubt=self._path_doubt(run),
            third_seen=self._third_seen(run),
            returned_db=self._returned_db(run),
            third_loads=self._third_loads(run, as_of_s),
        )

    def _third_loads(self, run: RunRow, as_of_s: float) -> tuple[tuple[float, float], ...]:
        """What the newest run of a load on lead 1 says of the load that ends the third port (Hz, return loss)."""
        for other in reversed(self._figures.runs):
            if other.hookup == HookUp("load", "load", "") and other.started_s <= as_of_s and other.id != run.id:
                made = self._figures.averaged(other)
                if made is None or made.s11.too_busy or made.frequency_hz.size < FEWEST_POINTS:
                    continue
                power = floor_of(made.s11).averaged_power
                residuals = self._knowledge.of(other).residuals
                found = [
                    (hz, return_loss_at(made.frequency_hz, made.s11.mean, power, hz, residuals).figure.low)
                    for hz in (self._site.low_hz, self._site.high_hz)
                ]
                return tuple((hz, low) for hz, low in found if math.isfinite(low))
        return ()

    # What surveys and tests of two states say of the leak

    def _leaks(self, run: RunRow, as_of_s: float) -> tuple[tuple[float, float, LeakSource], ...]:
        """The best limit at each channel and where it comes from. Surveys only add: a narrow one takes nothing from a
        wide one, and one in doubt counts only where there is no other."""
        through = self._knowledge.corrector(run).through
        channels = (self._site.low_hz, self._site.high_hz)
        told = self._knowledge.told_leaks(as_of_s)
        limits = [(hz, limit / through, LeakSource("as told")) for hz in channels for limit in told]
        calibration = self._knowledge.calibration(run)
        if calibration is not None and calibration.isolation_limit is not None:
            source = LeakSource("isolation standard")
            limits += [(hz, calibration.isolation_limit / through, source) for hz in channels]
        for other in self._figures.runs:
            if other.hookup.survey and other.hookup.path.jumper == "none" and other.started_s <= as_of_s:
                doubt = self._survey_doubt(other, run)
                limits += [
                    (hz, limit / through, replace(source, doubt=doubt)) for hz, limit, source in self._surveyed(other)
                ]
        if not run.hookup.alone and run.hookup == HookUp(run.hookup.driven, run.hookup.read, run.hookup.third):
            apart = LeakSource("two states of the path", found=True)
            limits += [(hz, limit, apart) for hz, limit in jumper_leaks(self._figures, run.hookup, as_of_s)]
        best: dict[float, tuple[float, LeakSource]] = {}
        for hz, limit, source in limits:
            held = best.get(hz)
            if held is None or _counts_for(limit, source) < _counts_for(*held):
                best[hz] = limit, source
        return tuple((hz, *best[hz]) for hz in sorted(best))

    def _survey_doubt(self, survey: RunRow, run: RunRow) -> str:
        """What speaks against a survey for a run; one that was taken after the run is as old as the time between."""
        one, other = sorted((survey, run), key=lambda each: each.started_s)
        ended_s, now_s = self._knowledge.ended_s(one), max(other.started_s, self._knowledge.ended_s(one))
        if other is run:
            now_s = self._knowledge.ended_s(run)
        calibration = self._knowledge.calibration(run)
        return survey_doubt(
            ended_s,
            now_s,
            restarted=self._knowledge.restarts(ended_s, now_s),
            calibrated_s=-math.inf if calibration is None or one is run else calibration.at_s,
        )

    def _surveyed(self, run: RunRow) -> list[tuple[float, float, LeakSource]]:
        """What a survey says of the leak inside the instrument: neither damped by a pad before port 2 nor lifted by an
        amplifier there, and with room for leads that are moved."""
        survey = self._figures.settled(run)
        if survey is None or survey.survey is None:
            return []
        through = self._knowledge.corrector(run).through * LEADS_MOVE
        source = LeakSource(f"survey, run {run.id}", found(survey.survey), survey.sweeps)
        limits = leak_limits(self._site, survey.frequency_hz, survey.survey)
        return [(hz, limit * through, source) for hz, limit in limits]

    # What earlier runs say of the notch

    def fitted(self, hookup: HookUp, before_run: float = math.inf) -> Assessment | None:
        """The figures of the newest wide run of a hook-up, before a run, whose notch is trusted."""
        for other in reversed(self._figures.runs):
            if other.id < before_run and other.hookup == hookup and covers_both(other, self._site):
                assessment = self._figures.settled(other)
                if assessment is not None and assessment.notch is not None and assessment.notch.trusted:
                    return assessment
        return None

    def _third_seen(self, run: RunRow) -> bool:
        """Whether a wide run from the antenna to the same side saw the load that a run from the side can't see."""
        if run.hookup.read != ANTENNA_PORT or run.hookup.alone:
            return False
        back = HookUp(ANTENNA_PORT, run.hookup.driven, run.hookup.third)
        for other in reversed(self._figures.runs):
            if other.hookup == back and covers_both(other, self._site):
                assessment = self._figures.settled(other)
                if assessment is not None and assessment.check.seen == back.name:
                    return True
        return False

    def _returned_db(self, run: RunRow) -> float | None:
        """What came back at the third port's channel in the newest wide run before that had lead 2 on it."""
        before = [other for other in self._figures.runs if other.id < run.id]
        for other in seen_from_antenna(before, run.hookup, self._site):
            made, side = self._figures.averaged(other), other.hookup.side
            if made is not None and side is not None and not self._knowledge.of(other).uncorrected:
                return level_near(made.frequency_hz, made.s11.mean, self._site.pass_hz(side))
        return None

    def _path_doubt(self, run: RunRow) -> str:
        """What the newest wide run of a hook-up says against its path; a wide run says it of itself."""
        if covers_both(run, self._site):
            return ""
        for other in reversed(self._figures.runs):
            if other.id < run.id and other.hookup == run.hookup and covers_both(other, self._site):
                assessment = self._figures.settled(other)
                if assessment is not None:
                    return assessment.check.doubt
        return ""

    def _bottoms(self, run: RunRow) -> tuple[tuple[float, Bottom], ...]:
        """The bottoms at the reject channels, from the newest fitted wide runs before a run; a wide run has its own.

        From side to side both notches are passed: at each channel the bottom is that of the side which rejects it, or
        the narrowest there can be where that side was not fitted.
        """
        if run.hookup.side is not None:
            fitted = None if covers_both(run, self._site) else self.fitted(run.hookup, run.id)
            return _bottom_of(fitted)
        found = dict(bottom for side in Side for bottom in _bottom_of(self._fitted_side(side, run.id)))
        if not covers_both(run, self._site) and self._site.kind != "band-pass":
            for side in Side:
                hz = self._site.reject_hz(side)
                found.setdefault(hz, narrowest_bottom(hz, self._site.cavities or MOST_CAVITIES))
        return tuple(sorted(found.items(), reverse=True))

    def _fitted_side(self, side: Side, before_run: int) -> Assessment | None:
        """The newest trusted wide fit of a side, driven either way."""
        for other in reversed(self._figures.runs):
            if other.id < before_run and other.hookup.side is side and not other.hookup.alone:
                found = self.fitted(other.hookup, before_run)
                if found is not None:
                    return found
        return None


def _counts_for(limit: float, source: LeakSource) -> float:
    """What a limit is worth beside others: one in doubt gives way to a fresh one that is not over twice as large."""
    return limit * (DOUBTED if source.doubt else 1.0)


def _bottom_of(fitted: Assessment | None) -> tuple[tuple[float, Bottom], ...]:
    """The bottom at the reject channel of a fitted run."""
    if fitted is None or fitted.notch is None or fitted.hookup.side is None:
        return ()
    return ((fitted.site.reject_hz(fitted.hookup.side), fitted.notch.bottom()),)
