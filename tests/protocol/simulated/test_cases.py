"""Each invented case does to the bench what it says, survives a moved lead, and goes away again."""

from __future__ import annotations

import dataclasses

import pytest

from protocol.errors import RequestError
from protocol.simulated.cases import CASES, CaseBench
from protocol.simulated.control import Control
from protocol.simulated.duplexer import load_unit
from protocol.simulated.hookup import HookUp
from protocol.simulated.instrument import Instrument, InstrumentOptions


class Lines:
    """A bench without a process."""

    def __init__(self) -> None:
        self.instrument = Instrument(InstrumentOptions(), load_unit("V6"), HookUp())
        self.say = Control(self.instrument)


def state(bench: Lines) -> tuple[object, ...]:
    instrument = bench.instrument
    closing = {port: value for port, value in instrument.hookup.closing.items() if abs(value) > 0.1}
    return (
        [round(hz) for side in "LH" for hz in instrument.unit.notch_hz(side)], instrument.hookup.gap_farad,
        instrument.options.leakage_db, instrument.options.burst_rate, closing,
        dataclasses.astuple(instrument.hookup.feeder),
    )  # fmt: skip


@pytest.mark.parametrize("name", [name for name in CASES if name != "whole"])
def test_a_case_changes_the_bench_and_goes_away(name: str) -> None:
    bench = Lines()
    cases = CaseBench(bench, 0.6e6)
    cases.say("connect A L H=load")
    whole = state(bench)
    assert cases.say(f"case {name}") == f"case: {CASES[name].title}"
    ill = state(bench)
    assert ill != whole
    cases.say("connect A L H=load")
    assert state(bench) == ill
    cases.say("case whole")
    assert state(bench) == whole


def test_an_unknown_case_is_refused_with_those_that_there_are() -> None:
    with pytest.raises(RequestError, match=r"no case 'x'; there are whole, detuned"):
        CaseBench(Lines(), 1e6).say("case x")


def test_detuned_keeps_the_mean() -> None:
    shares = [share for _, _, share in CASES["detuned"].turns]
    assert abs(sum(shares)) < 0.03 < max(map(abs, shares))
