"""Owns the making of fresh units (nominal design plus spread) and their tuning by numerical optimisation.

Design rules: slope parameter of a line resonator and K-inverters (Matthaei, Young, Jones ch. 4 and 8);
band-stop side branches a quarter wave apart (ibid. ch. 12); Chebyshev element values (ibid. 4.05).
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from . import elements as el
from .elements import C0, NOTCH, PASSREJ, Z0, Cx, Fl, Side
from .unit import Tee, Unit

KINDS = ("band-reject", "pass-reject", "mixed", "helical", "band-pass")
SPREAD = {
    "q": 0.10,
    "coupling": 0.05,
    "harness": 0.025,
    "pull": 0.006,
    "connector": 1.0,
    "turns": 1.5,
    "loss_db": 1.0,
    "rej_db": 86.0,
    "cable_loss": 1.0,
    "wobble": 0.012,
    "loss_skew": 0.0,
    "rej_skew": 0.0,
}


def lm(fun: Callable[[Fl], Fl], x0: Fl, steps: int, limit: float = 0.6) -> Fl:
    """Small Levenberg-Marquardt with a numerical Jacobian; parameters stay within +-limit."""
    x = x0.copy()
    r = fun(x)
    lam = 1e-2
    for _ in range(steps):
        jac = np.empty((r.size, x.size))
        for i in range(x.size):
            y = x.copy()
            y[i] += 1e-4
            jac[:, i] = (fun(y) - r) / 1e-4
        h, g = jac.T @ jac, jac.T @ r
        before = float(r @ r)
        for _ in range(5):
            dx = np.linalg.solve(h + lam * np.diag(np.diag(h) + 1e-9), -g)
            y = np.clip(x + np.clip(dx, -0.15, 0.15), -limit, limit)
            ry = fun(y)
            if float(ry @ ry) < before:
                x, r, lam = y, ry, lam * 0.3
                break
            lam *= 5
        if before - float(r @ r) < 1e-4 * before:
            break
    return x


def lock_zeros(s: Side, target: Fl, dt: float = 0.0) -> None:
    """Set the screws so that the real part of each cavity's zero lies on target (joint Newton in Im f, turns)."""
    y = np.zeros(s.n)
    fs, ts = 1e-7 * s.f_rej, 1e-4
    for _ in range(25):
        x: Cx = np.asarray(target + 1j * y, dtype=complex)[:, None]
        g = el.zero_function(s, x, dt)[:, 0]
        gx = (el.zero_function(s, x + fs, dt)[:, 0] - g) / fs * 1j
        t0 = s.turns.copy()
        s.turns = t0 + ts
        gt = (el.zero_function(s, x, dt)[:, 0] - g) / ts
        det = gx.real * gt.imag - gx.imag * gt.real
        dy = (-g.real * gt.imag + g.imag * gt.real) / det
        dtn = (-gx.real * g.imag + gx.imag * g.real) / det
        y = y + np.clip(dy, -3e-3 * s.f_rej, 3e-3 * s.f_rej)
        s.turns = t0 + np.clip(dtn, -2.0, 2.0)
        if np.max(np.abs(dtn)) < 1e-10:
            break


def _kinds(kind: str, side: str, n: int, rng: np.random.Generator) -> Fl:
    if kind == "pass-reject":
        return np.full(n, PASSREJ, dtype=float)
    if kind == "mixed":
        k = np.full(n, NOTCH, dtype=float)
        if rng.random() < 0.3 and n > 1 and side == "L":  # one side reject only, the other mixed
            return k
        k[rng.permutation(n)[: max(1, n // 2)]] = PASSREJ
        return k
    return np.full(n, NOTCH, dtype=float)


def _pass_reject_start(x: float, loss: float, rej: float, qlo: float, qhi: float) -> tuple[float, float, float]:
    """Search the loss ratio q = 2 Q delta, k^2/(slope delta) and B*X of one bridged two-loop cavity.

    Lossy lumped form near resonance: the resonator is r + j x in the loop equations of Hong and Lancaster ch. 8;
    zero at x = k^2 (2 - 1/(B X))/X, pass channel one `slope*delta` above it.
    """
    q, k2, b = np.meshgrid(
        np.geomspace(max(qlo, 5), min(qhi, 120), 16),
        np.geomspace(4, 60, 40),
        np.geomspace(0.08, 0.8, 60),
        indexing="ij",
    )
    xr = k2 * (2 - 1 / b) / x
    out = []
    for xz in (xr + 1, xr):
        z = 1 / q + 1j * xz
        d = -x * x * z + 2j * x * k2
        y11, y21 = (1j * x * z + k2) / d + 1j * b / x, -k2 / d - 1j * b / x
        den = (1 / Z0 + y11) ** 2 - y21**2
        out += [np.abs((1 / Z0**2 - y11**2 + y21**2) / den), -20 * np.log10(np.abs(2 * y21 / Z0 / den))]
    cost = ((out[1] - loss) / 0.08) ** 2 + ((out[3] - rej) / 3) ** 2 + (out[0] / 0.05) ** 2
    i = np.unravel_index(int(np.argmin(cost)), cost.shape)
    return float(q[i]), float(k2[i]), float(b[i])


def _side(
    kind: str, side: str, low: float, high: float, n: int, rng: np.random.Generator, sp: dict[str, float]
) -> Side:
    fp, fr = (low, high) if side == "L" else (high, low)
    half = 0.5 if side == "L" else -0.5
    sp = {**sp, "loss_db": sp["loss_db"] + half * sp["loss_skew"], "rej_db": sp["rej_db"] + half * sp["rej_skew"]}
    sgn = 1.0 if fr > fp else -1.0
    delta = abs(fr - fp) / fp
    om = 2 * math.pi * fp
    helical = kind == "helical"
    one = np.ones(n)
    kinds = _kinds(kind, side, n, rng)
    zc = rng.uniform(220, 330) * one if helical else rng.uniform(62, 84) * one
    vf = rng.uniform(0.03, 0.06) * one if helical else one.copy()
    frac = rng.uniform(0.84, 0.95)
    length = frac * C0 * vf / fp / 4
    cend = math.tan(math.pi / 2 * (1 - frac)) / (om * zc)
    slope = zc * (np.pi / 2 * frac + 0.5 * math.sin(math.pi * frac))  # f dX/df
    # unloaded Q from the wanted loss and rejection of one notch cavity
    per_loss = max(0.08, (sp["loss_db"] - 0.25) / n)
    per_rej = (sp["rej_db"] - 6.0 * (n - 1)) / n
    zmin = Z0 / 2 / 10 ** (per_rej / 20)
    rpass = Z0 / 2 / (10 ** (per_loss / 20) - 1)
    ratio = math.sqrt(rpass / zmin)
    lo, hi = (250.0, 1300.0) if helical else (400.0, 9000.0)
    q0 = float(np.clip(ratio / (2 * delta), lo, hi))
    ratio = 2 * q0 * delta
    x1 = min(zmin * ratio, 120.0)
    q = q0 * np.exp(sp["q"] * rng.standard_normal(n))
    k2 = x1 * slope * delta
    notch = kinds == NOTCH
    # pass-reject cavities: loops net inductive with a bridging capacitor when the zero lies below, else the dual
    r0 = slope / (2 * q0)
    x1p = float(rng.uniform(10, 32))
    qp, k2p, bx = _pass_reject_start(x1p, per_loss, per_rej, 2 * lo * delta, 2 * hi * delta)
    q = np.where(notch, q, q / q0 * qp / (2 * delta))
    k2p_n = k2p * slope * delta
    by_coil = np.full(n, sgn > 0) & ~notch
    c_bridge = np.where(~notch & ~by_coil, bx / (x1p * om), 0.0)
    l_bridge = np.where(by_coil, x1p / (bx * om), 0.0)
    stub = np.where(notch, rng.uniform(0.012, 0.05) * min(1.0, 2.2e8 / fp), 0.0)
    lvf = rng.choice([0.66, 0.695, 0.78, 0.85])
    xst = Z0 * np.tan(om * stub / (C0 * lvf))
    l_tee = np.where(notch, 1.2e-9 * min(1.0, 2e8 / fp), 0.0)
    xn = sgn * x1 - xst - om * l_tee
    # loop: coil alone when it suffices, else coil and series capacitor
    xl = np.where(xn > 12, xn, rng.uniform(18, 32))
    elast = np.where(notch & (xn <= 12), (xl - xn) * om, 0.0)
    xlp = rng.uniform(14, 24)
    elast = np.where(by_coil, (xlp + x1p) * om, elast)
    f_self = fp * rng.uniform(5, 9)
    xl = np.where(notch, xl, np.where(by_coil, xlp, x1p)) * (1 - (fp / f_self) ** 2)
    kk = np.sqrt(np.where(notch, k2, k2p_n)) / om
    lam = C0 * lvf / fp
    skin = 0.0042 * rng.uniform(0.7, 1.4) * sp["cable_loss"]
    m_ap: Fl = np.zeros(n)
    style = "chain"
    mend = kk.copy()
    if kind == "band-pass":
        style = "bandpass"
        ripple = 0.03
        beta = math.log(1 / math.tanh(ripple / 17.37))
        gam = math.sinh(beta / (2 * n))
        a = [math.sin((2 * i - 1) * math.pi / (2 * n)) for i in range(1, n + 1)]
        b = [gam**2 + math.sin(i * math.pi / n) ** 2 for i in range(1, n + 1)]
        g = [2 * a[0] / gam]
        for i in range(1, n):
            g.append(4 * a[i - 1] * a[i] / (b[i - 1] * g[i - 1]))
        depth = (sp["rej_db"] + 6 + 15) / 20
        w = 2 * delta / math.cosh(math.acosh(10**depth) / n)
        q = np.clip(4.34 * sum(g) / (w * max(0.3, sp["loss_db"] - 0.25)), 900, 12000) * np.exp(
            sp["q"] * rng.standard_normal(n)
        )
        x = slope[0] / 2
        mend = one * math.sqrt(Z0 * x * w / g[0]) / om
        for i in range(n - 1):
            m_ap[i] = x * w / math.sqrt(g[i] * g[i + 1]) / om
        xl = one * rng.uniform(8, 16)
        kinds = kinds * 0 + PASSREJ
        elast, c_bridge, l_bridge, stub, l_tee = one * 0, one * 0, one * 0, one * 0, one * 0
        notch = kinds == NOTCH
    cpl = np.exp(sp["coupling"] * rng.standard_normal(n))
    cpl2 = np.exp(0.3 * sp["coupling"] * rng.standard_normal(n))
    pitch_rel = min(0.0012, max(0.0003, 0.12 * delta)) * rng.uniform(0.8, 1.25)
    pitch = length * pitch_rel
    pull = np.zeros((n, n))
    for i in range(n - 1):
        pull[i, i + 1] = rng.normal(0, sp["pull"])
        pull[i + 1, i] = rng.normal(0, sp["pull"])
    con = sp["connector"] * min(1.0, 2.5e8 / fp)
    line = np.full(n + 1, 0.25 * lam)
    line[0], line[-1] = 0.22 * lam, rng.uniform(0.1, 0.3)
    return Side(
        style=style,
        kinds=kinds,
        f_pass=fp,
        f_rej=fr,
        zc=zc,
        vf=vf,
        length=length,
        q=q,
        r_short=0.04 * r0 * rng.uniform(0.3, 2.0, n),
        c_fix=0.6 * cend,
        c_rod=0.4 * cend,
        gap=pitch * rng.uniform(45, 90),
        pitch=pitch,
        wobble=sp["wobble"] * rng.uniform(0.2, 1.5, n),
        wphase=rng.uniform(0, 2 * np.pi, n),
        turns=rng.uniform(-sp["turns"], sp["turns"], n),
        pull=pull,
        cover=np.zeros(n),
        l1=xl / om * one,
        l2=np.where(notch, 1e-9, xl / om * cpl2),
        m1=mend * cpl,
        m2=np.where(notch, 0.0, mend * cpl * cpl2),
        rot=one.copy(),
        f_self=f_self * one,
        m_slope=rng.uniform(-0.3, 0.4) * one,
        r_loop=rng.uniform(0.01, 0.04) * one,
        elast=elast * one,
        c_bridge=c_bridge * one,
        l_bridge=l_bridge * one,
        q_bridge=rng.uniform(600, 1500) * one,
        stub=stub * one,
        l_tee=l_tee * one,
        c_tee=np.where(notch, 0.5e-12 * con, 0.0),
        line=line,
        line_vf=np.full(n + 1, lvf),
        line_z=Z0 * (1 + 0.012 * rng.standard_normal(n + 1)),
        skin=np.full(n + 1, skin),
        diel=np.full(n + 1, 0.0006),
        l_con=con * rng.uniform(0.2e-9, 0.9e-9, n + 1),
        c_con=con * rng.uniform(0.1e-12, 0.5e-12, n + 1),
        m_ap=m_ap,
        t_rod=(rng.uniform(2e-6, 12e-6) if not helical else 14e-6) * one * rng.uniform(0.8, 1.2, n),
        t_cap=rng.uniform(-25e-6, 15e-6, n),
        t_bridge=rng.normal(0, 30e-6, n),
        t_line=float(rng.uniform(-6e-5, 1e-5)),
    )


def make(kind: str, low_hz: float, high_hz: float, cavities: int, rng: np.random.Generator, **spread: float) -> Unit:
    """A fresh, untuned unit.  Spread keys and defaults: see SPREAD."""
    if kind not in KINDS:
        raise ValueError(f"kind must be one of {KINDS}")
    sp = {**SPREAD, **spread}
    sides = {k: _side(kind, k, low_hz, high_hz, cavities, rng, sp) for k in ("L", "H")}
    con = sp["connector"] * min(1.0, 2.5e8 / low_hz)
    tee = Tee(
        l_arm=con * rng.uniform(0.3e-9, 1.0e-9, 3),
        c_mid=con * 0.6e-12,
        line=float(rng.uniform(0.03, 0.12)),
        vf=0.695,
        skin=0.0045,
        diel=0.0006,
        l_con=con * 0.4e-9,
        c_con=con * 0.3e-12,
    )
    u = Unit(kind, low_hz, high_hz, sides, tee, seed=int(rng.integers(1 << 31)))
    u.tee.l_arm = u.tee.l_arm * 1.0
    return u


def _first_line(u: Unit, side: str) -> None:
    """Choose the cable from the tee so that the side looks open there at its rejected channel."""
    s = u.sides[side]
    lam = C0 * s.line_vf[0] / s.f_rej
    best, keep = np.inf, s.line[0]
    for x in np.linspace(0.06, 0.56, 51):
        s.line[0] = x * lam
        a, b, c, d = el.side_chain(s, np.array([s.f_rej], dtype=complex), 0.0)
        la = 2j * np.pi * s.f_rej * u.tee.l_arm[1 if side == "L" else 2]
        y = abs((c + d / Z0) / (a + b / Z0 + la * (c + d / Z0)))[0]
        if y < best:
            best, keep = y, s.line[0]
    s.line[0] = keep


def _zero_cost(s: Side) -> Callable[[Fl], Fl]:
    """Match of single pass-reject cavities at the pass channel, as function of log bridge and log coupling."""
    base_c, base_l, base_r = s.c_bridge.copy(), s.l_bridge.copy(), s.rot.copy()
    pick = s.kinds == PASSREJ
    f = np.array([s.f_pass], dtype=complex)

    def cost(x: Fl) -> Fl:
        s.c_bridge, s.l_bridge, s.rot = base_c * np.exp(2 * x[: s.n]), base_l * np.exp(2 * x[: s.n]), base_r
        lock_zeros(s, np.full(s.n, s.f_rej))
        out = [0.02 * x]
        for i, (a, b, c, d) in enumerate(el.cavity_chains(s, f, 0.0)):
            if pick[i]:
                t = a + b / Z0 + c * Z0 + d
                g = ((a + b / Z0 - c * Z0 - d) / t)[0]
                out.append(np.array([g.real, g.imag, 0.3 * (1 - abs(2 / t[0]))]))
        return np.concatenate(out)

    return cost


def tune(fresh: Unit, scatter_hz: float | None = None, harness: float = 0.02, rej_db: float = 80.0) -> Unit:
    """Tune: cut the harness, set loops and bridges, put the zeros on the reject channels within a scatter."""
    u = fresh.copy()
    rng = np.random.default_rng(u.seed)
    gap = u.high_hz - u.low_hz
    if scatter_hz is None:
        scatter_hz = min(25e3, gap * float(rng.uniform(0.002, 0.012)))
    ls, hs = u.sides["L"], u.sides["H"]
    for k, s in u.sides.items():
        if s.style == "chain":
            lock_zeros(s, np.full(s.n, s.f_rej))
            if np.any(s.kinds == PASSREJ):
                fun = _zero_cost(s)
                fun(lm(fun, np.zeros(s.n), 15, 0.8))
        else:
            s.turns = s.turns * 0
        _first_line(u, k)
    base = u.copy()
    n = u.cavities
    f = np.concatenate([c + np.array([-0.02, 0.0, 0.02]) * gap for c in (u.low_hz, u.high_hz)])
    chain = ls.style == "chain"

    def apply(x: Fl, cables: bool) -> None:
        i = 0
        for k, s in u.sides.items():
            b = base.sides[k]
            if cables:
                s.line = b.line.copy()
                s.line[:-1] = b.line[:-1] * np.exp(x[i : i + n])
                i += n
            s.rot = b.rot * np.exp(x[i : i + n])
            i += n
            if chain:
                if np.any(s.kinds == PASSREJ):
                    s.c_bridge, s.l_bridge = b.c_bridge * np.exp(x[i : i + n]), b.l_bridge * np.exp(x[i : i + n])
                    i += n
                lock_zeros(s, np.full(n, s.f_rej))
            else:
                s.turns = b.turns + 10 * x[i : i + n]
                s.m_ap = b.m_ap * np.exp(x[i + n : i + 2 * n])
                i += 2 * n

    def size(cables: bool) -> int:
        per = [
            n + (n if cables else 0) + (2 * n if not chain else n if np.any(s.kinds == PASSREJ) else 0)
            for s in (ls, hs)
        ]
        return sum(per)

    def cost(x: Fl, cables: bool) -> Fl:
        apply(x, cables)
        m = u.s(f)
        r = np.concatenate([m[:3, 1, 1], m[3:, 2, 2], m[:3, 0, 0], m[3:, 0, 0]])
        db = -20 * np.log10(np.abs(m) + 1e-12)
        rej = np.concatenate([db[3:, 0, 1], db[:3, 0, 2]])
        loss = np.concatenate([db[:3, 0, 1], db[3:, 0, 2]])
        return np.concatenate(
            [
                r.real,
                r.imag,
                0.02 * np.maximum(0, rej_db - rej),
                0.01 * np.maximum(0, rej - rej_db - 4),
                0.2 * loss,
                0.05 * x,
            ]
        )

    x = lm(lambda v: cost(v, True), np.zeros(size(True)), 14)
    apply(x, True)
    for s in u.sides.values():  # the cables come out a little wrong; the trimmers take up what they can
        s.line[:-1] *= 1 + harness * rng.standard_normal(n)
    base = u.copy()
    x = lm(lambda v: cost(v, False), np.zeros(size(False)), 6, 0.3)
    apply(x, False)
    care = float(rng.uniform(0.3, 1.6))  # a technician stops when it is good enough
    for s in u.sides.values():
        s.rot = s.rot * (1 + 0.02 * care * rng.standard_normal(n))
        s.line[:-1] *= 1 + 0.012 * care * rng.standard_normal(n)
        if not chain:
            s.turns = s.turns + 0.02 * care * rng.standard_normal(n)
    if chain:
        for s in u.sides.values():
            lock_zeros(s, s.f_rej + scatter_hz * rng.standard_normal(n))
    return u


def plausible(fig: dict[str, float]) -> bool:
    """Loss 0.5-2 dB, rejection 65-110 dB, return loss of at least 12 dB."""
    return (
        all(
            0.5 <= fig[f"loss_{k}"] <= 2.0 and 65 <= fig[f"rej_{k}"] <= 110 and fig[f"rl_{k}"] >= 12 for k in ("L", "H")
        )
        and min(fig["rl_A_low"], fig["rl_A_high"]) >= 11
    )
