"""How often the intervals of resonators and cavities hold the truth, over circuits drawn at random: order, width, Q,
tuning, leads, noise, and errors that a correction leaves as large as it says. The circuits are lumped elements, mutual
inductances and lines in chain matrices (protocol.simulated.cavity) that share no code with the fit.

Takes seconds for hundreds of circuits, so it runs with the long tests; the rates stand in docs/figures.md.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import partial

import numpy as np
import pytest

from protocol.simulated.cavity import SingleCavity, coupled, scattering
from rf.resonators.band_figures import band_figures
from rf.resonators.cavity_figures import notch_cavity, pass_cavity
from rf.resonators.circuit import ripple_elements
from rf.resonators.coupled_fit import Errors, Swept, fit_coupled
from rf.resonators.notch_fit import fit_notch
from rf.values.figure import Figure

STATED = Errors(0.3, 35.0, 25.0, 1e-6)
"""What the correction says that it leaves; each error is drawn so that it is larger in 5 of 100 cases."""


@dataclass
class Count:
    held: int = 0
    told: int = 0

    def add(self, figure: Figure, truth: float) -> None:
        if figure.known:
            self.told += 1
            self.held += figure.low <= truth <= figure.high

    @property
    def rate(self) -> float:
        return self.held / max(self.told, 1)


class Bench:
    """One analyzer: errors that stay, noise that does not."""

    def __init__(self, rng: np.random.Generator, f: np.ndarray) -> None:
        self.rng, self.f = rng, f
        self.directivity = self.vector(35.0) * np.exp(-2j * np.pi * (f - f[0]) * rng.uniform(0, 3e-10))
        self.source, self.load = self.vector(35.0), self.vector(25.0)
        self.gain = 10 ** (rng.normal(0.0, 0.3 / 1.96) / 20)
        self.back = 10 ** (rng.normal(0.0, 0.3 / 1.96) / 20)
        self.noise = 10 ** (-rng.uniform(65.0, 95.0) / 20)

    def vector(self, stated_db: float) -> complex:
        return 10 ** (-stated_db / 20) / 2.45 * complex(*self.rng.normal(size=2))

    def swept(self, s: np.ndarray) -> Swept:
        s11, s21, s22 = s[:, 0, 0], s[:, 1, 0], s[:, 1, 1]
        loop = 1.0 - self.source * s11 - self.load * s22
        lead = np.exp(-2j * np.pi * (self.f - self.f[0]) * self.rng.uniform(0, 3e-10) - 1j * self.rng.uniform(0, 6.28))

        def noise() -> np.ndarray:
            return self.noise * (self.rng.normal(size=(2, self.f.size)).T @ np.array([1, 1j])) / math.sqrt(2.0)

        seen11 = self.directivity + self.back * (s11 - self.load * (s11 * s22 - s21**2)) * lead / loop + noise()
        power = np.full(self.f.size, self.noise**2)
        return Swept(self.f, seen11, self.gain * s21 * lead / loop + noise(), power, power)


def circuit(
    f: np.ndarray, *, f_i: list[float], unloaded: float, k: list[float], q_in: float, q_out: float
) -> np.ndarray:
    return scattering(coupled(f, f_i, [unloaded] * len(f_i), k, q_in, q_out))


def bands(draws: int, seed: int) -> dict[str, Count]:
    rng = np.random.default_rng(seed)
    names = ("resonator", "coupling", "external Q in", "external Q out", "unloaded Q", "centre", "bandwidth", "loss",
             "return loss", "rejection", "refused")  # fmt: skip
    found = {name: Count() for name in names}
    for _ in range(draws):
        order, centre = int(rng.integers(2, 7)), rng.choice([150e6, 450e6])
        width = centre * rng.uniform(0.003, 0.008)
        unloaded = rng.uniform(8.0, 30.0) * centre / width
        e = ripple_elements(order, rng.uniform(0.01, 0.3), centre, width, unloaded)
        k = e.k * rng.uniform(0.9, 1.1, order - 1)
        tuned = rng.random() < 0.3
        f_i = centre + rng.normal(0.0, 0.02 if tuned else 0.35, order) * width
        q_in, q_out = e.q_in * rng.uniform(0.8, 1.25), e.q_out * rng.uniform(0.8, 1.25)

        s_of = partial(circuit, f_i=list(f_i), unloaded=unloaded, k=list(k), q_in=q_in, q_out=q_out)

        f = np.linspace(centre - 4.0 * width, centre + 4.0 * width, 201)
        other = centre + 5.0 * width
        fit = fit_coupled(Bench(rng, f).swept(s_of(f)), order, STATED)
        told = band_figures(fit, order, centre, other, tee=False)
        found["refused"].told += 1
        found["refused"].held += bool(told.why)
        if told.why:
            continue
        for figure, truth in zip(told.offsets, f_i, strict=True):
            found["resonator"].add(figure, truth - centre)
        for figure, truth in zip(told.couplings, k, strict=True):
            found["coupling"].add(figure, truth * centre)
        found["external Q in"].add(told.external_q[0], q_in)
        found["external Q out"].add(told.external_q[1], q_out)
        found["unloaded Q"].add(told.unloaded_q, unloaded)
        fine = np.linspace(centre - 2.0 * width, centre + 2.0 * width, 8001)
        power = abs(s_of(fine)[:, 1, 0]) ** 2
        inside = fine[power >= power.max() / 2.0]
        found["centre"].add(told.centre, (inside[0] + inside[-1]) / 2.0)
        found["bandwidth"].add(told.bandwidth, inside[-1] - inside[0])
        at = s_of(np.array([centre, other]))
        found["loss"].add(told.loss, -20 * np.log10(abs(at[0, 1, 0])))
        found["return loss"].add(told.return_loss, -20 * np.log10(abs(at[0, 0, 0])))
        found["rejection"].add(told.rejection, -20 * np.log10(abs(at[1, 1, 0])))
    return found


def cavities(draws: int, seed: int) -> dict[str, Count]:
    rng = np.random.default_rng(seed)
    found = {f"{kind} {name}": Count() for kind in ("pass", "notch", "one port")
             for name in ("loaded Q", "unloaded Q", "external Q", "loss or depth", "refused")}  # fmt: skip
    for _ in range(draws):
        centre, unloaded = float(rng.choice([150e6, 450e6])), rng.uniform(1500.0, 8000.0)
        for kind in ("pass", "notch", "one port"):
            q_in, q_out = (unloaded / 10 ** rng.uniform(-0.3, 1.2) for _ in range(2))
            q_out = q_in if kind == "notch" else q_out
            # The loop's own reactance pulls f0 in the circuit, so places are not compared here.
            cavity = SingleCavity("notch" if kind == "notch" else "pass", centre, unloaded, q_in, q_out, 0.0,
                                  rng.uniform(0.0, 0.04))  # fmt: skip
            loaded = 1.0 / (1.0 / unloaded + 1.0 / q_in + (1.0 / q_out if kind == "pass" else 0.0))
            f = centre + np.linspace(-7.0, 7.0, 201) * centre / loaded
            s = cavity.s(f)
            if kind == "one port":
                s[:, 0, 0], s[:, 1, 0], s[:, 1, 1] = cavity.one_port(f), 0.0, 0.0
            swept = Bench(rng, f).swept(s)
            if kind == "notch":
                assert swept.s21 is not None
                told = notch_cavity(fit_notch(f, swept.s21, swept.power21, STATED))
                truth = 20 * np.log10(1.0 + unloaded / q_in)
            else:
                one = swept if kind == "pass" else Swept(f, swept.s11, None, swept.power11, swept.power21)
                told = pass_cavity(fit_coupled(one, 1, STATED))
                truth = -20 * np.log10(2.0 * loaded / math.sqrt(q_in * q_out))
            found[f"{kind} refused"].told += 1
            found[f"{kind} refused"].held += bool(told.why)
            if told.why:
                continue
            found[f"{kind} loaded Q"].add(told.loaded_q, loaded)
            found[f"{kind} unloaded Q"].add(told.unloaded_q, unloaded)
            found[f"{kind} external Q"].add(told.external_q[0], q_in)
            found[f"{kind} loss or depth"].add(told.depth if kind == "notch" else told.loss, float(truth))
    return found


@pytest.mark.long
def test_intervals_of_resonators_at_random_hold_the_truth() -> None:
    for name, count in {**bands(300, 31), **cavities(300, 37)}.items():
        if "refused" in name:
            assert count.rate < 0.05, (name, count)
        elif count.told:
            assert count.told >= 100 and count.rate >= 0.93, (name, count)
