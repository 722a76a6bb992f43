"""Owns the circuit elements: lossy lines, resonators, loop-coupled cavities, and their chain matrices.

Everything is an analytic function of the (possibly complex) frequency, so that transmission zeros can be
sought off the real axis.  Chain matrices are tuples (a, b, c, d) of arrays.

Sources of the physics:
  D. M. Pozar, Microwave Engineering: lossy line chain matrix (ch. 2, 4), loss of coaxial line (2.7),
    Q of line resonators (6.2), reduction of n-ports and mismatch loops (4.5).
  G. Matthaei, L. Young, E. M. T. Jones, Microwave Filters, Impedance-Matching Networks and Coupling
    Structures: slope parameters and inverters (4.3, 8.2), comb-line/quarter-wave resonators with end
    capacitance (8.13), band-stop side branches (12), diplexing at a common junction (16).
  J.-S. Hong, M. J. Lancaster, Microstrip Filters for RF/Microwave Applications: loop equations and the
    coupling matrix (ch. 8), external quality factor (8.3), extracted zeros from a bypass path (10).
"""

from __future__ import annotations

import dataclasses
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

C0 = 299_792_458.0
Z0 = 50.0
SQRT2J = np.sqrt(2j)
Cx = NDArray[np.complex128]
Fl = NDArray[np.float64]
Chain = tuple[Cx, Cx, Cx, Cx]

NOTCH, PASSREJ = 0, 1


@dataclasses.dataclass
class Side:
    """All numbers of one side of a unit, tee towards port; per-cavity arrays have n items, lines n+1 items."""

    style: str  # "chain" or "bandpass"
    kinds: Fl  # NOTCH or PASSREJ for each cavity
    f_pass: float
    f_rej: float
    # resonator: line of impedance zc and speed vf*c, short at the loops, rod with capacitance at the far end
    zc: Fl
    vf: Fl
    length: Fl
    q: Fl  # of the line at f_pass
    r_short: Fl  # contact resistance at the short, ohm
    c_fix: Fl
    c_rod: Fl
    gap: Fl  # metres, scale of the rod capacitance
    pitch: Fl  # metres a turn
    wobble: Fl  # thread error, turns
    wphase: Fl
    turns: Fl
    pull: Fl  # (n, n) zero diagonal: turns of a neighbour that act here
    cover: Fl  # 0 closed, 1 open
    # loops
    l1: Fl
    l2: Fl
    m1: Fl
    m2: Fl
    rot: Fl  # coupling factor, trimmed by turning the loop
    f_self: Fl  # self-resonance of the loop
    m_slope: Fl  # relative change of M per relative change of frequency
    r_loop: Fl  # ohm at f_pass, skin law
    elast: Fl  # 1/C of a capacitor in series with the loop (0: none)
    c_bridge: Fl
    l_bridge: Fl  # 0: none
    q_bridge: Fl
    # branch tee (notch cavities)
    stub: Fl
    l_tee: Fl
    c_tee: Fl
    # harness
    line: Fl
    line_vf: Fl
    line_z: Fl
    skin: Fl  # neper per metre at 100 MHz
    diel: Fl
    l_con: Fl
    c_con: Fl
    # aperture coupling for a band-pass side (n-1 items used), henry
    m_ap: Fl
    # temperature coefficients, 1/K
    t_rod: Fl
    t_cap: Fl
    t_bridge: Fl
    t_line: float

    @property
    def n(self) -> int:
        """Number of cavities."""
        return int(self.zc.size)

    def copy(self) -> Side:
        """Deep copy."""
        out = dataclasses.replace(self)
        for f in dataclasses.fields(self):
            v = getattr(self, f.name)
            if isinstance(v, np.ndarray):
                setattr(out, f.name, v.copy())
        return out


def mul(x: Chain, y: Chain) -> Chain:
    """Product of two chain matrices."""
    a, b, c, d = x
    e, f, g, h = y
    return a * e + b * g, a * f + b * h, c * e + d * g, c * f + d * h


def line_chain(gl: Cx, z: Fl | float) -> Chain:
    """Chain matrix of a line of propagation exponent gl and real impedance z (Pozar table 4.1)."""
    e: Cx = np.exp(gl)
    r: Cx = np.exp(-gl)
    ch: Cx = (e + r) / 2
    sh: Cx = (e - r) / 2
    return ch, sh * z, sh / z, ch


def cable_exponent(f: Cx, length: Fl, vf: Fl, skin: Fl, diel: Fl) -> Cx:
    """gamma*length: skin loss grows as the root of frequency (with its share of phase), dielectric loss linearly."""
    x = f * 1e-8
    beta = 2j * np.pi * f / (C0 * vf)
    out: Cx = length * (beta + skin * SQRT2J * np.sqrt(x) + diel * x)
    return out


Numbers = TypeVar("Numbers", bound=np.generic)


def col(v: NDArray[Numbers]) -> NDArray[Numbers]:
    """Column for broadcasting over frequency."""
    return v[:, None]


def rod_position(s: Side) -> Fl:
    """Effective turns: own screw with thread error, plus the pull of the neighbours."""
    t: Fl = s.turns + s.pull @ s.turns
    out: Fl = t + s.wobble * (np.sin(2 * np.pi * t + s.wphase) - np.sin(s.wphase))
    return out


def resonator_z(s: Side, f: Cx, dt: float) -> Cx:
    """Impedance in series with the current at the shorted end, (n, K): near zero at quarter-wave resonance."""
    t = rod_position(s)
    length = s.length * (1 + s.t_rod * dt) + s.pitch * t
    cend = (s.c_fix * (1 - 0.01 * s.cover) + s.c_rod * np.exp(np.clip(s.pitch * t / s.gap, -4, 4))) * (1 + s.t_cap * dt)
    a_ref = np.pi * s.f_pass / (C0 * s.vf) / s.q * (1 + 0.3 * s.cover)
    g = f * col(2j * np.pi * length / (C0 * s.vf)) + np.sqrt(f / s.f_pass) * col(a_ref * length) * SQRT2J
    e2 = np.exp(-2 * g)
    w = f * col(2j * np.pi * cend * s.zc)
    p, m = 1 + e2, 1 - e2
    out: Cx = col(s.zc) * (p + w * m) / (w * p + m) + col(s.r_short)
    return out


def loop_values(s: Side, f: Cx, dt: float) -> tuple[Cx, Cx, Cx, Cx]:
    """Series impedances z1, z2 of the loops and couplings k1, k2 = omega*M, each (n, K)."""
    om = 2 * np.pi * f
    x = (f / s.f_pass) - 1.0
    swell = 1.0 / (1.0 - (f / col(s.f_self)) ** 2)
    jl = 1j * om * swell
    r = np.sqrt(f / s.f_pass) * col(s.r_loop)
    z1, z2 = jl * col(s.l1) + r, jl * col(s.l2) + r
    if np.any(s.elast):
        series = col(s.elast / (1 + s.t_bridge * dt)) / (1j * om)
        z1, z2 = z1 + series, z2 + series
    k = om * (1 + col(s.m_slope) * x) * col(s.rot)
    return z1, z2, k * col(s.m1), k * col(s.m2)


def bridge_y(s: Side, f: Cx, dt: float) -> Cx:
    """Admittance between the two loops' terminals."""
    om = 2 * np.pi * f
    y: Cx = om * col(s.c_bridge * (1 + s.t_bridge * dt) * (1j + 1 / s.q_bridge))
    has = s.l_bridge > 0
    if np.any(has):
        safe = np.where(has, s.l_bridge, 1.0)
        y = y + col(has * 1.0) / (om * col(safe) * (1j + col(1 / s.q_bridge)))
    return y


def branch_parts(s: Side, f: Cx, dt: float, zin: Cx, z1: Cx, k1: Cx) -> tuple[Cx, Cx]:
    """Numerator and denominator (both free of the resonator's pole) of the notch branch impedance at its tee."""
    e2 = np.exp(
        -2
        * cable_exponent(f, col(s.stub * (1 + s.t_line * dt)), col(s.line_vf[:-1]), col(s.skin[:-1]), col(s.diel[:-1]))
    )
    p, m = 1 + e2, 1 - e2
    zl = z1 * zin + k1 * k1  # loop impedance times zin
    zn = Z0 * (zl * p + Z0 * zin * m)
    zd = Z0 * zin * p + zl * m
    return zn + 2j * np.pi * f * col(s.l_tee) * zd, zd


def zero_function(s: Side, f: Cx, dt: float = 0.0) -> Cx:
    """Function whose root in f is each cavity's own transmission zero; f is (n, K).  Chain style only."""
    zin = resonator_z(s, f, dt)
    z1, z2, k1, k2 = loop_values(s, f, dt)
    zn, _ = branch_parts(s, f, dt, zin, z1, k1)
    yb = bridge_y(s, f, dt)
    h = yb * (z1 * z2 * zin + z1 * k2 * k2 + z2 * k1 * k1) + k1 * k2
    out: Cx = np.where(col(s.kinds) == NOTCH, zn / (Z0 * Z0), h)
    return out


def cavity_chains(s: Side, f: Cx, dt: float) -> list[Chain]:
    """Chain matrix of each cavity of a chain-style side."""
    zin = resonator_z(s, f, dt)
    z1, z2, k1, k2 = loop_values(s, f, dt)
    out: list[Chain] = []
    notch = s.kinds == NOTCH
    one, nil = np.ones(f.size, dtype=complex), np.zeros(f.size, dtype=complex)
    if np.any(notch):
        zn, zd = branch_parts(s, f, dt, zin, z1, k1)
        y = zd / zn + 2j * np.pi * f * col(s.c_tee)
    if not np.all(notch):
        yb = bridge_y(s, f, dt)
        den = z1 * z2 * zin + z1 * k2 * k2 + z2 * k1 * k1
        den = np.where(den == 0, 1.0, den)
        y11 = (z2 * zin + k2 * k2) / den + yb
        y22 = (z1 * zin + k1 * k1) / den + yb
        y21 = np.where(col(s.kinds) == NOTCH, 1.0, -k1 * k2 / den - yb)
        aa, dd, bb = -y22 / y21, -y11 / y21, -1 / y21
        cc = (y21 * y21 - y11 * y22) / y21
    for i in range(s.n):
        if notch[i]:
            out.append((one, nil, y[i], one))
        else:
            out.append((aa[i], bb[i], cc[i], dd[i]))
    return out


def bandpass_chain(s: Side, f: Cx, dt: float) -> Chain:
    """Directly coupled cavities: loop, inverters of omega*M, series resonators (Matthaei 8.2; Hong 8)."""
    zin = resonator_z(s, f, dt)
    z1, z2, k1, k2 = loop_values(s, f, dt)
    one, nil = np.ones(f.size, dtype=complex), np.zeros(f.size, dtype=complex)
    m: Chain = (one, z1[0], nil, one)
    om = 2 * np.pi * f
    for i in range(s.n + 1):
        k = k1[0] if i == 0 else k2[-1] if i == s.n else om * s.m_ap[i - 1]
        m = mul(m, (nil, 1j * k, 1j / k, nil))
        if i < s.n:
            m = mul(m, (one, zin[i], nil, one))
    return mul(m, (one, z2[-1], nil, one))


def side_chain(s: Side, f: Cx, dt: float) -> Chain:
    """Chain matrix of a whole side from the tee to its port."""
    gl = cable_exponent(f, col(s.line * (1 + s.t_line * dt)), col(s.line_vf), col(s.skin), col(s.diel))
    la, lb, lc, ld = line_chain(gl, col(s.line_z))
    jw = 2j * np.pi * f
    zs, ys = jw * col(s.l_con), jw * col(s.c_con)
    lb = lb + la * zs  # step at the far end of each cable: series inductance, then shunt capacitance
    ld = ld + lc * zs
    la = la + lb * ys
    lc = lc + ld * ys
    m: Chain = (la[0], lb[0], lc[0], ld[0])
    if s.style == "bandpass":
        m = mul(m, bandpass_chain(s, f, dt))
        return mul(m, (la[-1], lb[-1], lc[-1], ld[-1]))
    cav = cavity_chains(s, f, dt)
    for i in range(s.n):
        a, b, c, d = m
        if s.kinds[i] == NOTCH:
            y = cav[i][2]
            m = (a + b * y, b, c + d * y, d)
        else:
            m = mul(m, cav[i])
        m = mul(m, (la[i + 1], lb[i + 1], lc[i + 1], ld[i + 1]))
    return m
