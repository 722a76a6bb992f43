"""The floor, its degrees of freedom, the leak of a survey and bursts, against laws from outside the project.

Chi-square quantiles and their moments are SciPy's; the moments of complex Gaussian noise (E|n|^4 = 2 P^2, |n|^2
exponential) are common practice and counted over draws.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.optimize
import scipy.stats
from numpy.typing import NDArray

from rf.floor.average import FALSE_REJECT, RunningAverage, average_sweeps
from rf.floor.floor import Floor, floor_from_one_sweep, floor_from_scatter
from rf.floor.leakage import leak_limit_at, pad_test, split_floor, two_states
from rf.floor.lowest import lowest_point
from rf.values.figure import Kind
from tests.rf.test_average import noise as drawn
from tests.rf.test_average import signal


def noise(rng: np.random.Generator, *shape: int, power: float = 1e-7) -> NDArray[np.complex128]:
    return np.asarray(drawn(rng, *shape, power=power), np.complex128)


QUANTILES = (0.025, 0.975)


def chi_square_interval(power: float, dof: float) -> list[float]:
    """95 % interval in dB of a power estimated from so many real degrees of freedom."""
    law = scipy.stats.chi2(dof)
    return [10 * math.log10(power * dof / law.ppf(chance)) for chance in QUANTILES[::-1]]


@pytest.mark.parametrize(("sweeps", "points"), [(2, 10), (4, 64), (3, 201)])
def test_b18_a_complex_sample_is_two_degrees_of_freedom(sweeps: int, points: int) -> None:
    """(N - 1) K complex numbers stand behind a scatter: 2 (N - 1) K real ones; the interval is the chi-square's, but
    for a lower end that second differences draw down."""
    floor = floor_from_scatter(average_sweeps(noise(np.random.default_rng(18), sweeps, points)))
    assert floor.dof == pytest.approx(2 * (sweeps - 1) * points)
    low, high = chi_square_interval(floor.additive_power, floor.dof)
    assert floor.one_sweep.high == pytest.approx(high, abs=1e-6)
    assert low - 0.3 < floor.one_sweep.low <= low + 1e-6
    assert floor.averaged.high == pytest.approx(high - 10 * math.log10(sweeps), abs=1e-6)


def test_degrees_of_freedom_of_a_single_sweep_by_its_scatter() -> None:
    """An estimate from nu degrees of freedom scatters by 2 / nu of its square (moments of chi-square)."""
    rng = np.random.default_rng(19)
    floors = [floor_from_one_sweep(noise(rng, 401)) for _ in range(1500)]
    found = np.array([floor.additive_power for floor in floors])
    assert found.mean() == pytest.approx(1e-7, rel=0.01)
    assert 2.0 / (found.var() / found.mean() ** 2) == pytest.approx(np.mean([f.dof for f in floors]), rel=0.12)


def test_the_floor_of_one_sweep_at_its_ends() -> None:
    """33 points are three windows of 11; fewer are refused. Where all stands above it nothing is said, and what is kept
    is the smallest roughness: 18/35 of 11 differences, two numbers each."""
    rng = np.random.default_rng(20)
    assert floor_from_one_sweep(noise(rng, 33)).one_sweep.known
    with pytest.raises(ValueError, match="33 points"):
        floor_from_one_sweep(noise(rng, 32))
    high = floor_from_one_sweep((1.0 + 0j) + noise(rng, 401, power=1e-8))
    assert high.one_sweep.kind is high.averaged.kind is Kind.CANT_SAY
    assert 0.1e-8 < high.additive_power < 1e-8
    assert high.dof == pytest.approx(11 * 2 * 18 / 35)


def test_a_steady_level_is_not_taken_for_roughness() -> None:
    """Noise beside a signal of 10 dB more is not its floor: half of the points are of each kind; phases are any."""
    rng = np.random.default_rng(21)
    trace = noise(rng, 401)
    trace[200:] += 3e-3 * np.exp(1.6j)
    floor = floor_from_one_sweep(trace)
    assert 150 <= floor.noise_points <= 205
    assert floor.one_sweep.value == pytest.approx(-70.0, abs=1.0)


@pytest.mark.parametrize("count", [5, 40])
def test_gain_that_shakes_is_parted_from_noise(count: int) -> None:
    """P = P_n + g^2 |x|^2 by definition: g of 1e-2 and P_n of 1e-9 come back, and the mean keeps both over N."""
    rng = np.random.default_rng(22)
    level = np.linspace(0.0, 1.0, 801)
    shake = 1e-2 * noise(rng, count, 801, power=1.0)
    average = average_sweeps(level * (1 + shake) + noise(rng, count, 801, power=1e-9))
    floor: Floor = floor_from_scatter(average)
    assert floor.relative_error == pytest.approx(1e-2, rel=0.08)
    assert floor.additive_power == pytest.approx(1e-9, rel=0.6)
    expected = (floor.additive_power + floor.relative_error**2 * level**2) / average.kept
    assert floor.averaged_power == pytest.approx(expected, rel=0.02)
    assert floor.dof < 2 * (count - 1) * 100


def test_noise_alone_has_no_shaking_gain() -> None:
    """3 sigma by chance: in one run of a hundred at most something is claimed."""
    rng = np.random.default_rng(23)
    claimed = sum(floor_from_scatter(average_sweeps(noise(rng, 6, 201))).relative_error > 0 for _ in range(200))
    assert claimed <= 4


def test_b13_detection_threshold() -> None:
    """-ln 0.01 = 4.605 above the rms floor, 6.632 dB (exact for complex Gaussian noise)."""
    floor = floor_from_scatter(average_sweeps(noise(np.random.default_rng(24), 8, 101)))
    assert floor.detection_db - floor.averaged.value == pytest.approx(6.632, abs=1e-3)


@pytest.mark.parametrize("count", [5, 33, 60])
@pytest.mark.parametrize("running", [False, True])
def test_scatter_of_clean_sweeps_is_what_it_is(count: int, running: bool) -> None:
    """E|n|^2 of complex Gaussian noise, cut at -ln of the share that is thrown out and corrected for the cut: unbiased
    to its own error of 1 / sqrt((N - 1) K R)."""
    rng = np.random.default_rng(25)
    means, thrown = [], 0
    for _ in range(30):
        sweeps = noise(rng, count, 201)
        average = RunningAverage()
        for sweep in sweeps:
            average.add(sweep)
        found = average.average() if running else average_sweeps(sweeps)
        means.append(float(found.scatter_power.mean()))
        thrown += int(found.thrown.sum())
        assert found.sweeps == count
    slack = 5.0 / math.sqrt((count - 1) * 201 * 30)
    assert np.mean(means) == pytest.approx(1e-7, rel=slack + 0.004)
    assert thrown / (count * 201 * 30) == pytest.approx(FALSE_REJECT, rel=0.35)


def test_one_hit_sweep_among_five_is_thrown_out_and_said() -> None:
    rng = np.random.default_rng(26)
    sweeps = signal() + noise(rng, 5, 401)
    sweeps[3] += noise(rng, 401, power=1e-3)
    found = average_sweeps(sweeps)
    assert found.thrown_sweeps == 1 and not found.too_busy
    assert (found.kept == 4).mean() > 0.98
    sweeps[1] += noise(rng, 401, power=1e-3)
    assert average_sweeps(sweeps).too_busy  # two of five are more than a quarter
    assert average_sweeps(sweeps[:4]).thrown_sweeps == 0  # with four nobody can say which was hit


def test_a_survey_finds_a_leak_and_its_size() -> None:
    """Steady amplitude 1e-4 (80 dB) in noise of -70 dB a sweep, 100 sweeps: noncentral chi-square over all points; the
    leak's power equals the averaged noise after P / |l|^2 = 10 sweeps."""
    rng = np.random.default_rng(27)
    f = np.linspace(440e6, 460e6, 201)
    steady = 1e-4 * np.exp(2j * np.pi * (f - f[0]) * 5e-9)
    split = split_floor(steady + noise(rng, 100, 201))
    assert split.leakage.kind is Kind.READING
    assert split.leakage.low <= -80.0 <= split.leakage.high
    assert split.leakage.high - split.leakage.low < 1.5
    assert split.worth_sweeps == pytest.approx(10, abs=1)
    statistic = float((2 * np.abs(split.steady) ** 2 / split.averaged_power).sum())
    per = float(split.averaged_power.mean()) / 402

    def level(chance: float) -> float:
        nc = scipy.optimize.brentq(lambda nc: scipy.stats.ncx2(402, nc).cdf(statistic) - chance, 1.0, 1e5)
        return 10 * math.log10(nc * per)

    assert (split.leakage.low, split.leakage.high) == pytest.approx((level(0.975), level(0.025)), abs=1e-5)
    limit = leak_limit_at(f, split, 450e6)
    assert limit is not None and 1e-4 <= limit <= 1.35e-4
    assert leak_limit_at(f, split, 439.9e6) is None and leak_limit_at(f, split, 460.1e6) is None
    assert leak_limit_at(f, split, 440e6) is not None and leak_limit_at(f, split, 460e6) is not None
    assert leak_limit_at(f[:9], split_floor(noise(rng, 6, 9)), 441e6) is None  # fewer than half of 21 samples


def test_a_strong_leak_keeps_its_law() -> None:
    """Beyond 1e5 the noncentral chi-square is normal: mean nu + lambda, variance 2 (nu + 2 lambda)."""
    rng = np.random.default_rng(28)
    split = split_floor((0.1 + 0j) + noise(rng, 20, 201))
    statistic_sd = 10 / math.log(10) * 2 / math.sqrt(0.1**2 / (1e-7 / 20) * 2 * 201)  # of sum 2 |x|^2 / P, in dB
    assert split.leakage.value == pytest.approx(-20.0, abs=4 * statistic_sd)
    half = (split.leakage.high - split.leakage.low) / 2
    assert half == pytest.approx(1.96 * statistic_sd, rel=0.1)
    assert split.worth_sweeps == 1


def test_no_leak_is_a_bound_below_the_averaged_noise() -> None:
    """The 95 % limit on the power of a steady level over K points lies near 1.645 sqrt(2 (2 K)) / (2 K) of the averaged
    noise; whatever luck does, it is not below 1 / sqrt K of it."""
    rng = np.random.default_rng(29)
    for _ in range(20):
        split = split_floor(noise(rng, 50, 201))
        if split.leakage.kind is not Kind.AT_LEAST:
            continue
        assert split.worth_sweeps is None
        averaged_db = 10 * math.log10(float(np.mean(split.averaged_power)))
        assert split.leakage.value <= -(averaged_db - 10 * math.log10(math.sqrt(201))) + 1e-9


def test_ingress_is_told_by_its_power_and_by_its_tails() -> None:
    """E|n|^4 / (E|n|^2)^2 is 2 for complex Gaussian noise, sd sqrt(20 / N); an outlier now and then has far more."""
    rng = np.random.default_rng(30)
    sweeps = noise(rng, 200, 101)
    sweeps[:, 40] *= 2.0  # louder, of the same law: 800 against 400 +- 28 in units of the chi-square
    sweeps[::40, 70] += 2.5e-3  # five bursts 18 dB up: not louder by enough to be seen from their power alone?
    split = split_floor(sweeps)
    assert split.ingress[40] and split.ingress[70]
    assert split.ingress.sum() <= 3
    clean = [split_floor(noise(rng, 60, 101)).ingress.sum() for _ in range(40)]
    assert np.mean(clean) <= 0.1
    few = [split_floor(noise(rng, 10, 101)).ingress.sum() for _ in range(40)]
    assert np.mean(few) <= 0.2  # one point in twenty is half as loud again by chance; none of them is an outlier


@pytest.mark.parametrize("ratio", [-1.0, 10 ** (-10 / 20), 2.0, 1j])
def test_two_states_part_signal_and_leak(ratio: complex) -> None:
    """x0 = s + l, x1 = a s + l, solved by hand; noise (P0 + P1) / |1 - a|^2."""
    s, leak = 1e-4 + 2e-5j, -3e-5j
    found = two_states(s + leak, ratio * s + leak, ratio, 1e-12, 3e-12)
    assert found.signal == pytest.approx(s) and found.leakage == pytest.approx(leak)
    assert found.power == pytest.approx(4e-12 / abs(1 - ratio) ** 2)


@pytest.mark.parametrize("ratio", [0.95, 1.05, 1.0 + 0.09j])
def test_states_too_alike_part_nothing(ratio: complex) -> None:
    with pytest.raises(ValueError, match="too alike"):
        two_states(1.0, 0.9, ratio, 1e-9, 1e-9)


@pytest.mark.parametrize(
    ("fall", "word"),
    [(10.9, "signal"), (11.1, "mixed"), (9.1, "signal"), (8.9, "mixed"), (5.0, "mixed"), (4.9, "mostly leakage")],
)
def test_27_pad_at_its_limits(fall: float, word: str) -> None:
    """Study, scenario 27: within 1 dB of the pad it is signal, below half of the pad it is not."""
    assert word in pad_test(80.0 + fall, 80.0, 10.0)


@pytest.mark.parametrize("at_hz", [455.0e6, 455.0043e6, 454.9957e6])
def test_the_deepest_point_of_a_parabola(at_hz: float) -> None:
    """|d + j (f - f0)/B + c (f - f0)^2|: lowest where calculus says, at f0 here, d deep; its place scatters over draws
    by what the interval states (95 % is 1.96 of it)."""
    f = np.linspace(454e6, 456e6, 201)
    x = (f - at_hz) / 1e6
    clean = (0.1 + 1j * x + 0.5 * x**2) * np.exp(0.4j)
    rng = np.random.default_rng(33)
    exact = lowest_point(f, clean, np.full(201, 1e-14), 454.5e6, 455.5e6)
    assert exact.place.value == pytest.approx(at_hz, abs=1.0)
    assert exact.depth.value == pytest.approx(20.0, abs=1e-3)
    power = 1e-6
    found = [lowest_point(f, clean + noise(rng, 201, power=power), np.full(201, power), 454.5e6, 455.5e6)
             for _ in range(300)]  # fmt: skip
    stated = np.mean([(one.place.high - one.place.low) / 2 / 1.96 for one in found])
    assert np.std([one.place.value for one in found]) == pytest.approx(stated, rel=0.15)
    assert np.std([one.depth.value for one in found]) == pytest.approx(
        np.mean([(one.depth.high - one.depth.low) / 2 / 1.96 for one in found]), rel=0.15
    )


def test_the_deepest_point_is_refused_at_both_edges_and_in_few_samples() -> None:
    f = np.linspace(454e6, 456e6, 201)
    for at_hz in (454.02e6, 455.98e6):
        deep = np.asarray(0.1 + 1j * (f - at_hz) / 1e6)
        assert "edge" in lowest_point(f, deep, np.full(201, 1e-12), 454e6, 456e6).place.why
    assert "too few" in lowest_point(f, deep, np.full(201, 1e-12), 454e6, 454.055e6).place.why
