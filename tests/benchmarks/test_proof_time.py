"""How long a proof takes, by hand: `make bench`. Against the plain way on the same simulated unit and instrument.

Third, the time below which no setting of the same instrument shows it (`rf.floor.soonest.limit_s`): ours stays within
`LARGEST_OVER` times that.

The plain way: the full span of the wide sweep at the same bandwidth, plain coherent average, and at the notch's
sample a proper 95 % bound (rf/floor/bound.py) with the same allowance for mismatch. Ours: the planned zoom run,
pooled. Both prove falsely in 5 % of the cases at most, and are given as many sweeps as they need to prove the same
depth in nine draws of ten. Time is sweeps times the instrument's own time for a sweep. What the plain way is: common
practice.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from protocol.simulated.hookup import HookUp as SimulatedHookUp
from protocol.simulated.instrument import BANDWIDTHS_HZ, Instrument, InstrumentOptions
from protocol.sweep import SweepSettings
from rf.floor.ability import Ability
from rf.floor.forecast import floor_needed_db
from rf.floor.pool import Pooled
from rf.floor.proof import Limits, rejection_of
from rf.floor.soonest import limit_s
from rf.values.decibel import amplitude_db
from tests.benchtop import IDEAL, exact, make_unit, take
from tests.visit.stations import site
from visit.day.planner import ProofPlan, plan_proof, proof_spares_db
from visit.figures.assessment import Assessment
from visit.figures.assessor import Assessor
from visit.figures.known import Known
from visit.site.hookup import HookUp
from visit.site.presets import wide
from visit.site.site import Site

LEAST_RATIO = 20.0
LARGEST_OVER = 1.5
DRAWS = 20
WIDE_SWEEPS = 20
WANTED = 0.9
SITES = {"U6": "demo-450", "V6": "demo-150"}
MATCH_DB = 20.0


def sweep_time_s(unit: str, settings: SweepSettings) -> float:
    instrument = Instrument(InstrumentOptions(), make_unit(unit), SimulatedHookUp("A", "L"))
    instrument.points, instrument.bandwidth_hz = settings.points, settings.bandwidth_hz
    return instrument.sweep_time_s


def run(chosen: Site, unit: str, settings: SweepSettings, sweeps: int, seed: int, known: Known) -> Assessment:
    assessor = Assessor(chosen, HookUp("A", "L"), planned=sweeps, known=known)
    span = (settings.start_hz, settings.stop_hz)
    for sweep in take(
        make_unit(unit), span, sweeps, points=settings.points, bandwidth_hz=settings.bandwidth_hz, seed=seed, **IDEAL
    ):
        assessor.add(sweep)
    made = assessor.assess()
    assert made is not None
    return made


def ability() -> Ability:
    """What a card of the simulated instrument says."""
    o = InstrumentOptions()
    floors = tuple((hz, o.floor_db + 10.0 * math.log10(hz / 1000.0)) for hz in (100.0, 1000.0, 10_000.0))
    return Ability(floors, o.settling_s, o.bandwidth_factor, o.overhead_s, BANDWIDTHS_HZ, (101, 201, 401, 801, 1001))


def least_s(chosen: Site, first: Assessment) -> float:
    """The limit for what the wide run said of the unit, and a plain 95 % bound."""
    assert first.notch is not None
    truth, aimed = first.notch.rejection_at[0].value, chosen.goals.rejection_db + proof_spares_db(first, first.notch)
    return limit_s(ability().with_floor(1000.0, first.floor_now.value), floor_needed_db(truth, aimed))


def ours(chosen: Site, unit: str) -> tuple[ProofPlan, float, float, float]:
    """The plan after a wide run, in how many of the draws its run proves the goal, the seconds that the usual setting
    takes, and the limit."""
    first = run(chosen, unit, wide(chosen), WIDE_SWEEPS, 1, Known(0.0, bandwidth_hz=1000.0))
    assert first.notch is not None
    pace = sweep_time_s(unit, wide(chosen)) / wide(chosen).points
    plan = plan_proof(chosen, first, 1000.0, pace, ability=ability())
    usual = plan_proof(chosen, first, 1000.0, pace, ability=replace(ability(), bandwidths_hz=(), points=()))
    known = Known(0.0, bandwidth_hz=plan.settings.bandwidth_hz, bottoms=((chosen.high_hz, first.notch.bottom()),))
    proven = 0
    for seed in range(DRAWS):
        made = run(chosen, unit, plan.settings, plan.sweeps, 100 + seed, known)
        proven += (made.proof.proven_db or -math.inf) >= chosen.goals.rejection_db
    return plan, proven / DRAWS, usual.seconds, least_s(chosen, first)


def plain_sweeps(truth_db: float, floor_db: float, goal_db: float) -> int:
    """Sweeps after which the plain way proves the goal in nine draws of ten; searched, by drawing."""
    rng = np.random.default_rng(7)
    noise = (rng.standard_normal(2000) + 1j * rng.standard_normal(2000)) * math.sqrt(0.5 * 10 ** (floor_db / 10))

    def share(sweeps: int) -> float:
        power = 10 ** (floor_db / 10) / sweeps
        values = 10 ** (-truth_db / 20) + noise / math.sqrt(sweeps)
        proofs = (rejection_of(_one(complex(x), power), Limits(0.0, MATCH_DB)).proof_db for x in values[:500])
        return float(np.mean([proof >= goal_db for proof in proofs]))

    low, high = 1, 2
    while share(high) < WANTED:
        low, high = high, 2 * high
        assert high < 1e8, "out of reach of the plain way"
    while high - low > max(high // 50, 1):
        middle = (low + high) // 2
        low, high = (middle, high) if share(middle) < WANTED else (low, middle)
    return high


def _one(value: complex, power: float) -> Pooled:
    return Pooled(value=value, power=power, dof=math.inf, points=1, bias_db=0.0, half_width_hz=0.0)


@pytest.mark.timeout(600)
@pytest.mark.benchmark(group="proof time against the plain way")
@pytest.mark.parametrize("unit", ["U6", "V6"])
def test_proof_time(benchmark: Any, unit: str) -> None:
    chosen = site(SITES[unit])
    truth_db = -amplitude_db(float(abs(exact(make_unit(unit), [chosen.high_hz])[0])))
    floor_db = InstrumentOptions().floor_db
    plan, share, usual_s, limit = benchmark.pedantic(lambda: ours(chosen, unit), rounds=1)
    count = plain_sweeps(truth_db, floor_db, chosen.goals.rejection_db)
    wide_s, zoom_s = (sweep_time_s(unit, settings) for settings in (wide(chosen), plan.settings))
    plain_s, proof_s = count * wide_s, plan.sweeps * zoom_s
    ratio = plain_s / proof_s
    print(
        f"\n{unit}: truth {truth_db:.1f} dB, goal {chosen.goals.rejection_db:g} dB: plain {count} sweeps"
        f" {plain_s:.0f} s,"
        f" zoom {plan.sweeps} sweeps {proof_s:.1f} s (proven in {share:.0%}): {ratio:.0f} times less; with the"
        f" {WIDE_SWEEPS} wide sweeps before it {plain_s / (proof_s + WIDE_SWEEPS * wide_s):.0f} times"
    )
    print(
        f"{unit}: {plan.settings.points} points at {plan.settings.bandwidth_hz:g} Hz {proof_s:.1f} s, 101 at 1000 Hz"
        f" {usual_s:.1f} s, limit {limit:.1f} s: {proof_s / limit:.2f} and {usual_s / limit:.2f} times the limit"
    )
    assert share >= WANTED - 0.1 and ratio >= LEAST_RATIO and proof_s <= LARGEST_OVER * limit
