"""Owns the grid of test cases: deterministic, stratified over kind, cavities, pair, floor, errors, leak, hook-up."""

from __future__ import annotations

import dataclasses
import functools
from collections import Counter
from collections.abc import Iterator, Sequence

import numpy as np

from .bench import Bench
from .elements import Fl
from .unit import Unit, load, names

HOOKUPS = ("A>L", "A>H", "L>A", "H>A", "L>H", "H>L")
ERRORS = (
    "none",
    "load",
    "antenna",
    "mismatch",
    "jitter",
    "ripple",
    "compression",
    "quantisation",
    "bursts",
    "carrier",
    "carrier-beside",
    "screw",
    "drift",
    "pads",
    "usual",
    "usual-hard",
)
LEAKS = (
    "none",
    "surveyed",
    "surveyed-moved",
    "unsurveyed-100",
    "unsurveyed-90",
    "unsurveyed-80",
    "unsurveyed-70",
    "unsurveyed-60",
)
FLOORS = (-60.0, -66.0, -72.0, -78.0, -84.0, -90.0, -94.0)


@functools.lru_cache(maxsize=256)
def _kept(name: str) -> Unit:
    return load(name)


def draw_errors(label: str, unit: Unit, side: str, averages: int, rng: np.random.Generator) -> dict[str, object]:
    """Numbers for an error set; `side` is the side measured (events and carriers are placed on it)."""
    if label in ("usual", "usual-hard"):
        out: dict[str, object] = {}
        for part in ("load", "mismatch", "jitter", "ripple", "compression", "quantisation"):
            out |= draw_errors(part, unit, side, averages, rng)
        if label == "usual-hard":
            out |= draw_errors("bursts", unit, side, averages, rng) | draw_errors("drift", unit, side, averages, rng)
        return out
    ph = float(rng.uniform(0, 2 * np.pi))
    rej = unit.sides[side].f_rej
    gap = unit.high_hz - unit.low_hz
    if label == "load":
        return {
            "load_db": float(rng.uniform(15, 35)),
            "load_delay": float(rng.uniform(0.5e-9, 12e-9)),
            "load_phase": ph,
        }
    if label == "antenna":
        return {
            "load_db": float(rng.uniform(12, 22)),
            "load_delay": float(rng.uniform(5e-9, 60e-9)),
            "load_phase": ph,
            "load_kind": "antenna",
        }
    if label == "mismatch":
        return {
            "match1_db": float(rng.uniform(18, 35)),
            "match1_delay": float(rng.uniform(0.3e-9, 8e-9)),
            "match1_phase": ph,
            "match2_db": float(rng.uniform(14, 32)),
            "match2_delay": float(rng.uniform(0.3e-9, 8e-9)),
            "match2_phase": float(rng.uniform(0, 6.28)),
            "directivity_db": float(rng.uniform(28, 45)),
        }
    if label == "jitter":
        return {"gain_jitter_db": float(rng.uniform(0.003, 0.05)), "phase_drift_deg": float(rng.uniform(0.02, 0.6))}
    if label == "ripple":
        return {
            "ripple_db": float(rng.uniform(0.02, 0.3)),
            "ripple_phase": ph,
            "ripple_period_hz": 2e8 / 2 / float(rng.uniform(0.5, 5.0)),
        }
    if label == "compression":
        return {"compression_db": float(rng.uniform(0.02, 0.1))}
    if label == "quantisation":
        if rng.random() < 0.5:
            return {"quant_linear": float(10.0 ** rng.integers(-7, -4))}
        return {"quant_db": float(rng.choice([0.001, 0.01, 0.1])), "quant_deg": float(rng.choice([0.01, 0.1]))}
    if label == "bursts":
        return {"burst_rate": float(10 ** rng.uniform(-3, -1.7)), "burst_db": float(rng.uniform(-75, -35))}
    if label in ("carrier", "carrier-beside"):
        off = 0.0 if label == "carrier" else float(rng.choice([-1, 1]) * rng.uniform(0.02, 0.2)) * gap
        return {
            "carrier_hz": rej + off,
            "carrier_db": float(rng.uniform(-95, -60)),
            "carrier_width_hz": float(rng.choice([1e3, 3e3, 10e3])),
        }
    if label == "screw":
        return {
            "screw_at": int(rng.integers(1, max(2, averages))),
            "screw_side": side,
            "screw_number": int(rng.integers(1, unit.cavities + 1)),
            "screw_turns": float(rng.choice([-1, 1]) * rng.uniform(0.02, 0.3)),
            "screw_share": float(rng.choice([0.0, rng.uniform(0.1, 0.9)])),
        }
    if label == "drift":
        return {"drift_k": float(rng.choice([-1, 1]) * rng.uniform(0.5, 8)), "drift_sweeps": float(averages) / 2}
    if label == "pads":
        return {
            "pad1_db": float(rng.choice([0, 3, 6, 10])),
            "pad2_db": float(rng.choice([3, 6, 10])),
            "pads_in_cal": bool(rng.random() < 0.7),
        } | draw_errors("mismatch", unit, side, averages, rng)
    return {}


@dataclasses.dataclass(frozen=True)
class Case:
    """One test case; everything follows from these fields."""

    number: int
    unit_name: str
    kind: str
    cavities: int
    low_hz: float
    high_hz: float
    hookup: str
    floor_avg_db: float  # of the mean of `averages` sweeps
    averages: int
    errors: str
    leak: str
    detune: float  # rms turns away from the tuned state
    dtemp: float
    seed: int

    @property
    def side(self) -> str:
        """The side measured (of L>H the side of port 2)."""
        return next(p for p in reversed(self.hookup.split(">")) if p != "A")

    @property
    def surveyed(self) -> bool:
        """Whether a survey of the leak may be taken."""
        return self.leak.startswith("surveyed")

    @property
    def floor_sweep_db(self) -> float:
        """Floor of a single sweep."""
        return self.floor_avg_db + 10 * float(np.log10(self.averages))

    def build(self) -> Bench:
        """The bench of this case, always the same from the same seed."""
        rng = np.random.default_rng(self.seed)
        u = _kept(self.unit_name).copy()
        u.dtemp += self.dtemp
        for s in u.sides.values():
            s.turns = s.turns + self.detune * rng.standard_normal(s.n)
        kw = draw_errors(self.errors, u, self.side, self.averages, rng)
        if self.leak != "none":
            level = float(rng.uniform(-95, -62)) if self.surveyed else float(self.leak.split("-")[1]) * -1
            kw |= {
                "leak_db": level,
                "leak_delay": float(rng.uniform(1e-9, 20e-9)),
                "leak_phase": float(rng.uniform(0, 6.28)),
                "leak_second": float(rng.choice([0.0, 0.3])),
            }
            if self.leak == "surveyed-moved":
                kw["leak_change"] = float(rng.uniform(0.02, 0.2))
        return Bench(u, self.hookup, rng, floor_db=self.floor_sweep_db, **kw)

    def freqs(self, points: int = 401, margin: float = 0.6) -> Fl:
        """Sweep over both channels with a margin in pair separations."""
        gap = self.high_hz - self.low_hz
        return np.linspace(self.low_hz - margin * gap, self.high_hz + margin * gap, points)

    def notch_freqs(self, points: int = 201, width: float = 0.3) -> Fl:
        """Narrow sweep around the rejected channel of the measured side."""
        gap = self.high_hz - self.low_hz
        mid = self.high_hz if self.side == "L" else self.low_hz
        return np.linspace(mid - width * gap, mid + width * gap, points)


def _balanced(values: Sequence[str], n: int, rng: np.random.Generator) -> list[str]:
    out = [values[i % len(values)] for i in range(n)]
    return [out[i] for i in rng.permutation(n)]


def grid(n: int, seed: int, kinds: Sequence[str] | None = None) -> Iterator[Case]:
    """n cases; each axis is balanced, units are drawn so that pairs and cavities stay balanced too."""
    rng = np.random.default_rng(seed)
    pool: dict[str, list[tuple[str, str, int]]] = {}
    for name in names():
        kind, pair, cav = name.rsplit("_", 2)
        if kinds is None or kind in kinds:
            pool.setdefault(kind, []).append((name, pair, int(cav)))
    if not pool:
        raise ValueError("no tuned units of these kinds")
    axes = [
        _balanced(sorted(pool), n, rng),
        _balanced(HOOKUPS, n, rng),
        _balanced(ERRORS, n, rng),
        _balanced(LEAKS, n, rng),
        _balanced([str(f) for f in FLOORS], n, rng),
        _balanced(["1", "4", "8", "16", "32"], n, rng),
        _balanced(["0", "0", "0.02", "0.1"], n, rng),
    ]
    used: Counter[str] = Counter()
    for number, (kind, hook, err, leak, floor, avg, det) in enumerate(zip(*axes, strict=True)):
        cost = [(3 * used[u[0]] + used[u[1]] + used[f"n{u[2]}"] + 0.5 * float(rng.random()), u) for u in pool[kind]]
        name, pair, cavities = min(cost)[1]
        used.update([name, pair, f"n{cavities}"])
        unit = _kept(name)
        averages = int(avg) if err not in ("screw", "drift") else max(8, int(avg))
        yield Case(
            number,
            name,
            kind,
            cavities,
            unit.low_hz,
            unit.high_hz,
            hook,
            float(np.clip(float(floor) + rng.uniform(-2, 2), -94, -60)),
            averages,
            err,
            leak,
            float(det),
            float(rng.choice([0.0, 0.0, -6.0, 9.0])),
            int(rng.integers(1 << 31)),
        )
