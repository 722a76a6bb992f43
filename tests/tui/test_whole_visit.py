"""The whole program against a simple model of what must be in the visit file, whatever is done in whatever order.

Steps are processes: runs that are left to themselves, hung up on, told to end, killed, taken over, resumed; the cable
off and on; other settings; a calibration; stages frozen; reports, copies. After each step the file must hold what the
model says: every run with its outcome, every sweep that was seen, none twice, none lost, and nothing beside it once
nobody measures. `make night` takes 10,000 steps (DEEPNOTCH_STEPS for another number).
"""

from __future__ import annotations

import contextlib
import itertools
import os
import shutil
import signal
import tempfile
import time
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, settings
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)
from hypothesis.strategies import integers, sampled_from

from protocol.simulated.bench import start_bench
from tests.tui.forked import ROOT, Programs
from tui.commands.exit_status import ExitStatus
from tui.commands.session import TERMINATED
from visit.record.opening import RecordError
from visit.record.visit_file import VisitFile

SITE = ROOT / "fixtures/sites/demo-450.toml"
STEPS = int(os.environ.get("DEEPNOTCH_STEPS", "10000"))
STEPS_EACH = 40
LONG_RUN = 60
"""Sweeps of 22 ms: time to do something to it."""
WITH_NOTCHES = 8
"""In one visit of so many the unit has notches. Their figures take three quarters of a step's time, and nothing of what
a file must hold hangs on them: the others are of a unit without."""
MEASURED = (ExitStatus.GOALS_MET, ExitStatus.GOALS_NOT_MET, ExitStatus.CANT_SAY)
PATIENCE_S = 600.0
TAKEN: Counter[str] = Counter()
"""Steps taken by this process, by name."""
BEGUN = itertools.count()
"""Visits of this process."""


@dataclass
class Run:
    """What is known of a run: planned sweeps, how many were seen, how it ended (None: it has no end)."""

    planned: int
    seen: int
    outcome: str | None = None

    @property
    def exact(self) -> bool:
        return self.outcome == "complete"


class WholeVisit(RuleBasedStateMachine):
    """One visit file, one bench, at most one process that measures for longer than a step."""

    @initialize()
    def begin(self) -> None:
        if TAKEN.total():
            print(f"{TAKEN.total()} steps before this visit", flush=True)
        self.stack = contextlib.ExitStack()
        self.folder = Path(self.stack.enter_context(tempfile.TemporaryDirectory(prefix="deepnotch-model-")))
        self.place = self.folder / "visit"
        self.place.mkdir()
        self.path, self.link = self.place / "a.visit", self.folder / "analyzer"
        self.site = self.folder / "site.toml"
        text = SITE.read_text(encoding="utf-8")
        self.site.write_text(text if next(BEGUN) % WITH_NOTCHES == 0 else text.replace("band-reject", "band-pass"))
        self.bench = self.stack.enter_context(
            start_bench(["--speed", "0.05", "--seed", "4", "--link", str(self.link), "--hookup", "A>L"])
        )
        pipes = self.bench._process.stdin, self.bench._process.stdout
        assert pipes[0] is not None and pipes[1] is not None
        self.programs = self.stack.enter_context(Programs(self.folder, (pipes[0].fileno(), pipes[1].fileno())))
        self.runs: list[Run] = []
        self.stages = self.calibrations = 0
        self.more: list[str] = []
        self.current: int | None = None

    def teardown(self) -> None:
        if hasattr(self, "stack"):
            self.stack.close()

    # What is in the file

    def in_file(self) -> list[Run]:
        """All runs as the file has them; every sweep numbered without gap or double."""
        if not self.path.exists():
            return []
        try:
            visit = VisitFile.open(self.path, read_only=True)
        except RecordError:
            if self.current is not None and len(self.runs) == 1 and self.runs[0].seen == 0:
                return []  # it is just being begun
            raise
        try:
            found = []
            for run in visit.runs():
                numbers = [
                    n for (n,) in visit.rows("select sequence from sweep where run_id = ? order by id", (run.id,))
                ]
                first = int(str(numbers[0])) if numbers else 0  # they count the sweeps of one opened analyzer
                assert numbers == list(range(first, first + len(numbers))), f"run {run.id}: {numbers}"
                assert run.planned_sweeps is not None
                found.append(Run(run.planned_sweeps, len(numbers), run.outcome))
            assert len(visit.rows("select 1 from calibration")) == self.calibrations
            assert len(visit.rows("select 1 from stage")) == self.stages
            return found
        finally:
            visit.close()

    @invariant()
    def the_file_holds_what_it_must(self) -> None:
        if not hasattr(self, "runs"):
            return
        found = self.in_file()
        for model, real in zip(self.runs, found, strict=False):
            assert real.planned == model.planned and real.seen >= model.seen
            if self.current is None or model is not self.runs[-1]:
                assert (real.seen, real.outcome) == (model.seen, model.outcome) or not model.exact
                assert real.outcome == model.outcome and real.seen <= real.planned
            model.seen = real.seen
        assert len(found) == len(self.runs) or (self.current is not None and len(found) <= len(self.runs))
        if self.current is None and self.path.exists():
            beside = {file.name for file in self.place.iterdir()} - {"a.visit"}
            assert not beside, beside

    # Steps

    def check(self, sweeps: int, *more: str) -> list[str]:
        words = ["check", "--port", str(self.link), "--site", str(self.site), "--visit", str(self.path)]
        return [*words, "--sweeps", str(sweeps), *self.more, *more]

    def idle(self) -> bool:
        return hasattr(self, "runs") and self.current is None

    def busy(self) -> bool:
        return hasattr(self, "runs") and self.current is not None

    def begun(self) -> bool:
        return hasattr(self, "runs") and self.path.exists()

    @precondition(idle)
    @rule(sweeps=integers(1, 6))
    def measure(self, sweeps: int) -> None:
        TAKEN["measure"] += 1
        status, _, said = self.programs.run(*self.check(sweeps))
        assert status in MEASURED, said
        self.runs.append(Run(sweeps, sweeps, "complete"))

    @precondition(idle)
    @rule()
    def start(self) -> None:
        TAKEN["start"] += 1
        before = len(self.in_file())
        self.current = self.programs.start(*self.check(LONG_RUN))
        self.runs.append(Run(LONG_RUN, 0))
        until = time.monotonic() + PATIENCE_S
        while len(found := self.in_file()) == before or found[-1].seen == 0:
            assert time.monotonic() < until
            time.sleep(0.01)

    def ended(self) -> tuple[int, str]:
        """Wait for the process that measures; what it leaves behind where it came to its end by itself."""
        assert self.current is not None
        status, _, said = self.programs.wait(self.current)
        self.current = None
        if status in MEASURED and "kept in" not in said:
            self.runs[-1] = Run(LONG_RUN, LONG_RUN, "complete")
        return status, said

    @precondition(busy)
    @rule()
    def finish(self) -> None:
        TAKEN["finish"] += 1
        status, said = self.ended()
        assert status in MEASURED and self.runs[-1].exact, said

    @precondition(busy)
    @rule()
    def hang_up(self) -> None:
        TAKEN["hang_up"] += 1
        assert self.current is not None
        os.kill(self.current, signal.SIGHUP)

    @precondition(busy)
    @rule()
    def terminate(self) -> None:
        TAKEN["terminate"] += 1
        assert self.current is not None
        os.kill(self.current, signal.SIGTERM)
        status, said = self.ended()
        assert "Traceback" not in said
        if status == ExitStatus.TERMINATED:
            self.runs[-1].outcome = TERMINATED
        elif not self.runs[-1].exact:  # it was told before it listened, or after its last sweep
            assert status in (-signal.SIGTERM, *MEASURED), (status, said)
            self.runs[-1].outcome = self.in_file()[-1].outcome

    @precondition(busy)
    @rule()
    def kill(self) -> None:
        TAKEN["kill"] += 1
        assert self.current is not None
        os.kill(self.current, signal.SIGKILL)
        status, said = self.ended()
        if status == -signal.SIGKILL:
            outcome = self.in_file()[-1].outcome
            assert outcome in (None, "complete"), said
            self.runs[-1].outcome = outcome

    @precondition(busy)
    @rule()
    def take_over(self) -> None:
        """The other one goes on to the end; where the first came to its end before, it measures a run of its own."""
        TAKEN["take_over"] += 1
        second = self.programs.start(*self.check(LONG_RUN, "--take-over"))
        _, said = self.ended()
        status, _, told = self.programs.wait(second)
        assert status in MEASURED, told
        if "handed over" in said:
            assert f"handed over to process {second}" in said
            self.runs[-1] = Run(LONG_RUN, LONG_RUN, "complete")
        else:
            assert self.runs[-1].exact, said
            self.runs.append(Run(LONG_RUN, LONG_RUN, "complete"))

    @precondition(busy)
    @rule()
    def begin_beside(self) -> None:
        """A second process without --take-over is refused and changes nothing."""
        TAKEN["begin_beside"] += 1
        status, _, said = self.programs.run(*self.check(2))
        if status == ExitStatus.USAGE:
            assert said.count("\n") == 1 and "--take-over" in said
        else:
            assert status in MEASURED, said
            self.ended()
            self.runs.append(Run(2, 2, "complete"))

    @precondition(idle)
    @rule(sweeps=integers(1, 4))
    def resume(self, sweeps: int) -> None:
        TAKEN["resume"] += 1
        status, _, said = self.programs.run(*self.check(sweeps, "--resume"))
        last = self.runs[-1] if self.runs else None
        if last is None or last.seen == 0:
            assert status in MEASURED and "no sweep was kept yet" in said, said
            self.runs.append(Run(sweeps, sweeps, "complete"))
        elif last.exact or last.seen >= last.planned:
            assert status == ExitStatus.USAGE and "leave --resume out" in said
        else:
            assert status in MEASURED, said
            self.runs[-1] = Run(last.planned, last.planned, "complete")

    @precondition(busy)
    @rule()
    def cable_off_and_on(self) -> None:
        TAKEN["cable_off_and_on"] += 1
        self.bench.say("unplug")
        self.bench.say("replug")

    @precondition(idle)
    @rule()
    def measure_without_analyzer(self) -> None:
        TAKEN["measure_without_analyzer"] += 1
        words = [str(self.folder / "nothing") if word == str(self.link) else word for word in self.check(3)]
        status, _, said = self.programs.run(*words)
        assert status in (ExitStatus.USAGE, ExitStatus.FAULT) and "Traceback" not in said, (status, said)
        assert len(self.in_file()) == len(self.runs), (status, said)

    @rule(more=sampled_from([[], ["--points", "201"], ["--bandwidth", "10000"], ["--start", "449", "--stop", "458"]]))
    def other_settings(self, more: list[str]) -> None:
        TAKEN["other_settings"] += 1
        if self.current is None:
            self.more = more

    @precondition(begun)
    @rule(name=sampled_from(["found", "left"]))
    def freeze(self, name: str) -> None:
        TAKEN["freeze"] += 1
        status, told, said = self.programs.run("freeze", str(self.path), name)
        assert status in (ExitStatus.GOALS_MET, ExitStatus.USAGE) and "Traceback" not in said, said
        self.stages += len(told.splitlines())

    @precondition(begun)
    @rule()
    def report(self) -> None:
        TAKEN["report"] += 1
        status, told, said = self.programs.run("report", str(self.path))
        assert status == ExitStatus.GOALS_MET, said
        assert told.startswith("VISIT REPORT")
        if self.current is None and self.runs and self.runs[-1].outcome is None:
            assert "was broken off" in told

    @precondition(begun)
    @rule(alone=sampled_from([True, False]))
    def copy(self, alone: bool) -> None:
        """By our command, and the file alone as somebody would who does not know better."""
        TAKEN["copy"] += 1
        copy = self.folder / "copy.visit"
        if alone:
            shutil.copyfile(self.path, copy)
        else:
            status, _, said = self.programs.run("copy", str(self.path), str(copy))
            assert status == ExitStatus.GOALS_MET, said
        try:
            visit = VisitFile.open(copy, read_only=True)
        except RecordError:
            assert alone and self.current is not None  # torn: it was copied in the midst of a write
        else:
            counts = visit.sweep_counts()
            visit.close()
            for number, run in enumerate(self.runs, self.first_run()):
                if self.current is None or not alone:
                    assert counts.get(number, 0) >= run.seen
        finally:
            copy.unlink()

    def first_run(self) -> int:
        return 1

    @precondition(idle)
    @rule()
    def calibrate(self) -> None:
        if not self.path.exists() or self.more:
            return  # no step
        TAKEN["calibrate"] += 1
        status, _, said = self.programs.run(str(self.link), str(self.site), str(self.path), calibrate=True)
        assert status == 0, said
        self.calibrations += 1
        self.runs += [Run(10, 10, "complete") for _ in range(4)]


def machine(examples: int, steps: int, *, derandomize: bool) -> None:
    run: Any = run_state_machine_as_test  # the library gives it no types
    run(
        WholeVisit,
        settings=settings(
            max_examples=examples, stateful_step_count=steps, deadline=None, derandomize=derandomize, database=None,
            suppress_health_check=list(HealthCheck), print_blob=False,
        ),
    )  # fmt: skip


def test_a_hard_day() -> None:
    """One order of steps that meets most of the rules."""
    visit = WholeVisit()
    visit.begin()
    try:
        steps: tuple[Any, ...] = (
            visit.start, visit.hang_up, visit.kill, visit.report, lambda: visit.resume(3), visit.start, visit.terminate,
            lambda: visit.resume(3), visit.start, visit.begin_beside, visit.take_over, lambda: visit.freeze("found"),
            lambda: visit.copy(True), lambda: visit.copy(False),
        )  # fmt: skip
        for step in steps:
            step()
            visit.the_file_holds_what_it_must()
    finally:
        visit.teardown()


def test_a_few_steps() -> None:
    machine(2, 12, derandomize=True)  # the first one is the simplest that there is


@pytest.mark.long
@pytest.mark.timeout(0)
def test_a_night_of_steps() -> None:
    """Until so many steps were taken; each visit is begun anew."""
    TAKEN.clear()
    until = time.monotonic() + float(os.environ.get("DEEPNOTCH_SECONDS", "1e9"))
    while TAKEN.total() < STEPS and time.monotonic() < until:
        machine(4, STEPS_EACH, derandomize=False)
        print(f"{TAKEN.total()} steps: {dict(TAKEN)}", flush=True)
