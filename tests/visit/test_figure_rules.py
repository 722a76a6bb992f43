"""The rules by which runs of a visit become figures, each alone: rows are told, descents are told, nothing is simulated.

Expected values are closed forms named at each check, or the rule itself as README and DESIGN state it.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path as FilePath
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from protocol.sweep import SweepSettings
from rf.floor.pool import Bottom
from rf.notch.notch import NotchPlace
from rf.values.figure import Kind, cant_say, inferred
from visit.figures import assess as assess_module
from visit.figures import assessor as assessor_module
from visit.figures import known as known_module
from visit.figures import run_figures as run_figures_module
from visit.figures.assess import assess
from visit.figures.assessment import NOT_SURVEYED, SURVEY_FIRST, Assessment, Proof, Role
from visit.figures.assessor import Assessor
from visit.figures.averaging import Averaged, RunAverage, average_of, floor_of
from visit.figures.known import Knowledge, Known
from visit.figures.looks import EARLIER, Look, Spending, covers_both, spendings
from visit.figures.run_figures import RunFigures
from visit.record.visit_file import RecordError, RunRow, StoredSweep
from visit.site.hookup import HookUp
from visit.site.site import load_site

SITE = load_site(FilePath(__file__).parents[2] / "fixtures/sites/demo-450.toml")
A_TO_L, LOADS = HookUp("A", "L"), HookUp.parse("loads")
WIDE, ZOOM = SweepSettings(442.5e6, 462.5e6, 401, 1000.0), SweepSettings(454.97e6, 455.03e6, 101, 1000.0)
FIRST = 0.05 * 6.0 / math.pi**2
"""Share of the first run (Lan and DeMets; rf/floor/sequential.py)."""


def run(number: int, settings: SweepSettings = ZOOM, hookup: HookUp = A_TO_L, **options: Any) -> RunRow:
    given: dict[str, Any] = {"purpose": "live", "planned_sweeps": 50, "started_s": 100.0 * number, "watched": True}
    given |= options
    return RunRow(number, hookup=hookup, settings=settings, changes=(), outcome=None, **given)


class Rows:
    """A visit file that answers with the rows it was told, by a word of the question."""

    def __init__(self, runs: list[RunRow] | None = None, **told: Any) -> None:
        self.told, self.its_runs, self.path = told, runs or [], FilePath("told.visit")
        self.counts: dict[int, int] = {}
        self.taken: list[tuple[int, int]] = []

    def rows(self, statement: str, values: tuple[object, ...] = ()) -> list[tuple[Any, ...]]:
        for name in ("stage", "look", "remark", "told_leak", "known_part", "sweep"):
            if f"from {name} " in f"{statement} ":
                answer = self.told.get(name)
                if callable(answer):
                    return list(answer(values))
                return answer if answer is not None else [(None,)] if "(" in statement.split("from")[0] else []
        raise AssertionError(statement)

    def site(self) -> Any:
        return SITE

    def runs(self) -> list[RunRow]:
        return self.its_runs

    def sweep_counts(self) -> dict[int, int]:
        return self.counts

    def sweeps(self, run_id: int, limit: int = -1) -> list[StoredSweep]:
        self.taken.append((run_id, limit))
        return [sweep(number) for number in range(1, limit + 1)]


def sweep(number: int = 1, s21: np.ndarray | None = None, f: np.ndarray | None = None) -> StoredSweep:
    f = ZOOM.frequency_hz() if f is None else f
    s21 = np.full(f.size, 1e-3 + 0j) if s21 is None else s21
    return StoredSweep(number, f, np.full(f.size, 0.1 + 0j), s21, float(number), 0.5)


# Looks


@pytest.mark.parametrize(
    ("start", "stop", "wide"),
    [(450e6, 455e6, True), (449e6, 456e6, True), (450.1e6, 456e6, False), (449e6, 454.9e6, False)],
)
def test_a_wide_run_holds_both_channels(start: float, stop: float, wide: bool) -> None:
    assert covers_both(run(1, SweepSettings(start, stop, 101, 1000.0)), SITE) is wide


def spent(runs: list[RunRow], counts: dict[int, int], **told: Any) -> dict[int, Spending]:
    visit: Any = Rows(runs, **told)
    return spendings(visit, SITE, runs, counts)


def test_zooms_have_nine_tenths_of_the_five_percent_and_wide_runs_one() -> None:
    """A planned run of 50: its looks at 25 and 50 share the first run's part by halves."""
    found = spent([run(1, WIDE), run(2)], {1: 60, 2: 60})
    wide, zoom = found[1].look(25), found[2].look(50)
    assert wide is not None and wide.chance == pytest.approx(0.1 * FIRST / 2)
    assert zoom is not None and zoom.chance == pytest.approx(0.9 * FIRST / 2)
    assert (zoom.number, zoom.taken, zoom.bound_db) == (2, False, None)
    assert found[1].goal == "A>L as found, wide" and found[2].goal == "A>L as found, zoom"
    assert found[2].look(26) is None and found[2].next(25) == 50 and found[2].next(50) is None
    plain = Spending(planned=50).look(50)
    assert plain is not None and plain.chance == pytest.approx(FIRST / 2)
    assert Spending(planned=50, watched=False).look(25) is None


def test_a_frozen_stage_parts_the_runs() -> None:
    """As found was frozen at the moment at which the second run began: that run is of the other stage."""
    found = spent([run(1), run(2), run(3)], {1: 50, 2: 50, 3: 50}, stage=[(200.0,)])
    assert [one.goal.split()[1:3] for one in found.values()] == [["as", "found,"], ["as", "left,"], ["as", "left,"]]
    assert [one.nth_run for one in found.values()] == [1, 1, 2]
    assert [one.nth_run for one in spent([run(1), run(2)], {1: 50, 2: 50}).values()] == [1, 2]


def test_only_runs_with_looks_count() -> None:
    """Too short for a look; while a screw was turned; on loads; and one whose row stands although no sweep does."""
    runs = [run(1), run(2, purpose="tune"), run(3, hookup=LOADS), run(4), run(5)]
    rows = [(4, 25, 1, 0.01, None, None), (4, 50, 2, 0.02, 91.5, 1e-6)]
    found = spent(runs, {1: 24, 2: 60, 3: 60, 5: 60}, look=rows)
    assert set(found) == {1, 2, 4, 5}
    assert [one.nth_run for one in found.values()] == [1, 1, 1, 2]
    assert not found[2].proves and found[2].look(50) is None and found[2].next(0) is None and found[1].proves
    assert found[4].look(25) == Look(25, 1, 0.01, None, None, True)
    assert found[4].look(50) == Look(50, 2, 0.02, 91.5, 1e-6, True)
    assert not any(one.earlier for one in found.values())


def test_a_run_of_an_earlier_program_counts_as_watched() -> None:
    (found,) = spent([run(1, watched=None)], {1: 50}).values()
    assert found.earlier and found.watched
    (found,) = spent([run(1, watched=False)], {1: 50}).values()
    assert not found.watched and found.look(25) is None and found.look(50) is not None


# What is known


def test_the_nearest_leak_and_bottom_belong_to_their_channel() -> None:
    """Within half a hertz; the least limit of all; nothing told is nothing known."""
    one = Known(1e-4, ((455e6, Bottom(2e5)),), ((455e6, 3e-5), (455e6, 2e-4)))
    assert one.bottom_at(455e6 + 0.25).width_hz == 2e5 and not one.bottom_at(455e6 + 0.5).known
    assert one.leak_at(455e6 + 0.25) == 3e-5 and one.leak_at(455e6 + 0.5) == one.leak_at(450e6) == 1e-4
    assert Known().leak_at(455e6) is None and replace(one, leakage=1e-6).leak_at(455e6) == 1e-6
    assert Known().trusted is False


def check(at_s: float, *, good: bool = True) -> Any:
    return SimpleNamespace(at_s=at_s, verified=SimpleNamespace(good=good, says="0.4 dB off", part="thru"))


class Own:
    """A calibration told: terms, checks, what it finds and from when."""

    def __init__(self, at_s: float, *checks: Any, found: tuple[str, ...] = (), since: float | None = None) -> None:
        self.terms, self.at_s, self.checks, self.isolation_limit = object(), at_s, checks, None
        self.found, self.since, self.asked = found, since, list[tuple[Any, ...]]()

    def doubts(self, *asked: Any) -> tuple[str, ...]:
        self.asked.append(asked)
        return self.found

    def doubtful_from_s(self) -> float | None:
        return self.since

    def residuals(self, path: Any) -> str:
        return "residuals"


@pytest.fixture
def know(monkeypatch: pytest.MonkeyPatch) -> Callable[..., Knowledge]:
    def made(own: Own | None = None, checks: tuple[Any, ...] = (), **told: Any) -> Knowledge:
        monkeypatch.setattr(known_module, "calibrations", lambda visit: {} if own is None else {7: own})
        monkeypatch.setattr(known_module, "checks_of", lambda visit, which: checks)
        visit: Any = Rows(**told)
        return Knowledge(visit, SITE)

    return made


CALIBRATED = run(2, calibration_id=7)
"""Began at 200 s."""


def test_levels_are_re_a_thru_by_a_calibration_or_by_the_analyzer(know: Callable[..., Knowledge]) -> None:
    said = [(0.0, "corrects itself", "no")]
    own = Own(100.0)
    assert know(own, remark=said).of(CALIBRATED).uncorrected == ""
    assert "calibrate it" in know(own, remark=said).of(run(2)).uncorrected
    assert know().of(run(2)).uncorrected == ""  # nothing was said: as it was then
    known = know(own).of(CALIBRATED)
    assert known.residuals == "residuals" and known.trusted and known.axis_doubt == ""  # type: ignore[comparison-overlap]
    assert know(own).of(run(2)).residuals is None
    assert know(own).corrector(CALIBRATED)._terms is own.terms and know(own).corrector(run(2))._terms is None


def test_what_was_said_last_before_a_run_holds(know: Callable[..., Knowledge]) -> None:
    """After the clock was set back, all came later: then the first."""
    said = [(100.0, "corrects itself", "no"), (200.0, "corrects itself", "yes"), (300.0, "corrects itself", "no")]
    known = know(remark=said)
    assert [known.corrects_itself(run(n)) for n in (1, 2, 3)] == [False, True, False]
    assert known.corrects_itself(run(0)) is False
    assert know(remark=said[1:]).corrects_itself(run(0)) is True


def test_time_on_a_point_is_settling_and_a_share_of_the_bandwidth(know: Callable[..., Knowledge]) -> None:
    for words, seconds in (("0.001 2.0", 0.003), ("0.001", 0.0), ("0.001 nan", 0.0), ("2e6 1", 0.0), ("", 0.0)):
        assert know(remark=[(0.0, "point time", words)]).of(run(1)).dwell_s == pytest.approx(seconds)


def test_an_axis_is_believed_when_it_was_confirmed_last(know: Callable[..., Knowledge]) -> None:
    said = [(0.0, "axis", "never checked"), (900.0, "axis", "confirmed")]
    assert know(remark=said).of(run(1)).axis_doubt == ""
    assert know(remark=said[:1]).of(run(1)).axis_doubt == "never checked"


def test_leaks_told_up_to_a_time(know: Callable[..., Knowledge]) -> None:
    known = know(told_leak=[(100.0, 1e-4), (200.0, 1e-5)])
    assert [known.told_leaks(at_s) for at_s in (99.0, 100.0, 200.0)] == [[], [1e-4], [1e-4, 1e-5]]


def test_a_restart_after_the_last_proof_is_a_doubt(know: Callable[..., Knowledge]) -> None:
    """Proved at the calibration or by a good check before the run, whichever is later; off up to the run's end."""
    off = [(150.0, "analyzer restarted", "")]
    kinds = (known_module.RESTARTED, known_module.PORT_BACK)
    for kind in kinds:
        off = [(150.0, kind, "")]
        assert "was off" in know(Own(100.0), remark=off).doubts(CALIBRATED)[0]
        assert know(Own(160.0), remark=off).doubts(CALIBRATED) == ()
        assert know(Own(100.0, check(170.0)), remark=off).doubts(CALIBRATED) == ()
        assert know(Own(100.0, check(170.0, good=False)), remark=off).doubts(CALIBRATED) != ()
        assert know(Own(100.0, check(210.0)), remark=off).doubts(CALIBRATED) != ()  # it proves later runs only
        late = [(250.0, kind, "")]
        assert know(Own(100.0), remark=late).doubts(CALIBRATED) == ()
        assert "was off" in know(Own(100.0), remark=late, sweep=[(260.0,)]).doubts(CALIBRATED)[0]
        assert "was off" in know(None, (check(140.0),), remark=off).doubts(run(2))[0]
        assert know(None, (check(160.0),), remark=off).doubts(run(2)) == ()
    assert know(Own(100.0, check(140.0)), (check(160.0),), remark=off).doubts(CALIBRATED) != ()  # another's checks
    assert know(Own(100.0)).doubts(CALIBRATED) == know().doubts(run(2)) == ()


def test_a_failed_check_speaks_against_what_came_after_the_last_good_one(know: Callable[..., Knowledge]) -> None:
    failed = ("last check failed (0.4 dB off)", "calibration 70 min old")
    assert know(Own(0.0, found=failed, since=150.0)).doubts(CALIBRATED) == failed
    assert know(Own(0.0, found=failed, since=200.0)).doubts(CALIBRATED) == failed
    assert know(Own(0.0, found=failed, since=250.0)).doubts(CALIBRATED) == failed[1:]
    assert know(Own(0.0, found=failed)).doubts(CALIBRATED) == failed
    own = (check(100.0), check(300.0, good=False))
    assert "last check failed" in know(None, own).doubts(run(2))[0]
    assert know(None, own, remark=[(0.0, "corrects itself", "no")]).doubts(run(2)) == ()


def test_a_clock_that_was_set_back_is_a_doubt(know: Callable[..., Knowledge]) -> None:
    """By rows the proof came before the run; its time stands more than a minute after the run's begin."""
    assert "set back" in know(Own(261.0)).doubts(CALIBRATED)[0]
    assert know(Own(259.0)).doubts(CALIBRATED) == ()
    asked: list[object] = []

    def proved(values: tuple[object, ...]) -> list[tuple[float]]:
        asked.append(values)
        return [(261.0,)]

    assert "set back" in know(Own(100.0), known_part=proved).doubts(CALIBRATED)[0]
    assert asked[0] == (7, 2)
    assert "set back" in know(None, known_part=proved).doubts(run(2))[0]


def test_the_temperature_is_the_one_told_last_before_the_runs_end(know: Callable[..., Knowledge]) -> None:
    """The site's (14 C) before anything was told; what is no number is passed over."""
    own = Own(100.0)
    told = [(150.0, "temperature", "20 C"), (260.0, "temperature", "30 C"), (261.0, "temperature", "40 C"),
            (150.0, "point time", "1 1")]  # fmt: skip
    for words, ended, degrees in (([], None, 14.0), (told, None, 20.0), (told, 260.0, 30.0),
                                  ([(150.0, "temperature", "warm")], None, 14.0)):  # fmt: skip
        own.asked.clear()
        know(own, remark=words, sweep=[(ended,)]).doubts(CALIBRATED)
        assert own.asked == [(ZOOM, ended or 200.0, degrees)]


# Averages


def test_a_phase_that_drifts_is_taken_out_and_its_cost_told() -> None:
    """10 log e of the mean square phase: 4.343 p^2 dB (study, F21); turned beyond 0.02 rad only."""
    rng = np.random.default_rng(1)
    f = np.linspace(450e6, 460e6, 201)
    strong = np.where(np.arange(201) < 80, 1.0, 0.0)
    noise = 1e-4 * (rng.normal(size=(4, 201)) + 1j * rng.normal(size=(4, 201)))
    for phase, left in ((0.3, 0.0), (0.022, 0.0), (0.018, 0.018), (-0.3, 0.0)):
        made = RunAverage(keep=1)
        for k, turn in enumerate((0.0, phase, phase, phase)):
            made.add(sweep(k, strong * np.exp(1j * turn) + noise[k], f))
        found = made.average()
        assert found is not None and found.sweeps == 4
        assert found.phase_cost_db == pytest.approx(10 / math.log(10) * 0.75 * phase**2, rel=0.03)
        assert float(np.angle(found.s21.mean[:80].mean())) == pytest.approx(0.75 * left, abs=1e-4)
        assert made.kept().shape == (1, 201)


def test_thirty_three_points_tell_a_phase_and_fewer_none() -> None:
    for points, cost in ((33, 0.3**2 / 2), (32, 0.0)):
        f = np.linspace(450e6, 460e6, points)
        rng = np.random.default_rng(points)
        noise = 1e-4 * (rng.normal(size=points) + 1j * rng.normal(size=points))
        level = np.where(np.arange(points) < 11, 1.0, 0.0) + noise
        found = average_of([sweep(1, level, f), sweep(2, level * np.exp(0.3j), f)])
        assert found is not None and found.phase_cost_db == pytest.approx(10 / math.log(10) * cost, rel=0.01)


def test_an_average_is_corrected_once_and_of_one_grid() -> None:
    assert average_of([]) is None and RunAverage().average() is None
    found = average_of([sweep(1), sweep(2)], lambda f, s11, s21: (s11 * 2, s21 * 3))
    assert found is not None and found.sweeps == 2
    assert found.s21.mean[0] == pytest.approx(3e-3) and found.s11.mean[0] == pytest.approx(0.2)
    assert found.phase_cost_db == 0.0
    with pytest.raises(ValueError, match="share"):
        average_of([sweep(1), sweep(2, f=ZOOM.frequency_hz() + 1.0)])
    made = RunAverage(keep=2)
    for number in range(3):
        made.add(sweep(number))
    assert made.sweeps == 3 and made.kept().shape == (2, 101)
    assert RunAverage().kept().size == 0


def test_the_floor_of_one_sweep_is_its_roughness_and_of_two_their_scatter() -> None:
    """Two smooth sweeps that differ by 2e-4 everywhere scatter by 2e-8 (sum |x - mean|^2 / (N - 1)); a sweep of noise
    is rough, and twice the same sweep does not scatter."""
    one, other = sweep(1, np.full(101, 3e-4 + 0j)), sweep(2, np.full(101, 1e-4 + 0j))
    both = average_of([one, other])
    assert both is not None and floor_of(both.s21).additive_power == pytest.approx(2e-8, rel=0.02)
    rng = np.random.default_rng(3)
    rough = sweep(1, 1e-4 * (rng.normal(size=101) + 1j * rng.normal(size=101)))
    single, twice = average_of([rough]), average_of([rough, rough])
    assert single is not None and twice is not None
    assert floor_of(single.s21).additive_power == pytest.approx(2e-8, rel=0.4)
    assert floor_of(twice.s21).additive_power < 1e-12


# The run that is followed


def notch(centre_hz: float = 455.01e6, **options: Any) -> NotchPlace:
    nothing = cant_say("dB", "told")
    given: dict[str, Any] = {
        "centre": inferred(centre_hz, centre_hz - 1e3, centre_hz + 1e3, "Hz"), "depth": nothing,
        "unloaded_q": inferred(950.0, 900.0, 1000.0, ""), "rejection_at": (nothing,), "singles": (),
        "singles_resolved": False, "singles_limit_hz": 0.0, "bottom_width_hz": 2.4e5, "shapes_at": (), "trusted": True,
        "departure": 0.6, "misfit": 1e-3, "p_value": 0.5, "model": None, "why": "", "ended": np.arange(3.0),
    }  # fmt: skip
    return NotchPlace(**(given | options))


class Followed:
    """An assessor whose figures are told: what each call of `assess` was given is written down."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, ended: bool = True) -> None:
        self.calls: list[SimpleNamespace] = []
        self.fits = 0
        self.ended, self.proof_db = ended, 91.0
        monkeypatch.setattr(assessor_module, "assess", self.assess)

    def fit(self) -> NotchPlace:
        self.fits += 1
        return notch(ended=np.arange(3.0) if self.ended else None)

    def assess(
        self, site: Any, hookup: Any, averaged: Averaged, known: Any, confidence: float, proof: Any, begin: Any,
        once: Any,
    ) -> Any:  # fmt: skip
        found = once(self.fit)
        shown = proof(self.proof_db)
        self.calls.append(SimpleNamespace(confidence=confidence, proof=shown, begin=begin, sweeps=averaged.sweeps))
        return SimpleNamespace(notch=found if self.ended else None, proof=shown)


def test_each_look_spends_its_own_chance(monkeypatch: pytest.MonkeyPatch) -> None:
    told = Followed(monkeypatch)
    one = Assessor(SITE, A_TO_L, 5, planned=30, live=True)
    assert (one.run_id, one.last_id, one.assess()) == (5, 0, None)
    for number in range(1, 31):
        told.proof_db = 95.0 if number <= 25 else 92.0
        one.add(sweep(number + 100))
    assert one.last_id == 130
    assert [call.confidence for call in told.calls] == pytest.approx([1 - FIRST * 25 / 30, 1 - FIRST * 5 / 30])
    assert [(look.sweeps, look.bound_db, look.taken) for look in one.looks] == [(25, 95.0, True), (30, 92.0, True)]
    shown = one.assess()
    assert shown is not None
    assert shown.proof == Proof(95.0, None, 2, 1, "", "")  # the best of all looks
    assert told.calls[-1].confidence == 0.95
    quiet = Assessor(SITE, A_TO_L, planned=30)
    for number in range(1, 31):
        quiet.add(sweep(number))
    assert [look.sweeps for look in quiet.looks] == [30] and quiet.run_id == 0


def test_a_bound_of_nothing_is_none(monkeypatch: pytest.MonkeyPatch) -> None:
    told = Followed(monkeypatch)
    told.proof_db = -math.inf
    one = Assessor(SITE, A_TO_L, planned=1)
    one.add(sweep())
    assert one.looks[0].bound_db is None
    shown = one.assess()
    assert shown is not None and shown.proof.proven_db is None and shown.proof.looks == 1


@pytest.mark.parametrize(("leak", "stands"), [(1e-5, True), (1e-4, False)])
def test_a_look_that_was_taken_stands_while_the_leak_is_the_same(
    monkeypatch: pytest.MonkeyPatch, leak: float, stands: bool
) -> None:
    told = Followed(monkeypatch)
    row = Look(1, 1, 0.01, 90.5, 1e-5, True)
    spending = Spending("goal", 3, 1, recorded={1: row}, earlier=True)
    one = Assessor(SITE, A_TO_L, known=Known(leak), spending=spending, planned=99)
    one.add(sweep())
    assert one.looks[0].bound_db == (90.5 if stands else 91.0) and len(told.calls) == (0 if stands else 1)
    assert one.looks[0].leakage == leak
    shown = one.assess()
    assert shown is not None and shown.proof.note == EARLIER and shown.proof.nth_run == 3
    never = Assessor(SITE, A_TO_L, known=Known(1e-5), spending=replace(spending, recorded={1: replace(row, taken=False)}))
    never.add(sweep())
    assert never.looks[0].bound_db == 91.0


def test_a_search_begins_anew_when_the_sweeps_have_doubled(monkeypatch: pytest.MonkeyPatch) -> None:
    """1, 2, 4, 8 ...; at looks, too; in between from where it ended, and only once for the same sweeps."""
    told = Followed(monkeypatch)
    one = Assessor(SITE, A_TO_L, planned=7)
    anew = []
    for number in range(1, 9):
        one.add(sweep(number))
        one.assess()
        anew.append(told.calls[-1].begin is None)
        fits = told.fits
        one.assess()
        assert told.fits == fits == number and told.calls[-1].begin is not None
    looked = [call for call in told.calls if call.confidence != 0.95]
    assert [call.sweeps for call in looked] == [7] and looked[0].begin is None
    assert anew == [True, True, False, True, False, False, False, False]  # at 7 the look had searched; 14 is next
    told = Followed(monkeypatch, ended=False)
    one = Assessor(SITE, A_TO_L, planned=9)
    for number in (1, 2, 3):
        one.add(sweep(number))
        one.assess()
    assert all(call.begin is None for call in told.calls)


def test_other_residuals_are_fitted_again(monkeypatch: pytest.MonkeyPatch) -> None:
    told = Followed(monkeypatch)
    one = Assessor(SITE, A_TO_L, planned=9)
    one.add(sweep())
    one.assess()
    one.know(Known(1e-5))
    one.assess()
    assert told.fits == 1
    residuals: Any = object()
    one.know(Known(residuals=residuals))
    one.assess()
    assert told.fits == 2


def test_a_survey_keeps_its_sweeps_and_has_no_looks(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(4)
    survey = Assessor(SITE, LOADS, planned=5)
    f = WIDE.frequency_hz()
    for number in range(1, 6):
        found = survey.assess()
        assert found is None or found.survey is None
        survey.add(sweep(number, 1e-4 * (rng.normal(size=401) + 1j * rng.normal(size=401)), f))
    found = survey.assess()
    assert found is not None and found.survey is not None and survey.looks == []
    plain = Assessor(SITE, A_TO_L, planned=5)
    plain.add(sweep())
    assert plain._average.kept().size == 0


def test_a_pad_is_taken_out_without_a_calibration(monkeypatch: pytest.MonkeyPatch) -> None:
    """Ten decibels before port 2 are a factor of 3.162."""
    seen: list[float] = []
    monkeypatch.setattr(
        assessor_module, "assess",
        lambda site, hookup, averaged, **_: seen.append(abs(averaged.s21.mean[0])) or SimpleNamespace(notch=None),
    )  # fmt: skip
    one = Assessor(SITE, HookUp.parse("A>L pad2=10"), planned=9)
    one.add(sweep())
    one.assess()
    assert seen == [pytest.approx(1e-3 * 10**0.5)]
    given: Any = lambda f, s11, s21: (s11, 5 * s21)  # noqa: E731
    one = Assessor(SITE, HookUp.parse("A>L pad2=10"), planned=9, corrector=given)
    one.add(sweep())
    one.assess()
    assert seen[1] == pytest.approx(5e-3)


# Figures of one average


class Fits:
    """`find_notch`, told."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, answer: NotchPlace) -> None:
        self.asked: list[dict[str, Any]] = []
        self.answer = answer
        monkeypatch.setattr(assess_module, "find_notch", self)

    def __call__(self, *args: Any, **options: Any) -> NotchPlace:
        self.asked.append(options)
        return self.answer


def average(
    count: int = 6, f: np.ndarray | None = None, level: Any = 1e-2, noise: float = 1e-5, gain: float = 0.0
) -> Averaged:
    f = WIDE.frequency_hz() if f is None else f
    rng = np.random.default_rng(5)
    sweeps = []
    for number in range(count):
        n = noise * (rng.normal(size=f.size) + 1j * rng.normal(size=f.size)) / math.sqrt(2)
        sweeps.append(sweep(number, level * (1 + gain * rng.normal(size=f.size)) * np.ones(f.size) + n, f))
    found = average_of(sweeps)
    assert found is not None
    return found


TRUSTED = Known(trusted=True)


def made(averaged: Averaged, known: Known = TRUSTED, hookup: HookUp = A_TO_L, **options: Any) -> Assessment:
    return assess(SITE, hookup, averaged, known, **options)


def channel_of(found: Assessment) -> Any:
    return next(channel for channel in found.channels if channel.role is Role.REJECT)


def test_the_notch_lies_off_the_channel_by_its_sign(monkeypatch: pytest.MonkeyPatch) -> None:
    told = Fits(monkeypatch, notch(455.01e6))
    found = made(average())
    assert found.notch_offset.value == pytest.approx(10e3) and found.notch_offset.unit == "Hz"
    assert (told.asked[0]["reject_hz"], told.asked[0]["pass_hz"], told.asked[0]["cavities"]) == (455e6, 450e6, 3)
    assert told.asked[0]["ask_hz"] == (455e6,) and told.asked[0]["least_departure"] == 0.6
    told.answer = replace(notch(), centre=cant_say("Hz", "no skirts"), trusted=False)
    assert made(average()).notch_offset.why == "no skirts"
    across = made(average(), hookup=HookUp("L", "H"))
    assert across.notch is None and "no notch of its own" in across.notch_offset.why and len(told.asked) == 2
    assert [channel.role for channel in across.channels] == [Role.REJECT] * 2
    band_pass = assess(replace(SITE, kind="band-pass"), A_TO_L, average(), TRUSTED)
    assert band_pass.notch is None and len(told.asked) == 2


def test_the_error_of_a_fit_falls_with_the_sweeps(monkeypatch: pytest.MonkeyPatch) -> None:
    """Gain that shakes by 1 % leaves 1 % / sqrt N; never less than 1e-4."""
    told = Fits(monkeypatch, notch())
    level = np.linspace(0.01, 1.0, 401)
    made(average(36, level=level, gain=0.01))
    made(average(36, level=level))
    assert told.asked[0]["relative_error"] == pytest.approx(0.01 / 6, rel=0.1)
    assert told.asked[1]["relative_error"] == 1e-4


def test_the_proof_is_the_worst_of_what_was_held_back(monkeypatch: pytest.MonkeyPatch) -> None:
    """From side to side both channels count: 40 dB and 60 dB prove no more than 40. What no sweep covers proves
    nothing, nor does an analyzer without a correction."""
    Fits(monkeypatch, notch())
    f = WIDE.frequency_hz()
    heard: list[float] = []

    def proof(db: float) -> Proof:
        heard.append(db)
        return Proof(note="counted as spent")

    level = np.where(f < 452.5e6, 1e-2, 1e-3)
    found = made(average(level=level), hookup=HookUp("L", "H"), proof=proof)
    made(average(level=level[::-1]), hookup=HookUp("L", "H"), proof=proof)
    assert 38.5 < heard[0] < 40.0 and 38.5 < heard[1] < 40.0
    assert "counted as spent" in found.cautions
    narrow = made(average(f=np.linspace(451e6, 454e6, 101)), proof=proof)
    assert "does not cover" in channel_of(narrow).transmission.why and narrow.pooled_points == 0
    made(average(), replace(TRUSTED, uncorrected="calibrate it"), proof=proof)
    assert heard[2:] == [-math.inf, -math.inf]


def test_next_comes_a_survey_where_one_is_missing(monkeypatch: pytest.MonkeyPatch) -> None:
    Fits(monkeypatch, notch())
    deep = average(level=1e-6)
    open_ = made(deep, proof=lambda _: Proof(95.0))
    assert SURVEY_FIRST in open_.cautions and open_.goals[-1].condition == NOT_SURVEYED
    surveyed = made(deep, replace(TRUSTED, leakage=1e-7), proof=lambda _: Proof(95.0))
    assert SURVEY_FIRST not in surveyed.cautions and surveyed.leakage == 1e-7
    read = made(average(level=1e-3))
    assert channel_of(read).transmission.why == NOT_SURVEYED
    assert channel_of(made(average(level=1e-3), replace(TRUSTED, leakage=1e-7))).transmission.why == ""


@pytest.mark.parametrize(
    ("width_hz", "points", "says"),
    [
        (200e3, 1, ""),  # a step of 50 kHz is a quarter of 200 kHz; half-width 25 kHz: one sample
        (199e3, 1, "step 50 kHz is wide"),
        (400e3, 3, ""),  # half-width 50 kHz
        (math.nan, 1, ""),
    ],
)
def test_the_pool_and_its_step(monkeypatch: pytest.MonkeyPatch, width_hz: float, points: int, says: str) -> None:
    """Step at most a quarter of the bottom (study, F16); samples within an eighth of it are pooled."""
    Fits(monkeypatch, notch(trusted=False))
    found = made(average(), replace(TRUSTED, bottoms=((455e6, Bottom(width_hz)),)))
    assert found.pooled_points == points
    assert any(says in caution for caution in found.cautions) if says else not any(
        "zoom" in caution for caution in found.cautions
    )


def test_a_sample_too_far_off_says_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    """Samples at 455 MHz +- 20 kHz: farther than an eighth of 150 kHz, nearer than an eighth of 170 kHz."""
    Fits(monkeypatch, notch(trusted=False))
    f = 455.02e6 + 40e3 * np.arange(-200, 201)
    for width_hz, known in ((150e3, False), (170e3, True)):
        found = made(average(f=f), replace(TRUSTED, bottoms=((455e6, Bottom(width_hz)),)))
        assert channel_of(found).transmission.known is known
        assert known or "20 kHz off" in channel_of(found).transmission.why
    assert channel_of(made(average(f=f))).transmission.known  # nobody knows how wide it is


def test_the_deepest_point_is_looked_for_within_a_quarter_of_the_span(monkeypatch: pytest.MonkeyPatch) -> None:
    """442.5 to 462.5 MHz: within 5 MHz of the channel. A deeper place at 448 MHz is not the notch."""
    Fits(monkeypatch, notch())
    f = WIDE.frequency_hz()
    level = (0.02 + 0.1j * (f - 455.5e6) / 1e6) * np.where(np.abs(f - 448e6) < 1e6, 0.0, 1.0)
    level = level + np.where(np.abs(f - 448e6) < 1e6, 0.01 + 0.1j * (f - 448e6) / 1e6, 0.0)
    found = made(average(level=level))
    assert found.lowest is not None and found.lowest.place.value == pytest.approx(455.5e6, abs=2e3)
    assert found.lowest.depth.kind is Kind.READING
    far = made(average(level=level[f.searchsorted(450e6):], f=f[f.searchsorted(450e6):]))
    assert far.lowest is not None and far.lowest.place.value == pytest.approx(455.5e6, abs=2e3)


# All runs of a visit


@pytest.fixture
def figures(monkeypatch: pytest.MonkeyPatch) -> Callable[..., RunFigures]:
    def made(runs: list[RunRow], assessed: dict[int, Any] | None = None, own: Any = None, **told: Any) -> RunFigures:
        monkeypatch.setattr(known_module, "calibrations", lambda visit: {} if own is None else {7: own})
        monkeypatch.setattr(known_module, "checks_of", lambda visit, which: ())
        visit: Any = Rows(runs, **told)
        visit.counts = {each.id: 3 for each in runs}
        found = RunFigures(visit)
        if assessed is not None:
            monkeypatch.setattr(found, "_settled", lambda each: assessed.get(each.id))
        return found

    return made


def shown(place: NotchPlace | None, hookup: HookUp = A_TO_L) -> Any:
    return SimpleNamespace(notch=place, hookup=hookup, site=SITE)


def test_an_average_is_made_once_until_sweeps_come(figures: Callable[..., RunFigures]) -> None:
    made = figures([run(1)])
    visit: Any = made.visit
    first = made.averaged(made.runs[0])
    assert first is not None and first.sweeps == 3 and made.averaged(made.runs[0]) is first
    assert visit.taken == [(1, 3)]
    visit.counts = {1: 4}
    made.refresh()
    again = made.averaged(made.runs[0])
    assert again is not None and again.sweeps == 4
    visit.counts = {}
    made.refresh()
    assert made.averaged(made.runs[0]) is None
    assert [each.id for each in figures([run(1, purpose="calibration"), run(2), run(3, purpose="known part")]).runs] == [2]


def test_numbers_that_no_bench_gives_end_in_one_line(figures: Callable[..., RunFigures]) -> None:
    made = figures([run(1)])
    visit: Any = made.visit
    visit.sweeps = lambda run_id, limit: [sweep(1, np.full(101, math.nan + 0j))]
    with pytest.raises(RecordError, match="run 1 gives no figures"):
        made.averaged(made.runs[0])


def test_the_newest_trusted_wide_fit_before_a_run(figures: Callable[..., RunFigures]) -> None:
    """Of the same hook-up, wide, earlier, and trusted."""
    other = HookUp("A", "H")
    runs = [run(1, WIDE), run(2, WIDE), run(3, ZOOM), run(4, WIDE, other), run(5, WIDE), run(6, WIDE), run(7, WIDE)]
    assessed = {
        1: shown(notch(455.1e6)), 2: shown(notch(455.2e6)), 3: shown(notch(455.3e6)),
        4: shown(notch(455.4e6), other), 5: shown(notch(trusted=False)), 6: shown(None), 8: shown(notch()),
    }  # fmt: skip
    made = figures(runs, assessed)
    assert made.fitted(A_TO_L) is assessed[2]
    assert made.fitted(A_TO_L, 2) is assessed[1] and made.fitted(A_TO_L, 1) is None
    newest = made.newest_notch(A_TO_L)
    assert newest is assessed[3].notch  # of any span
    assert made.newest_notch(other) is assessed[4].notch and made.newest_notch(HookUp("L", "H")) is None


def test_a_zoom_takes_the_bottom_of_the_wide_run_before_it(figures: Callable[..., RunFigures]) -> None:
    driven_back = HookUp("L", "A")
    runs = [run(1, WIDE), run(2, ZOOM), run(3, WIDE), run(4, WIDE, HookUp("A", "H")), run(5, ZOOM, HookUp("L", "H")),
            run(6, WIDE, HookUp("L", "H")), run(7, WIDE, driven_back), run(8, WIDE, HookUp("L", "H"))]  # fmt: skip
    assessed = {
        1: shown(notch(bottom_width_hz=1e5)), 3: shown(notch(bottom_width_hz=3e5)),
        4: shown(notch(bottom_width_hz=4e5), HookUp("A", "H")), 7: shown(notch(bottom_width_hz=7e5), driven_back),
    }  # fmt: skip
    made = figures(runs, assessed)
    bottoms = {each.id: {hz: bottom.width_hz for hz, bottom in made.known(each).bottoms} for each in runs}
    assert bottoms[2] == {455e6: 1e5} and bottoms[1] == bottoms[3] == {}  # a wide run has its own
    assert bottoms[5] == bottoms[6] == {455e6: 3e5, 450e6: 4e5}
    assert bottoms[8] == {455e6: 7e5, 450e6: 4e5}  # driven the other way is the same side
    assert run_figures_module._bottom_of(shown(None)) == run_figures_module._bottom_of(None) == ()
    assert run_figures_module._bottom_of(shown(notch(), HookUp("L", "H"))) == ()


def test_leaks_are_the_least_of_what_was_surveyed_and_told(
    figures: Callable[..., RunFigures], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A survey damped by a pad of 20 dB saw a tenth of the leak inside; read behind such a pad the leak counts tenfold.
    A survey of a later time, or with a jumper in the path, says nothing; nor does one that found nothing."""
    limits = {1: 1e-5, 2: 1e-6, 3: 1e-9, 4: 1e-9}
    monkeypatch.setattr(run_figures_module, "leak_limits", lambda site, f, split: [(455e6, split)])
    runs = [run(1, WIDE, LOADS), run(2, WIDE, HookUp.parse("loads pad2=20")), run(3, WIDE, HookUp.parse("loads jumper=half")),
            run(4, WIDE, LOADS), run(5, WIDE, LOADS), run(6, WIDE, LOADS), run(7), run(8, hookup=HookUp.parse("A>L pad2=20"))]  # fmt: skip
    runs[3] = replace(runs[3], started_s=2000.0)
    assessed = {n: SimpleNamespace(survey=limits[n], frequency_hz=None, notch=None, hookup=LOADS) for n in limits}
    assessed[5] = SimpleNamespace(survey=None, frequency_hz=None, notch=None, hookup=LOADS)
    made = figures(runs, assessed, told_leak=[(0.0, 2e-5)])
    assert dict(made.known(runs[6], 1000.0).leaks) == pytest.approx({450e6: 2e-5, 455e6: 1e-7})
    assert dict(made.known(runs[6], 2000.0).leaks)[455e6] == pytest.approx(1e-9)
    assert dict(made.known(runs[6], 150.0).leaks)[455e6] == pytest.approx(1e-5)
    assert dict(made.known(runs[7], 1000.0).leaks)[455e6] == pytest.approx(1e-6)
    assert made.known(runs[0]).leaks == ()  # a survey has none itself
    own: Any = Own(0.0)
    calibrated = replace(runs[6], calibration_id=7)
    assert figures([calibrated], {}, own).known(calibrated).leaks == ()
    own.isolation_limit = 3e-6
    found = figures([calibrated], {}, own).known(calibrated)
    assert found.leaks == ((450e6, 3e-6), (455e6, 3e-6))
    assert figures([runs[6]], {}, own).known(runs[6]).leaks == ()


def test_followed_figures_need_not_be_made_again(figures: Callable[..., RunFigures]) -> None:
    made = figures([run(1, WIDE)])
    kept = shown(notch())
    made.keep(1, kept)
    assert made.fitted(A_TO_L) is kept
