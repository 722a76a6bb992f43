"""A chain of coupled resonators between two ports: its response, and how that changes with each element.

Owns: the equivalent circuit of a band-pass filter of order N (of a single cavity: N = 1), in a plain row or with one
coupling across it. Refuses: to fit, and more than one cross coupling.

Source: Hong and Lancaster, "Microstrip Filters for RF/Microwave Applications" (2001), chapter 8, equations 8.7 to 8.30;
the matrix is Cameron's N x N one with resistive ends (Cameron, IEEE Trans. MTT 51 (2003) 1), written in hertz and Q.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]


@dataclass(frozen=True, slots=True)
class Elements:
    """Resonators in order from port 1: `f_hz` (N,), couplings `k` (N-1,) as share of the frequency, external Q of both
    ends (`q_out` inf: nothing hangs there), the unloaded Q that all share."""

    f_hz: Real
    k: Real
    q_in: float
    q_out: float
    unloaded_q: float
    slope: float = 0.0
    """Exponent with which the couplings grow over frequency: +1 through an inductance, -1 through a capacitance."""
    across: tuple[int, int] | None = None
    """Two resonators, counted from 0, that one more coupling joins: it makes a transmission zero where both ways
    cancel (Cameron 2003; Hong and Lancaster, chapter 10)."""
    k_across: float = 0.0
    """That coupling, signed as in Cameron's matrix whose row is positive."""

    @property
    def size(self) -> int:
        """How many elements there are."""
        return 2 * self.order + 2 + (self.across is not None)

    @property
    def order(self) -> int:
        """Number of resonators."""
        return int(self.f_hz.size)


@dataclass(frozen=True, slots=True)
class Response:
    """S-parameters (K,); derivatives (K, P) by f_1..f_N [Hz], ln k_1..k_N-1, ln Q_in, ln Q_out, ln Q_u, and by the
    coupling across, where there is one."""

    s11: Complex
    s21: Complex
    s22: Complex
    d11: Complex
    d21: Complex
    slope11: Complex
    slope21: Complex
    """Derivatives (K,) by the couplings' exponent."""


def response(frequency_hz: Real, e: Elements) -> Response:
    """S11, S21, S22 over frequency (K,) by the loop equations Z i = e: Z_ii = 1/Q_u + j (f/f_i - f_i/f), with 1/Q_e in
    the corners and -j k beside the diagonal; S21 = 2 (Z^-1)_N1 / sqrt(Q_in Q_out), S11 = 1 - 2 (Z^-1)_11 / Q_in."""
    f, n = np.asarray(frequency_hz, float), e.order
    at = np.arange(n)
    z = np.zeros((f.size, n, n), complex)
    z[:, at, at] = 1.0 / e.unloaded_q + 1j * (f[:, None] / e.f_hz - e.f_hz / f[:, None])
    z[:, 0, 0] += 1.0 / e.q_in
    z[:, n - 1, n - 1] += 1.0 / e.q_out
    ln_f = np.log(f[:, None] / np.sqrt(e.f_hz[:-1] * e.f_hz[1:]))
    cross = -1j * e.k * np.exp(e.slope * ln_f)
    z[:, at[:-1], at[1:]] = z[:, at[1:], at[:-1]] = cross
    over = np.zeros(f.size, complex)
    if e.across is not None:
        i, j = e.across
        ln_over = np.log(f / math.sqrt(e.f_hz[i] * e.f_hz[j]))
        over = (1j if (j - i) % 2 == 0 else -1j) * np.exp(e.slope * ln_over)
        z[:, i, j] = z[:, j, i] = z[:, i, j] + e.k_across * over
    ends = np.zeros((f.size, n, 2), complex)
    ends[:, 0, 0] = ends[:, n - 1, 1] = 1.0
    solved = np.linalg.solve(z, ends)
    x, y = solved[:, :, 0], solved[:, :, 1]
    through, back = 2.0 / np.sqrt(e.q_in * e.q_out), 2.0 / e.q_in
    s21 = through * x[:, n - 1]
    s11, s22 = 1.0 - back * x[:, 0], 1.0 - 2.0 / e.q_out * y[:, n - 1]
    count = e.size
    d11, d21 = np.zeros((f.size, count), complex), np.zeros((f.size, count), complex)
    slope = -1j * (f[:, None] / e.f_hz**2 + 1.0 / f[:, None])
    d21[:, :n], d11[:, :n] = -through * y * slope * x, back * x * slope * x
    d21[:, n : 2 * n - 1] = -through * cross * (y[:, :-1] * x[:, 1:] + y[:, 1:] * x[:, :-1])
    d11[:, n : 2 * n - 1] = 2.0 * back * cross * x[:, :-1] * x[:, 1:]
    q = 2 * n - 1
    d21[:, q] = through * y[:, 0] * x[:, 0] / e.q_in - s21 / 2.0
    d11[:, q] = -back * x[:, 0] ** 2 / e.q_in + back * x[:, 0]
    d21[:, q + 1] = through * y[:, n - 1] * x[:, n - 1] / e.q_out - s21 / 2.0
    d11[:, q + 1] = -back * x[:, n - 1] ** 2 / e.q_out
    d21[:, q + 2] = through * (y * x).sum(axis=1) / e.unloaded_q
    d11[:, q + 2] = -back * (x * x).sum(axis=1) / e.unloaded_q
    slope11, slope21 = ((ln_f * d[:, n : 2 * n - 1]).sum(axis=1) for d in (d11, d21))
    if e.across is not None:
        d21[:, -1] = -through * over * (y[:, i] * x[:, j] + y[:, j] * x[:, i])
        d11[:, -1] = 2.0 * back * over * x[:, i] * x[:, j]
        slope21 = slope21 + e.k_across * ln_over * d21[:, -1]
        slope11 = slope11 + e.k_across * ln_over * d11[:, -1]
    return Response(np.asarray(s11, complex), s21, np.asarray(s22, complex), d11, d21, slope11, slope21)


def ripple_elements(order: int, ripple_db: float, centre_hz: float, width_hz: float, unloaded_q: float) -> Elements:
    """All resonators on the centre, couplings of a Chebyshev filter of that ripple and ripple width (Hong and
    Lancaster, equations 3.26, 8.30 and 8.31)."""
    beta = np.log(1.0 / np.tanh(ripple_db / 17.37))
    gamma = np.sinh(beta / (2.0 * order))
    i = np.arange(1, order + 1)
    a = np.sin((2 * i - 1) * np.pi / (2 * order))
    b = gamma**2 + np.sin(i * np.pi / order) ** 2
    g = [2.0 * a[0] / gamma]
    for m in range(1, order):
        g.append(4.0 * a[m - 1] * a[m] / (b[m - 1] * g[m - 1]))
    last = 1.0 if order % 2 else 1.0 / np.tanh(beta / 4.0) ** 2
    share = width_hz / centre_hz
    k = share / np.sqrt(np.array(g[:-1]) * np.array(g[1:]))
    return Elements(np.full(order, centre_hz), k, g[0] / share, g[-1] * last / share, unloaded_q)
