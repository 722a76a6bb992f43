"""Profiles that are wrong in ways that nothing on the wire contradicts: no figure, on no surface, until a person
answers for them; what the wire does contradict is refused."""

from __future__ import annotations

import contextlib
import json
import subprocess
import sys
from pathlib import Path

import pytest

from tests.tui.plugging import FIGURE, served
from tests.tui.terminal import ROOT, terminal
from tui.commands.exit_status import ExitStatus
from visit.figures.known import AXIS, BY_HAND
from visit.record.visit_file import VisitFile

RIGHT = """\
schema = 1
family = "console"
name = "Pewter"
corrects_itself = true
[limits]
start_hz = 100000
stop_hz = 1300000000
min_points = 3
max_points = 501
bandwidths_hz = [1000]
[timing]
settling_s = 0.001
bandwidth_factor = 2.0
overhead_s = 0.4
reply_s = 1.5
quiet_s = 0.15
[console]
prompt = ["pewter: "]
echo = true
out_end = "\\r"
refusals = ["no such word: {word}"]
resolution_hz = 1
reads_sweep = true
[console.commands]
identify = "hello"
points = "points {points}"
start = "start {start_hz}"
stop = "stop {stop_hz}"
[[console.reads]]
command = "refl"
line = "{frequency_hz} {s11_re} {s11_im}"
loose = true
[[console.reads]]
command = "thru"
line = "{frequency_hz} {s21_re} {s21_im}"
loose = true
"""
BARE = RIGHT.replace("{frequency_hz}", "{skip}")
IGNORED = BARE.replace('"start {start_hz}"', '"hello {start_hz}"').replace('"stop {stop_hz}"', '"hello {stop_hz}"')
WRONG_UNIT = BARE.replace("{start_hz}", "{start_khz}").replace("{stop_hz}", "{stop_khz}")
SITE = 'name = "Heron Bank"\nlow_hz = 460122000\nhigh_hz = 516408000\ntransmit = "low"\n'
UNKNOWN = "nothing shows that it sweeps the frequencies that were set"


@pytest.fixture
def port(tmp_path: Path) -> str:
    (tmp_path / "site.toml").write_text(SITE)
    return str(tmp_path / "analyzer")


def run(tmp_path: Path, *words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, "-m", "tui", *words], capture_output=True, text=True, check=False, cwd=ROOT)


def check(tmp_path: Path, port: str, profile: str, *more: str) -> subprocess.CompletedProcess[str]:
    (tmp_path / "mine.toml").write_text(profile)
    words = ("check", "--port", port, "--profile", str(tmp_path / "mine.toml"), "--site", str(tmp_path / "site.toml"))
    return run(tmp_path, *words, "--sweeps", "3", "--visit", str(tmp_path / "a.visit"), "--trust-hookup", *more)


@pytest.mark.timeout(150)
def test_a_person_answers_for_frequencies_on_the_screen(tmp_path: Path, port: str) -> None:
    (tmp_path / "mine.toml").write_text(BARE)
    words = ("--port", port, "--profile", str(tmp_path / "mine.toml"), "--site", str(tmp_path / "site.toml"))
    visit = tmp_path / "a.visit"
    with served("pewter", Path(port), tmp_path, speed=4):
        (tmp_path / "bench").write_text("device")
        with terminal("live", *words, "--visit", str(visit)) as screen:
            screen.wait_for("LEADS EXCHANGED")
            screen.type("y")  # the bench shows a band-pass, which no duplexer of this site is
            screen.wait_for(lambda text: UNKNOWN in " ".join(text.split()))
            assert FIGURE.search(screen.text.split("FLOOR")[0]) is None
            screen.type("f")
            screen.wait_for("I looked, and it is so")
            screen.type("y")
            screen.wait_for(lambda text: FIGURE.search(text.split("FLOOR")[0]) is not None)
            screen.type("q\r")
            assert screen.wait_for_end() == 0
    with contextlib.closing(VisitFile.open(visit, read_only=True)) as file:
        said = [str(words) for (words,) in file.rows("select words from remark where kind = ? order by id", (AXIS,))]
    assert UNKNOWN in said[0] and said[-1].startswith(BY_HAND) and "Pewter" in said[-1]


@pytest.mark.long
@pytest.mark.timeout(300)
@pytest.mark.parametrize("profile", [BARE, IGNORED, WRONG_UNIT], ids=["bare", "ignored", "unit"])
def test_what_nothing_contradicts_gives_no_figure(tmp_path: Path, port: str, profile: str) -> None:
    with served("pewter", Path(port), tmp_path, speed=4):
        (tmp_path / "bench").write_text("device")
        done = check(tmp_path, port, profile, "--json")
        lines = check(tmp_path, port, profile)
    assert done.returncode == lines.returncode == ExitStatus.CANT_SAY, done.stderr
    channels = json.loads(done.stdout)["channels"]
    kinds = {one[key]["kind"] for one in channels for key in one if "loss" in key or key == "rejection"}
    assert kinds == {"cannot_say"}
    assert UNKNOWN in done.stdout and UNKNOWN in lines.stdout
    report = run(tmp_path, "report", str(tmp_path / "a.visit")).stdout
    figures = report.split("EVIDENCE OF THE FLOOR")[0].split("A>L")[1]
    assert UNKNOWN in " ".join(report.split()) and FIGURE.search(figures) is None


@pytest.mark.long
@pytest.mark.timeout(300)
def test_a_wrong_unit_is_contradicted_by_the_column(tmp_path: Path, port: str) -> None:
    wrong = RIGHT.replace("{start_hz}", "{start_khz}").replace("{stop_hz}", "{stop_khz}")
    with served("pewter", Path(port), tmp_path, speed=4):
        done = check(tmp_path, port, wrong)
    assert "are not those that were set" in done.stderr and "Traceback" not in done.stderr
