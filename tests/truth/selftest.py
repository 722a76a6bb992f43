"""Owns the self-checks: python -m tests.truth.selftest; exits non-zero on failure."""

from __future__ import annotations

import math
import sys
from collections.abc import Sequence

import numpy as np

from . import cases, design, unit
from . import elements as el
from .bench import Bench
from .elements import C0, Z0, Fl


def _freqs(u: unit.Unit, k: int = 161) -> Fl:
    gap = u.high_hz - u.low_hz
    near = np.linspace(u.low_hz - gap, u.high_hz + gap, k)
    return np.concatenate([near, np.linspace(0.5 * u.low_hz, 1.9 * u.low_hz, 41)])


def check_unit(u: unit.Unit) -> dict[str, float]:
    """Worst reciprocity error, passivity margin, lossless unitarity error and |S| at the complex zeros."""
    f = _freqs(u)
    s = u.s(f)
    eye = np.eye(3)
    gain = np.linalg.eigvalsh(eye - np.conj(np.swapaxes(s, 1, 2)) @ s)
    z = u.lossless().s(f)
    uni = np.abs(eye - np.conj(np.swapaxes(z, 1, 2)) @ z).max()
    worst = 0.0
    for side, j in (("L", 1), ("H", 2)):
        q = u.zeros_hz(side)
        if q.size:
            at = np.abs(u.s(q)[:, 0, j])
            near = np.abs(u.s(q + 2e3)[:, 0, j])
            worst = max(worst, float(np.max(at / near)))
    return {
        "reciprocity": float(np.abs(s - np.swapaxes(s, 1, 2)).max()),
        "passivity": float(gain.min()),
        "unitary": float(uni),
        "zeros": worst,
    }


def check_chain_reciprocity(u: unit.Unit) -> float:
    """Determinant of each side's chain matrix must be 1 (relative to the size of its products)."""
    f = _freqs(u).astype(complex)
    out = 0.0
    for s in u.sides.values():
        a, b, c, d = el.side_chain(s, f, 0.0)
        out = max(out, float(np.max(np.abs(a * d - b * c - 1) / (1 + np.abs(a * d)))))
    return out


def check_shunt_notch() -> float:
    """Depth of one notch branch against 20 log(1 + Z0/(2 Zmin)), Zmin from the slope formula (Matthaei ch. 12)."""
    rng = np.random.default_rng(5)
    u = design.make("band-reject", 150e6, 150.6e6, 2, rng, connector=0.0, q=0.0, coupling=0.0)
    s = u.sides["L"]
    s.r_loop, s.r_short, s.skin, s.diel = s.r_loop * 0, s.r_short * 0, s.skin * 0, s.diel * 0
    s.stub, s.l_tee, s.c_tee = s.stub * 0, s.l_tee * 0, s.c_tee * 0
    design.lock_zeros(s, np.full(2, s.f_rej))
    y = el.cavity_chains(s, np.array([s.f_rej], dtype=complex), 0.0)[0][2][0]
    depth = 20 * math.log10(abs(1 + y * Z0 / 2))
    f = np.array([s.f_rej], dtype=complex)
    z1, _, k1, _ = el.loop_values(s, f, 0.0)
    # at resonance Z = Zc tanh(alpha l + j ...) leaves R = Zc alpha l = Zc beta l / (2 Q)   (Pozar 6.2)
    bl = 2 * np.pi * s.f_rej * (s.length[0] + s.pitch[0] * el.rod_position(s)[0]) / C0
    r = s.zc[0] * bl / (2 * s.q[0])
    x, k = z1[0, 0].imag, k1[0, 0].real
    textbook = 20 * math.log10(1 + Z0 / 2 / (r * x * x / (k * k)))
    return abs(depth - textbook)


def check_line() -> float:
    """Insertion loss of a matched cable against alpha*length."""
    f = np.array([100e6], dtype=complex)
    one = np.ones(1)
    a, b, c, d = el.line_chain(el.cable_exponent(f, 3 * one, 0.66 * one, 0.005 * one, 0.001 * one), Z0)
    s21 = 2 / (a + b / Z0 + c * Z0 + d)
    return float(abs(abs(s21[0]) - math.exp(-3 * 0.006)))


def check_resonator() -> float:
    """Resonance of the end-loaded quarter-wave line: tan(beta l) = 1/(omega C Zc)."""
    u = design.make("band-reject", 450e6, 455e6, 2, np.random.default_rng(1)).lossless()
    s = u.sides["L"]
    s.turns = s.turns * 0
    f = np.linspace(0.8, 1.2, 200001) * s.f_pass
    x = el.resonator_z(s, f.astype(complex), 0.0)[0].imag
    f0 = f[np.argmin(np.abs(x))]
    w = 2 * np.pi * f0
    return float(abs(math.tan(w * s.length[0] / (C0 * s.vf[0])) * w * (s.c_fix[0] + s.c_rod[0]) * s.zc[0] - 1))


def check_loops() -> float:
    """Chain matrices of coupled cavities against a direct solution of the loop equations (Hong and Lancaster 8.1)."""
    worst = 0.0
    for kind in ("pass-reject", "band-pass"):
        u = design.make(kind, 460e6, 470e6, 4, np.random.default_rng(3))
        s = u.sides["H"]
        f = np.linspace(450e6, 480e6, 7).astype(complex)
        zin = el.resonator_z(s, f, 0.0)
        z1, z2, k1, k2 = el.loop_values(s, f, 0.0)
        yb = el.bridge_y(s, f, 0.0)
        for i in range(f.size):
            if kind == "band-pass":
                m = np.zeros((6, 6), dtype=complex)
                m[0, 0], m[5, 5] = z1[0, i] + Z0, z2[-1, i] + Z0
                ks = [k1[0, i], *(2 * np.pi * f[i] * s.m_ap[:3]), k2[-1, i]]
                for n in range(5):
                    m[n, n + 1] = m[n + 1, n] = 1j * ks[n]
                m[range(1, 5), range(1, 5)] = zin[:, i]
                cur = np.linalg.solve(m, np.array([1, 0, 0, 0, 0, 0], dtype=complex))
                want, got_chain = abs(2 * Z0 * cur[5]), el.bandpass_chain(s, f, 0.0)
            else:  # meshes: source, resonator, load, and the bridge's current as a fourth unknown
                zb = 1 / yb[0, i]
                j1, j2 = 1j * k1[0, i], 1j * k2[0, i]
                # unknown loop currents a (into 1), r, b (into 2); terminal currents a + q and b - q
                m = np.array(
                    [
                        [z1[0, i] + Z0, j1, 0, Z0],
                        [j1, zin[0, i], j2, 0],
                        [0, j2, z2[0, i] + Z0, -Z0],
                        [Z0, 0, -Z0, zb + 2 * Z0],
                    ]
                )
                _a, _, b, q = np.linalg.solve(m, np.array([1, 0, 0, 1], dtype=complex))
                want, got_chain = abs(2 * Z0 * (b - q)), el.cavity_chains(s, f, 0.0)[0]
            ca, cb, cc, cd = (v[i] for v in got_chain)
            worst = max(worst, abs(abs(2 / (ca + cb / Z0 + cc * Z0 + cd)) / want - 1))
    return worst


def check_bench(name: str) -> float:
    """A perfect bench reads the truth; a known third load follows the reduction by node analysis."""
    u = unit.load(name)
    f = np.linspace(u.low_hz, u.high_hz, 51)
    worst = 0.0
    for hook in cases.HOOKUPS:
        b = Bench(u, hook, np.random.default_rng(0), load_db=15.0)
        got, want = b.sweep(f), b.truth(f)
        worst = max(worst, float(np.abs(got[1] - want[1]).max()), float(np.abs(got[0] - want[0]).max()))
        # independent: full 3x3 solve with the third port's wave as unknown
        i, j, k = b._order
        s, g = u.s(f), b.third_gamma(f)
        for n in range(0, 51, 10):
            m = np.eye(3, dtype=complex)
            m[:, k] -= s[n][:, k] * g[n]
            v = np.linalg.solve(m, s[n][:, i])
            worst = max(worst, abs(v[j] - want[1][n]), abs(v[i] - want[0][n]))
    return worst


def check_noise(name: str) -> float:
    """Measured floor of the survey against the figure asked for, in dB."""
    u = unit.load(name)
    b = Bench(u, "A>L", np.random.default_rng(0), floor_db=-80.0)
    v = np.concatenate([b.survey(np.linspace(u.low_hz, u.high_hz, 401))[1] for _ in range(20)])
    return abs(10 * math.log10(float(np.mean(np.abs(v) ** 2))) + 80)


Check = tuple[str, float, float]
"""What was checked, its value, the limit that it must not exceed."""


def checks(some: Sequence[str]) -> list[Check]:
    """All checks, those of the circuit over the units named."""
    worst = {"reciprocity": 0.0, "passivity": np.inf, "unitary": 0.0, "zeros": 0.0}
    det = spread = turn = 0.0
    for name in some:
        u = unit.load(name)
        r = check_unit(u)
        worst = {k: min(v, r[k]) if k == "passivity" else max(v, r[k]) for k, v in worst.items()}
        det = max(det, check_chain_reciprocity(u))
        for side in ("L", "H"):
            q = u.zeros_hz(side)
            if q.size:
                spread = max(spread, float(np.max(np.abs(q.real - u.sides[side].f_rej))) / (u.high_hz - u.low_hz))
                turn = max(turn, u.khz_per_turn(side, 1))
    same = [
        a.build().sweep(a.freqs(21))[1] - b.build().sweep(b.freqs(21))[1]
        for a, b in zip(cases.grid(32, 4), cases.grid(32, 4), strict=True)
    ]
    return [
        ("reciprocity of S", worst["reciprocity"], 1e-12),
        ("determinant of the chains", det, 1e-8),
        ("passivity, -min eigenvalue of I - S^H S", -worst["passivity"], 1e-9),
        ("lossless limit unitary", worst["unitary"], 1e-6),
        ("|S| at the zeros relative to 2 kHz beside", worst["zeros"], 1e-4),
        ("zeros away from the rejected channel, share of the separation", spread, 0.06),
        ("inward turns lower the frequency, kHz a turn", turn, 0.0),
        ("depth of a single notch against the textbook, dB", check_shunt_notch(), 0.15),
        ("loss of a matched cable", check_line(), 1e-12),
        ("resonance of the loaded line", check_resonator(), 1e-3),
        ("coupled cavities against the loop equations, relative", check_loops(), 1e-8),
        ("perfect bench against truth", max(check_bench(n) for n in some[::12]), 1e-12),
        ("noise level, dB", check_noise(some[0]), 0.2),
        ("grid repeats itself", float(np.abs(same).max()), 0.0),
    ]


def main() -> int:
    """All checks over all units; the number of failures is the exit code."""
    bad = 0
    for what, value, limit in checks(unit.names()):
        ok = value <= limit
        bad += not ok
        sys.stdout.write(f"{'ok  ' if ok else 'FAIL'} {what}: {value:.3g} (limit {limit:g})\n")
    return bad


if __name__ == "__main__":
    sys.exit(main())
