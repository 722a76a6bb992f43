"""From sweeps to an average, the run that is followed, and the figures of one average: each rule alone, with told fits.

Expected values are closed forms named at each check, or the rule itself as README and DESIGN state it.
"""

from __future__ import annotations

import math
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from rf.floor.floor import floor_from_one_sweep
from rf.floor.pool import Bottom
from rf.notch.notch import NotchPlace
from rf.repeater.hookup_check import HookUpCheck, State
from rf.values.figure import Kind, cant_say
from tests.visit.told import A_TO_L, FIRST, LOADS, SITE, WIDE, ZOOM, notch, sweep
from visit.figures import assess as assess_module
from visit.figures import assessor as assessor_module
from visit.figures.assess import assess
from visit.figures.assessment import SURVEY_FIRST, Assessment, Proof, Role
from visit.figures.assessor import Assessor
from visit.figures.averaging import Averaged, RunAverage, average_of, floor_of
from visit.figures.known import Known
from visit.figures.looks import EARLIER, Look, Spending
from visit.figures.unsurveyed import NOT_SURVEYED
from visit.site.hookup import HookUp

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


@pytest.mark.parametrize(("over_db", "trusted"), [(23.7, True), (22.3, False)])
def test_a_phase_is_trusted_twenty_and_three_decibels_over_the_floor(over_db: float, trusted: bool) -> None:
    """20 dB for a sample that helps, 3 dB because the floor of one sweep is a rough estimate."""
    rng = np.random.default_rng(6)
    f = np.linspace(450e6, 460e6, 201)
    noise = 1e-4 * (rng.normal(size=201) + 1j * rng.normal(size=201))
    noise[:80] = 0.0
    level = 1e-2
    for _ in range(5):  # the floor as it is told beside this level
        one = np.asarray(np.where(np.arange(201) < 80, level, 0.0) + noise, np.complex128)
        level = math.sqrt(floor_from_one_sweep(one).additive_power * 10 ** (over_db / 10))
    one = np.asarray(np.where(np.arange(201) < 80, level, 0.0) + noise, np.complex128)
    assert level**2 / floor_from_one_sweep(one).additive_power == pytest.approx(10 ** (over_db / 10), rel=0.01)
    found = average_of([sweep(1, one, f), sweep(2, one * np.exp(0.3j), f)])
    assert found is not None and (found.phase_cost_db > 0.1) is trusted


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
    is rough by its own power, and beside the same one 0.8 times as
    large it scatters by (0.2 / 2)^2 x 2 of that, half of it in the mean."""
    one, other = sweep(1, np.full(101, 3e-4 + 0j)), sweep(2, np.full(101, 1e-4 + 0j))
    both = average_of([one, other])
    assert both is not None and floor_of(both.s21).additive_power == pytest.approx(2e-8, rel=0.02)
    rng = np.random.default_rng(3)
    rough = sweep(1, 1e-4 * (rng.normal(size=101) + 1j * rng.normal(size=101)))
    single, twice = average_of([rough]), average_of([rough, replace(rough, s21=0.8 * rough.s21)])
    assert single is not None and twice is not None
    assert floor_of(single.s21).additive_power == pytest.approx(2e-8, rel=0.4)
    rms = float(np.mean(np.abs(rough.s21) ** 2)) ** 0.5
    assert floor_of(twice.s21).averaged_power.mean() == pytest.approx((0.2 * rms) ** 2 / 4, rel=0.5)


# The run that is followed


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
    none = Assessor(SITE, A_TO_L, spending=Spending("goal", 3, 9, earlier=True))
    none.add(sweep())
    shown = none.assess()
    assert shown is not None and shown.proof.note == ""  # nothing was counted as spent
    never = Assessor(
        SITE, A_TO_L, known=Known(1e-5), spending=replace(spending, recorded={1: replace(row, taken=False)})
    )
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
    for number in (1, 2, 3, 4, 5, 6):
        told.ended = number > 2
        one.add(sweep(number))
        one.assess()
    anew = [call.begin is None for call in told.calls]
    assert anew == [True, True, True, False, False, True]  # nothing had ended before 3; that search counts from there


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
    assert plain.average.kept().size == 0


def test_a_pad_is_taken_out_without_a_calibration(monkeypatch: pytest.MonkeyPatch) -> None:
    """Ten decibels before port 2 are a factor of 3.162."""
    seen: list[float] = []

    def told(site: object, hookup: object, averaged: Averaged, **_: object) -> SimpleNamespace:
        seen.append(abs(averaged.s21.mean[0]))
        return SimpleNamespace(notch=None)

    monkeypatch.setattr(assessor_module, "assess", told)
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
SEEN = HookUpCheck(State.RIGHT, "as declared")


def made(averaged: Averaged, known: Known = TRUSTED, hookup: HookUp = A_TO_L, **options: Any) -> Assessment:
    """`SEEN`: what hangs on the leads was judged already; the levels that are told here are no duplexer's."""
    return assess(SITE, hookup, averaged, known, seen=SEEN, **options)


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
    assert 37.8 < heard[0] < 40.0 and 37.8 < heard[1] < 40.0  # port 2 and the load take 0.9 dB each
    assert "counted as spent" in found.cautions
    narrow = made(average(f=np.linspace(451e6, 454e6, 101)), proof=proof)
    assert "does not cover" in channel_of(narrow).transmission.why and narrow.pooled_points == 0
    made(average(), replace(TRUSTED, uncorrected="calibrate it"), proof=proof)
    assert heard[2:] == [-math.inf, -math.inf]


def test_next_comes_a_survey_where_one_is_missing(monkeypatch: pytest.MonkeyPatch) -> None:
    Fits(monkeypatch, notch())
    deep = average(level=1e-6)
    open_ = made(deep, proof=lambda _: Proof(95.0))
    assert any(SURVEY_FIRST in said and "sweeps of these settings" in said for said in open_.cautions)
    assert open_.goals[-1].condition == NOT_SURVEYED
    surveyed = made(deep, replace(TRUSTED, leakage=1e-7), proof=lambda _: Proof(95.0))
    assert not any(SURVEY_FIRST in said for said in surveyed.cautions)
    assert surveyed.leakage == 1e-7
    read = made(average(level=1e-3))
    assert channel_of(read).transmission.why == NOT_SURVEYED
    assert channel_of(made(average(level=1e-3), replace(TRUSTED, leakage=1e-7))).transmission.why == ""


@pytest.mark.parametrize(
    ("width_hz", "points", "says"),
    [
        (200e3, 1, ""),  # a step of 50 kHz is a quarter of 200 kHz; half-width 25 kHz: one sample
        (199e3, 1, "points 50 kHz apart, wide"),
        (400e3, 3, ""),  # half-width 50 kHz
        (math.nan, 1, ""),
    ],
)
def test_the_pool_and_its_step(monkeypatch: pytest.MonkeyPatch, width_hz: float, points: int, says: str) -> None:
    """Step at most a quarter of the bottom (study, F16); samples within an eighth of it are pooled."""
    Fits(monkeypatch, notch(trusted=False))
    found = made(average(), replace(TRUSTED, bottoms=((455e6, Bottom(width_hz)),)))
    assert found.pooled_points == points
    assert (
        any(says in caution for caution in found.cautions)
        if says
        else not any("zoom" in caution for caution in found.cautions)
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
    far = made(average(level=level[f.searchsorted(450e6) :], f=f[f.searchsorted(450e6) :]))
    assert far.lowest is not None and far.lowest.place.value == pytest.approx(455.5e6, abs=2e3)
