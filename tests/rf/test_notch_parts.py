"""What is made of a fitted chain, on circuits simple enough to be worked by hand.

The response of `Parabola` is S = d + j x + c x^2 with x = (f - f0) / h and f0 = reject (1 + p0): depth, width, slope,
curvature and their derivatives with respect to p0 are written down from that formula, not from the code.
"""

from __future__ import annotations

import math
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from rf.floor.pool import BottomShape
from rf.notch import notch
from rf.notch.cause import likely_cause
from rf.notch.chain_choice import Blend
from rf.notch.chain_fit import Observed
from rf.notch.chain_model import ChainShape
from rf.notch.chain_start import reordered
from rf.notch.notch import find_notch
from rf.values.figure import at_least

REJECT = 455e6
D, C, H = 0.01, 0.3, 5e6
ONE = ChainShape(1, REJECT, 450e6)
DB = 20.0 / math.log(10.0)
Z = 1.959963984540054


class Parabola:
    """S = d + j x + c x^2; only the place moves it."""

    def __init__(self, f: np.ndarray, d: float = D, c: float = C, shape: ChainShape = ONE) -> None:
        self.hz, self.d, self.c, self.shape, self.f = f, d, c, shape, f / REJECT

    def at(self, f: np.ndarray) -> Parabola:
        return Parabola(f, self.d, self.c, self.shape)

    def log_s21(self, p: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        x = (self.hz - REJECT * (1 + p[..., 0, None])) / H
        s = self.d + 1j * x + self.c * x**2
        slopes = np.zeros((*p.shape[:-1], self.shape.size, self.hz.size), complex)
        slopes[..., 0, :] = (1j + 2 * self.c * x) * (-REJECT / H) / s
        return np.log(s), slopes


def fitted(
    p0: float = 0.0, sd: float = 1e-6, *, d: float = D, q: float = 910.0, sd_q: float = 0.1, departure: float = 0.6
) -> Any:
    p, variance = np.zeros(ONE.size), np.zeros(ONE.size)
    p[0], variance[0] = p0, sd**2
    p[ONE.log_q], variance[ONE.log_q] = math.log(q), sd_q**2
    chain = Parabola(np.linspace(445e6, 465e6, 401), d)
    return SimpleNamespace(
        p=p,
        covariance=np.diag(variance),
        chain=chain,
        shape=ONE,
        departure=departure,
        cost=0.0,
        chi2=0.0,
        residual=np.ones(401, complex),
    )


def blend(*fits: Any, weights: tuple[float, ...] = (1.0,), inflation: float = 1.0, needed: float = 1e-3) -> Blend:
    return Blend(fits, weights, needed, inflation, 0.5, 0.0, OBSERVED)


F = np.linspace(445e6, 465e6, 401)
OBSERVED = Observed(np.ones(401, complex), np.full(401, 1e-8), 1e-3, 1500.0)


def test_the_bottom_of_a_parabola() -> None:
    """c = 0: |S|^2 = d^2 + x^2 doubles at x = d, 3.0103 dB up; lowest at f0. One cavity: f / 2Q = d h, f / Q wide."""
    one = fitted(2e-5, q=REJECT / (2 * D * H))
    one.chain.c = 0.0
    at_hz, width_hz = notch.fitted_bottom(one.chain, one.p, REJECT)
    assert at_hz == pytest.approx(REJECT * (1 + 2e-5), abs=0.01 * D * H)
    assert width_hz == pytest.approx(2 * D * H, rel=0.025)
    one.chain.d = D / 10  # a tenth as wide: the grid of 801 still sees it
    assert notch.fitted_bottom(one.chain, one.p, REJECT)[1] == pytest.approx(2 * D * H / 10, rel=0.2)


def test_a_bottom_without_sides_is_as_wide_as_what_is_looked_at() -> None:
    """A single cavity's bottom is f / Q wide (closed form); twice that is looked at on either side."""
    flat = fitted(d=1e3, q=1000.0)
    assert notch.fitted_bottom(flat.chain, flat.p, REJECT)[1] == pytest.approx(4 * REJECT / 1000, rel=1e-9)


def test_the_centre_is_the_mean_of_the_cavities(monkeypatch: pytest.MonkeyPatch) -> None:
    """40 and -20 kHz: 10 kHz; its variance is a quarter of the sum of theirs."""
    made = pair(40e3, -20e3, (3e3, 4e3), 1000.0)
    made.best.chain = Parabola(F, D, C, made.best.shape)  # type: ignore[misc,assignment]
    monkeypatch.setattr(notch, "over_spreads", lambda blend: blend)
    found = notch._said(made, OBSERVED, F, ())
    assert found.centre.value == pytest.approx(REJECT + 10e3, abs=1e-3)
    assert found.centre.high - found.centre.value == pytest.approx(1.06 * Z * 2.5e3, rel=1e-6)


def test_a_bottom_that_lies_at_the_outer_cavity_is_found() -> None:
    """Two cavities 4 MHz apart, the deep one at the edge of their spread."""
    two = ChainShape(2, REJECT, 450e6)
    p = np.zeros(two.size)
    p[:2], p[two.log_q] = (4e6 / REJECT, 0.0), math.log(9100.0)
    fit: Any = SimpleNamespace(p=p, shape=two, chain=Parabola(F, D, 0.0, two))
    assert notch.fitted_bottom(fit.chain, fit.p, REJECT + 2e6)[0] == pytest.approx(REJECT + 4e6, abs=2e4)


@pytest.mark.parametrize("inflation", [1.0, 4.0])
def test_slope_and_curvature_with_two_standard_deviations(inflation: float) -> None:
    """|S'/S| = 1 / h d and |S''/2S| = c / h^2 d at f0; their derivatives with respect to p0, worked by hand, times two
    standard deviations are added."""
    sd = 1e-6
    found = notch._shape(blend(fitted(sd=sd), inflation=inflation), REJECT, 1e5)
    moved = 2.0 * sd * math.sqrt(inflation) * REJECT / H
    assert found.slope_per_hz == pytest.approx((1 / D + moved * (1 / D**2 + 2 * C / D)) / H, rel=1e-6)
    assert found.curvature_per_hz2 == pytest.approx((C / D + moved * C / D**2) / H**2, rel=1e-4)


@pytest.mark.parametrize(("weight", "counts"), [(0.055, True), (0.045, False)])
def test_shape_is_the_worst_of_the_weighty_fits(weight: float, counts: bool) -> None:
    """A twentieth of the best one's weight, NotchPlace's stated limit; slope 1 / h d is the larger the smaller d is."""
    fits = (fitted(sd=0.0), fitted(sd=0.0, d=D / 2))
    found = notch._shape(blend(*fits, weights=(0.9, 0.9 * weight)), REJECT, 1e5)
    assert found.slope_per_hz == pytest.approx((2 if counts else 1) / (H * D), rel=1e-6)


def test_level_and_its_interval() -> None:
    """-20 log |S|; at offset x the derivative along p0 is -reject / h Re((j + 2 c x) / S); 1.25 x 1.96 of the rest,
    and the tracking beside it."""
    x = 0.02
    s = D + 1j * x + C * x**2
    found = notch._level(blend(fitted(sd=1e-6)), REJECT + x * H)
    half = 1.25 * Z * 1e-6 * DB * abs(((1j + 2 * C * x) / s).real) * REJECT / H
    assert found.value == pytest.approx(-DB * math.log(abs(s)), abs=1e-6)
    assert (found.high - found.value, found.value - found.low) == pytest.approx((half, half), rel=1e-6)
    tracked = notch._level(blend(fitted(sd=1e-6)), REJECT + x * H, 0.2)
    assert tracked.high - tracked.value == pytest.approx(math.hypot(half, 0.2))
    assert not notch._level(blend(fitted(sd=1e-6 * 20.5 / half)), REJECT + x * H).known
    assert notch._level(blend(fitted(sd=1e-6 * 19.5 / half)), REJECT + x * H).known


def test_quality_is_log_normal() -> None:
    found = notch._quality(blend(fitted(q=910.0, sd_q=0.1)), 1.0)
    assert (found.low, found.value, found.high) == pytest.approx(
        (910 * math.exp(-0.1 * Z), 910.0, 910 * math.exp(0.1 * Z))
    )
    wider = notch._quality(blend(fitted(q=910.0, sd_q=0.1)), 1.4)
    assert math.log(wider.high / 910.0) == pytest.approx(1.4 * math.log(found.high / 910.0))


def test_quality_is_the_mean_of_the_cavities() -> None:
    """In common 1000, of their own 1.2 and 1.1 times that: 1149, known as well as the two together."""
    made = pair(0.0, 0.0, (1e3, 1e3), 1000.0)
    own = made.best.shape.own[1]
    made.best.p[own] = np.log((1.2, 1.1))
    made.best.covariance[own, own] = np.diag((0.02**2, 0.02**2))
    found = notch._quality(made, 1.0)
    assert found.value == pytest.approx(1000.0 * math.sqrt(1.32), rel=1e-6)
    assert math.log(found.high / found.value) == pytest.approx(Z * 0.02 / math.sqrt(2.0), rel=1e-6)


def test_what_is_said_of_a_single_notch() -> None:
    """Place, half-width 1.06 x 1.96 standard deviations, depth 40 dB, width f / Q, all from the parabola; the
    single is the notch itself."""
    made = blend(fitted(2e-5, sd=1e-5, q=REJECT / (2 * D * H)))
    found = notch._said(made, OBSERVED, F, (REJECT,))
    centre, sd_hz = REJECT * (1 + 2e-5), REJECT * 1e-5
    assert found.trusted and found.why == ""
    assert found.centre.value == pytest.approx(centre, abs=1e-3)
    assert found.centre.high - centre == pytest.approx(1.06 * Z * sd_hz, rel=1e-6)
    assert found.centre.limited_by == "random"
    assert found.depth.value == pytest.approx(40.0, abs=0.1)
    assert found.each.groups == ((0,),) and found.singles_limit_hz == 0.0
    (single,) = found.singles
    half = 1.1 * Z * sd_hz
    assert (single.low, single.high) == pytest.approx((centre - half, centre + half), abs=1e-3)
    assert found.bottom(0).shape == found.shapes_at[0]
    assert isinstance(found.shapes_at[0], BottomShape) and len(found.rejection_at) == 1
    assert found.falls is not None and found.falls_alone is not None
    for falls in (found.falls, found.falls_alone):  # a single one alone is all of them
        held = falls.within(at_least(43.0103, "dB"), 40.0)
        # |S|^2 = d^2 + x^2 doubles from x0, the notch's own offset, on to x0 + shift.
        x0 = REJECT * 2e-5 / H
        assert held.value == pytest.approx(H * (math.sqrt(D**2 + 2 * x0**2) - x0), rel=0.05)
    assert found.model is not None and found.model.shape == (401,) and found.departure == 0.6
    assert found.model[200] == pytest.approx(np.exp(made.best.chain.at(F).log_s21(made.best.p)[0][200]))


def test_a_larger_error_than_stated_is_said_and_too_large_a_one_ends_it() -> None:
    """0.8 dB is 10 % of amplitude."""
    said = notch._said(blend(fitted(), needed=0.02), OBSERVED, F, ())
    assert "circuit fits to 2.0 % only" in said.why and said.centre.limited_by == "model" and said.misfit == 0.02
    plain = notch._said(blend(fitted()), OBSERVED, F, ())
    assert said.centre.high - said.centre.value == pytest.approx(2.9 * (plain.centre.high - plain.centre.value))
    assert notch._said(blend(fitted(), needed=0.099), OBSERVED, F, ()).trusted
    ended = notch._said(blend(fitted(), needed=0.101), OBSERVED, F, (REJECT, 450e6))
    assert not ended.trusted and "misfit 10 %" in ended.why and len(ended.rejection_at) == 2
    far = fitted()
    far.cost = 9.9 * ONE.size
    assert notch._said(blend(far), OBSERVED, F, ()).trusted
    far.cost = 10.1 * ONE.size  # the priors cost more than ten a parameter: a false minimum
    false = notch._said(blend(far), OBSERVED, F, (REJECT,))
    assert not false.trusted and "no usual circuit of 1 notch cavities" in false.why and len(false.rejection_at) == 1
    usual, wild = (notch._said(blend(fitted(departure=s)), OBSERVED, F, ()) for s in (2.0, 5.0))
    measured = notch._said(blend(fitted(departure=2.0)), replace(OBSERVED, least_departure=0.6), F, ())
    assert measured.centre.high - measured.centre.value == pytest.approx(
        1.4 * (usual.centre.high - usual.centre.value)
    )  # no instrument is ideal
    assert wild.trusted and wild.departure == 5.0  # no reason to refuse, but to widen
    assert wild.centre.high - wild.centre.value == pytest.approx(1.4 * (usual.centre.high - usual.centre.value))


@pytest.mark.parametrize(("level", "departure", "trusted"), [(0.29, 5.0, False), (0.31, 5.0, True), (0.29, 2.0, True)])
def test_a_wild_circuit_seen_from_its_skirts_alone_is_not_said(level: float, departure: float, trusted: bool) -> None:
    """No sample above -10 dB, and the largest departures."""
    seen = replace(OBSERVED, data=np.full(401, level + 0j))
    found = notch._said(blend(fitted(departure=departure)), seen, F, ())
    assert found.trusted is trusted and ("sweep over both channels" in found.why) is not trusted


@pytest.mark.parametrize(
    ("p0", "sd_hz", "trusted"),
    [
        (9.9e6 / REJECT, 1e3, True), (10.1e6 / REJECT, 1e3, False),
        (-9.9e6 / REJECT, 1e3, True), (-10.1e6 / REJECT, 1e3, False),
        (0.0, 4.995e6 / (1.06 * Z), True), (0.0, 5.005e6 / (1.06 * Z), False),
    ],
)  # fmt: skip
def test_a_notch_outside_the_sweep_or_as_wide_as_half_of_it_is_not_said(p0: float, sd_hz: float, trusted: bool) -> None:
    """Sweep 445 to 465 MHz; half-widths of 1.06 x 1.96 x sd up to a quarter of it, 5 MHz."""
    found = notch._said(blend(fitted(p0, sd_hz / REJECT)), OBSERVED, F, ())
    assert found.trusted is trusted
    assert trusted or "skirts do not fix the notch" in found.why


def pair(first: float, second: float, sds: tuple[float, float], q: float, inflation: float = 1.0) -> Blend:
    """Two cavities at offsets from the channel in hertz."""
    two = ChainShape(2, REJECT, 450e6)
    p, variance = np.zeros(two.size), np.zeros(two.size)
    p[:2] = np.array([first, second]) / REJECT
    variance[:2] = (np.array(sds) / REJECT) ** 2
    p[two.log_q] = math.log(q)
    fit: Any = SimpleNamespace(
        p=p, covariance=np.diag(variance), chain=None, shape=two, departure=0.6, cost=100.0, chi2=100.0
    )
    return blend(fit, inflation=inflation)


# What is asked of the data before any fit


def skirts(strong_low: int, weak: int, strong_high: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Samples 40 dB above the noise, then under it, then above again, 50 kHz apart; the middle of the weak ones is the
    channel."""
    data = np.concatenate((np.full(strong_low, 0.1), np.full(weak, 1e-5), np.full(strong_high, 0.1))).astype(complex)
    f = REJECT + 5e4 * (np.arange(data.size) - strong_low - (weak - 1) / 2)
    return f, data, np.full(data.size, 1e-6)


@pytest.mark.parametrize(
    ("counts", "says"),
    [
        ((12, 10, 12), ""), ((11, 10, 30), "only one skirt"), ((30, 10, 11), "only one skirt"),
        ((11, 30, 12), "no skirts"), ((12, 1, 12), ""), ((0, 40, 40), "only one skirt"), ((10, 3, 10), "too few"),
        ((11, 1, 12), "no skirts"),
    ],
)  # fmt: skip
def test_both_skirts_must_be_there(counts: tuple[int, int, int], says: str) -> None:
    """Twelve samples on each side, stated in rf/notch/notch.py; 4 n + 20 in all."""
    found = notch._obstacle(*skirts(*counts), REJECT, 1)
    assert found.startswith(says) and bool(found) is bool(says)


def test_too_few_samples_for_the_cavities_and_a_channel_outside() -> None:
    f, data, noise = skirts(14, 4, 14)
    assert notch._obstacle(f, data, noise, REJECT, 3) == ""
    assert notch._obstacle(f, data, noise, REJECT, 4).startswith("too few")
    for hz in (f[0], f[-1], f[0] - 1.0, f[-1] + 1.0):
        assert "reach over" in notch._obstacle(f, data, noise, float(hz), 1)
    assert notch._obstacle(f, np.full(32, 0.1 + 0j), noise, REJECT, 1) == ""  # all above the noise


def test_what_is_handed_to_the_fits(monkeypatch: pytest.MonkeyPatch) -> None:
    """Samples without a number or a noise are left out; one to six cavities are tried where nobody said how many, those
    within twenty of the best with all departures, and the largest evidence wins; the side's shape follows the site."""
    seen: list[tuple[ChainShape, np.ndarray, Observed]] = []
    patient: list[bool] = []
    searched: list[bool] = []

    def blend_fits(shape: ChainShape, f: np.ndarray, observed: Observed, *_: object, **how: bool) -> Any:
        seen.append((shape, f, observed))
        patient.append(how.get("patient", True))
        searched.append(how["searched"])
        if shape.cavities == 4:
            raise np.linalg.LinAlgError
        best = SimpleNamespace(p=np.zeros(shape.size), departure=1.0)
        return SimpleNamespace(evidence=-4.0 * abs(shape.cavities - 2.0), shape=shape, best=best, relative_error=1e-3)

    def first_fit(shape: ChainShape, f: np.ndarray, observed: Observed) -> Any:
        tried.append(shape.cavities)
        if shape.cavities == 4:
            raise np.linalg.LinAlgError
        apart = steep * abs(shape.cavities - 3.0)
        return SimpleNamespace(p=np.zeros(shape.size), departure=2.0, log_evidence=-apart)

    tried: list[int] = []
    steep = 7.0
    monkeypatch.setattr(notch, "blend_fits", blend_fits)
    monkeypatch.setattr(notch, "first_fit", first_fit)
    monkeypatch.setattr(notch, "hidden", lambda *_: False)
    said: list[int] = []
    monkeypatch.setattr(notch, "_said", lambda blend, *_, **__: said.append(blend.shape.cavities))
    f, data, noise = skirts(40, 10, 40)
    data[0], data[1], noise[2], noise[3] = math.nan, 0.0, math.inf, 0.0
    data[4], noise[5] = complex(0.1, math.inf), math.nan
    options: Any = {"relative_error": 1e-3, "reject_hz": REJECT, "pass_hz": 450e6}
    find_notch(f, data, noise, cavities=None, **options)
    assert said == [2]
    assert tried == [3, 4, 2, 5]  # 2 lies over 5 below the best, 4 did not stand and 5 lies 14 below
    assert [shape.cavities for shape, *_ in seen] == [3, 2, 5, 2]
    assert patient == [False] * 3 + [True] and searched == [True] * 4
    assert all(list(kept) == list(f[6:]) and observed.data.size == 84 for _, kept, observed in seen)
    assert all(shape.other_side and not shape.pass_follows for shape, *_ in seen)
    assert {observed.unloaded_q for *_, observed in seen} == {1500.0}
    assert (seen[0][2].port_reflection, seen[0][2].least_departure) == (0.0, 0.0)
    seen.clear()
    steep = 21.0
    find_notch(f, data, noise, cavities=None, **options)
    assert [shape.cavities for shape, *_ in seen] == [3]  # nothing to compare it with
    seen.clear()
    find_notch(f, data, noise, cavities=None, begin=np.zeros(ChainShape(3, REJECT, 450e6).size + 2), **options)
    assert [shape.cavities for shape, *_ in seen] == [3]  # as an earlier fit found
    seen.clear()
    find_notch(f, data, noise, cavities=3, kind="pass-reject", unloaded_q=700.0, other_side=False, **options)
    find_notch(f, data, noise, cavities=3, **{**options, "pass_hz": None})
    assert [(s.cavities, s.pass_follows, s.other_side) for s, *_ in seen] == [(3, True, False), (3, False, False)]
    assert seen[0][2].unloaded_q == 700.0
    monkeypatch.setattr(notch, "hidden", lambda *_: True)
    zoomed = find_notch(f, data, noise, cavities=3, **options)
    assert not zoomed.trusted and "do not fix" in zoomed.why and len(seen) == 2
    monkeypatch.setattr(notch, "hidden", lambda *_: False)
    failed = find_notch(f, data, noise, cavities=4, **options)
    assert not failed.trusted and "did not converge" in failed.why
    assert find_notch(f[:10], data[:10], 1e-6, cavities=1, ask_hz=(1.0, 2.0), **options).rejection_at[1].kind.value


def test_orders_of_three_cavities() -> None:
    """Turned round, pairs exchanged, single ones moved to an end: all five others of three; of two there is one."""
    three = ChainShape(3, REJECT, 450e6)
    p = np.arange(three.size, dtype=float)
    orders = {tuple(q[:3]) for q in reordered(three, p)}
    assert orders == {(0, 2, 1), (1, 0, 2), (1, 2, 0), (2, 0, 1), (2, 1, 0)}
    for q in reordered(three, p):
        for part in three.own:  # what belongs to a cavity goes with it
            assert list(q[part] - part.start) == list(q[:3])
        assert np.array_equal(np.sort(q), p)
    two = ChainShape(2, REJECT, 450e6)
    assert [tuple(q[:2]) for q in reordered(two, np.arange(two.size, dtype=float))] == [(1, 0)]


# Why a response is refused


def spoilt(at: dict[int, float], loud: list[int], **told: Any) -> str:
    """The cause that is named for a fit with these parameters and a residual that is large at these samples."""
    p, shape = np.zeros(ChainShape(2, REJECT, 450e6).size), ChainShape(2, REJECT, 450e6)
    for index, value in at.items():
        p[index] = value
    residual = np.ones(401, complex)
    residual[loud] = 100.0
    fit: Any = SimpleNamespace(p=p, shape=shape, chain=Parabola(F, shape=shape), residual=residual)
    return likely_cause(fit, replace(OBSERVED, port_reflection=0.1, **told))


def test_a_refusal_names_the_likeliest_cause() -> None:
    """Each by its own sign: few samples, neighbours or not; a reflection, a leak or a level thrice what is usual."""
    shape = ChainShape(2, REJECT, 450e6)
    assert "carrier at 455.0" in spoilt({}, [199, 200, 201])
    assert "bursts" in spoilt({}, [20, 200, 330])
    assert "a leak near -46 dB" in spoilt({shape.leak.start: 5e-3}, [])
    assert "hook-up" in spoilt({shape.leak.start: 5e-3}, [], leak=0.0)
    assert "third port's load reflects 10 dB" in spoilt({shape.far.start: 0.316}, [])
    assert "match of port 2" in spoilt({shape.load.start: 0.4}, [])
    assert "match of port 1" in spoilt({shape.source.start: -0.4}, [])
    assert "6 dB low, a pad" in spoilt({shape.slow.start: -0.69}, [])
    assert "number of cavities" in spoilt({}, [])
