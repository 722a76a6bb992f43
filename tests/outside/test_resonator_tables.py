"""Coupled resonators against published tables and formulas, and against circuits that scikit-rf computes."""

from __future__ import annotations

import math

import numpy as np
import pytest
import skrf

from rf.resonators.band_figures import advise_band, band_figures
from rf.resonators.circuit import Elements, response, ripple_elements
from rf.resonators.coupled_fit import Errors, Swept, fit_coupled

F0, SHARE = 450e6, 0.004
IDEAL = Errors(0.02, 60.0, 60.0, 0.0)

TABLE = {3: (1.0316, 1.1474, 1.0316), 5: (1.1468, 1.3712, 1.9750, 1.3712, 1.1468)}
"""Element values of 0.1 dB Chebyshev low-pass prototypes (Hong and Lancaster 2001, table 3.2; Matthaei, Young and Jones
1964, table 4.05-2(a))."""


@pytest.mark.parametrize("order", TABLE)
def test_couplings_by_the_table_of_element_values(order: int) -> None:
    g = TABLE[order]
    made = ripple_elements(order, 0.1, F0, SHARE * F0, 1e9)
    assert made.q_in == pytest.approx(g[0] / SHARE, rel=1e-4)
    assert made.q_out == pytest.approx(g[-1] / SHARE, rel=1e-4)
    for k, one, other in zip(made.k, g, g[1:], strict=False):
        assert k == pytest.approx(SHARE / math.sqrt(one * other), rel=1e-4)
    # At the ripple's edges the loss is the ripple, 0.1 dB (to the second order in the bandwidth).
    edges = F0 * (math.sqrt(1.0 + SHARE**2 / 4.0) + np.array([-0.5, 0.5]) * SHARE)
    assert -20 * np.log10(abs(response(edges, made).s21)) == pytest.approx([0.1, 0.1], abs=2e-3)


def test_loss_in_the_middle_by_the_sum_of_element_values() -> None:
    """Cohn, Proc. IRE 47 (1959) 1342: 4.343 sum(g) / (share Q_u) dB for small losses."""
    unloaded = 60.0 / SHARE
    made = ripple_elements(5, 0.1, F0, SHARE * F0, unloaded)
    loss = -20 * np.log10(abs(response(np.array([F0]), made).s21[0]))
    assert loss == pytest.approx(4.343 * sum(TABLE[5]) / (SHARE * unloaded), rel=0.02)


def test_skirts_by_the_chebyshev_polynomial() -> None:
    """Attenuation 10 lg (1 + e^2 T_N^2(w)) of the lossless filter (Hong and Lancaster, equation 3.9)."""
    made = ripple_elements(5, 0.1, F0, SHARE * F0, 1e12)
    f = F0 * np.array([0.985, 0.992, 1.01, 1.02])
    w = (f / F0 - F0 / f) / SHARE
    polynomial = np.cosh(5 * np.arccosh(abs(w)))
    wanted = 10 * np.log10(1 + (10**0.01 - 1) * polynomial**2)
    assert -20 * np.log10(abs(response(f, made).s21)) == pytest.approx(wanted, abs=1e-3)


def lumped(f: np.ndarray, f_hz: list[float], unloaded: float, external: float, inverters: list[float]) -> np.ndarray:
    """Shunt resonators of susceptance slope `external` / 50 ohm, between them admittance inverters of J / Y0, each an
    ideal pi of susceptances; cascaded by scikit-rf."""
    frequency = skrf.Frequency.from_f(f, unit="hz")

    def network(a: np.ndarray, b: np.ndarray, c: np.ndarray, d: np.ndarray) -> skrf.Network:
        abcd = np.stack([np.stack([a, b], axis=-1), np.stack([c, d], axis=-1)], axis=-2)
        return skrf.Network(frequency=frequency, s=skrf.network.a2s(abcd), z0=50.0)

    one, zero = np.ones(f.size, complex), np.zeros(f.size, complex)
    chain = None
    for number, resonance in enumerate(f_hz):
        y = external / 50.0 * (1.0 / unloaded + 1j * (f / resonance - resonance / f))
        shunt = network(one, zero, y, one)
        chain = shunt if chain is None else chain**shunt
        if number < len(f_hz) - 1:
            j = inverters[number] / 50.0
            chain = chain ** network(zero, 1j / j * one, 1j * j * one, zero)
    assert chain is not None
    return np.asarray(chain.s)


@pytest.mark.parametrize("order", [2, 3, 4, 6])
def test_a_circuit_of_scikit_rf_is_taken_apart(order: int) -> None:
    rng = np.random.default_rng(order)
    unloaded, external = 5000.0, 300.0
    inverters = list(rng.uniform(0.75, 1.1, order - 1))
    f_hz = list(F0 + rng.normal(0.0, 3e5, order))
    f = np.linspace(444e6, 456e6, 301)
    s = lumped(f, f_hz, unloaded, external, inverters)
    noise = 1e-4 * (rng.normal(size=(2, 2, f.size)).T @ np.array([1, 1j])) / math.sqrt(2.0)
    power = np.full(f.size, 1e-8)
    fit = fit_coupled(Swept(f, -s[:, 0, 0] + noise[:, 0], s[:, 1, 0] + noise[:, 1], power, power), order, IDEAL)
    told = band_figures(fit, order, F0, 460e6, tee=False)
    assert not told.why
    for figure, truth in zip(told.offsets, f_hz, strict=True):
        assert figure.low - 500.0 <= truth - F0 <= figure.high + 500.0 and figure.high - figure.low < 1e5
    for figure, truth in zip(told.couplings, inverters, strict=True):
        assert figure.value == pytest.approx(truth / external * F0, rel=0.01)
    assert told.unloaded_q.low <= unloaded <= told.unloaded_q.high
    seen = -20 * np.log10(abs(lumped(np.array([460e6]), f_hz, unloaded, external, inverters)[0, 1, 0]))
    assert told.rejection.low - 0.1 <= seen <= told.rejection.high + 0.1
    deed = advise_band(told, fit, F0, 15.0)
    assert deed.resonator is not None and deed.by_hz * (f_hz[deed.resonator - 1] - F0) < 0


def test_what_is_no_row_of_resonators_is_refused() -> None:
    f = np.linspace(444e6, 456e6, 301)
    made = ripple_elements(3, 0.1, F0, 2e6, 5000.0)
    two = response(f, made), response(f, Elements(made.f_hz + 4e6, made.k, made.q_in, made.q_out, 5000.0))
    s21 = two[0].s21 + 0.5 * two[1].s21
    power = np.full(f.size, 1e-8)
    fit = fit_coupled(Swept(f, two[0].s11, s21, power, power), 3, IDEAL)
    told = band_figures(fit, 3, F0, 460e6, tee=False)
    assert told.why and not told.rejection.known
