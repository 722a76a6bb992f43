"""What makes a reading, what a proof promises and what decides a goal, against laws from outside the project.

The limits are those of SciPy's noncentral chi-square and F laws (`scipy.stats`), solved here by its root finder; the
rules are DESIGN's table of kinds, JCGM 106:2012 (guarded acceptance) and closed forms named at each check.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.optimize
import scipy.stats

from rf.floor.bound import rejection_figure, two_sided, upper_limit
from rf.floor.pool import Pooled
from rf.floor.proof import Limits, judge_rejection, rejection_of
from rf.values.figure import Figure, Kind, at_least, cant_say, inferred, reading
from rf.values.verdict import Verdict, conformance_probability, judge_at_least, judge_at_most

POWER = 2.0
"""E|n|^2 for a standard deviation of 1 per quadrature."""
MEDIAN = math.sqrt(scipy.stats.chi2(2).median())


def limit(seen: float, chance: float) -> float:
    """|s| for which |x| lies below `seen` with this chance: |x|^2 is noncentral chi-square, 2 degrees of freedom."""
    return float(
        scipy.optimize.brentq(lambda s: scipy.stats.ncx2(2, s * s).cdf(seen * seen) - chance, 1e-6, seen + 8.0)
    )


def db(amplitude: float) -> float:
    return -20.0 * math.log10(amplitude)


@pytest.mark.parametrize(("seen", "value"), [(2, 3.45164), (3, 4.50801), (5, 6.55733), (10, 11.59840)])
def test_b14_upper_limit(seen: float, value: float) -> None:
    """scipy.stats.ncx2 (Marcum Q), sigma = 1."""
    assert float(upper_limit(seen, POWER)) == pytest.approx(value, abs=1e-4)
    assert limit(seen, 0.05) == pytest.approx(value, abs=1e-4)


@pytest.mark.parametrize("seen", [0.0, 1e-9, 0.1, 0.3, 1.0, 1.17])
def test_b15_luck_gets_the_limit_of_the_median(seen: float) -> None:
    """The plain inversion gives 0 at 0.1 (an empty set); nobody gets less than the median of noise allows."""
    assert float(upper_limit(seen, POWER)) == pytest.approx(limit(MEDIAN, 0.05), abs=1e-4)


@pytest.mark.parametrize("dof", [4.0, 6.0, 40.0])
@pytest.mark.parametrize("seen", [2.0, 4.0, 9.0])
def test_an_estimated_floor_inverts_the_noncentral_f(seen: float, dof: float) -> None:
    """|x|^2 / P is F(2, dof) with noncentrality |s|^2 (sigma = 1)."""
    chance = {
        0.05: float(upper_limit(seen, POWER, dof)), 0.025: float(two_sided(seen, POWER, dof)[1]),
        0.975: float(two_sided(seen, POWER, dof)[0]),
    }  # fmt: skip
    for wanted, found in chance.items():
        if found > 0.0:
            assert scipy.stats.ncf(2, dof, found**2).cdf(seen**2 / 2.0) == pytest.approx(wanted, abs=1e-5)
        else:
            assert scipy.stats.f(2, dof).cdf(seen**2 / 2.0) <= wanted
    assert chance[0.975] > 0.0 or seen < 9.0 or dof < 40.0


@pytest.mark.parametrize("seen", [39.0, 41.0, 60.0])
def test_strong_readings_keep_the_law(seen: float) -> None:
    """Beyond 40 sigma a Gaussian stands for the chi-square, and Student's t for the F."""
    assert float(upper_limit(seen, POWER)) == pytest.approx(limit(seen, 0.05), abs=2e-3)
    assert float(two_sided(seen, POWER)[0]) == pytest.approx(limit(seen, 0.975), abs=2e-3)
    assert float(upper_limit(seen, POWER, 10.0)) > float(upper_limit(seen, POWER)) + 0.1
    if seen > 40.0:
        student = seen + scipy.stats.t(10).ppf(0.95) - 0.5 / seen
        assert float(upper_limit(seen, POWER, 10.0)) == pytest.approx(student, abs=1e-6)


def test_many_readings_at_once_are_each_their_own() -> None:
    seen = np.array([[0.5, 3.0], [10.0, 60.0]])
    together = upper_limit(seen, POWER)
    assert together.shape == (2, 2)
    assert together.ravel() == pytest.approx([limit(max(x, MEDIAN), 0.05) for x in seen.ravel()], abs=2e-3)


def test_a_reading_stands_above_the_floor_with_its_whole_interval() -> None:
    """DESIGN, table of kinds: the interval excludes the floor (rms, sqrt 2 sigma), with a tail of half a per cent, for
    noise that stands out by luck must be rare. The place where it begins is solved with SciPy's law: 4.19 sigma."""
    begins = scipy.optimize.brentq(lambda seen: limit(seen, 0.995) - math.sqrt(2.0), 3.5, 6.0)
    assert rejection_figure(begins * 0.995, POWER).kind is Kind.AT_LEAST
    assert rejection_figure(begins * 1.005, POWER).kind is Kind.READING


def test_a_reading_stands_above_the_leak_with_its_whole_interval() -> None:
    """DESIGN: the interval excludes the leakage. Far above the noise the truth lies within |x| - l .. |x| + l, so its
    weak end clears the leak where l < |x| / 2, whatever the floor."""
    for share, kind in ((0.49, Kind.READING), (0.51, Kind.AT_LEAST), (0.9, Kind.AT_LEAST)):
        figure = rejection_figure(1e-3, 1e-14, leakage=share * 1e-3)
        assert figure.kind is kind
        assert figure.limited_by == "leakage"
        assert figure.why == ""
    assert rejection_figure(1e-3, 1e-14, leakage=0.51e-3).low == pytest.approx(db(1.51e-3), abs=1e-3)


@pytest.mark.parametrize("leak", [None, 0.5])
@pytest.mark.parametrize("systematic_db", [0.0, 0.4])
def test_the_interval_of_a_reading(leak: float | None, systematic_db: float) -> None:
    """Equal tails of the noncentral chi-square; the leak as an amplitude on both sides; decibels at both ends. Best
    value: E|x|^2 = |s|^2 + P."""
    seen = 6.0
    figure = rejection_figure(seen * 1j, POWER, leakage=leak, systematic_db=systematic_db)
    low, high = limit(seen, 0.975) - (leak or 0.0), limit(seen, 0.025) + (leak or 0.0)
    assert figure.kind is Kind.READING
    assert figure.value == pytest.approx(db(math.sqrt(seen**2 - POWER)), abs=1e-6)
    assert figure.low == pytest.approx(db(high) - systematic_db, abs=1e-4)
    assert figure.high == pytest.approx(db(low) + systematic_db, abs=1e-4)
    assert figure.why == ""


def test_a_bound_is_the_limit_and_the_leak() -> None:
    seen = 2.0
    plain = rejection_figure(seen, POWER)
    assert plain.low == pytest.approx(db(limit(seen, 0.05)), abs=1e-4)
    assert (plain.limited_by, plain.why) == ("random", "leakage not surveyed")
    leaky = rejection_figure(seen, POWER, leakage=1.0, systematic_db=0.7)
    assert leaky.low == pytest.approx(db(limit(seen, 0.05) + 1.0) - 0.7, abs=1e-4)
    assert (leaky.limited_by, leaky.why) == ("random", "")
    for share, word in ((0.45, "random"), (0.55, "leakage")):  # which is the larger part of limit + leak
        l_amp = limit(seen, 0.05) * share
        assert rejection_figure(seen, POWER, leakage=l_amp).limited_by == word


@pytest.mark.parametrize(("below_db", "worse", "better"), [(20, 0.828, 0.915), (10, 2.387, 3.302), (40, 0.086, 0.087)])
def test_a13_leakage_error(below_db: float, worse: float, better: float) -> None:
    """20 log(1 +- l / |x|), closed form: the whole interval where there is next to no noise."""
    figure = rejection_figure(1e-2, 1e-20, leakage=1e-2 * 10 ** (-below_db / 20))
    assert figure.value - figure.low == pytest.approx(worse, abs=1e-3)
    assert figure.high - figure.value == pytest.approx(better, abs=1e-3)


@pytest.mark.parametrize(
    ("value", "power"), [(1e-3, math.inf), (math.inf, 1e-8), (math.nan, 1e-8), (1e-3, 0.0), (1e-3, -1e-8)]
)
def test_no_usable_sample_is_no_figure(value: float, power: float) -> None:
    assert rejection_figure(value, power).kind is Kind.CANT_SAY


def test_what_limits_a_reading_is_its_largest_part() -> None:
    """Noise of 6 sigma: 2.4 dB wide to either side; 0.4 dB of mismatch is less, 3 dB more."""
    assert rejection_figure(6.0, POWER, systematic_db=0.4).limited_by == "random"
    assert rejection_figure(6.0, POWER, systematic_db=5.0).limited_by == "mismatch"
    assert rejection_figure(60.0, POWER, leakage=10.0).limited_by == "leakage"
    assert rejection_figure(60.0, POWER, leakage=0.5).limited_by == "random"


def pooled(value: complex, power: float, bias_db: float = 0.0, dof: float = math.inf) -> Pooled:
    import dataclasses

    known = {"value": value, "power": power, "bias_db": bias_db, "dof": dof}
    return Pooled(**{field.name: known.get(field.name, 1) for field in dataclasses.fields(Pooled)})  # type: ignore[arg-type]


@pytest.mark.parametrize("bias_db", [0.15, -0.15])
@pytest.mark.parametrize("leak", [None, 0.5])
@pytest.mark.parametrize("confidence", [0.95, 0.99])
def test_a_proof_stays_below_everything_that_may_be_wrong(
    bias_db: float, leak: float | None, confidence: float
) -> None:
    """Limit of the noncentral chi-square plus the leak; -20 log(1 - 10^(-20/20)) = 0.9151 dB of mismatch at a port of
    20 dB before a full reflection (closed form); step and fit in decibels, whichever way the fit errs."""
    found = rejection_of(pooled(1.8 + 2.4j, POWER, bias_db), Limits(leak, 20.0, 0.3), confidence)
    random = limit(3.0, 1.0 - confidence)
    assert found.proof_db == pytest.approx(db(random + (leak or 0.0)) - 0.91515 - 0.3 - 0.15, abs=1e-4)
    parts = dict(found.parts)
    assert parts["random"] == pytest.approx(-db(random / 3.0), abs=1e-4)
    assert parts["leakage"] == pytest.approx(-db((random + (leak or 0.0)) / random), abs=1e-4)
    assert (parts["step"], parts["fit"]) == (0.3, 0.15)
    assert parts["mismatch"] == pytest.approx(0.91515, abs=1e-4)
    assert db(3.0) - sum(parts.values()) == pytest.approx(found.proof_db, abs=1e-9)


def test_the_figure_beside_a_proof_holds_the_same_errors() -> None:
    wide = rejection_of(pooled(60.0, POWER, -0.15), Limits(0.0, 20.0, 0.3)).figure
    plain = rejection_of(pooled(60.0, POWER), Limits(0.0, 400.0)).figure
    assert plain.low - wide.low == pytest.approx(0.91515 + 0.3 + 0.15, abs=1e-4)
    assert wide.high - plain.high == pytest.approx(0.91515 + 0.3 + 0.15, abs=1e-4)


def test_nothing_at_all_at_the_channel_still_gives_a_finite_proof() -> None:
    found = rejection_of(pooled(0.0, POWER), Limits(None, 400.0))
    assert found.proof_db == pytest.approx(db(limit(MEDIAN, 0.05)), abs=1e-4)
    assert math.isfinite(dict(found.parts)["random"])
    assert Limits().port2_return_loss_db == 20.0  # what the README states of a port nobody measured


def test_a_proof_at_the_goal_is_a_pass_and_below_it_none() -> None:
    """JCGM 106: acceptance includes its limit."""
    assert judge_rejection(at_least(91.0, "dB"), 90.0, 90.0) is Verdict.PASS
    assert judge_rejection(at_least(91.0, "dB"), math.nextafter(90.0, 0.0), 90.0) is Verdict.CANT_SAY
    assert judge_rejection(reading(95.0, 91.0, 99.0, "dB"), None, 90.0) is Verdict.CONDITIONAL_PASS
    assert judge_rejection(reading(88.0, 85.0, 91.0, "dB"), None, 90.0) is Verdict.CONDITIONAL_FAIL


@pytest.mark.parametrize(
    ("low", "value", "high", "verdict"),
    [
        (90.0, 92.0, 94.0, Verdict.PASS),
        (89.9, 90.0, 94.0, Verdict.CONDITIONAL_PASS),
        (85.0, 89.9, 90.0, Verdict.CONDITIONAL_FAIL),
        (85.0, 87.0, 89.9, Verdict.FAIL),
    ],
)
def test_goals_include_their_limit(low: float, value: float, high: float, verdict: Verdict) -> None:
    """JCGM 106:2012, guarded acceptance with w = U: each region holds its lower limit; less is better mirrored."""
    assert judge_at_least(reading(value, low, high, "dB"), 90.0) is verdict
    assert judge_at_most(reading(-value, -high, -low, "dB"), -90.0) is verdict


def test_bounds_and_goals() -> None:
    assert judge_at_least(at_least(90.0, "dB"), 90.0) is Verdict.PASS
    assert judge_at_most(at_least(2.0, "dB"), 2.0) is Verdict.CANT_SAY
    assert judge_at_most(at_least(2.01, "dB"), 2.0) is Verdict.FAIL
    for figure in (inferred(1.0, 0.0, 2.0, "dB"), cant_say("dB", "no")):
        assert judge_at_most(figure, 100.0) is judge_at_least(figure, -100.0) is Verdict.CANT_SAY


def test_conformance_takes_the_end_towards_the_goal() -> None:
    """Normal law, Phi(z) of SciPy; 95 % is 1.96 standard deviations (JCGM 106, 7.2.2)."""
    lopsided = reading(80.0, 80.0 - 1.96, 80.0 + 2 * 1.96, "dB")
    half = 1.96 / 1.959963984540054
    assert conformance_probability(lopsided, 79.0) == pytest.approx(scipy.stats.norm.cdf(1 / half), abs=1e-9)
    assert conformance_probability(lopsided, 81.0) == pytest.approx(scipy.stats.norm.cdf(-0.5 / half), abs=1e-9)
    assert conformance_probability(lopsided, 80.0) == pytest.approx(0.5)
    certain = reading(80.0, 80.0, 80.0, "dB")
    assert [conformance_probability(certain, goal) for goal in (79.0, 80.0, 81.0)] == [1.0, 1.0, 0.0]
    assert math.isnan(conformance_probability(inferred(80.0, 79.0, 81.0, "dB"), 70.0))


@pytest.mark.parametrize(
    "make",
    [
        lambda: Figure(Kind.INFERRED, "dB", 5.0, 6.0, 7.0),
        lambda: Figure(Kind.INFERRED, "dB", 8.0, 6.0, 7.0),
        lambda: Figure(Kind.AT_LEAST, "dB", 5.0, 5.0, 9.0),
        lambda: Figure(Kind.AT_LEAST, "dB", math.nan, math.nan, math.inf),
        lambda: Figure(Kind.READING, "dB", math.nan, -1.0, 1.0),
    ],
)
def test_no_figure_without_its_interval(make) -> None:  # type: ignore[no-untyped-def]
    """DESIGN: a value with its kind and its interval."""
    with pytest.raises(ValueError, match=r"bound|interval"):
        make()
    assert Figure(Kind.READING, "dB", 5.0, 5.0, 5.0).known
    nothing = cant_say("dB", "no")
    assert not nothing.known and (nothing.low, nothing.high) == (-math.inf, math.inf)  # nothing is excluded
