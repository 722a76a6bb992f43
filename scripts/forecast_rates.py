"""Forecasts of the analyzer against what simulated runs then take: how often the outcome lies within the interval.

    .venv/bin/python scripts/forecast_rates.py [CASES [SEED]]

Owns: drawing analyzers, units and times, and the count. Refuses: forecasts and figures of its own. Each case draws an
analyzer (floor, leak, pace), a unit and a time for the averages; the forecast is made from a card that knows the floor
to within half a decibel, then the runs are simulated without a wire and judged by the program's own figures.
"""

from __future__ import annotations

import dataclasses
import math
import sys
from collections import defaultdict
from dataclasses import dataclass
from typing import Any

import numpy as np

from protocol.simulated.duplexer import Duplexer
from protocol.sweep import SweepSettings
from rf.floor.ability import Ability
from rf.floor.pool import Bottom
from rf.values.decibel import amplitude, amplitude_db
from rf.values.figure import Kind
from tests.benchtop import exact, make_unit, take
from tests.visit.stations import site as load
from visit.day.instrument import KnownInstrument
from visit.day.side_forecast import SideForecast
from visit.figures.assessment import Assessment, Role
from visit.figures.assessor import Assessor
from visit.figures.known import Known
from visit.site.hookup import HookUp
from visit.site.site import Site

UNITS = {"U6": "demo-450", "V6": "demo-150", "V4": "demo-154", "P6": "demo-150"}
QUESTIONS = ("reading", "bound", "time of the bound", "proof in time", "place by its interval", "place by its error")


@dataclass(frozen=True, slots=True)
class Drawn:
    """One case: what is simulated, and what the card says of it."""

    unit: str
    site: Site
    options: dict[str, Any]
    known: KnownInstrument
    minutes: float


def drawn(rng: np.random.Generator) -> Drawn:
    """A case."""
    unit = str(rng.choice(list(UNITS)))
    floor, leak = float(rng.uniform(-88.0, -62.0)), float(rng.uniform(-110.0, -85.0)) if rng.random() < 0.4 else None
    options = {
        "floor_db": floor,
        "leakage_db": leak,
        "settling_s": float(rng.uniform(1e-4, 1e-3)),
        "bandwidth_factor": float(rng.uniform(0.8, 1.6)),
        "overhead_s": float(rng.uniform(0.01, 0.15)),
        "warm_up_db": 0.0,
        "gain_jitter": 3e-4,
    }
    bandwidths = (100.0, 300.0, 1000.0, 3000.0)
    seen = floor + float(rng.normal(0.0, 0.2))
    ability = Ability(
        tuple((hz, seen + 10.0 * math.log10(hz / 1000.0)) for hz in bandwidths),
        options["settling_s"],
        options["bandwidth_factor"],
        options["overhead_s"],
        bandwidths,
        (101, 201, 401),
        0.5,
        None if leak is None else amplitude(leak),
        leak is not None,
    )
    site = dataclasses.replace(load(UNITS[unit]), kind="pass-reject" if unit == "P6" else "band-reject")
    truth = -amplitude_db(float(abs(exact(make_unit(unit), [site.high_hz])[0])))
    goals = dataclasses.replace(site.goals, rejection_db=round(truth - 6.0, 1))
    return Drawn(
        unit,
        dataclasses.replace(site, goals=goals),
        options,
        KnownInstrument(ability),
        float(rng.choice([0.3, 1.0])),
    )


def run(case: Drawn, unit: Duplexer, settings: SweepSettings, sweeps: int, seed: int, known: Known) -> Assessment:
    """One simulated run, judged by the program."""
    assessor = Assessor(case.site, HookUp("A", "L"), planned=sweeps, known=known)
    how = {"points": settings.points, "bandwidth_hz": settings.bandwidth_hz, "seed": seed, **case.options}
    for sweep in take(unit, (settings.start_hz, settings.stop_hz), sweeps, **how):
        assessor.add(sweep)
    made = assessor.assess()
    assert made is not None
    return made


def silent(unit: Duplexer) -> Duplexer:
    """The same unit, letting nothing through at its notches."""
    for cavities in unit.sides.values():
        for cavity in cavities:
            cavity.resistance_ohm *= 1e-4
            cavity.unloaded_q *= 1e4
    return unit


def outcomes(case: Drawn, seed: int) -> dict[str, bool]:
    """Whether each outcome lies within its interval."""
    able = case.known.ability
    assert able is not None
    unit = make_unit(case.unit)
    q = unit.sides["L"][0].unloaded_q
    forecast = SideForecast.of(case.site, case.known, able, case.minutes, q)
    leak = able.leak if able.leak_found else None
    found: dict[str, bool] = {}

    wide = forecast.way("wide sweep")
    known = Known(leak if leak is not None else 1e-8, bandwidth_hz=wide.settings.bandwidth_hz)
    place, _ = forecast.place()
    if wide.sweeps >= 10:
        made = run(case, unit, wide.settings, wide.sweeps, seed, known)
        if made.notch is not None and made.notch.trusted and place.known:
            sd = (made.notch.centre.high - made.notch.centre.low) / 2.0 / 1.96
            found["place by its interval"] = place.low <= sd <= place.high
            true_hz = float(np.mean(unit.notch_hz("L")))
            found["place by its error"] = abs(made.notch.centre.value - true_hz) <= 1.96 * place.high
        bottom = made.notch.bottom() if made.notch is not None and made.notch.trusted else Bottom()
    else:
        bottom = Bottom()
    if not bottom.known:
        return found

    pool = forecast.way("pool")
    truth = -amplitude_db(float(abs(exact(unit, [case.site.high_hz])[0])))
    known = dataclasses.replace(known, bandwidth_hz=pool.settings.bandwidth_hz, bottoms=((case.site.high_hz, bottom),))
    if leak is None:  # a survey as long as the run found nothing
        limit = forecast.leak(able.power(pool.settings.bandwidth_hz) / pool.settings.points, max(pool.sweeps, 1))[1]
        known = dataclasses.replace(known, leakage=limit)
    if pool.sweeps >= 10:
        made = run(case, unit, pool.settings, pool.sweeps, seed + 1, known)
        reject = made.channel(Role.REJECT)
        assert reject is not None
        read = reject.transmission.kind is Kind.READING
        found["reading"] = truth <= pool.reads.high if read else truth >= pool.reads.low
        made = run(case, silent(make_unit(case.unit)), pool.settings, pool.sweeps, seed + 2, known)
        proven = made.proof.proven_db
        found["bound"] = proven is not None and pool.shows.low <= proven <= pool.shows.high
        early = max(
            round(pool.minutes.high * 60.0 / able.sweep_s(pool.settings.points, pool.settings.bandwidth_hz)), 10
        )
        if early <= pool.sweeps:
            made = run(case, silent(make_unit(case.unit)), pool.settings, early, seed + 3, known)
            found["time of the bound"] = (made.proof.proven_db or 0.0) >= pool.shows.low - 1.0

    proof = forecast.proof()
    if proof.setting is not None and proof.minutes.high <= 5.0:
        settings = dataclasses.replace(
            forecast.zoomed(), points=proof.setting.points, bandwidth_hz=proof.setting.bandwidth_hz
        )
        per_sweep = able.sweep_s(settings.points, settings.bandwidth_hz)
        sweeps = max(int(60.0 * proof.minutes.high / per_sweep), 10)
        if leak is None:
            known = dataclasses.replace(known, leakage=forecast.proof_leak(proof.spare_db))
        made = run(
            case, unit, settings, sweeps, seed + 4, dataclasses.replace(known, bandwidth_hz=settings.bandwidth_hz)
        )
        found["proof in time"] = (made.proof.proven_db or 0.0) >= case.site.goals.rejection_db
    return found


def rates(cases: int, seed: int) -> dict[str, tuple[int, int]]:
    """Question: how many outcomes lay within, of how many."""
    rng = np.random.default_rng(seed)
    counted: dict[str, list[bool]] = defaultdict(list)
    for number in range(cases):
        case = drawn(rng)
        for question, within in outcomes(case, 1000 * seed + 10 * number).items():
            counted[question].append(within)
            if not within and "-v" in sys.argv:
                print("outside:", question, case.unit, case.site.goals.rejection_db, case.minutes, case.options)
    return {question: (sum(counted[question]), len(counted[question])) for question in QUESTIONS}


def main(arguments: list[str]) -> None:
    """Count and print."""
    numbers = [int(word) for word in arguments if word.isdigit()]
    found = rates(numbers[0] if numbers else 40, numbers[1] if len(numbers) > 1 else 1)
    for question, (within, of) in found.items():
        print(f"{question}: {within} of {of}")
    within, of = (sum(part) for part in zip(*found.values(), strict=True))
    print(f"all: {within} of {of} = {within / max(of, 1):.1%}")


if __name__ == "__main__":
    main(sys.argv[1:])
