"""Benches made to deceive: each probe one kind of fault, at the size and phase at which it hurts most.

Owns: the probes, and what the program says of each beside the truth. Refuses: figures of its own; a fit is made once a
unit, each probe is then a run at that unit through the program's own assessor.
"""

from __future__ import annotations

import math
import os
from collections import defaultdict
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np

from protocol.errors import RequestError
from protocol.sweep import SweepSettings
from rf.floor.leakage import LEADS_MOVE
from rf.floor.pool import Bottom
from rf.values.figure import Kind
from rf.values.verdict import Verdict
from tests.truth import load, names
from tests.truth.bench import Bench
from tests.truth.cases import Case
from tests.truth.tables import percent
from tests.truth.visits import MEMORY, TruthVisit, site_of
from visit.figures.assessment import Assessment, Role, goals_of
from visit.figures.assessor import Assessor
from visit.figures.known import Known
from visit.figures.replay import Replay
from visit.site.hookup import HookUp
from visit.site.presets import wide, zoom
from visit.site.site import Site

SWEEPS = 12
BANDWIDTH_HZ = 1000.0
BEYOND_DB = (0.1, 0.5, 1.5)
"""Goals so far above the truth: every pass is false."""

Change = dict[str, Any]
THIRD_DB = (15.0, 20.0)
"""Worse than the load that common practice allows."""


@dataclass(frozen=True)
class Sweep:
    """What an assessor takes in."""

    frequency_hz: Any
    s11: Any
    s21: Any


@dataclass
class Fitted:
    """A unit with what a wide run on a good bench says of its notch."""

    name: str
    site: Site
    known: Known
    zoomed: SweepSettings
    truth_db: float
    """Rejection at the reject channel of side L with an ideal load."""
    fitted: bool


def order(seed: int) -> list[str]:
    """Names of the kept units that have notches, in an order that is drawn."""
    sound = [name for name in names() if not name.startswith("band-pass")]
    return [str(name) for name in np.random.default_rng(seed).permutation(sound)]


def prepared(name: str, seed: int) -> Fitted:
    """A unit and what a quiet bench says of its notch; the true width of the bottom where no fit is trusted."""
    unit = load(name)
    case = Case(0, name, unit.kind, unit.cavities, unit.low_hz, unit.high_hz, "A>L", -90, 4, "none", "none", 0, 0, 1)
    site = site_of(case, unit.cavities)
    bench = Bench(unit, "A>L", np.random.default_rng(seed), floor_db=-86.0)
    a = said(site, bench, wide(site, None, BANDWIDTH_HZ), 4, Known(trusted=True))
    found = a.notch is not None and a.notch.trusted
    bottom = a.notch.bottom() if a.notch is not None and found else Bottom(true_width_hz(bench))
    truth = -20.0 * math.log10(abs(bench.truth_ideal_load([unit.high_hz])[1][0]))
    return Fitted(
        name, site, Known(trusted=True, bottoms=((site.high_hz, bottom),)),
        zoom(site.high_hz, bottom.width_hz, BANDWIDTH_HZ), truth, found,
    )  # fmt: skip


def true_width_hz(bench: Bench) -> float:
    """Width of the response 3 dB above its lowest point, side L."""
    zeros = bench.unit.zeros_hz("L")
    reach = float(np.ptp(zeros.real)) + 3.0 * float(np.abs(zeros.imag).max())
    grid = float(zeros.real.mean()) + np.linspace(-reach, reach, 2001)
    size = np.abs(bench.truth_ideal_load(grid)[1])
    under = np.flatnonzero(size < math.sqrt(2.0) * size.min())
    return float(grid[under[-1]] - grid[under[0]])


def said(site: Site, bench: Bench, settings: SweepSettings, sweeps: int, known: Known, told: str = "") -> Assessment:
    """A planned run, told as it hangs or as something else, and what the program says of it."""
    assessor = Assessor(site, HookUp.parse(told or bench.hookup), planned=sweeps, known=known)
    f = settings.frequency_hz()
    for _ in range(sweeps):
        assessor.add(Sweep(f, *bench.sweep(f)))
    made = assessor.assess()
    assert made is not None
    return made


def _bench(unit: Fitted, rng: np.random.Generator, change: Change) -> Bench:
    # So quiet that the pooled value stands 12 dB above the noise: chance is then the least of what deceives.
    floor_db = -(unit.truth_db + 12.0) + 10.0 * math.log10(SWEEPS * unit.zoomed.points)
    return Bench(load(unit.name), str(rng.choice(["A>L", "L>A"])), rng, **({"floor_db": floor_db} | change))


def _antiphase(unit: Fitted, rng: np.random.Generator) -> Change:
    hz = unit.site.high_hz
    signal = complex(Bench(load(unit.name), "A>L", rng).truth([hz])[1][0])
    delay = float(rng.uniform(1e-9, 10e-9))
    turn = float(np.angle(-signal)) + 2 * np.pi * hz * delay
    level = 20 * math.log10(abs(signal)) - float(rng.uniform(3, 16))
    return {"leak_db": level, "leak_delay": delay, "leak_phase": turn}


def _load(unit: Fitted, rng: np.random.Generator) -> Change:
    return {"load_db": float(rng.uniform(*THIRD_DB)), "load_delay": float(rng.uniform(0.5e-9, 12e-9)),
            "load_phase": float(rng.uniform(0, 6.28))}  # fmt: skip


def _port2(unit: Fitted, rng: np.random.Generator) -> Change:
    return {"match2_db": float(rng.uniform(20, 24)), "match2_delay": float(rng.uniform(0.3e-9, 8e-9)),
            "match2_phase": float(rng.uniform(0, 6.28))}  # fmt: skip


def _carrier(beside: float) -> Callable[[Fitted, np.random.Generator], Change]:
    def change(unit: Fitted, rng: np.random.Generator) -> Change:
        width = unit.zoomed.stop_hz - unit.zoomed.start_hz
        return {"carrier_hz": unit.site.high_hz + beside * width * float(rng.choice([-1, 1])),
                "carrier_db": -unit.truth_db + float(rng.uniform(-15, 15)),
                "carrier_width_hz": width * 0.05}  # fmt: skip

    return change


def _strong(unit: Fitted, rng: np.random.Generator) -> Change:
    step = (unit.site.high_hz - unit.site.low_hz) / 100.0
    return {"carrier_hz": unit.site.low_hz, "carrier_db": float(rng.uniform(-20, 0)), "carrier_width_hz": step}


def _screw(unit: Fitted, rng: np.random.Generator) -> Change:
    inside = load(unit.name)
    number = int(rng.integers(1, inside.cavities + 1))
    per_turn = abs(inside.khz_per_turn("L", number)) * 1e3
    width = 4 * (unit.zoomed.stop_hz - unit.zoomed.start_hz)
    return {"screw_at": int(rng.integers(3, SWEEPS - 2)), "screw_side": "L", "screw_number": number,
            "screw_turns": float(rng.choice([-1, 1]) * rng.uniform(0.2, 0.8)) * width / per_turn,
            "screw_share": float(rng.choice([0.0, 0.5]))}  # fmt: skip


def _drift(unit: Fitted, rng: np.random.Generator) -> Change:
    return {"drift_k": float(rng.choice([-1, 1]) * rng.uniform(1, 5)), "drift_sweeps": SWEEPS / 2}


def _compression(unit: Fitted, rng: np.random.Generator) -> Change:
    return {"compression_db": float(rng.uniform(0.05, 0.3))}


def _coarse(unit: Fitted, rng: np.random.Generator) -> Change:
    if rng.random() < 0.5:
        return {"quant_linear": 10 ** (-(unit.truth_db - float(rng.uniform(-4, 14))) / 20)}
    return {"quant_db": 0.5, "quant_deg": 1.0}


def _bursts(unit: Fitted, rng: np.random.Generator) -> Change:
    return {"burst_rate": float(10 ** rng.uniform(-3, -1.5)), "burst_db": -unit.truth_db + float(rng.uniform(5, 30))}


def _pad(port: int) -> Callable[[Fitted, np.random.Generator], Change]:
    def change(unit: Fitted, rng: np.random.Generator) -> Change:
        return {f"pad{port}_db": float(rng.choice([3.0, 6.0, 10.0])), "pads_in_cal": False}

    return change


def _turned(unit: Fitted, rng: np.random.Generator) -> Change:
    return _screw(unit, rng) | {"screw_at": 0, "screw_share": 0.0}


def _open(unit: Fitted, rng: np.random.Generator) -> Change:
    return {"load_kind": str(rng.choice(["open", "short"])), "load_delay": float(rng.uniform(0.05e-9, 3e-9))}


def _moved(unit: Fitted, rng: np.random.Generator) -> Change:
    return _antiphase(unit, rng) | {"leak_change": float(rng.uniform(0.05, 0.5))}


PROBES: dict[str, tuple[Callable[[Fitted, np.random.Generator], Change], bool]] = {
    "nothing wrong": (lambda *_: {}, True),
    "steady leak in antiphase, no survey": (_antiphase, False),
    "leak in antiphase, changed after its survey": (_moved, True),
    "load of 15 to 20 dB on the third port": (_load, True),
    "port 2 of 20 to 24 dB": (_port2, True),
    "carrier on the channel": (_carrier(0.0), True),
    "carrier beside the channel": (_carrier(0.25), True),
    "screw turned in the middle of the average": (_screw, True),
    "drift during the run": (_drift, True),
    "compression": (_compression, True),
    "coarse numbers": (_coarse, True),
    "bursts": (_bursts, True),
    "screw turned between wide run and zoom": (_turned, True),
    "nothing wrong, wide": (lambda *_: {}, True),
    "carrier on the pass channel, wide": (_strong, True),
    "screw turned, wide": (_screw, True),
    "one cavity more than told": (lambda *_: {}, True),
    "third port open or shorted": (_open, True),
    "leads exchanged": (lambda *_: {}, True),
    "undeclared pad at port 1": (_pad(1), True),
    "undeclared pad at port 2": (_pad(2), True),
}
"""Name -> (errors of the bench, surveyed)."""

ZOOMED_AFTER = (
    "one cavity more than told", "third port open or shorted", "leads exchanged", "undeclared pad at port 1",
    "undeclared pad at port 2",
)  # fmt: skip
"""Faults that a wide run could show: a zoom follows it, as it would, and both are joined."""
WIDE = (*ZOOMED_AFTER, "nothing wrong, wide", "carrier on the pass channel, wide", "screw turned, wide")
"""Probes of a wide run."""


def probe(unit: Fitted, name: str, seed: int) -> dict[str, Any]:
    """One probe of one unit: verdicts on goals beyond the truth, and whether the intervals hold."""
    rng = np.random.default_rng(seed)
    make, surveyed = PROBES[name]
    bench = _bench(unit, rng, make(unit, rng))
    known, site = unit.known, unit.site
    if surveyed:
        known = replace(known, leaks=tuple((hz, _surveyed(bench, hz)) for hz in (site.low_hz, site.high_hz)))
    if name == "one cavity more than told":
        site = replace(site, cavities=(site.cavities or 3) - 1)
    told, on = bench.hookup, bench
    if name == "leads exchanged":
        on = Bench(bench.unit, told.replace("L", "H"), rng, **asdict(bench.errors))
    line: dict[str, Any] = {"probe": name, "unit": unit.name, "seed": seed, "goals": [], "runs": 1}
    line["fitted"] = unit.fitted
    try:
        if name in ZOOMED_AFTER:
            line["runs"], seen = visited(site, on, told)
            if seen is None:
                return line | {"state": "stopped by the gate"}
            a = seen
        elif name in WIDE:
            a = said(site, on, wide(site, None, BANDWIDTH_HZ), SWEEPS, replace(known, trusted=False))
        else:
            a = said(site, on, unit.zoomed, SWEEPS, known)
    except (
        RequestError,
        ValueError,
        ArithmeticError,
        IndexError,
    ) as error:  # told in one line
        return line | {"fault": f"{type(error).__name__}: {error}"[:160]}
    line |= {"state": a.check.state.value, "words": [*a.cautions, *a.doubts][:4]}
    ends = {0, SWEEPS - 1} | ({bench.errors.screw_at} if bench.errors.screw_at is not None else set())
    for channel in a.channels:
        hz = channel.frequency_hz
        if not a.frequency_hz[0] <= hz <= a.frequency_hz[-1]:
            continue
        asked = [("rejection" if channel.role is Role.REJECT else "loss", channel.transmission, 1)]
        asked += [("return loss", channel.return_loss, 0)] if channel.role is Role.PASS else []
        for goal, figure, at in asked:
            truths = [-20 * math.log10(abs(bench.truth_ideal_load([hz], k)[at][0])) for k in ends if k is not None]
            line["goals"] += _asked(a, unit.site, channel, goal, max(truths), min(truths))
            if figure.known:
                low = figure.low if math.isfinite(figure.low) else -999.0
                high = figure.high if math.isfinite(figure.high) else 999.0
                bound = figure.kind is Kind.AT_LEAST
                line[goal] = [low <= max(truths) and high >= min(truths), bound,
                              low - max(truths) if goal != "loss" else min(truths) - high]  # fmt: skip
    if a.notch_offset.known:
        places = [bench.unit_at(k).mean_zero_hz("L") - site.high_hz for k in ends if k is not None]
        line["place"] = [a.notch_offset.low <= max(places) and a.notch_offset.high >= min(places), False, 0.0]
    return line


def visited(site: Site, bench: Bench, told: str) -> tuple[int, Assessment | None]:
    """A visit as it would be made: survey, wide run, zoom where the fit allows one; how many runs, and what its report
    would say. None where the gate stored nothing."""
    hookup = HookUp.parse(told)
    visit = TruthVisit(site, MEMORY / f"probe-{os.getpid()}.visit")
    try:
        visit.survey(bench)
        measured = visit.wide(bench, hookup, SWEEPS, obeyed=True)
        if measured.stopped:
            return 2, None
        a, runs = measured.assessment, 2
        if a is not None and a.notch is not None and a.notch.trusted:
            visit.zoom(bench, hookup, site.high_hz, a.notch.bottom_width_hz, SWEEPS)
            runs = 3
        found = Replay(visit.file, figures=visit.figures).figures(hookup)
        return runs, None if found is None else found.assessment
    finally:
        visit.close()


def _surveyed(bench: Bench, hz: float) -> float:
    """What a long survey before the run says of the leak, with the program's own room for leads that move."""
    return float(np.abs(bench.leak([hz], survey=True))[0]) * LEADS_MOVE + 1e-7


def _asked(a: Assessment, site: Site, channel: Any, name: str, high: float, low: float) -> list[list[Any]]:
    found = []
    for step in BEYOND_DB:
        goal = low - step / 5.0 if name == "loss" else high + step
        if not 0.02 < goal < 150.0:
            continue
        goals = replace(site.goals, **{name.replace(" ", "_") + "_db": goal})
        results = goals_of(replace(site, goals=goals), [channel], a.proof, doubts=a.doubts)
        found += [[name, step, one.verdict.value, one.condition] for one in results if one.name == name]
    return found


def summed(lines: list[dict[str, Any]]) -> Iterator[str]:
    """The table of the probes."""
    yield "| probe | figure | missed n | false pass % | on condition % | said n | covered % | too good % | worst, dB |"
    yield "|---|---|---|---|---|---|---|---|---|"
    by: dict[tuple[str, str], list[Any]] = defaultdict(lambda: [0, 0, 0, 0, 0, 0, 0.0])
    for line in lines:
        for name, _, verdict, _ in line["goals"]:
            count = by[line["probe"], name]
            count[0] += 1
            count[1] += verdict == Verdict.PASS.value
            count[2] += verdict == Verdict.CONDITIONAL_PASS.value
        if "fault" in line:
            by[line["probe"], "ended by " + line["fault"][:70]][0] += 1
        if not line["goals"] and "fault" not in line:
            by[line["probe"], "stopped by the gate"][0] += 1
        for name in ("rejection", "loss", "return loss", "place"):
            if name in line:
                covered, _, beyond = line[name]
                count = by[line["probe"], name]
                count[3] += 1
                count[4] += covered
                count[5] += beyond > 0
                count[6] = max(count[6], beyond)
    for (probe_name, figure), (n, false, conditional, told, held, good, worst) in sorted(by.items()):
        yield (
            f"| {probe_name} | {figure} | {n} | {percent(false, n)} | {percent(conditional, n)} | {told} |"
            f" {percent(held, told)} | {percent(good, told)} | {worst:.2f} |"
        )


def worst_units(lines: list[dict[str, Any]], allowed: float = 0.05) -> Iterator[str]:
    """Units and probes of a zoom of which more false passes without condition are told than a goal's share allows."""
    counts: dict[str, list[int]] = defaultdict(lambda: [0, 0])
    for line in lines:
        if line["probe"] not in WIDE:
            verdicts = [verdict for _, _, verdict, _ in line["goals"]]
            cell = f"{line['unit']}: {line['probe']}"
            counts[cell][0] += len(verdicts)
            counts[cell][1] += verdicts.count(Verdict.PASS.value)
    yield from (
        "Units whose zooms pass falsely in over 5 %:",
        "",
        "| unit and probe | missed n | false pass % |",
        "|---|---|---|",
    )
    bad = [(unit, n, false) for unit, (n, false) in sorted(counts.items()) if n and false > allowed * n]
    yield from (f"| {unit} | {n} | {percent(false, n)} |" for unit, n, false in bad)
    if not bad:
        yield "| none | | |"


def probed(name: str, seeds: int) -> list[dict[str, Any]]:
    """All probes on one unit, each so many times (wide ones once: they are fitted again)."""
    unit = prepared(name, 1)
    return [probe(unit, one, number) for one in PROBES for number in range(1 if one in WIDE else seeds)]
