"""Which runs count: a proof stays where nothing moved, a movement takes it away, a stage stays what was frozen.

The rules are the program's own; the visit is simulated. What is compared: report, JSON, export and a fresh reading of
exported sweeps with one another.
"""

from __future__ import annotations

import contextlib
import dataclasses
import hashlib
import json
import sqlite3
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from protocol.errors import RequestError
from rf.values.figure import Figure, at_least, cant_say, inferred, reading
from rf.values.words import text
from tests.visit.stations import table
from tests.visit.told import run
from tui.cli import main
from tui.commands.exit_status import ExitStatus
from visit.day.nudges import Around, Told, add_nudge, compare
from visit.day.stages import differences, freeze, stages, stood, to_freeze
from visit.figures.assessment import Assessment
from visit.figures.evidence import agree, choose, of_one_state
from visit.figures.replay import Figures, Replay
from visit.figures.run_figures import RunFigures
from visit.record.visit_file import VisitFile
from visit.report.report import build_report
from visit.report.report_text import report_text
from visit.run.conductor import RunOrder
from visit.site.hookup import HookUp
from visit.site.presets import wide, zoom

LOW = HookUp("A", "L")


@pytest.fixture(scope="module")
def proved(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Survey, wide sweep, a long zoom that proves the goal, then a short wide sweep of the low side."""
    folder = tmp_path_factory.mktemp("proved")
    with table(folder, "demo-450", "U6", "--floor", "-85") as bench:
        settings = wide(bench.site)
        bench.measure("loads", settings, 40)
        bench.measure("A>L", settings, 20)
        bench.measure("A>L", zoom(455e6, 244e3), 40)
        bench.measure("A>L", settings, 3)
    return folder / "a.visit"


@pytest.fixture
def visit(proved: Path) -> Iterator[VisitFile]:
    visit = VisitFile.open(proved, read_only=True)
    yield visit
    visit.close()


def copied(path: Path, to: Path) -> Path:
    """A whole copy of a visit that is open elsewhere, by SQLite's own backup."""
    source, target = sqlite3.connect(path), sqlite3.connect(to)
    with contextlib.closing(source), contextlib.closing(target):
        source.backup(target)
    return to


def test_a_short_sweep_after_a_proof_takes_nothing_away(visit: VisitFile) -> None:
    found = Replay(visit).figures(LOW)
    assert found is not None and found.run_ids == (2, 3) and found.sweeps == {2: 20, 3: 40}
    goal = next(goal for goal in found.assessment.goals if goal.name == "rejection")
    assert goal.words == "met"
    page = " ".join(report_text(build_report(visit)).split())
    assert f"rejection {text(goal.figure)}, goal 90 dB: met." in page and "The high side was NOT measured" in page
    assert "latest, not frozen" in page and "as left READING" not in page


def test_what_a_reader_exports_reads_back_the_same(
    visit: VisitFile, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    """Sweeps written singly, read again with the leak limit that stands in their comments: word, number, verdict."""
    path, folder = visit.path, tmp_path / "out"
    assert main(["export", str(path), "--to", str(folder), "--sweeps"]) == ExitStatus.GOALS_MET
    singly = sorted(folder.glob("run002-*-sweep*.s2p"))
    assert len(singly) == 20
    comment = next(line for line in singly[0].read_text().splitlines() if "--leakage" in line)
    limit = comment.rpartition(" ")[2]
    assert "UTC" in singly[0].read_text() and "floor of one sweep READING" in singly[0].read_text()
    survey = next(folder.glob("run001-loads.s2p")).read_text()
    assert "reciprocal" not in survey and "no device" in survey
    capfd.readouterr()
    site = Path(__file__).parents[2] / "fixtures/sites/demo-450.toml"
    main(["read", "--site", str(site), "--hookup", "A>L", "--leakage", limit, "--json", *map(str, singly)])
    again = json.loads(capfd.readouterr().out)
    first = Replay(visit).figures_of
    mine = first.assess(first.runs[1])
    assert mine is not None
    shown = [
        (c["role"], c[name]["kind"], round(c[name]["value"], 1))
        for c in again["channels"]
        for name in ("loss", "rejection")
        if name in c
    ]
    assert shown == [
        (c.role.value, {"AT LEAST": "at_least", "READING": "reading"}[c.transmission.kind.value],
         round(c.transmission.value, 1))
        for c in mine.channels
    ]  # fmt: skip
    verdicts = {goal["name"]: goal["verdict"] for goal in again["goals"]}
    assert verdicts["loss"] == "pass" and json.loads((folder / "figures.json").read_text())["runs"][0]["analyzer"]


def test_a_stage_stays_what_was_shown(proved: Path, tmp_path: Path) -> None:
    """Frozen at 25 of 40 sweeps of the zoom, as it stood on the screen; sweeps that came later change nothing."""
    path = copied(proved, tmp_path / "copy.visit")
    visit = VisitFile.open(path)
    try:
        shown = to_freeze(visit, "as found", shown={3: 25})
        frozen = freeze(visit, "as found", shown={3: 25})
        assert frozen[0].figures["run_sweeps"] == {"2": 20, "3": 25} and shown[0].sweeps == {2: 20, 3: 25}
        assert differences(visit) == []
        assert stages(visit)[0].figures["sweeps"] == 25
        report = build_report(visit)
        row = next(row for row in report.rows if row.name.startswith("rejection"))
        value = next(c for c in frozen[0].figures["channels"] if c["role"] == "reject")["rejection"]["value"]
        assert f"{int(value * 10) / 10:.1f}" in row.found
        with pytest.raises(RequestError, match="since as found was frozen"):
            freeze(visit, "as left")
    finally:
        visit.close()


def test_what_the_day_asks_is_written_without_a_screen(
    visit: VisitFile, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    path = copied(visit.path, tmp_path / "day.visit")
    photograph = tmp_path / "inside.jpg"
    photograph.write_bytes(b"not really a picture")
    words = ["note", str(path)]
    assert main([*words, "technician", "M.", "Example"]) == ExitStatus.GOALS_MET
    assert main([*words, "transmitter power", "50"]) == ExitStatus.GOALS_MET
    assert main([*words, "--photo", str(photograph)]) == ExitStatus.GOALS_MET
    assert main([*words, "--skip", "4", "no card"]) == ExitStatus.GOALS_MET
    for wrong, says in (
        (["shoe size", "43"], "nothing that the day asks for"),
        (["transmitter power", "many"], "not a number of W"),
        (["technician"], "nothing to write down"),
        (["--photo", str(tmp_path / "none.jpg")], "can't read"),
        (["technician", "X", "--step", "9"], "step 1 does"),
        (["--done", "3", "--skip", "4", "no"], "one thing at a time"),
    ):
        assert main([*words, *wrong]) == ExitStatus.USAGE
        assert says in capfd.readouterr().err
    assert main(words) == ExitStatus.GOALS_MET
    listed = capfd.readouterr().out
    # SHA-256 of the twenty bytes by hashlib, another reader of the file
    assert hashlib.sha256(b"not really a picture").hexdigest() in listed and "M. Example" in listed
    opened = VisitFile.open(path, read_only=True)
    try:
        page = report_text(build_report(opened))
    finally:
        opened.close()
    assert "technician     M. Example" in " ".join(page.split("  ")) or "M. Example" in page
    assert "no card" in page


# The rules alone


@pytest.fixture(scope="module")
def shown(proved: Path) -> Assessment:
    """A real assessment of a wide run, to be changed a little."""
    visit = VisitFile.open(proved, read_only=True)
    try:
        replay = Replay(visit)
        found = replay.assess(replay.runs[1])
    finally:
        visit.close()
    assert found is not None
    return found


def with_figures(a: Assessment, *, offset: Figure | None = None, rejection: Figure | None = None) -> Assessment:
    channels = tuple(
        dataclasses.replace(c, transmission=rejection) if rejection and c.role.value == "reject" else c
        for c in a.channels
    )
    return dataclasses.replace(a, channels=channels, notch_offset=offset or a.notch_offset, notch=None)


def kilohertz(value: float) -> Figure:
    return inferred(value * 1e3, value * 1e3 - 2e3, value * 1e3 + 2e3, "Hz")


def test_runs_that_exclude_each_other_are_told_and_the_newest_counts(shown: Assessment) -> None:
    """Places of 0 +-2 and +20 +-2 kHz can't be one state; 0 and +3 can (joint half-width 2.8 kHz)."""
    first, near, far = (with_figures(shown, offset=kilohertz(value)) for value in (0.0, 3.0, 20.0))
    assert agree(first, near) and not agree(first, far)
    found = choose([(run(1), first), (run(2), far)], [])
    assert found is not None and found.wide.id == 2 and "exclude each other" in found.notes[0]


def test_a_zoom_from_before_a_movement_does_not_count(shown: Assessment) -> None:
    first, moved = (with_figures(shown, offset=kilohertz(value)) for value in (0.0, 20.0))
    proof = with_figures(shown, rejection=at_least(91.0, "dB"))
    stays = choose([(run(1), first), (run(3), first)], [(run(2), proof)])
    gone = choose([(run(1), first), (run(3), moved)], [(run(2), proof)])
    assert stays is not None and [zoomed.id for zoomed in stays.zooms] == [2]
    assert gone is not None and gone.zooms == ()
    low = with_figures(first, rejection=reading(70.0, 69.0, 71.0, "dB"))
    taken_back = choose([(run(1), first), (run(3), low)], [(run(2), proof)])
    assert taken_back is not None and taken_back.zooms == () and any("moved" in note for note in taken_back.notes)


def test_a_wrong_hook_up_does_not_hide_what_was_measured(shown: Assessment) -> None:
    nothing = dataclasses.replace(
        shown, too_busy=True, cautions=("site too busy",), channels=tuple(
            dataclasses.replace(c, transmission=cant_say("dB", "bursts"), return_loss=cant_say("dB", "bursts"))
            for c in shown.channels
        ),
    )  # fmt: skip
    found = choose([(run(1), shown), (run(2), nothing)], [])
    assert found is not None and found.wide.id == 1 and found.notes == ("run 2 does not count: site too busy",)
    assert choose([], [(run(1), shown)]) is None


def test_a_turn_of_a_screw_begins_a_new_state() -> None:
    runs = [run(number) for number in (1, 2, 3, 4)]
    assert [r.id for r in of_one_state(runs, [3])] == [3, 4]
    tuned = [dataclasses.replace(r, purpose="tune") if r.id == 2 else r for r in runs]
    assert [r.id for r in of_one_state(tuned, [1])] == [2, 3, 4]
    assert [r.id for r in of_one_state(tuned, [])] == [1, 2, 3, 4]  # the page of tuning was only looked at


def test_a_side_that_nobody_turned_keeps_what_it_was_found_as(tmp_path: Path) -> None:
    """A short sweep and a look at the tuning page after as found take nothing from it; a turn on that side does."""
    with table(tmp_path, "demo-450", "U6", "--floor", "-80") as bench:
        settings = wide(bench.site)
        bench.measure("A>L", settings, 30)
        visit = bench.station.visit.file
        asked = bench.station.visit
        (words,) = asked.to_freeze("as found", {1: 25})
        assert "(run 1: 25 sweeps)" in words and "notch INFERRED" in words

        def late(visit: VisitFile, name: str, shown: dict[int, int]) -> list[Figures]:
            if shown == {1: 25}:  # it was left for another question, which is answered first
                asked.to_freeze("as found", {1: 30})
            return to_freeze(visit, name, shown=shown)

        with pytest.MonkeyPatch.context() as patch:
            patch.setattr("visit.run.site_visit.to_freeze", late)
            asked.to_freeze("as found", {1: 25})
        assert asked.freeze("as found", {1: 3}) == ["A>L"]  # what was shown last, whatever stands on a screen since
        assert stages(visit)[0].figures["run_sweeps"] == {"1": 30}
        assert Replay(visit).since(stood(Replay(visit))[0][0] or pytest.fail("frozen"), time.time()) is None
        bench.station.measure(RunOrder(LOW, settings, 8, "tune", False))
        bench.measure("A>L", settings, 3)
        before, after = stood(Replay(visit))[0]
        assert before is not None and after is not None and before.run_ids == after.run_ids == (1,)
        assert any("not turned since" in note for note in after.notes)
        (as_left,) = to_freeze(visit, "as left")
        assert as_left.run_ids == (1,) and as_left.sweeps == {1: 30}
        row = next(row for row in build_report(visit).rows if row.name.startswith("rejection"))
        assert row.found == row.left
        figures = RunFigures(visit)
        runs = figures.runs
        add_nudge(visit, runs[1], runs[2], Told(1), compare(figures, runs[1], runs[2]), Around())
        assert (stood(Replay(visit))[0][1] or pytest.fail("measured")).run_ids == (3,)


def test_a_side_swept_from_its_own_port_can_be_frozen(tmp_path: Path) -> None:
    """As the resonators of a band-pass unit are; swept from the antenna's port too it is that which counts."""
    with table(tmp_path, "demo-450", "U6") as bench:
        settings = wide(bench.site)
        bench.measure("L>A", settings, 6)
        assert [one.hookup.name for one in to_freeze(bench.station.visit.file, "as found")] == ["L>A"]
        assert bench.station.visit.freeze("as found") == ["L>A"] and bench.station.visit.day().frozen("L")
        assert any("L>A" in line for _, part in build_report(bench.station.visit.file).summary for line in part)
        bench.measure("A>L", settings, 6)
        assert [one.hookup.name for one in to_freeze(bench.station.visit.file, "as found")] == ["A>L"]
