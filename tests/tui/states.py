"""Pictures of every hook-up, and three hundred with the longest numbers, faults and words, for tests of what fits."""

from __future__ import annotations

import dataclasses
import functools

import numpy as np

from rf.repeater.hookup_check import HookUpCheck, State
from rf.values.figure import Figure, at_least, cant_say, inferred, reading
from tests.benchtop import take_on_loads
from tests.tui.picture import load, picture
from tui.drawing.rows import Row
from visit.day.next_deed import NextDeed
from visit.figures.assessment import Assessment
from visit.figures.assessor import Assessor
from visit.figures.unsurveyed import NOT_SURVEYED
from visit.run.conductor import Phase
from visit.run.live import LiveState
from visit.site.hookup import HookUp

WHYS = (
    "",
    "the bench departs too far from a chain of notch cavities: check hook-up, loads and span",
    "only one skirt in the sweep: move the span so that the response rises on both sides",
    "no skirts above the floor in this span: sweep wider",
    "site too busy: over a quarter of the sweeps was hit by bursts; wait, or move the sweep off the carriers",
    "not the response of 4 notch cavities (misfit 112 %): check hook-up, site file and span",
    "the analyzer was off at 12:34: prove its correction on the thru",
)
SHORT_WHYS = ("", NOT_SURVEYED, "no leakage stands out of the noise", "circuit fits to 12.5 % only: interval widened")
LIMITS = ("", "random", "leakage", "mismatch", "frequency axis", "model", "hook-up")
HOOKUPS = ("A>L", "A>H pad1=6.5 pad2=10.5 amp=20 jumper=half", "L>H jumper=quarter", "H>A", "loads", "antenna", "load")


def words(row: Row) -> str:
    return "".join(text for text, _ in row)


def a_figure(rng: np.random.Generator, unit: str) -> Figure:
    """Any kind, any size that an analyzer of this class can give."""
    scale = 10.0 ** float(rng.uniform(0, 6.1 if unit == "Hz" else 2.1))
    value = float(rng.choice([-1.0, 1.0])) * scale if unit == "Hz" else scale
    down, up = scale * 10.0 ** rng.uniform(-3.0, 0.3, 2)
    kind = int(rng.integers(4))
    why, limit = str(rng.choice(WHYS if kind == 2 else SHORT_WHYS)), str(rng.choice(LIMITS))
    if kind == 0:
        return reading(value, value - down, value + up, unit, limited_by=limit, why=why)
    if kind == 1 and unit == "dB":
        return at_least(value, unit, limited_by=limit, why=why)
    if kind == 2:
        return cant_say(unit, why or WHYS[1], limited_by=limit)
    return inferred(value, value - down, value + up, unit, limited_by=limit, why=why)


def changed(rng: np.random.Generator, state: LiveState) -> LiveState:
    """The same picture with other figures, faults, notes and advice."""
    a = state.assessment
    assert a is not None
    channels = tuple(
        dataclasses.replace(channel, transmission=a_figure(rng, "dB"), return_loss=a_figure(rng, "dB"))
        for channel in a.channels
    )
    check = a.check
    if rng.random() < 0.3:
        wrong = State.WRONG if rng.random() < 0.5 else State.NOTE
        check = HookUpCheck(wrong, "seems L>H, not A>H: loss 1 dB", "hang port 2 on the high side, the load on L", "")
    a = dataclasses.replace(
        a, channels=channels, notch_offset=a_figure(rng, "Hz"), floor_now=a_figure(rng, "dB"), check=check,
        floor_averaged=a_figure(rng, "dB"), cautions=tuple(rng.choice(WHYS[1:], 2)) if rng.random() < 0.7 else (),
        doubts=(WHYS[-1],) if rng.random() < 0.3 else (),
    )  # fmt: skip
    progress = dataclasses.replace(
        state.progress, done=int(10.0 ** rng.uniform(0, 5)), sweep_time_s=float(10.0 ** rng.uniform(-2, 3)),
        phase=list(Phase)[int(rng.integers(len(Phase)))], message=str(rng.choice(WHYS)), saved_at_s=1.7e9,
        changes=("the analyzer took 1001 points instead of 401, and 300 Hz instead of 1000 Hz",) * int(rng.integers(2)),
    )  # fmt: skip
    deed = NextDeed("sweep A>H too, before any screw", f"rejection of the low side {WHYS[1]}", "k", 4000.0)
    return dataclasses.replace(
        state, assessment=a, progress=progress, hookup=HookUp.parse(str(rng.choice(HOOKUPS))),
        deed=deed if rng.random() < 0.8 else None, calibrated_at_s=1.7e9 if rng.random() < 0.5 else None,
    )  # fmt: skip


def survey() -> Assessment:
    assessor = Assessor(load(), HookUp.parse("loads"), 1)
    for sweep in take_on_loads(8):
        assessor.add(sweep)
    made = assessor.assess()
    assert made is not None
    return made


@functools.cache
def states() -> tuple[LiveState, ...]:
    """Pictures of every hook-up, then three hundred with other numbers and words."""
    plain = [picture(8), picture(8, "A>L", load("demo-150"), "V6"), picture(8, "L>H")]
    empty = dataclasses.replace(plain[0], assessment=None)
    on_loads = dataclasses.replace(plain[0], assessment=survey(), hookup=HookUp.parse("loads"))
    rng = np.random.default_rng(14)
    return (*plain, empty, on_loads, *(changed(rng, plain[int(rng.integers(3))]) for _ in range(300)))
