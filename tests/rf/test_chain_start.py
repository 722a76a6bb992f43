"""Where a descent begins: the hidden band, guesses with their slow terms, other orders of the cavities."""

from __future__ import annotations

import math

import numpy as np
import pytest

from rf.notch import chain_start
from rf.notch.chain_model import Chain, ChainShape
from rf.notch.chain_start import COUPLINGS, hidden_band, loops, reordered, starts, strong_points

REJECT = 455e6
F = np.linspace(445e6, 465e6, 401)
TWO = ChainShape(2, REJECT, 450e6)
CHAIN = Chain(TWO, F, F[0], F[-1])
STEP = 5e4


def weak(*runs: tuple[int, int]) -> np.ndarray:
    """Samples 40 dB over a noise of 1e-6 but for some runs under it."""
    data = np.full(F.size, 0.1 + 0j)
    for first, stop in runs:
        data[first:stop] = 1e-4
    return data


NOISE = np.full(F.size, 1e-6)


def test_strong_is_more_than_ten_decibels_over_the_noise() -> None:
    data = np.sqrt(np.array([9.9e-6, 10.1e-6, 1.0])) * np.exp(0.7j)
    assert strong_points(data, NOISE[:3]).tolist() == [False, True, True]


def test_the_band_reaches_to_the_samples_beside_it() -> None:
    assert hidden_band(F, weak((195, 206)), NOISE, REJECT) == (F[194], F[206])
    assert hidden_band(F, weak((0, 5)), NOISE, REJECT) == (F[0], F[5])
    assert hidden_band(F, weak((390, 401)), NOISE, REJECT) == (F[389], F[400])


@pytest.mark.parametrize(
    ("far", "wins"),
    [((300, 336), False), ((300, 337), True), ((50, 95), True), ((90, 100), False)],
)
def test_a_longer_band_farther_off_may_be_the_one(far: tuple[int, int], wins: bool) -> None:
    """Eleven samples on the channel against some 6 MHz off: a length counts 1 / (1 + distance / 2.5 MHz), so that n
    from 300 on win where n / (1 + (100 + (n - 1) / 2) / 50) is more than 11: from 37 on."""
    runs = sorted(((195, 206), far))
    low, high = hidden_band(F, weak(*runs), NOISE, REJECT)
    first, stop = far if wins else (195, 206)
    assert (low, high) == (F[first - 1], F[stop])


def test_without_a_band_the_deepest_samples_neighbours() -> None:
    for deepest, low, high in ((200, 199, 201), (0, 0, 1), (400, 399, 400)):
        data = weak()
        data[deepest] = 0.02
        data *= np.exp(1j * np.linspace(0.0, 6.0, F.size))  # the phase says nothing of it
        assert hidden_band(F, data, NOISE, REJECT) == (F[low], F[high])


def made(x: float = 12.0, q: float = 1500.0, place_hz: float = REJECT, slow: tuple[complex, ...] = ()) -> np.ndarray:
    """Both notches at one place, and slow terms."""
    p = chain_start._guess(TWO, place_hz, x, q, 0.0)
    gain = sum(c * CHAIN.powers[k] for k, c in enumerate(slow))
    return np.asarray(CHAIN.alone(p) * np.exp(gain))


def test_a_guess_spreads_its_notches_evenly() -> None:
    three = ChainShape(3, REJECT, 450e6)
    p = chain_start._guess(three, 455.1e6, 20.0, 900.0, 3e4)
    assert p[three.places] * REJECT == pytest.approx([7e4, 1e5, 1.3e5])
    assert (math.exp(p[three.log_x]), math.exp(p[three.log_q])) == pytest.approx((20.0, 900.0))
    assert p[three.harness] == p[three.trim] == 1.0 and np.count_nonzero(p) == 7
    one = ChainShape(1, REJECT, 450e6)
    assert chain_start._guess(one, 455.1e6, 20.0, 900.0, 3e4)[0] * REJECT == pytest.approx(1e5)


def test_slow_terms_are_found() -> None:
    """Level, phase, slope, delay and curvature of a gain over the exact circuit; the hidden samples say nothing."""
    slow = (-0.2 + 0.5j, 0.02 + 3.0j, 0.01 - 0.05j)
    data = made(slow=slow)
    strong = np.abs(F - REJECT) > 3e5
    data[~strong] = 1e-6
    p = chain_start._guess(TWO, REJECT, 12.0, 1500.0, 0.0)[None]
    misfit = chain_start._slow_terms(CHAIN, p, data, strong, REJECT)
    found = p[0, TWO.slow].reshape(3, 2) @ [1.0, 1j]
    assert found[1:] == pytest.approx(slow[1:], abs=1e-6)
    assert found[0].real == pytest.approx(-0.2, abs=1e-6)
    assert math.cos(found[0].imag - 0.5) == pytest.approx(1.0, abs=1e-9)
    assert misfit[0] == pytest.approx(0.01 * ((0.02 / 0.3) ** 2 + (0.01 / 0.1) ** 2 + (0.05 / 0.3) ** 2), abs=1e-9)


def test_the_misfit_of_each_sample_is_at_most_one() -> None:
    """A tenth of the samples ten times too large: e^2 / (e^2 + 0.2^2) of each, the gain left to the others."""
    data = made()
    data[::10] *= np.exp(2.0)
    strong = np.abs(F - REJECT) > 3e5
    p = chain_start._guess(TWO, REJECT, 12.0, 1500.0, 0.0)[None].repeat(2, axis=0)
    p[1, TWO.log_x] = math.log(200.0)
    misfit = chain_start._slow_terms(CHAIN, p, data, strong, REJECT)
    assert 0.1 < misfit[0] < 1.0 and misfit[0] < misfit[1]


def test_the_misfit_of_one_sample_by_its_square() -> None:
    """Ten times too large at one of 401: s / (s + 0.2^2) with s the square of what is left of log 10, and next to
    nothing of the others'."""
    data = made()
    data[40] *= 10.0
    p = chain_start._guess(TWO, REJECT, 12.0, 1500.0, 0.0)[None]
    misfit = float(chain_start._slow_terms(CHAIN, p, data, np.ones(F.size, bool), REJECT)[0])
    left = np.zeros(F.size)
    left[40] = math.log(10.0)
    basis = np.vander(np.linspace(-1.0, 1.0, F.size), 3)
    square = (left - basis @ np.linalg.lstsq(basis, left, rcond=None)[0]) ** 2
    assert misfit == pytest.approx(float(np.mean(square / (square + 0.04))), rel=0.1)


def test_the_delay_is_that_of_neighbours_that_both_stand_out() -> None:
    """Every third sample is weak and of any phase, and two strong ones are ten thousand times larger and turn wrongly:
    each pair counts alike, and pairs with a weak one not at all."""
    rng = np.random.default_rng(3)
    data = made(slow=(0j, 30j))
    strong = np.arange(F.size) % 3 != 0
    data[~strong] *= np.exp(2j * math.pi * rng.random(int((~strong).sum())))
    data[[40, 41]] *= [1e4, 1e4j]
    p = chain_start._guess(TWO, REJECT, 12.0, 1500.0, 0.0)[None]
    chain_start._slow_terms(CHAIN, p, data, strong, REJECT)
    assert p[0, TWO.slow.start + 3] == pytest.approx(30.0, abs=1.0)


def test_loops_are_ordered_by_their_best_quality(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of each coupling the cheapest Q counts, whatever the others cost."""
    told = np.full((len(COUPLINGS), 3), 9.0)
    told[5], told[2], told[7] = (1.0, 8.0, 8.0), (7.0, 2.0, 7.0), (3.0, 3.0, 3.0)
    monkeypatch.setattr(chain_start, "_slow_terms", lambda *_: told.ravel())
    found = loops(CHAIN, F, made(), np.full(F.size, 1e-7), 1000.0, 3)
    assert np.exp(found[:, TWO.log_x]) == pytest.approx(COUPLINGS[[5, 2, 7]])
    assert np.exp(found[:, TWO.log_q]) == pytest.approx([500.0, 1000.0, 500.0])


def test_notches_are_tried_together_and_a_quarter_of_the_band_apart(monkeypatch: pytest.MonkeyPatch) -> None:
    """At three places across the band under the floor, and on the channel."""
    asked: list[np.ndarray] = []

    def slow(_: object, p: np.ndarray, *__: object) -> np.ndarray:
        asked.append(p.copy())
        return np.arange(len(p), dtype=float)

    monkeypatch.setattr(chain_start, "_slow_terms", slow)
    starts(CHAIN, F, weak((195, 206)), NOISE, 1500.0, keep=1)
    places = asked[1][:, TWO.places] * REJECT
    width = F[206] - F[194]
    assert sorted(set(np.round(np.ptp(places, axis=1)))) == pytest.approx([0.0, width / 2.0])
    middles = sorted(set(np.round(places.mean(axis=1))))
    assert middles == pytest.approx([-width / 2.0, 0.0, width / 2.0], abs=1.0)


def test_too_few_strong_samples_tell_no_slow_terms() -> None:
    p = np.ones((2, TWO.size))
    strong = np.zeros(F.size, bool)
    strong[:3] = True
    assert chain_start._slow_terms(CHAIN, p, made(), strong, REJECT).tolist() == [1.0, 1.0]
    assert not p[:, TWO.slow].any()
    strong[3] = True
    assert (chain_start._slow_terms(CHAIN, p, made(), strong, REJECT) != 1.0).all()


@pytest.mark.parametrize("x", [float(COUPLINGS[4]), float(COUPLINGS[8])])
def test_the_best_start_has_the_coupling_and_the_place_of_the_data(x: float) -> None:
    """On the grid of couplings and Q, at a place on the channel: the very circuit is found, best first."""
    data = made(x=x, slow=(0.1, 1.5j))
    found = starts(CHAIN, F, data, np.full(F.size, 1e-7), 1500.0, keep=3)
    assert 1 <= len(found) <= 3
    assert math.exp(found[0, TWO.log_x]) == pytest.approx(x)
    assert found[0, TWO.places] * REJECT == pytest.approx([0.0, 0.0], abs=1.0)
    best = loops(CHAIN, F, data, np.full(F.size, 1e-7), 1500.0, 4)
    assert len(best) == 4 and math.exp(best[0, TWO.log_x]) == pytest.approx(x)


def test_a_place_beside_the_channel_is_found_within_half_a_band() -> None:
    """Places half a width of the hidden band either way; the channel only where it lies near the band."""
    data = made(place_hz=456.2e6)
    low, high = hidden_band(F, data, np.full(F.size, 1e-7), REJECT)
    found = starts(CHAIN, F, data, np.full(F.size, 1e-7), 1500.0)
    assert abs(found[0, TWO.places].mean() * REJECT - 1.2e6) < (high - low) / 2.0
    assert len(found) == 3


@pytest.mark.parametrize("share", [-0.5, 0.0, 0.5])
def test_places_at_the_edges_of_the_band_are_tried(monkeypatch: pytest.MonkeyPatch, share: float) -> None:
    """A band that lies beside the notch: half its width off either way the very place is found."""
    low, high = 457e6 - share * 1e6, 458e6 - share * 1e6
    monkeypatch.setattr(chain_start, "hidden_band", lambda *_: (low, high))
    found = starts(CHAIN, F, made(place_hz=457.5e6), np.full(F.size, 1e-7), 1500.0)
    assert found[0, TWO.places].mean() * REJECT == pytest.approx(2.5e6, abs=1.0)


@pytest.mark.parametrize(("low_hz", "tried"), [(455.9e6, True), (456.1e6, False), (453.1e6, True), (452.9e6, False)])
def test_the_channel_is_tried_within_a_width_of_the_band(
    monkeypatch: pytest.MonkeyPatch, low_hz: float, tried: bool
) -> None:
    monkeypatch.setattr(chain_start, "hidden_band", lambda *_: (low_hz, low_hz + 1e6))
    found = starts(CHAIN, F, made(), np.full(F.size, 1e-7), 1500.0, keep=99)
    assert bool((np.abs(found[:, TWO.places]).max(axis=1) < 1e-9).any()) is tried


def test_neighbours_on_the_grid_are_one_start() -> None:
    step = math.log(COUPLINGS[1] / COUPLINGS[0])
    p = np.repeat(chain_start._guess(TWO, REJECT, 12.0, 1500.0, 0.0)[None], 5, axis=0)
    p[1, TWO.log_x] += 1.4 * step  # a neighbour
    p[2, TWO.log_x] += 1.6 * step
    p[3, TWO.log_q] += 0.2
    p[4, TWO.places] += 1e-3
    assert (chain_start._different(p, TWO, 9) == p[[0, 2, 3, 4]]).all()
    assert (chain_start._different(p, TWO, 2) == p[[0, 2]]).all()
    p[3, TWO.log_q] = p[0, TWO.log_q] + 0.09
    assert (chain_start._different(p, TWO, 9) == p[[0, 2, 4]]).all()


def test_other_orders_of_four_cavities() -> None:
    """Turned round, each pair exchanged, single ones at either end, none twice and the own order not; what belongs to a
    cavity goes with it."""
    four = ChainShape(4, REJECT, 450e6)
    p = np.arange(four.size, dtype=float)
    found = reordered(four, p)
    orders = [tuple(int(k) for k in q[four.places]) for q in found]
    assert len(set(orders)) == len(orders) and (0, 1, 2, 3) not in orders and orders == sorted(orders)
    pairs = {(1, 0, 2, 3), (2, 1, 0, 3), (3, 1, 2, 0), (0, 2, 1, 3), (0, 3, 2, 1), (0, 1, 3, 2)}
    ends = {(2, 0, 1, 3), (3, 0, 1, 2), (1, 2, 3, 0), (0, 2, 3, 1)}
    assert set(orders) == pairs | ends | {(3, 2, 1, 0)}
    for q, order in zip(found, orders, strict=True):
        for part in four.own:
            assert (q[part] == p[part][list(order)]).all()
        others = [k for k in range(four.size) if k >= 4 and not four.own[0].start <= k < four.own[3].stop]
        assert (q[others] == p[others]).all()
