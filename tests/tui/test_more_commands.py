"""learn, card, together, and continuing a visit: through a device node, as a shell sees them."""

from __future__ import annotations

import asyncio
import contextlib
import dataclasses
import json
import re
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from protocol.errors import RequestError
from protocol.learn.session import Session
from protocol.learn.words.allow import Entry, words_of
from protocol.profiles.profile import load_profile
from protocol.simulated.bench import Bench, start_bench
from tests.protocol.learn.test_strangers import Served
from tui.cli import main
from tui.commands.exit_status import ExitStatus
from visit.record.instrument_card import Card, Floor
from visit.record.schema import CALIBRATION_TABLES, DAY_TABLES, KEEPER_TABLES, LOOK_TABLES, SCHEMA_VERSION, SUM_TABLES
from visit.record.visit_file import VisitFile
from visit.run.card import card_lines, card_text, keep_card, last_card
from visit.site.kit import load_kit, parse_kit

SITE = str(Path(__file__).parents[2] / "fixtures/sites/demo-450.toml")


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Cards and profiles go into the user's data folder: here a fresh one."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    return tmp_path / "data"


@pytest.fixture
def bench() -> Iterator[Bench]:
    with start_bench(["--speed", "0", "--seed", "4"]) as bench:
        yield bench


def test_learn_writes_a_profile_that_is_read_again(
    home: Path, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    """A console that was written without knowledge of the learner; that it then measures right is tested there."""
    served = Served("27", tmp_path)
    try:
        assert main(["learn", served.port, "--ask", "no"]) == ExitStatus.GOALS_MET
        out, err = capfd.readouterr()
        path = Path(out.strip())
        assert path.parent == home / "deepnotch/profiles"
        assert "proof: " in err and load_profile(path).family == "console"
        assert main(["learn", served.port, "--ask", "no", "--out", str(path)]) == ExitStatus.USAGE
        assert "exists already" in capfd.readouterr().err
    finally:
        assert served.close() == []


def test_ctrl_c_keeps_what_learning_had_found(
    home: Path, tmp_path: Path, capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    async def interrupted(session: Session) -> None:
        session.words = words_of([Entry("lo", "lo <Hz>", "start frequency")])
        signal.raise_signal(signal.SIGINT)
        await asyncio.Event().wait()

    monkeypatch.setattr(Session, "open", interrupted)
    served = Served("27", tmp_path)
    try:
        assert main(["learn", served.port, "--ask", "no"]) == ExitStatus.INTERRUPTED
    finally:
        assert served.close() == []
    (kept,) = (home / "deepnotch/profiles").iterdir()
    assert "# MISSING: " in kept.read_text() and str(kept) in capfd.readouterr().err


def test_learn_says_what_is_missing(capfd: pytest.CaptureFixture[str]) -> None:
    with start_bench(["--speed", "0", "--profile", "registers"]) as bench:
        assert main(["learn", bench.node, "--ask", "no"]) == ExitStatus.FAULT
    err = capfd.readouterr().err.strip().splitlines()
    assert "not learned: " in err[-1] and "bytes came that are no text" in err[-1] and "Traceback" not in "\n".join(err)


def test_a_card_is_kept_and_compared(bench: Bench, home: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """Floor -70 dB at 1 kHz by the simulation's own setting; 10 dB worse next time is said."""
    assert main(["card", bench.node, "--site", SITE, "--sweeps", "6"]) == ExitStatus.USAGE
    assert "no card; put a load on each lead" in capfd.readouterr().err
    bench.say("connect loads")
    assert main(["card", bench.node, "--site", SITE, "--sweeps", "10"]) == ExitStatus.GOALS_MET
    out = capfd.readouterr().out
    assert "no earlier card" in out
    levels = {
        line.split(" dB at ")[1].split(" Hz")[0]: float(line.split()[1]) for line in out.splitlines() if "floor" in line
    }
    assert levels["1000"] == pytest.approx(-70.0, abs=0.5)
    assert levels["100"] == pytest.approx(-80.0, abs=0.5)
    bench.say("floor -60")
    assert main(["card", bench.node, "--site", SITE, "--sweeps", "10"]) == ExitStatus.GOALS_MET
    out = capfd.readouterr().out
    assert "! +10.0 dB against last time" in out or "! +9.9 dB" in out or "! +10.1 dB" in out
    assert len(list((home / "deepnotch/cards").glob("*.jsonl"))) == 1


def test_a_damaged_card_is_said(home: Path) -> None:
    card = Card("Box 1", "p", 1e9, (1e6, 2e6), 101, (Floor(1000.0, -70.0, 0.5),), (-90.0, -91.0), (1e6, 2e6), 0.0)
    path = keep_card(card)
    assert last_card("Box 1") == card and last_card("Box 2") is None
    assert json.loads(card_text(card))["floors"][0]["floor_db"] == -70.0
    slower = dataclasses.replace(card, floors=(Floor(1000.0, -70.0, 0.9),), leak_limit_db=(-70.0, -80.0))
    lines = "\n".join(card_lines(slower, card))
    assert "slower than last time" in lines and "leak's limit is 20 dB worse" in lines
    path.write_text("{nonsense\n")
    with pytest.raises(RequestError, match="last card is damaged"):
        last_card("Box 1")


def test_together_and_going_on_with_a_visit(bench: Bench, tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """Two commands measure into one visit file; a third says what they show together."""
    visit = str(tmp_path / "a.visit")
    words = ["check", "--port", bench.node, "--site", SITE, "--visit", visit, "--sweeps", "5"]
    main([*words, "--start", "454.97", "--stop", "455.03", "--points", "101"])
    bench.say("pad 2 10")
    main([*words, "--hookup", "A>L pad2=10", "--start", "454.97", "--stop", "455.03", "--points", "101"])
    capfd.readouterr()
    assert main(["together", visit]) == ExitStatus.GOALS_MET
    assert "10 dB pad, A>L at 455.0000 MHz: fell by" in capfd.readouterr().out
    other = tmp_path / "other.toml"
    other.write_text(Path(SITE).read_text().replace("Windmill Ridge", "Other Hill"))
    assert main(["check", "--port", bench.node, "--site", str(other), "--visit", visit]) == ExitStatus.USAGE
    assert "is a visit to 'Windmill Ridge'" in capfd.readouterr().err


def test_a_path_that_makes_no_sense_is_one_line(bench: Bench, capfd: pytest.CaptureFixture[str]) -> None:
    for hookup, words in (
        ("A>L pad2=ten", "not a number"),
        ("A>L jumper=long", "does not exist"),
        ("A>L x=1", "not under"),
    ):
        assert main(["check", "--port", bench.node, "--site", SITE, "--hookup", hookup]) == ExitStatus.USAGE
        err = capfd.readouterr().err.strip()
        assert words in err and "\n" not in err


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ('schema = 2\nname = "x"', "reads schema 1"),
        ("schema = 1", "name: is missing"),
        ('schema = 1\nname = "x"\n[open]\nfringing_f = [1e-15, 0, 0, 0, 0]', "more than four"),
        ('schema = 1\nname = "x"\n[open]\ninductance_h = [1e-12]', "not a known key"),
        ('schema = 1\nname = "x"\n[load]\ntouchstone = "none.s1p"', "No such file"),
    ],
)
def test_a_mistake_in_a_kit_is_one_line(text: str, says: str) -> None:
    with pytest.raises(RequestError) as caught:
        parse_kit(text, Path("kit.toml"))
    assert says in str(caught.value) and str(caught.value).startswith("kit.toml")


def test_a_kit_of_measured_parts(tmp_path: Path) -> None:
    (tmp_path / "open.s1p").write_text("# MHz S RI R 50\n400 0.99 -0.1\n500 0.98 -0.2\n")
    (tmp_path / "kit.toml").write_text('schema = 1\nname = "mine"\n[open]\ntouchstone = "open.s1p"\n')
    kit, text = load_kit(tmp_path / "kit.toml")
    import numpy as np

    assert kit.open.reflection(np.array([450e6]))[0] == pytest.approx(0.985 - 0.15j)
    assert "open.s1p" in text
    with pytest.raises(ValueError, match="measured from 400 to 500 MHz only"):
        kit.open.reflection(np.array([300e6, 450e6]))


def test_a_visit_of_the_first_version_is_brought_on(bench: Bench, tmp_path: Path) -> None:
    """A file from before calibrations: read in memory without a change, brought on where it is opened to write."""
    path = tmp_path / "a.visit"
    main(["check", "--port", bench.node, "--site", SITE, "--visit", str(path), "--sweeps", "3"])
    with sqlite3.connect(path) as connection:
        later = CALIBRATION_TABLES + DAY_TABLES + KEEPER_TABLES + LOOK_TABLES + SUM_TABLES
        tables = re.findall(r"create table (\w+) ", later)
        assert len(tables) == 12
        for table in tables:
            connection.execute(f"drop table {table}")
        connection.execute("alter table run drop column watched")
        connection.execute("alter table run drop column path")
        connection.execute("alter table run drop column calibration_id")
        connection.execute("pragma user_version = 1")
    connection.close()
    old = VisitFile.open(path, read_only=True)
    assert len(old.sweeps(old.runs()[0].id)) == 3 and old.runs()[0].hookup.name == "A>L"
    old.close()
    with sqlite3.connect(path) as connection:
        assert connection.execute("pragma user_version").fetchone()[0] == 1
    connection.close()
    VisitFile.open(path).close()
    with sqlite3.connect(path) as connection:
        assert connection.execute("pragma user_version").fetchone()[0] == SCHEMA_VERSION
    connection.close()


def test_an_uncorrected_analyzer_says_what_to_do(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    assert not load_profile("console-traces").corrects_itself
    with start_bench(["--speed", "0", "--raw", "--profile", "console-traces"]) as bench:
        words = ["check", "--port", bench.node, "--profile", "console-traces", "--site", SITE, "--sweeps", "3"]
        main([*words, "--points", "201", "--visit", str(tmp_path / "a.visit")])
    assert "analyzer uncorrected: calibrate it" in capfd.readouterr().out


def test_scenario_41_a_broken_run_goes_on(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """The link drops in sweep 8 of 20: after the next start all are there, the average goes on, none counts twice."""
    path = tmp_path / "a.visit"
    with start_bench(["--speed", "0.3", "--seed", "4"]) as bench:
        words = [sys.executable, "-m", "tui.cli", "check", "--port", bench.node, "--site", SITE, "--visit", str(path)]
        process = subprocess.Popen([*words, "--sweeps", "20"], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        seen = 0
        while seen < 8:
            assert process.poll() is None
            if path.exists():
                with contextlib.suppress(RequestError):
                    visit = VisitFile.open(path, read_only=True)
                    runs = visit.runs()
                    seen = visit.sweep_count(runs[-1].id) if runs else 0
                    visit.close()
        process.kill()
        process.wait()
        again = VisitFile.open(path, read_only=True)
        kept = [sweep.started_s for sweep in again.sweeps(again.runs()[-1].id)]
        again.close()
        assert 8 <= len(kept) < 20
        assert main([*words[3:], "--resume", "--json"]) == ExitStatus.CANT_SAY
        out, err = capfd.readouterr()
        assert f"{len(kept)} of 20 sweeps are there" in err and json.loads(out)["sweeps"] == 20
        assert main([*words[3:], "--resume"]) == ExitStatus.USAGE
        assert "no run was broken off" in capfd.readouterr().err
    whole = VisitFile.open(path, read_only=True)
    sweeps = whole.sweeps(whole.runs()[-1].id)
    whole.close()
    assert len(sweeps) == 20 and [sweep.started_s for sweep in sweeps][: len(kept)] == kept
    assert len({sweep.started_s for sweep in sweeps}) == 20
