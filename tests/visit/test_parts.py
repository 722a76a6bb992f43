"""Further two-ports of a visit: measured both ways on the simulated bench, or as Touchstone; what the chain gains."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest
import skrf

from protocol.errors import RequestError
from rf.values.figure import Figure, Kind
from tests.visit.stations import table
from tui.cli import main
from visit.day.day import Day
from visit.day.gains import gains_of
from visit.day.parts import paths_of
from visit.figures.replay import Replay
from visit.record.opening import RecordError
from visit.record.parts import StoredPart, parts_of, read_part_file, write_part
from visit.record.sheet import LINES, write
from visit.record.visit_file import VisitFile
from visit.site.presets import wide

LOW_HZ, HIGH_HZ = 450e6, 455e6
F = np.linspace(440e6, 465e6, 251)


def part_file(folder: Path, name: str, forward: float, backward: float, match: float = 20.0) -> Path:
    """A flat two-port with a line inside, written by scikit-rf."""
    turn = np.exp(-2j * np.pi * F * 1.3e-9)
    s = np.zeros((F.size, 2, 2), complex)
    s[:, 1, 0], s[:, 0, 1] = 10 ** (-forward / 20) * turn, 10 ** (-backward / 20) * turn
    s[:, 0, 0], s[:, 1, 1] = 10 ** (-match / 20) * turn**1.7, 10 ** (-match / 20) * turn**0.4
    network = skrf.Network(frequency=skrf.Frequency.from_f(F, unit="hz"), s=s)
    network.write_touchstone(name, dir=str(folder))
    return folder / f"{name}.s2p"


def holds(figure: Figure, truth: float) -> bool:
    return figure.low <= truth <= figure.high


def test_an_isolator_measured_both_ways_and_a_preamplifier_by_file(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    isolator = part_file(tmp_path, "isolator", 0.6, 27.0)
    preamplifier = part_file(tmp_path, "preamplifier", -14.0, 35.0)
    with table(tmp_path, "demo-450", "U6", "--floor", "-85") as bench:
        settings = wide(bench.site)
        bench.bench.say(f"part {isolator}")
        assert bench.measure("part", settings, 4) == 1 and bench.measure("part-back", settings, 4) == 2
        for hookup in ("A>L", "A>H"):
            bench.measure(hookup, settings, 10)
        visit = bench.station.visit.file
        write(visit, LINES["transmitter power"], "50")
        bare = gains_of(Day(visit), Replay(visit)).after
    path = tmp_path / "a.visit"
    said = ["part", str(path), "isolator", "--kind", "isolator", "--place", "transmit"]
    assert main([*said, "--run", "1", "--back", "2"]) == 0
    words = capsys.readouterr().out
    assert "transmitter to duplexer" in words and "measured" in words
    receive = ["--kind", "preamplifier", "--place", "receive", "--noise-figure", "1"]
    assert main(["part", str(path), "preamp", *receive, "--file", str(preamplifier), "--json"]) == 0
    shown = json.loads(capsys.readouterr().out)
    assert shown["receive"]["low"]["forward"]["kind"] == "inferred"
    visit = VisitFile.open(path)
    replay = Replay(visit)
    paths = paths_of(replay)
    for link in (paths["transmit"].low, paths["transmit"].high):
        assert link is not None and link.forward.kind is Kind.READING
        assert holds(link.forward, 0.6) and holds(link.backward, 27.0)
        assert holds(link.match_in, 20.0) and holds(link.match_out, 20.0)
    after = gains_of(Day(visit), replay).after
    assert bare is not None and after is not None and "with 2 further parts" in after.says
    # The isolator costs its loss, within what mismatch leaves; the preamplifier makes the receiver less deaf.
    less = bare.outcome.radiated_dbm.value - after.outcome.radiated_dbm.value
    assert less == pytest.approx(0.6, abs=0.1)
    assert after.outcome.radiated_dbm.high - after.outcome.radiated_dbm.low > 1.0
    # By Friis: 8 dB behind 14 dB of gain and 1 dB of noise figure come to 1.6 dB, so the transmitter's noise, 0.6 dB
    # less by the isolator, stands 6.4 dB nearer; both margins are bounds, by the worse ends of what was assumed.
    own = 10 * math.log10(10**0.1 + (10**0.8 - 1) / 10**1.4)
    nearer = bare.outcome.noise_margin.low - after.outcome.noise_margin.low
    assert nearer == pytest.approx(8.0 - own - 0.6, abs=3.5) and nearer > 2.0
    assert after.outcome.deafness.high < bare.outcome.deafness.high + 8.0
    assert main(["part", str(path), "preamp", "--out"]) == 0
    assert [part.name for part in parts_of(visit)] == ["isolator"]
    visit.close()


def test_files_whose_phases_are_known_are_cascaded_as_they_are(tmp_path: Path) -> None:
    files = [part_file(tmp_path, name, 1.0, 1.0, 12.0) for name in ("one", "two")]
    with table(tmp_path, "demo-450", "U6") as bench:
        visit = bench.station.visit.file
        for path in files:
            text = read_part_file(path)
            write_part(visit, StoredPart(path.stem, "filter", "receive", text))
        path_ = paths_of(Replay(visit))["receive"]
        whole = skrf.Network(str(files[0])) ** skrf.Network(str(files[1]))
        at = int(np.argmin(abs(F - LOW_HZ)))
        truth = float(-20 * np.log10(abs(whole.s[at, 1, 0])))
        assert path_.exact and path_.low is not None and path_.high is not None
        assert holds(path_.low.forward, truth) and path_.low.forward.value == pytest.approx(truth, abs=0.01)


def test_what_is_no_part_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    far = tmp_path / "far.s2p"
    far.write_text("# MHz S DB R 50\n144 -20 0 -1 0 -1 0 -20 0\n146 -20 0 -1 0 -1 0 -20 0\n", encoding="utf-8")
    with table(tmp_path, "demo-450", "U6") as bench:
        path = str(bench.station.visit.file.path)
        with pytest.raises(RequestError, match="there is no part on the bench"):
            bench.bench.say("connect part")
        words = ["--kind", "filter", "--place", "receive"]
        for said, told in (
            (["x", *words], "give its data"),
            (["x", *words, "--run", "7"], "run 7 is none of hook-up part"),
            (["x", *words, "--file", str(tmp_path / "none.s2p")], "none.s2p"),
            (["x" * 50, *words, "--file", str(far)], "plain letters"),
            (["x", "--file", str(far)], "--kind and --place"),
            (["y", "--out"], "no part 'y'"),
            (["--out"], "give the part a name"),
        ):
            assert main(["part", path, *said]) == 2
            assert told in capsys.readouterr().err
        assert main(["part", path, "x", *words, "--file", str(far)]) == 0
        assert "CAN'T SAY" in capsys.readouterr().out
        visit = bench.station.visit.file
        visit.remark("part", '{"name": "x", "kind": "bomb", "place": "receive", "touchstone": ""}', 2.0)
        with pytest.raises(RecordError, match="name, kind or place"):
            parts_of(visit)
