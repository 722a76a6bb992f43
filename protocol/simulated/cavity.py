"""Series resonators behind loops on the simulated bench: a single cavity, and the coupled ones of a band-pass side.

Owns: their chain matrices from circuit elements: lines that lose, ideal transformers for the loops, a self-inductance
of the loop, mutual inductances between neighbours. Refuses: to share code with the circuit that is fitted.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Z0_OHM = 50.0
REACTANCE_OHM = 500.0
"""Of the inductance and the capacitance of each resonator at resonance; the transformers scale with it."""

Chain = tuple[NDArray[np.complex128], NDArray[np.complex128], NDArray[np.complex128], NDArray[np.complex128]]
"""A, B, C, D of a two-port over frequency."""
KINDS = ("pass", "notch")


def times(m: Chain, n: Chain) -> Chain:
    """One behind the other."""
    return (
        m[0] * n[0] + m[1] * n[2],
        m[0] * n[1] + m[1] * n[3],
        m[2] * n[0] + m[3] * n[2],
        m[2] * n[1] + m[3] * n[3],
    )


def _series(z: NDArray[np.complex128]) -> Chain:
    one, zero = np.ones_like(z), np.zeros_like(z)
    return one, z, zero, one


def shunt(y: NDArray[np.complex128]) -> Chain:
    """Chain matrix of an admittance `y` (K,) across the line, in siemens."""
    one, zero = np.ones_like(y), np.zeros_like(y)
    return one, zero, y, one


def _loop(f: NDArray[np.float64], external_q: float, *, outward: bool) -> Chain:
    """An ideal transformer that brings 50 ohm down to the resistance of that external Q in the resonator's loop."""
    n = math.sqrt(Z0_OHM * external_q / REACTANCE_OHM)
    one, zero = np.ones(f.shape, complex), np.zeros(f.shape, complex)
    down, up = np.asarray(one / n, complex), np.asarray(one * n, complex)
    return (down, zero, zero, up) if outward else (up, zero, zero, down)


def coupled(
    f: NDArray[np.float64], f_hz: list[float], q: list[float], k: list[float], q_in: float, q_out: float
) -> Chain:
    """Series resonators (N) in a row, neighbours coupled by mutual inductances of share `k` (N-1) of their own, from a
    loop at the first to one at the last."""
    chain = _loop(f, q_in, outward=False)
    pairs = zip(k, f_hz, f_hz[1:], strict=False)
    # Reactance per hertz of each mutual inductance: the same one in both of its loops.
    mutual = [0.0, *(REACTANCE_OHM * share / math.sqrt(one * other) for share, one, other in pairs), 0.0]
    for number, (resonance, unloaded) in enumerate(zip(f_hz, q, strict=True)):
        x = f / resonance
        own = REACTANCE_OHM * (1.0 / unloaded + 1j * (x - 1.0 / x))
        taken = 1j * f * (mutual[number] + mutual[number + 1])
        chain = times(chain, _series(own - taken))
        if number < len(f_hz) - 1:
            chain = times(chain, shunt(np.asarray(1.0 / (1j * f * mutual[number + 1]), complex)))
    return times(chain, _loop(f, q_out, outward=True))


@dataclass(slots=True)
class SingleCavity:
    """One cavity of its own. `kind` pass: in at one loop, out at the other; notch: its one loop on a through line.
    `loop_ohm`: self-reactance of each loop at resonance; `line_db`: what the line up to a loop loses."""

    kind: str = "pass"
    f_hz: float = 450e6
    unloaded_q: float = 5000.0
    q_in: float = 2500.0
    q_out: float = 2500.0
    loop_ohm: float = 6.0
    line_db: float = 0.03

    def s(self, frequency_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
        """S-parameters (K, 2, 2)."""
        f = np.asarray(frequency_hz, float)
        line, reach = self._line(f), 1j * self.loop_ohm * f / self.f_hz
        if self.kind == "notch":
            x = f / self.f_hz
            # The external Q of a branch across a line: both sides of it, 25 ohm, load the resonator.
            branch = Z0_OHM / 2.0 * self.q_in * (1.0 / self.unloaded_q + 1j * (x - 1.0 / x))
            chain = times(times(line, shunt(1.0 / (branch + reach))), line)
        else:
            inner = coupled(f, [self.f_hz], [self.unloaded_q], [], self.q_in, self.q_out)
            chain = times(times(times(line, _series(reach)), times(inner, _series(reach))), line)
        return scattering(chain)

    def one_port(self, frequency_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
        """Reflection (K,) at its first loop, the other one taken out."""
        f = np.asarray(frequency_hz, float)
        x = f / self.f_hz
        z = Z0_OHM * self.q_in * (1.0 / self.unloaded_q + 1j * (x - 1.0 / x)) + 1j * self.loop_ohm * x
        a, b, c, d = self._line(f)
        seen = (a * z + b) / (c * z + d)
        return np.asarray((seen - Z0_OHM) / (seen + Z0_OHM))

    def _line(self, f: NDArray[np.float64]) -> Chain:
        gamma = self.line_db * math.log(10.0) / 20.0 + 0.4j * f / self.f_hz
        cosh, sinh = np.cosh(gamma), np.sinh(gamma)
        return cosh, Z0_OHM * sinh, sinh / Z0_OHM, cosh


def scattering(chain: Chain) -> NDArray[np.complex128]:
    """S-parameters (K, 2, 2) of a chain matrix in 50 ohm (Pozar, table 4.2)."""
    a, b, c, d = chain
    total = a + b / Z0_OHM + c * Z0_OHM + d
    s = np.empty((total.size, 2, 2), complex)
    s[:, 0, 0] = (a + b / Z0_OHM - c * Z0_OHM - d) / total
    s[:, 0, 1], s[:, 1, 0] = 2.0 * (a * d - b * c) / total, 2.0 / total
    s[:, 1, 1] = (-a + b / Z0_OHM - c * Z0_OHM + d) / total
    return s
