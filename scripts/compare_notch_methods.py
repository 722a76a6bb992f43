"""Three ways to find a clipped notch, on the same data in one run: the lowest sample, vector fitting of the reference
library (scikit-rf), and the chain fit. Writes docs/notch-methods.md.

Run by hand: .venv/bin/python scripts/compare_notch_methods.py [DRAWS]
"""

from __future__ import annotations

import math
import os
import sys
import time
import warnings
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import skrf

sys.path.insert(0, str(Path(__file__).parents[1]))
from tests.benchtop import make_unit
from tests.rf.notch_trials import DISPLACED_HZ, complex_normal, fit, grid, response

HEAD = """# Where is a clipped notch? Three methods on the same data

Made by `scripts/compare_notch_methods.py`, {draws} draws a row, seed {seed}. Data: the study's three-port circuit
(`protocol/simulated/duplexer.py`, which shares no code with the fit), averaged sweeps of 401 points, complex Gaussian
noise at the stated averaged floor. "Off" is the rms distance from the true mean of the cavities' notches.

* **lowest sample**: the frequency of the deepest sample, as read off a screen.
* **vector fitting**: scikit-rf {version}, `VectorFitting` with a constant, with the number of complex pole pairs out of
  {pairs} that its own rms error likes best; the notch is the mean of the {zeros} zeros nearest to the channel.
* **chain fit**: `rf.notch.notch.find_notch`; "covered" is the share of its 95 % intervals that hold the truth.

| unit | floor, dB | lowest off, kHz | vector fitting off, kHz | chain fit off, kHz | covered | vf, ms | chain, ms |
|---|---|---|---|---|---|---|---|
"""
PAIRS = (2, 3, 4, 6)
SEED = 20


def vector_fit_place(f: np.ndarray, s21: np.ndarray, near_hz: float, count: int) -> float:
    """Mean of the `count` zeros nearest to the channel, NaN when the library gives up."""
    network = skrf.Network(f=f, f_unit="Hz", s=s21.reshape(-1, 1, 1))
    best = None
    for pairs in PAIRS:
        fitting = skrf.vectorFitting.VectorFitting(network)
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                fitting.vector_fit(n_poles_real=0, n_poles_cmplx=pairs, fit_constant=True, fit_proportional=False)
                error = fitting.get_rms_error()
        except Exception:
            continue
        if best is None or error < best[0]:
            best = (error, fitting)
    if best is None or best[1].constant_coeff[0] == 0:
        return math.nan
    # Zeros of d + sum r / (s - p) and conjugates: eigenvalues of A - b c / d in the usual state-space form.
    poles, residues, constant = best[1].poles, best[1].residues[0], best[1].constant_coeff[0]
    a = np.diag(np.concatenate((poles, poles.conj())))
    c = np.concatenate((residues, residues.conj()))
    zeros = np.linalg.eigvals(a - np.outer(np.ones(c.size), c) / constant)
    places = zeros.imag[zeros.imag > 0] / (2 * np.pi)
    if places.size < count:
        return math.nan
    return float(np.mean(places[np.argsort(np.abs(places - near_hz))[:count]]))


def row(name: str, floor_db: float, draws: int) -> str:
    rng = np.random.default_rng(SEED)
    unit = make_unit(name, DISPLACED_HZ[name])
    f, power = grid(unit, name), 10 ** (floor_db / 10)
    truth = float(np.mean(unit.notch_hz("L")))
    lowest, theirs, ours, held, spent = [], [], [], 0, [0.0, 0.0]
    for _ in range(draws):
        data = response(unit, f) + math.sqrt(power) * complex_normal(rng, f.size)
        lowest.append(f[np.argmin(np.abs(data))] - truth)
        began = time.perf_counter()
        theirs.append(vector_fit_place(f, data, unit.high_hz, len(unit.sides["L"])) - truth)
        spent[0] += time.perf_counter() - began
        began = time.perf_counter()
        found = fit(unit, f, data, power, relative_error=1e-4)
        spent[1] += time.perf_counter() - began
        ours.append(found.centre.value - truth)
        held += found.centre.low <= truth <= found.centre.high

    def rms(values: list[float]) -> str:
        return f"{np.sqrt(np.nanmean(np.square(values))) / 1e3:.3g}"

    times = [f"{1e3 * each / draws:.0f}" for each in spent]
    return (
        f"| {name} | {floor_db:.0f} | {rms(lowest)} | {rms(theirs)} | {rms(ours)} | {100 * held / draws:.0f} % "
        f"| {times[0]} | {times[1]} |"
    )


def main() -> None:
    draws = int(sys.argv[1]) if len(sys.argv) > 1 else 40
    rows = []
    for name, floors in (("U6", (-70.0, -82.0, -94.0)), ("V6", (-70.0, -82.0)), ("V4", (-70.0, -82.0))):
        for floor_db in floors:
            rows.append(row(name, floor_db, draws))
            print(rows[-1], flush=True)
    head = HEAD.format(draws=draws, seed=SEED, version=skrf.__version__, pairs=PAIRS, zeros="three (V4: two)")
    path = Path(__file__).parents[1] / "docs/notch-methods.md"
    *_, bound = path.read_text(encoding="utf-8").partition("\n## How near the bound\n")  # by scripts/place_bound.py
    kept = "\n## How near the bound\n" + bound if bound else ""
    path.write_text(head + "\n".join(rows) + "\n" + kept, encoding="utf-8")
    print(path)


if __name__ == "__main__":
    main()
