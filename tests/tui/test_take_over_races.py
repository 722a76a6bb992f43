"""Several processes want the same run at once: one wins, it goes on with the average, the others change nothing."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from protocol.errors import RequestError
from protocol.simulated.bench import Bench, start_bench
from tests.tui.terminal import PATIENCE_S, ROOT
from tests.tui.test_terminal_gone import SITE, outcomes, remarks, sequences, wait_until
from tui.cli import main
from tui.commands.exit_status import ExitStatus
from visit.record.owner import Owner, ask, asked, hand_over, living, mark_of, register
from visit.record.visit_file import VisitFile
from visit.run.conductor import new_visit
from visit.site.site import load_site

SWEEPS, RACERS = 150, 3


@pytest.fixture
def bench() -> Iterator[Bench]:
    with start_bench(["--speed", "0.2", "--seed", "4"]) as bench:
        yield bench


def check(bench: Bench, path: Path, *more: str) -> subprocess.Popen[str]:
    words = ["check", "--port", bench.node, "--site", SITE, "--visit", str(path), "--sweeps", str(SWEEPS), *more]
    return subprocess.Popen(
        [sys.executable, "-m", "tui", *words], cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )


def test_of_several_that_take_over_one_wins(bench: Bench, tmp_path: Path) -> None:
    path = tmp_path / "a.visit"
    first = check(bench, path)
    wait_until(lambda: len(sequences(path)) > 3, "sweeps come")
    racers = [check(bench, path, "--take-over") for _ in range(RACERS)]
    said = [racer.communicate(timeout=2 * PATIENCE_S)[1] for racer in racers]
    first.communicate(timeout=PATIENCE_S)
    done = [racer.returncode in (0, 1, 3) and "kept in" not in words for racer, words in zip(racers, said, strict=True)]
    # Whoever comes while a winner measures already takes over from it in turn; whoever comes at once is refused.
    assert sum(done) == 1, said
    assert sequences(path) == list(range(SWEEPS)) and outcomes(path) == ["complete"]
    log = [(str(kind), str(words)) for kind, words in remarks(path)]
    handed = [words for kind, words in log if kind == "handed over"]
    goes_on = [words for kind, words in log if kind == "resumed"]
    assert len(handed) == len(goes_on) >= 1 and set(goes_on) == {"run 1 goes on"}
    pids = {racer.pid for racer in racers}
    assert all(int(words.rpartition(" ")[2]) in pids for words in handed)
    assert [kind for kind, _ in log if kind in ("handed over", "resumed")] == ["handed over", "resumed"] * len(handed)
    refused = [words for racer, words in zip(racers, said, strict=True) if racer.returncode == ExitStatus.USAGE]
    assert len(refused) + len(handed) >= RACERS
    assert all(words.count("\n") == 1 for words in refused)


def of(pid: int, port: str = "/dev/none") -> dict[str, object]:
    return {"at_s": 1.0, "pid": pid, "mark": mark_of(pid), "port": port}


@pytest.fixture
def visit(tmp_path: Path) -> Iterator[VisitFile]:
    visit = new_visit(tmp_path / "a.visit", load_site(Path(SITE)), "site")
    yield visit
    visit.close()


@pytest.fixture
def others() -> Iterator[tuple[int, int]]:
    """Two processes that live."""
    with subprocess.Popen(["sleep", "100"]) as one, subprocess.Popen(["sleep", "100"]) as two:
        yield one.pid, two.pid
        one.kill()
        two.kill()


def test_who_asks_second_changes_nothing(visit: VisitFile, others: tuple[int, int]) -> None:
    owner = Owner(visit.add_row("keeper", of(others[0])), others[0], mark_of(others[0]), "/dev/none", 1.0)
    visit.add_row("handover", {"at_s": 1.0, "keeper_id": owner.id, "pid": others[1]})
    with pytest.raises(RequestError, match=f"process {others[1]} is taking it over already"):
        ask(visit, owner)
    assert visit.rows("select pid from handover") == [(others[1],)]


def test_who_asked_and_died_is_not_waited_for(visit: VisitFile, others: tuple[int, int]) -> None:
    owner = Owner(visit.add_row("keeper", of(others[0])), others[0], mark_of(others[0]), "/dev/none", 1.0)
    visit.add_row("handover", {"at_s": 1.0, "keeper_id": owner.id, "pid": 2**30})
    ask(visit, owner)
    assert asked(visit, owner.id) == os.getpid()


def test_what_was_promised_to_one_is_not_taken_by_another(visit: VisitFile, others: tuple[int, int]) -> None:
    """Between letting go and the winner's beginning nobody measures: no third one may slip in."""
    former = visit.add_row("keeper", of(others[0]))
    hand_over(visit, former, others[1])
    assert living(visit) is None
    with pytest.raises(RequestError, match=f"process {others[1]} is just taking it over"):
        register(visit, "/dev/none")
    assert len(visit.rows("select id from keeper")) == 1
    hand_over(visit, former, os.getpid())
    mine = register(visit, "/dev/none")
    assert register(visit, "/dev/none") == mine != former


def test_a_run_that_another_measures_is_not_resumed(
    bench: Bench, tmp_path: Path, others: tuple[int, int], capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    """Two that say --resume at once, the other one a moment earlier: the second leaves the run as it is."""
    path = tmp_path / "a.visit"
    words = ["check", "--port", bench.node, "--site", SITE, "--visit", str(path), "--sweeps", "4"]
    assert main(words) in (0, 1, 3)
    visit = VisitFile.open(path)
    with visit.writing() as connection:
        connection.execute("update run set outcome = 'stopped', planned_sweeps = 9")
    visit.add_row("keeper", of(others[0]))
    monkeypatch.setattr("tui.commands.commands.measured_by_another", lambda _: None)
    assert main([*words, "--resume"]) == ExitStatus.USAGE
    assert f"by process {others[0]}" in capsys.readouterr().err
    assert outcomes(path) == ["stopped"] and "resumed" not in [kind for kind, _ in remarks(path)]
    visit.close()


def test_resume_before_any_sweep_begins_anew(bench: Bench, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A wrapper that always says --resume; the file is not there yet, or no sweep came."""
    path = tmp_path / "a.visit"
    words = ["check", "--port", bench.node, "--site", SITE, "--visit", str(path), "--sweeps", "3", "--resume"]
    assert main(words) in (0, 1, 3)
    assert "no sweep was kept yet" in capsys.readouterr().err and outcomes(path) == ["complete"]
    visit = VisitFile.open(path)
    with visit.writing() as connection:  # the next run ended before its first sweep
        connection.execute(
            "insert into run select null, at_s, analyzer_id, purpose, driven, read, third, path, calibration_id,"
            " start_hz, stop_hz, points, bandwidth_hz, level_dbm, changes, planned_sweeps, watched, null, 'stopped'"
            " from run limit 1"
        )
    visit.close()
    assert main(words) in (0, 1, 3)
    assert "no sweep was kept yet" in capsys.readouterr().err
    assert outcomes(path) == ["complete", "stopped", "complete"]
    assert main(words) == ExitStatus.USAGE and "leave --resume out" in capsys.readouterr().err


def test_a_run_of_an_earlier_program_that_was_killed_is_resumed(
    bench: Bench, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Version 5, its log still beside it."""
    path = tmp_path / "a.visit"
    for ending in ("", "-wal"):
        shutil.copy(ROOT / f"tests/visit/old_files/version5-killed.visit{ending}", f"{path}{ending}")
    words = ["check", "--port", bench.node, "--site", SITE, "--visit", str(path), "--resume"]
    assert main(words) in (0, 1, 3), capsys.readouterr().err
    assert "12 of 40 sweeps are there" in capsys.readouterr().err
    assert sequences(path) == list(range(40)) and outcomes(path) == ["complete"]
    assert [file.name for file in tmp_path.iterdir()] == ["a.visit"]
