"""Scenarios 1 to 14 of the study (part 4) as a technician meets them: through a real device node, one sweep, and
nothing of a wrong hook-up in the visit file."""

from __future__ import annotations

from pathlib import Path

import pytest

from rf.repeater.hookup_check import State
from tests.visit import stations
from tests.visit.stations import Table, table
from visit.site.presets import wide
from visit.site.site import parse_site

WRONG = [
    (2, "A>L", ("connect A L", "close H open"), "H NOT LOADED", "put a load on it"),
    (5, "A>L", ("connect A H",), "A>H, NOT A>L", "move lead 2, or declare it so"),
    (6, "A>L", ("connect L A",), "LEADS EXCHANGED", "S21 holds"),
    (7, "A>L", ("connect L H",), "L>H, NOT A>L", "move the leads, or declare it so"),
    (7, "L>H", ("connect L H", "close A open"), "A OPEN", "put a load on A"),
    (8, "A>L", ("connect A L", "lead 2 off"), "NOTHING ON L", "put lead 2 on L"),
    (9, "A>L", ("connect A L", "lead 1 off"), "PORT 1 OPEN", "lead 1 is off"),
    (10, "A>L", ("connect thru",), "LEADS JOINED", "put the duplexer between them"),
    (11, "A>L", ("connect loads",), "ON LOADS", "fit for a survey"),
    (13, "A>L", ("connect A L", "gap 1pF"), "GAP IN THE PATH", "centre pins"),
]


def hang(bench: Table, lines: tuple[str, ...]) -> None:
    for line in lines:
        bench.bench.say(line)


@pytest.mark.parametrize("raw", [False, True], ids=["own", "host"])
@pytest.mark.parametrize(("number", "declared", "lines", "short", "cure"), WRONG, ids=[f"{w[0]}-{w[3]}" for w in WRONG])
def test_a_mistake_is_named_and_nothing_is_stored(
    tmp_path: Path, raw: bool, number: int, declared: str, lines: tuple[str, ...], short: str, cure: str
) -> None:
    """With an analyzer that corrects itself and with one calibrated on this computer."""
    del number
    with table(tmp_path, "demo-450", "U6", raw=raw) as bench:
        settings = wide(bench.site)
        if raw:
            bench.calibrate(settings)
        hang(bench, lines)
        assert bench.measure_as_hung(declared, settings, 5) is None
        seen = bench.station.assess_now()
        assert seen.check.state is State.WRONG and seen.check.short == short and cure in seen.check.cure
        assert not any(channel.transmission.known or channel.return_loss.known for channel in seen.channels)
        kept = [run for run in bench.station.visit.file.runs() if run.purpose == "check" and not run.hookup.alone]
        assert kept == []
        hang(bench, ("lead 1 on", "lead 2 on", "gap none", "connect A L"))
        assert bench.measure_as_hung("A>L", settings, 5) is not None  # put right, it measures


@pytest.mark.parametrize(
    ("declared", "lines", "state", "short", "cure"),
    [
        ("A>L", ("connect A L",), State.RIGHT, "A>L ok, H loaded", ""),
        ("L>A", ("connect L A", "close H open"), State.NOTE, "L>A ok", "drive the antenna port"),
        ("A>L", ("connect A L", "close H load 14"), State.NOTE, "H POOR LOAD", "returns"),
        ("A>L", ("connect A L", "pad 1 10"), State.NOTE, "PAD IN THE PATH?", "pad1=DB or pad2=DB"),
        ("A>L", ("connect A L", "pad 2 10"), State.NOTE, "PAD AT PORT 2?", "pad2=DB"),
        ("L>H", ("connect L H",), State.RIGHT, "L>H ok", ""),
        ("loads", ("connect loads",), State.RIGHT, "both on loads", ""),
    ],
    ids=["1", "3", "4", "12", "pad2", "7", "11"],
)
def test_right_ones_are_stored_with_their_notes(
    tmp_path: Path, declared: str, lines: tuple[str, ...], state: State, short: str, cure: str
) -> None:
    with table(tmp_path, "demo-450", "U6") as bench:
        hang(bench, lines)
        assert bench.measure_as_hung(declared, wide(bench.site), 1) is not None
        seen = bench.station.assess_now()
        if declared != "loads":
            assert (seen.check.state, seen.check.short) == (state, short) and cure in seen.check.cure


def test_a_side_far_off_tune_does_not_shut_out_the_other_one(tmp_path: Path) -> None:
    with table(tmp_path, "demo-450", "U6") as bench:
        hang(bench, ("turn L 1 +2.25e6", "turn L 2 -4e6", "turn L 3 +5.5e6"))
        settings = wide(bench.site)
        assert bench.measure("A>L", settings, 4) is not None
        assert bench.measure("A>H", settings, 2) is not None
        seen = bench.station.assess_now()
        assert (seen.check.state, seen.check.short) == (State.NOTE, "A>H ok, L OFF TUNE")
        hang(bench, ("turn L 1 -2.25e6", "turn L 2 +4e6", "turn L 3 -5.5e6"))
        assert bench.measure("A>L", settings, 2) is not None
        hang(bench, ("connect A H", "close L open"))
        assert bench.measure_as_hung("A>H", settings, 2) is None


def test_a_told_pad_gives_the_hookup_and_the_levels_back(tmp_path: Path) -> None:
    """Scenario 12: tell it the pad on port 1 or port 2, and both are taken out."""
    with table(tmp_path, "demo-450", "U6") as bench:
        for declared in ("A>L pad2=10", "A>L pad1=6"):
            assert bench.measure(declared, wide(bench.site), 10) is not None
            seen = bench.station.assess_now()
            assert seen.check.short == "A>L ok, H loaded", (declared, seen.check)
            assert seen.channels[0].transmission.value == pytest.approx(1.36, abs=0.15)


@pytest.mark.parametrize(
    ("unit", "site", "low", "high"), [("U6", "demo-450", 449e6, 454e6), ("V4", "demo-154", 149e6, 153.6e6)]
)
def test_14_a_pair_off_the_plan(tmp_path: Path, unit: str, site: str, low: float, high: float) -> None:
    """A unit tuned 1 MHz above the plan."""
    plan = stations.site(site)
    lines = [line for line in plan.source.splitlines() if not line.startswith(("low_hz", "high_hz"))]
    off = parse_site("\n".join([f"low_hz = {low}", f"high_hz = {high}", *lines]), Path("off"))
    assert (off.low_hz, off.high_hz) == (low, high)
    with table(tmp_path, site, unit, plan=off) as bench:
        assert bench.measure_as_hung("A>L", wide(off), 2) is not None
        seen = bench.station.assess_now().check
        assert seen.state in (State.NOTE, State.UNSEEN)
        assert "+1." in seen.cure and "check the pair in the site file first" in seen.cure
