"""Owns the Unit: two sides on a tee, its three-port S matrix, its screws, its true zeros and its file form."""

from __future__ import annotations

import dataclasses
import functools
import json
import pathlib
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from . import elements as el
from .elements import Z0, Cx, Fl, Side

PORTS = ("A", "L", "H")


@dataclasses.dataclass
class Tee:
    """Antenna junction and the short cable to port A."""

    l_arm: Fl  # series inductance of the arms A, L, H
    c_mid: float
    line: float
    vf: float
    skin: float
    diel: float
    l_con: float
    c_con: float


@dataclasses.dataclass
class Unit:
    """A duplexer: side "L" passes low_hz and rejects high_hz, side "H" the other way round."""

    kind: str
    low_hz: float
    high_hz: float
    sides: dict[str, Side]
    tee: Tee
    name: str = ""
    dtemp: float = 0.0  # kelvin away from the tuning temperature
    seed: int = 0

    @property
    def cavities(self) -> int:
        """Cavities a side."""
        return self.sides["L"].n

    def copy(self) -> Unit:
        """Deep copy."""
        return dataclasses.replace(
            self,
            sides={k: v.copy() for k, v in self.sides.items()},
            tee=dataclasses.replace(self.tee, l_arm=self.tee.l_arm.copy()),
        )

    def _arm_a(self, f: Cx) -> el.Chain:
        t = self.tee
        one = np.ones(1)
        dt = 1 + self.sides["L"].t_line * self.dtemp
        gl = el.cable_exponent(f, one * t.line * dt, one * t.vf, one * t.skin, one * t.diel)
        a, b, c, d = el.line_chain(gl, Z0)
        zs, ys = 2j * np.pi * f * t.l_con, 2j * np.pi * f * t.c_con
        b, d = b + a * zs, d + c * zs
        return a + b * ys, b, c + d * ys, d

    def s(self, freq_hz: ArrayLike) -> Cx:
        """S matrix (K, 3, 3), ports A, L, H at 50 ohm.

        Each arm is a chain matrix from the tee to its port.  With p = A + B/Z0, m = A - B/Z0 and
        r = C + D/Z0 of an arm, S_kj = 2 / (Z0 p_k p_j sum(Y)) - delta_kj m_k / p_k  (Matthaei ch. 16; node
        equation at the junction).
        """
        f = np.atleast_1d(np.asarray(freq_hz, dtype=complex))
        jw = 2j * np.pi * f
        arms = [self._arm_a(f)] + [el.side_chain(self.sides[k], f, self.dtemp) for k in ("L", "H")]
        ps: list[Cx] = []
        ms: list[Cx] = []
        ysum: Cx = jw * self.tee.c_mid
        for la, (a0, b0, c, d) in zip(self.tee.l_arm, arms, strict=True):
            a, b = a0 + jw * la * c, b0 + jw * la * d
            p = a + b / Z0
            ysum = ysum + (c + d / Z0) / p
            ps.append(p)
            ms.append((a - b / Z0) / p)
        out = np.empty((f.size, 3, 3), dtype=complex)
        for i in range(3):
            for j in range(i, 3):
                v = 2.0 / (Z0 * ysum * ps[i] * ps[j])
                out[:, i, j] = v - ms[i] if i == j else v
                out[:, j, i] = out[:, i, j]
        return out

    def turn(self, side: str, number: int, turns: float) -> None:
        """Turn screw `number` (1 is next to the antenna) inwards; inwards lowers the frequency."""
        s = self.sides[side]
        if not 1 <= number <= s.n:
            raise ValueError(f"side {side} has screws 1..{s.n}")
        s.turns[number - 1] += turns

    def cover(self, side: str, number: int, opened: float) -> None:
        """Open (1) or close (0) a cavity's cover: detunes it and costs Q."""
        self.sides[side].cover[number - 1] = opened

    def zeros_hz(self, side: str) -> Cx:
        """Complex transmission zeros of a side, one a cavity, in cavity order; empty for a band-pass side."""
        s = self.sides[side]
        if s.style == "bandpass":
            return np.zeros(0, dtype=complex)
        x: Cx = np.full((s.n, 1), s.f_rej, dtype=complex)
        step = 1e-7 * s.f_rej
        for _ in range(60):
            g0 = el.zero_function(s, x, self.dtemp)
            slope = (el.zero_function(s, x + step, self.dtemp) - g0) / step
            dx = -g0 / slope
            lim = 0.004 * s.f_rej
            dx = dx * np.minimum(1.0, lim / np.maximum(np.abs(dx), 1e-30))
            x = x + dx
            if np.max(np.abs(dx)) < 1e-12 * s.f_rej:
                break
        return x[:, 0]

    def mean_zero_hz(self, side: str) -> float:
        """Mean of the real parts of the zeros: the true place of the notch."""
        return float(np.mean(self.zeros_hz(side).real))

    def khz_per_turn(self, side: str, number: int, step: float = 0.05) -> float:
        """Local slope of the cavity's own zero against its screw."""
        u, v = self.copy(), self.copy()
        u.turn(side, number, step)
        v.turn(side, number, -step)
        d = u.zeros_hz(side)[number - 1] - v.zeros_hz(side)[number - 1]
        return float(d.real) / (2 * step) / 1e3

    def lossless(self) -> Unit:
        """Copy without any loss, for checks."""
        u = self.copy()
        for s in u.sides.values():
            s.q = np.full(s.n, np.inf)
            s.q_bridge = np.full(s.n, np.inf)
            for k in ("r_short", "r_loop", "skin", "diel"):
                setattr(s, k, getattr(s, k) * 0)
        u.tee.skin = u.tee.diel = 0.0
        return u

    def tuned(self, scatter_hz: float | None = None) -> Unit:
        """A tuned copy of a fresh unit (see design.tune)."""
        from . import design

        return design.tune(self, scatter_hz)

    def figures(self) -> dict[str, float]:
        """Loss, rejection and return loss of both sides in dB at the channels, and -20 dB-relative notch widths."""
        m = self.s([self.low_hz, self.high_hz])
        db = 20 * np.log10(np.abs(m) + 1e-30)
        out = {
            "loss_L": -float(db[0, 0, 1]),
            "loss_H": -float(db[1, 0, 2]),
            "rej_L": -float(db[1, 0, 1]),
            "rej_H": -float(db[0, 0, 2]),
            "rl_L": -float(db[0, 1, 1]),
            "rl_H": -float(db[1, 2, 2]),
            "rl_A_low": -float(db[0, 0, 0]),
            "rl_A_high": -float(db[1, 0, 0]),
            "iso_low": -float(db[0, 1, 2]),
            "iso_high": -float(db[1, 1, 2]),
        }
        gap = self.high_hz - self.low_hz
        for side, fr, j in (("L", self.high_hz, 1), ("H", self.low_hz, 2)):
            f = np.linspace(fr - gap / 2, fr + gap / 2, 801)
            v = -20 * np.log10(np.abs(self.s(f)[:, 0, j]) + 1e-30)
            for depth in (60, 75):
                out[f"width{depth}_{side}_khz"] = float(np.sum(v >= depth) * (f[1] - f[0]) / 1e3)
        return out

    # ---- file form
    def to_json(self) -> str:
        """Parameters as text."""

        def enc(v: Any) -> Any:
            return [float(f"{x:.9g}") for x in v.ravel()] if isinstance(v, np.ndarray) else v

        d: dict[str, Any] = {k: getattr(self, k) for k in ("kind", "low_hz", "high_hz", "name", "dtemp", "seed")}
        d["tee"] = {f.name: enc(getattr(self.tee, f.name)) for f in dataclasses.fields(self.tee)}
        d["sides"] = {
            k: {f.name: enc(getattr(s, f.name)) for f in dataclasses.fields(s)} for k, s in self.sides.items()
        }
        return json.dumps(d, separators=(",", ":"))

    @staticmethod
    def from_json(text: str) -> Unit:
        """Inverse of to_json."""
        d = json.loads(text)

        def dec(v: Any) -> Any:
            return np.array(v, dtype=float) if isinstance(v, list) else v

        sides: dict[str, Side] = {}
        for k, raw in d["sides"].items():
            kw = {n: dec(v) for n, v in raw.items()}
            n = kw["zc"].size
            kw["pull"] = kw["pull"].reshape(n, n)
            sides[k] = Side(**kw)
        return Unit(
            d["kind"],
            d["low_hz"],
            d["high_hz"],
            sides,
            Tee(**{k: dec(v) for k, v in d["tee"].items()}),
            d["name"],
            d["dtemp"],
            d["seed"],
        )


def book() -> pathlib.Path:
    """The file of the kept tuned units, one a line."""
    return pathlib.Path(__file__).parent / "units.jsonl"


@functools.lru_cache(maxsize=1)
def _lines() -> dict[str, str]:
    lines = book().read_text().splitlines() if book().exists() else []
    return {str(json.loads(line)["name"]): line for line in lines}


def names() -> list[str]:
    """Names of all tuned units kept in the package."""
    return sorted(_lines())


def load(name: str) -> Unit:
    """A tuned unit by name (a fresh object each time)."""
    return Unit.from_json(_lines()[name])


def keep(units: dict[str, Unit]) -> None:
    """Write the kept units anew, all of them."""
    book().write_text("".join(units[name].to_json() + "\n" for name in sorted(units)))
    _lines.cache_clear()
