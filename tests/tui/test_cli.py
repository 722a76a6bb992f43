"""The commands: data on stdout, words for people on stderr, exit status for the shell. Through a device node."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from importlib.metadata import PackageNotFoundError
from pathlib import Path

import pytest

from protocol.simulated.bench import Bench, start_bench
from tests.benchtop import make_unit, take
from tui.cli import build_parser, main
from tui.commands.exit_status import ExitStatus
from visit.figures.replay import Replay
from visit.record.visit_file import VisitFile
from visit.site.hookup import HookUp

SITES = Path(__file__).parents[2] / "fixtures/sites"
SITE = str(SITES / "demo-450.toml")
FIGURE_KEYS = {"value", "unit", "kind", "low", "high", "confidence", "limited_by", "why"}
KINDS = {"reading", "at_least", "inferred", "cannot_say"}


@pytest.fixture
def bench() -> Iterator[Bench]:
    with start_bench(["--speed", "0", "--seed", "4"]) as bench:
        yield bench


def easy_site(tmp_path: Path, rejection_db: float = 60.0) -> str:
    text = Path(SITE).read_text().replace("rejection_db = 90.0", f"rejection_db = {rejection_db}")
    path = tmp_path / "site.toml"
    path.write_text(text)
    return str(path)


def check(bench: Bench, tmp_path: Path, *words: str, site: str = SITE) -> int:
    return main(["check", "--port", bench.node, "--site", site, "--visit", str(tmp_path / "a.visit"), *words])


def figures(data: object) -> Iterator[dict[str, object]]:
    """Every object with a kind, wherever it stands."""
    if isinstance(data, dict):
        if "kind" in data:
            yield data
        for value in data.values():
            yield from figures(value)
    elif isinstance(data, list):
        for value in data:
            yield from figures(value)


def test_check_gives_figures_as_json(bench: Bench, tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    assert check(bench, tmp_path, "--sweeps", "12", "--json") == ExitStatus.CANT_SAY
    out, err = capfd.readouterr()
    data = json.loads(out)
    assert (data["hookup"], data["sweeps"], data["site"]) == ("A>L", 12, "Windmill Ridge")
    found = list(figures(data))
    assert len(found) >= 8
    for figure in found:
        assert set(figure) == FIGURE_KEYS
        assert figure["kind"] in KINDS
        assert (figure["value"] is None) == (figure["kind"] == "cannot_say")
        if figure["kind"] == "at_least":
            assert figure["low"] == figure["value"]
            assert figure["high"] is None
    assert "visit file" in err
    assert "NaN" not in out
    assert "Infinity" not in out


@pytest.mark.parametrize(
    ("goal_db", "status"), [(30.0, ExitStatus.GOALS_MET), (50.0, ExitStatus.CANT_SAY), (90.0, ExitStatus.CANT_SAY)]
)
def test_exit_status_follows_the_goals(bench: Bench, tmp_path: Path, goal_db: float, status: ExitStatus) -> None:
    """At 50 dB the goal is proven, but not that it is no leak: a pass on a condition is not status 0."""
    assert check(bench, tmp_path, "--sweeps", "10", site=easy_site(tmp_path, goal_db)) == status


def test_zoom_proves_the_goal(bench: Bench, tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    assert (
        check(bench, tmp_path, "--sweeps", "20", "--zoom", "100", "--json", "--leakage", "-120") == ExitStatus.GOALS_MET
    )
    data = json.loads(capfd.readouterr().out)
    assert data["proven_db"] >= 90.0
    reject = next(channel for channel in data["channels"] if channel["role"] == "reject")
    assert reject["proof_parts_db"]["mismatch"] > 0.5
    assert {goal["verdict"] for goal in data["goals"]} == {"pass"}


def test_side_to_side_is_zoomed_at_both_channels_and_proven(
    bench: Bench, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    """It swept, then ended as wrong use with no figure."""
    bench.say("connect L H")
    words = ("--hookup", "L>H", "--sweeps", "5", "--zoom", "60", "--json", "--leakage", "-120")
    assert check(bench, tmp_path, *words) == ExitStatus.GOALS_MET
    data = json.loads(capfd.readouterr().out)
    assert [channel["role"] for channel in data["channels"]] == ["reject", "reject"]
    truth = 99.466  # of both, by the unit's own S-parameters
    for channel in data["channels"]:
        assert 90.0 <= channel["rejection"]["low"] <= truth + 0.5
        assert channel["proof_parts_db"]["load"] > 0.9
    assert [goal["verdict"] for goal in data["goals"]] == ["pass", "pass"] and 90.0 <= data["proven_db"] <= truth + 0.2
    (visit,) = (tmp_path).glob("**/*.visit")
    file = VisitFile.open(visit, read_only=True)
    replayed = Replay(file).figures(HookUp("L", "H"))
    file.close()
    assert replayed is not None and len(replayed.run_ids) == 3
    assert [goal.verdict.value for goal in replayed.assessment.goals] == ["pass", "pass"]


def test_survey_and_its_limit(bench: Bench, tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    bench.say("leakage -85")
    bench.say("connect loads")
    assert check(bench, tmp_path, "--sweeps", "60", "--hookup", "loads", "--json") == ExitStatus.CANT_SAY
    data = json.loads(capfd.readouterr().out)
    assert data["leakage"]["kind"] == "reading"
    assert -86.5 < data["leakage_limit_db"] < -82.0


def test_a_leak_that_was_surveyed_keeps_a_proof_away(bench: Bench, tmp_path: Path) -> None:
    words = ("--sweeps", "20", "--zoom", "50", "--leakage", "-85")
    assert check(bench, tmp_path, *words) == ExitStatus.CANT_SAY


def test_goals_not_met(bench: Bench, tmp_path: Path) -> None:
    for number in (1, 2, 3):
        bench.say(f"turn L {number} +4MHz")
    assert check(bench, tmp_path, "--sweeps", "5") == ExitStatus.GOALS_NOT_MET


def test_an_analyzer_that_falls_silent(bench: Bench, tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    bench.say("fault silence 99")
    assert check(bench, tmp_path, "--sweeps", "3") == ExitStatus.FAULT
    out, err = capfd.readouterr()
    assert out == ""
    assert err.strip().splitlines()[-1].startswith("deepnotch: ")
    assert "Traceback" not in err


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["check", "--port", "/dev/none", "--site", SITE], "no such port"),
        (["check", "--port", "/dev/null", "--site", SITE], "not a serial port"),
        (["check", "--port", "/dev/null", "--site", "/none.toml"], "none.toml"),
        (["check", "--port", "/dev/null", "--site", SITE, "--profile", "nobody"], "nobody"),
        (["check", "--port", "/dev/null", "--site", SITE, "--hookup", "A>A"], "A>A"),
        (["check", "--port", "/dev/null", "--site", SITE, "--sweeps", "0"], "sweeps"),
        (["check", "--port", "/dev/null", "--site", SITE, "--points", "1"], "points"),
        (["check", "--port", "/dev/null", "--site", SITE, "--points", "0"], "points"),
        (["read", "/none.s2p", "--site", SITE], "none.s2p"),
        (["demo", "--unit", "X9"], "X9"),
        (["check", "--port", "/dev/null", "--site", SITE, "--leakage", "3"], "leakage"),
        (["check", "--port", "/dev/null", "--site", SITE, "--zoom", "0"], "zoom"),
    ],
)
def test_mistakes_of_use_are_one_line(
    words: list[str], says: str, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    assert main(words) == ExitStatus.USAGE
    captured = capsys.readouterr()
    assert captured.out == ""
    lines = [line for line in captured.err.splitlines() if line.startswith("deepnotch:")]
    assert len(lines) == 1
    assert says in lines[0]


def record(path: Path, seed: int) -> str:
    sweep = take(make_unit("U6", (60e3, 0.0, 30e3)), (442.5e6, 462.5e6), 1, seed=seed)[0]
    rows = ["# Hz S RI R 50"]
    for f, s11, s21 in zip(sweep.frequency_hz, sweep.s11, sweep.s21, strict=True):
        rows.append(f"{f:.1f} {s11.real:.9e} {s11.imag:.9e} {s21.real:.9e} {s21.imag:.9e} 0 0 0 0")
    path.write_text("\n".join(rows) + "\n")
    return str(path)


def test_read_recorded_sweeps(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    files = [record(tmp_path / f"{k}.s2p", k) for k in range(8)]
    assert main(["read", *files, "--site", SITE, "--json"]) == ExitStatus.CANT_SAY
    data = json.loads(capsys.readouterr().out)
    assert data["sweeps"] == 8
    offset = data["notch_offset"]
    assert offset["kind"] == "inferred"
    assert offset["low"] <= 30e3 <= offset["high"]


def test_read_as_text(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    main(["read", record(tmp_path / "a.s2p", 1), "--site", SITE])
    out = capsys.readouterr().out
    for word in ("AT LEAST", "INFERRED", "READING", "goal"):
        assert word in out


def test_ports_and_profiles(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["profiles"]) == 0
    assert [line.split("\t")[0] for line in capsys.readouterr().out.splitlines()] == [
        "console-lines",
        "console-traces",
        "registers",
        "scpi",
    ]
    assert main(["ports"]) == 0


def test_a_key_that_interrupts_while_libraries_load_leaves_no_traceback(monkeypatch: pytest.MonkeyPatch) -> None:
    def interrupted(**_: bool) -> bool:
        raise KeyboardInterrupt

    monkeypatch.setattr("tui.cli.too_little", interrupted)
    assert main(["ports"]) == ExitStatus.INTERRUPTED


def test_the_version_is_told_where_nothing_is_installed(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def missing(name: str) -> str:
        raise PackageNotFoundError(name)

    monkeypatch.setattr("importlib.metadata.version", missing)
    monkeypatch.setattr("protocol.files.program.version", missing)
    assert main(["--version"]) == 0
    assert capsys.readouterr().out == "deepnotch not installed\n"


def test_version_and_bare_call(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--version"]) == 0
    assert capsys.readouterr().out.startswith("deepnotch 0.")
    assert main([]) == ExitStatus.USAGE
    with pytest.raises(SystemExit) as caught:
        build_parser().parse_args(["fly"])
    assert caught.value.code == 2


LIGHT = "import sys; import tui.cli; tui.cli.build_parser(); print(*sys.modules)"
SCREEN = "import sys; import tui.commands.commands, tui.screens.app; print(*sys.modules)"


@pytest.mark.parametrize(
    ("program", "forbidden"),
    [
        (LIGHT, ("numpy", "textual", "serial", "scipy", "skrf", "sqlite3")),
        (SCREEN, ("scipy", "skrf", "pandas", "matplotlib")),
    ],
)
def test_what_is_heavy_is_loaded_late(program: str, forbidden: tuple[str, ...]) -> None:
    """In a fresh interpreter: the help costs no NumPy, the screen no SciPy."""
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    loaded = set(done.stdout.split())
    assert [name for name in forbidden if name in loaded] == []


@pytest.mark.parametrize("room", ["rf", "protocol", "visit", "tui"])
def test_every_module_can_be_imported_alone(room: str) -> None:
    root = Path(__file__).parents[2]
    names = [
        ".".join(path.relative_to(root).with_suffix("").parts)
        for path in sorted((root / room).rglob("*.py"))
        if path.name not in ("__init__.py", "__main__.py")
    ]
    program = "import importlib, sys\nfor name in sys.argv[1:]: importlib.import_module(name)"
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", program, *names],
        capture_output=True, text=True, check=False, cwd=root, env={**os.environ, "PYTHONDONTWRITEBYTECODE": "1"},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
