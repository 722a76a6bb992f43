"""Which unnamed trace is S11 is decided by open leads only; else it is said to be assumed."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest

from protocol.analyzer import Analyzer
from protocol.dialects.scpi_stepwise import arranged
from protocol.finding.data import Way
from protocol.finding.order import order_of
from protocol.profiles.profile import load_profile, parse_profile
from protocol.simulated.bench import Bench
from protocol.sweep import SweepSettings

OPEN, NOTHING = np.full(51, 0.9j), np.full(51, 1e-3 + 0j)


@pytest.mark.parametrize(
    ("first", "second", "open_leads", "turned", "assumed"),
    [
        (OPEN, NOTHING, True, False, False),
        (NOTHING, OPEN, True, True, False),
        (NOTHING, OPEN, False, False, True),  # a filter's pass band would look the same
        (OPEN, NOTHING, False, False, True),
        (OPEN, 0.5 * OPEN, True, False, True),
        (NOTHING, NOTHING, True, False, True),
    ],
)
def test_only_open_leads_decide(
    first: np.ndarray, second: np.ndarray, open_leads: bool, turned: bool, assumed: bool
) -> None:
    order = order_of(first, second, open_leads=open_leads)
    assert (order.turned, order.assumed) == (turned, assumed)
    assert ("assumed" in order.why) == assumed


def test_names_need_no_proof() -> None:
    assert Way("", "TRACe:DATA? {trace}", traces=("S11", "S21")).named
    assert Way("", "CALCulate:DATA?", ('X "{parameter}"',)).named
    assert not Way("", "TRACe:DATA? {trace}", traces=("CH1", "CH2")).named


def test_turned_layouts_give_s11_first() -> None:
    s11, s21 = np.arange(3) + 1j, 10.0 + np.arange(3) - 2j
    for layout, whole in (
        ("interleaved turned", np.column_stack((s21, s11)).ravel()),
        ("in turn turned", np.concatenate((s21, s11))),
    ):
        got = arranged([whole.view(np.float64)], layout, 3)
        assert np.array_equal(got[0], s11) and np.array_equal(got[1], s21)


async def test_what_a_profile_leaves_open_is_said_with_each_setting() -> None:
    shipped = load_profile("scpi")
    assert shipped.scpi is not None and shipped.sets_bandwidth and not shipped.scpi.traces_assumed
    open_to_doubt = dataclasses.replace(shipped.scpi, traces_assumed=True, bandwidth=None)
    async with await Bench.start(["--speed", "0"]) as bench:
        analyzer = await Analyzer.open(bench.node, dataclasses.replace(shipped, scpi=open_to_doubt))
        applied = await analyzer.apply(SweepSettings(442.5e6, 462.5e6, 101, 100.0))
        await analyzer.close()
    assert "bandwidth_hz" not in applied.verified
    assert [change for change in applied.changes if "order alone" in change]
    assert [change for change in applied.changes if "can't be set and is not known" in change]


def test_the_key_is_read() -> None:
    text = Path(load_profile("scpi").source).read_text(encoding="utf-8")
    scpi = parse_profile(text.replace("[scpi]", '[scpi]\nlayout = "in turn turned"\ntraces_assumed = true')).scpi
    assert scpi is not None and scpi.traces_assumed and scpi.layout == "in turn turned"
