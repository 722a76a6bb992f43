"""Clipped band, pass figures, pooling, step rule, verdict, decibels."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rf.floor.clipped import find_clipped
from rf.floor.order import median_around, quantile
from rf.floor.settling import largest_step_hz, settling_caution, settling_time_s
from rf.repeater.passband import Residuals, local_fit, loss_at, return_loss_at
from rf.values.decibel import amplitude, amplitude_db, level_db, power_db
from rf.values.figure import Figure, Kind, at_least, cant_say, inferred, reading
from rf.values.verdict import Verdict, judge_at_least, judge_at_most
from tests.rf.test_average import noise

F = np.linspace(450e6, 460e6, 401)
POWER = np.full(401, 1e-8)


def notch(depth: float, half_hz: float = 1e6, at: float = 455e6) -> np.ndarray:
    x = (F - at) / half_hz
    return np.asarray((x**2 + depth) / (x**2 + 1), complex)


class TestClipped:
    def test_band_is_where_the_response_is_under_the_floor(self) -> None:
        rng = np.random.default_rng(1)
        wide = find_clipped(F, notch(1e-6, 20e6) + noise(rng, 401, power=1e-8), POWER)
        assert wide is not None
        expected = 2 * 20e6 * math.sqrt(math.sqrt(4.6e-8))
        assert wide.width_hz == pytest.approx(expected, rel=0.3)
        assert not wide.open_low
        assert not wide.open_high

    def test_none_when_all_stands_above(self) -> None:
        assert find_clipped(F, np.full(401, 0.1 + 0j), POWER) is None

    def test_open_at_the_edge(self) -> None:
        rng = np.random.default_rng(2)
        band = find_clipped(F, notch(1e-6, 20e6, 450e6) + noise(rng, 401, power=1e-8), POWER)
        assert band is not None
        assert band.open_low
        assert not band.open_high

    def test_the_one_near_the_channel(self) -> None:
        trace = notch(1e-6, 20e6, 452e6) * notch(1e-6, 20e6, 458e6) + noise(np.random.default_rng(3), 401, power=1e-8)
        for near in (452e6, 458e6):
            band = find_clipped(F, trace, POWER, near)
            assert band is not None
            assert band.low_hz <= near <= band.high_hz


class TestPassband:
    def test_loss_with_its_interval(self) -> None:
        trace = np.full(401, amplitude(-1.4) + 0j) * np.exp(2j * np.pi * F * 20e-9)
        figure = loss_at(F, trace, POWER, 455.01e6).figure
        assert figure.kind is Kind.READING
        assert figure.value == pytest.approx(1.4, abs=0.01)
        assert figure.low < 1.4 < figure.high

    def test_mismatch_is_f10(self) -> None:
        """Study, F10: 17 dB against 17 dB give +-0.17 dB (formula of common practice)."""
        stated = Residuals(tracking_db=0.0, port2_return_loss_db=17.0)
        figure = loss_at(F, np.full(401, 0.8 + 0j), np.full(401, 1e-16), 455e6, 17.0, stated).figure
        assert figure.high - figure.value == pytest.approx(0.175, abs=0.01)
        assert figure.limited_by == "mismatch"

    def test_no_pass_is_a_bound(self) -> None:
        assert (
            loss_at(F, noise(np.random.default_rng(4), 401, power=1e-8), POWER, 455e6).figure.kind is not Kind.READING
        )

    def test_outside_the_sweep(self) -> None:
        assert loss_at(F, notch(0.1), POWER, 470e6).figure.kind is Kind.CANT_SAY
        assert return_loss_at(F, notch(0.1), POWER, 440e6).figure.kind is Kind.CANT_SAY

    def test_return_loss_near_the_directivity_is_a_bound(self) -> None:
        good = return_loss_at(F, np.full(401, amplitude(-20.0) + 0j), POWER, 455e6).figure
        assert good.kind is Kind.READING
        assert good.low < 20.0 < good.high
        hidden = return_loss_at(F, np.full(401, amplitude(-36.0) + 0j), POWER, 455e6).figure
        assert hidden.kind is Kind.AT_LEAST
        assert hidden.value < 36.0

    @pytest.mark.parametrize(("reflection_db", "half_db"), [(-0.1, 1.24), (-6.0, 1.04), (-20.0, 2.1)])
    def test_return_loss_holds_the_one_port_error_model(self, reflection_db: float, half_db: float) -> None:
        """x = D + (1 + T) G / (1 - M G) at every phase of D, T and M lies within; the width is D + T |G| + M |G|^2
        (EURAMET cg-12): 35 dB, 0.3 dB and 20 dB."""
        g, phases = amplitude(reflection_db), np.exp(2j * np.pi * np.arange(12) / 12)
        for d in phases:
            for m in phases:
                for t in (-1.0, 1.0):
                    x = amplitude(-35.0) * d + (1.0 + 0.034 * t) * g / (1.0 - 0.1 * m * g)
                    figure = return_loss_at(F, np.full(401, x), POWER, 455e6).figure
                    assert figure.kind is Kind.READING and figure.low <= -reflection_db <= figure.high
        middle = return_loss_at(F, np.full(401, g + 0j), POWER, 455e6).figure
        assert middle.high - middle.value == pytest.approx(half_db, abs=0.15)
        assert middle.limited_by == {-0.1: "port 1", -6.0: "port 1", -20.0: "directivity"}[reflection_db]

    def test_return_loss_is_never_negative(self) -> None:
        figure = return_loss_at(F, np.full(401, 1.0 + 0j), POWER, 455e6).figure
        assert figure.low >= 0.0

    def test_local_fit_is_exact_for_a_parabola(self) -> None:
        x = (F - 455e6) / 1e6
        fit = local_fit(F, 0.3 + 0.1j * x + (0.02 + 0.01j) * x**2, POWER, 455e6)
        assert fit is not None
        assert fit.value == pytest.approx(0.3, abs=1e-9)


def test_step_rule() -> None:
    assert largest_step_hz(244e3) == 61e3  # study, F16


def test_settling_time() -> None:
    """Study, F15 and scenario 31: Q 8000 at 150 MHz, 100 dB: 0.2 ms; a dwell of 0.1 ms is warned of."""
    assert "0.1 ms a point is short for Q 8000: 0.2 ms" in settling_caution(1e-4, 8000, 150e6)
    assert settling_caution(2.1e-4, 8000, 150e6) == "" == settling_caution(0.0, 8000, 150e6)
    assert settling_time_s(8000, 150e6, 100.0) == pytest.approx(0.2e-3, rel=0.03)


@pytest.mark.parametrize(
    ("figure", "verdict"),
    [
        (reading(95, 91, 99, "dB"), Verdict.PASS),
        (reading(92, 89, 95, "dB"), Verdict.CONDITIONAL_PASS),
        (reading(88, 85, 91, "dB"), Verdict.CONDITIONAL_FAIL),
        (reading(80, 78, 82, "dB"), Verdict.FAIL),
        (at_least(90.1, "dB"), Verdict.PASS),
        (at_least(70, "dB"), Verdict.CANT_SAY),
        (inferred(120, 119, 121, "dB"), Verdict.CANT_SAY),
        (cant_say("dB", "no"), Verdict.CANT_SAY),
    ],
)
def test_more_is_better(figure: Figure, verdict: Verdict) -> None:
    """JCGM 106:2012, guarded acceptance, w = U; an inference never passes (DESIGN)."""
    assert judge_at_least(figure, 90.0) is verdict


@pytest.mark.parametrize(
    ("figure", "verdict"),
    [
        (reading(1.4, 1.2, 1.6, "dB"), Verdict.PASS),
        (reading(1.9, 1.7, 2.1, "dB"), Verdict.CONDITIONAL_PASS),
        (reading(2.1, 1.9, 2.3, "dB"), Verdict.CONDITIONAL_FAIL),
        (reading(3, 2.8, 3.2, "dB"), Verdict.FAIL),
        (at_least(10, "dB"), Verdict.FAIL),
        (at_least(1, "dB"), Verdict.CANT_SAY),
    ],
)
def test_less_is_better(figure: Figure, verdict: Verdict) -> None:
    assert judge_at_most(figure, 2.0) is verdict


@given(st.floats(0.1, 200), st.floats(0.0, 30), st.floats(0.0, 30), st.floats(0.1, 200))
def test_a_pass_is_never_given_with_the_goal_inside_the_interval(
    v: float, below: float, above: float, goal: float
) -> None:
    verdict = judge_at_least(reading(v, v - below, v + above, "dB"), goal)
    assert (verdict is Verdict.PASS) == (v - below >= goal)
    assert (verdict is Verdict.FAIL) == (v + above < goal)


def test_decibels() -> None:
    assert amplitude_db(0.1) == pytest.approx(-20)
    assert power_db(0.1) == pytest.approx(-10)
    assert amplitude(-20) == pytest.approx(0.1)
    assert level_db(np.array([1.0, 0.1j]))[1] == pytest.approx(-20)


def test_order_statistics_are_those_of_numpy_to_the_last_bit() -> None:
    rng = np.random.default_rng(3)
    for points in (2, 3, 5, 20, 21, 22, 101, 401):
        values = rng.exponential(size=points) * 10.0 ** rng.integers(-20, 3)
        width = min(21, points - 1 + points % 2)
        padded = np.pad(values, width // 2, mode="reflect")
        windows = np.lib.stride_tricks.sliding_window_view(padded, width)
        assert (median_around(values, width) == np.median(windows, axis=-1)).all()
        for share in (0.0, 0.1, 0.5, 0.77, 1.0):
            assert quantile(values, share) == np.quantile(values, share)
