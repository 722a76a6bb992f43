"""The duplexer as a three-port, put together from three hook-ups of a one-way analyzer.

Owns: the assembly with imperfect loads and an imperfect port 2 taken out by reciprocity, and the isolation between the
sides with any reflection on the antenna port. Refuses: fewer than three hook-ups; files.

Ports are numbered A, L, H = 0, 1, 2, as `PORTS` spells them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

PORTS = "ALH"
Complex = NDArray[np.complex128]

ROUNDS = 60
SETTLED = 1e-12
"""The assembly goes round until nothing moves by more than this; a load of 20 dB return loss takes it a tenth closer
each time."""


@dataclass(frozen=True, slots=True)
class Taken:
    """One hook-up: S11 and S21 (K,) as corrected in one orientation, and the reflections (K,) that closed the port
    read by port 2 (its own match) and the third port (its load). Zeros where they are not known."""

    s11: Complex
    s21: Complex
    port2: Complex
    third: Complex


def assemble(hookups: Mapping[str, Taken]) -> NDArray[np.complex128]:
    """S (K, 3, 3) of a reciprocal three-port from hook-ups by name ("A>L", "L>H", "H>A", ...).

    Each pair of ports must be measured at least once and each port driven at least once; what was measured twice is
    averaged. Solved by going round: what the present S would have read through the imperfect loads against what was
    read. Raises ValueError when a pair or a port is missing.
    """
    names = {name: (PORTS.index(name[0]), PORTS.index(name[2])) for name in hookups}
    _complete(names)
    count = next(iter(hookups.values())).s11.size
    s = np.zeros((count, 3, 3), complex)
    for _ in range(ROUNDS):
        step = np.zeros_like(s)
        weight = np.zeros((3, 3))
        for name, (driven, read) in names.items():
            taken = hookups[name]
            seen11, seen21 = _seen(s, driven, read, taken.port2, taken.third)
            step[:, driven, driven] += taken.s11 - seen11
            weight[driven, driven] += 1
            for i, j in ((driven, read), (read, driven)):
                step[:, i, j] += taken.s21 - seen21
                weight[i, j] += 1
        step /= weight
        s += step
        if float(np.abs(step).max()) < SETTLED:
            break
    return s


def _complete(names: Mapping[str, tuple[int, int]]) -> None:
    pairs = {frozenset(pair) for pair in names.values()}
    missing = [f"{PORTS[i]} and {PORTS[j]}" for i, j in ((0, 1), (0, 2), (1, 2)) if frozenset((i, j)) not in pairs]
    if missing:
        raise ValueError(f"no hook-up between {', '.join(missing)} yet")
    undriven = [PORTS[port] for port in range(3) if port not in {driven for driven, _ in names.values()}]
    if undriven:
        raise ValueError(f"no hook-up drives {' and '.join(undriven)} yet, so its match is not known")


def _seen(s: NDArray[np.complex128], driven: int, read: int, port2: Complex, third: Complex) -> tuple[Complex, Complex]:
    """What one orientation reads of S: the reflection at the driven port and the wave out of the read port, for one
    wave into the driven port."""
    other = 3 - driven - read
    inner = s[:, [read, other]][:, :, [read, other]]
    ends = np.stack((port2, third), axis=1)
    # b = S_col + S_inner (ends * b), so (1 - S_inner ends) b = S_col
    left = np.eye(2) - inner * ends[:, None, :]
    out = np.linalg.solve(left, s[:, [read, other], driven][:, :, None])[:, :, 0]
    back = s[:, driven, driven] + ((s[:, driven][:, [read, other]] * ends) * out).sum(axis=1)
    return np.asarray(back), np.asarray(out[:, 0])


def isolation(s: NDArray[np.complex128], antenna: Complex | complex = 0.0) -> Complex:
    """Transmission from L to H (K,) with reflection `antenna` (K,) on the antenna port: S_HL + S_HA G S_AL / (1 -
    S_AA G)."""
    return np.asarray(s[:, 2, 1] + s[:, 2, 0] * antenna * s[:, 0, 1] / (1.0 - s[:, 0, 0] * antenna))


def isolation_any_phase(s: NDArray[np.complex128], size: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Smallest and largest |S_HL| (K,) over all phases of an antenna reflection of magnitude `size`.

    G / (1 - S_AA G) runs on the circle with centre conj(S_AA) r^2 / (1 - |S_AA|^2 r^2) and radius
    r / (1 - |S_AA|^2 r^2), so the extremes are where a line through the origin cuts the moved circle.
    """
    match = s[:, 0, 0]
    shrink = 1.0 - np.abs(match) ** 2 * size**2
    through = s[:, 2, 0] * s[:, 0, 1]
    centre = np.abs(s[:, 2, 1] + through * match.conj() * size**2 / shrink)
    radius = np.abs(through) * size / shrink
    return np.asarray(np.abs(centre - radius)), np.asarray(centre + radius)
