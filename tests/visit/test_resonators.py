"""Single cavities and band-pass sides of a visit on the simulated bench, whose circuit shares no code with the fit."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pytest
import skrf

from protocol.sweep import SweepSettings
from rf.values.figure import Figure, Kind
from tests.outside.test_resonator_tables import lumped
from tests.visit.far_visit import SITES
from tests.visit.stations import table
from tui.cli import main
from visit.figures.resonators import band_sights, cavity_sight, note_turn
from visit.figures.run_figures import RunFigures
from visit.report.report import build_report
from visit.report.resonator_page import side_words
from visit.site.hookup import Side
from visit.site.presets import wide
from visit.site.site import parse_site

NEAR = SweepSettings.around(450.3e6, 6e6, 401, 1000.0)


def holds(figure: Figure, truth: float) -> bool:
    return figure.known and figure.low <= truth <= figure.high


KINDS = r"(?:READING|AT LEAST|AT MOST|INFERRED|ASSUMED)"


def bare(out: str) -> list[str]:
    """Numbers of decibels, kilohertz or Q that no word of a kind stands before; what was typed and is aimed at is no
    figure."""
    for known in (r"goal [\d.]+", r"losing [\d.]+ dB", r"taking [\d.]+ dB", r"at 3 dB", r"(wanted: )?at [\d.]+ MHz"):
        out = re.sub(known, "", out)
    told = rf"{KINDS} [+-]?[\d.]+(?: MHz)?(?: ±[\d.]+| \([-\d.]+\.\.[-\d.]+\))?(?: (?:dB|kHz))?"
    return re.findall(r"[^ ]*\d[\d.]* (?:dB|kHz|MHz)|Q \d+", re.sub(told, "", out))


def test_a_pass_cavity_by_both_ports_and_by_one(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with table(tmp_path, "demo-450", "U6", "--floor", "-85") as bench:
        bench.bench.say("cavity pass 450.3e6 5000 3500 3000")
        bench.measure("cavity", NEAR, 4)
        bench.measure("cavity-one", NEAR, 4)
    path = tmp_path / "a.visit"
    assert main(["cavity", str(path), "--frequency", "450.4", "--loss", "6", "--json"]) == 0
    shown = json.loads(capsys.readouterr().out)
    both, one = shown["cavity"], shown["one_port"]
    assert both["kind"] == "pass" and one["kind"] == "one port"
    for data in (both, one):
        assert data["unloaded_q"]["kind"] == "inferred"
        assert data["unloaded_q"]["low"] <= 5000 <= data["unloaded_q"]["high"]
        assert data["external_q"][0]["low"] <= 3500 <= data["external_q"][0]["high"]
    deeds = [deed["do"].split(":")[0] for deed in shown["do"]]
    assert deeds == ["loop 1 (in) is too tight", "loop 2 (out) is too tight", "rod"]
    assert "bring it up" in shown["do"][2]["do"]
    # The bench's loops have a reactance, and pull: its rod alone stands at 450.3 MHz.
    assert both["alone"]["low"] <= 450.3e6 <= both["alone"]["high"]
    assert both["f0"]["low"] > both["alone"]["low"] and both["f0"]["high"] < both["alone"]["high"]
    assert main(["cavity", str(path)]) == 0
    out = capsys.readouterr().out
    assert (
        "(above critical)" in out
        and "(tight)" not in out
        and "wanted: at 450.4000 MHz, losing 6 dB" in out
        and "locked" in out
    )
    assert not bare(out)
    assert main(["cavity", str(path), "--loss", "-3"]) == 2
    assert "not between 0.05 and 20" in capsys.readouterr().err


def test_a_notch_cavity_is_brought_to_its_depth(tmp_path: Path) -> None:
    from visit.record.sheet import LINES, write

    with table(tmp_path, "demo-450", "U6", "--floor", "-85") as bench:
        bench.bench.say("cavity notch 450.3e6 5000 800")
        write(bench.station.visit.file, LINES["cavity depth"], "25")
        bench.measure("cavity", NEAR, 4)
        sight = cavity_sight(RunFigures(bench.station.visit.file))
        assert sight.cavity is not None and sight.cavity.kind == "notch"
        assert holds(sight.cavity.unloaded_q, 5000.0) and holds(sight.cavity.couplings[0], 5000 / 800)
        assert holds(sight.cavity.depth, 17.21)
        assert "too loose" in sight.deeds[0].do
        bench.bench.say(f"cavity loop 1 {5000 / (10**1.25 - 1) / 800}")
        bench.measure("cavity", NEAR, 4)
        after = cavity_sight(RunFigures(bench.station.visit.file))
        assert after.cavity is not None and holds(after.cavity.depth, 25.0)
        assert [deed.do for deed in after.deeds] == ["nothing: lock it"]


def test_a_band_pass_side_is_brought_in_by_what_the_screen_says(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with table(tmp_path, "demo-460", "B4", "--floor", "-80") as bench:
        for number, off in enumerate((300e3, -500e3, 250e3, 700e3), 1):
            bench.bench.say(f"turn L {number} {off:+.0f}")
        # Hertz a turn inwards, which nobody told: two screws go the other way round.
        screws = {"1": -3.0e6, "2": 2.0e6, "3": 2.5e6, "4": -2.0e6}
        turns, first = 0, set()
        while True:
            bench.measure("L>A", wide(bench.site), 2)
            figures = RunFigures(bench.station.visit.file)
            (sight,) = band_sights(figures)
            assert not bare("\n".join(side_words(sight, bench.site)))
            assert sight.figures.why == "" and all(one.kind is Kind.INFERRED for one in sight.figures.offsets)
            if sight.deed.resonator is None:
                break
            turns += 1
            assert turns < 20
            what, asked = sight.deed.what, sight.turns.value if sight.turns.known else 0.1
            if what not in first:
                assert not sight.turns.known and "not known yet" in side_words(sight, bench.site)[-2]
                first.add(what)
            note_turn(figures.visit, [sight], sight.side, f"{what} {abs(asked):.3f} {'in' if asked > 0 else 'out'}")
            # Cavity 1 of the bench stands beside the antenna port; the hand turns 15 % too far.
            bench.bench.say(f"turn L {5 - int(what)} {1.15 * asked * screws[what]:+.0f}")
        assert sight.deed.do.startswith("lock") and "is told least" in sight.deed.why
        assert sight.figures.return_loss.value > 15.0 and sight.figures.rejection.kind is Kind.INFERRED
        assert holds(sight.figures.unloaded_q, 4000.0)
        report = build_report(bench.station.visit.file, [])
    assert any("resonator 4" in line for line in report.resonators)
    assert main(["resonators", str(tmp_path / "a.visit"), "--json"]) == 0
    (side,) = json.loads(capsys.readouterr().out)
    assert side["side"] == "low" and side["do"]["resonator"] is None and len(side["resonators"]) == 4
    assert main(["resonators", str(tmp_path / "a.visit"), "--side", "low", "--turned", "9 1 in"]) == 2
    assert "nothing tells where 9 stands" in capsys.readouterr().err
    assert main(["resonators", str(tmp_path / "a.visit"), "--turned", "2 1 in"]) == 2
    assert main(["resonators", str(tmp_path / "a.visit"), "--side", "low", "--turned", "two in"]) == 2
    assert "2 0.25 in" in capsys.readouterr().err
    assert main(["resonators", str(tmp_path / "a.visit")]) == 0
    assert "counted from port L" in capsys.readouterr().out


def test_a_preselector_has_no_third_port(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A row of scikit-rf's between two leads: the low channel is the receiver's, so that it is the one it passes."""
    f = np.linspace(430e6, 480e6, 2001)
    s = lumped(f, [450e6, 450.25e6, 450e6], 3000.0, 150.0, [0.9, 0.9])
    skrf.Network(f=f, s=s, z0=50.0, f_unit="hz").write_touchstone("row", dir=str(tmp_path))
    text = (SITES / "demo-460.toml").read_text("utf-8").replace('"band-pass"', '"preselector"')
    site = parse_site(text.replace("cavities = 4", "cavities = 3"), Path("site.toml"))
    assert (site.first_hookup, site.own_side) == ("part", Side.LOW)
    with table(tmp_path, "demo-460", "B4", "--floor", "-80", plan=site) as bench:
        bench.bench.say(f"part {tmp_path / 'row.s2p'}")
        bench.measure("part", wide(site), 2)
        (sight,) = band_sights(RunFigures(bench.station.visit.file))
        assert holds(sight.figures.offsets[1], 250e3) and sight.deed.what == "2" and sight.deed.by_hz < 0.0
        words = "\n".join(side_words(sight, site))
        assert "counted from lead 1" in words and not bare(words)
    assert main(["resonators", str(tmp_path / "a.visit")]) == 0
    assert "preselector by part" in capsys.readouterr().out
