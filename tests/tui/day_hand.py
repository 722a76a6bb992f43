"""A technician who knows nothing of the day but what stands on the screen: from the start screen to the report.

Owns: reading the terminal's text, the keys that follow from it, counting them. Refuses: to look at a figure, a file or
an object of the program, and at what is hidden on the bench.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from protocol.simulated.bench import start_bench
from tests.tui.bench_hand import BenchHand, deed_in
from tests.tui.scripted_hand import TURN, advised, block, planned, survey_between
from tests.tui.terminal import ROOT, Terminal

SITE = ROOT / "fixtures/sites/demo-150.toml"
KIT = ROOT / "fixtures/kits/bench.toml"
PATIENCE_S = 600.0
SETTLED_S = 1.2
"""So long an advice stands on the screen before a hand follows it."""
MOST_DEEDS = 60
MOST_TURNS = 40
SWEEPING = ("let it sweep on", "let the survey run")
STUCK_S = 60.0
"""Nobody looks longer at a run that has ended while NEXT says to wait for it."""
UNKNOWN = "wait for the first figures"
STANDARD = re.compile(r"Put the (SHORT|OPEN|LOAD)|by the (THRU)|(Leave the thru in)|10 dB (PAD)|A LOAD on (each)")


@dataclass
class Driven:
    """How a day went. `seen` all that stood in the rows that tell the hand something, `report` the report's text."""

    keys: int = 0
    deeds: list[str] = field(default_factory=list)
    turns: int = 0
    turned: set[str] = field(default_factory=set)
    seen: list[str] = field(default_factory=list)
    report: str = ""
    ended: str = ""
    real_s: float = 0.0
    bench_min: float = 0.0
    pressed: deque[tuple[str, str]] = field(default_factory=lambda: deque(maxlen=40))
    """The last keys, each with the screen that it was pressed on."""
    status: str = ""
    """The bench's own, for whoever judges the day; the hand never reads it."""


class DayHand:
    """One day on a bench of its own."""

    def __init__(
        self, folder: Path, day: dict[str, Any], seed: int = 1, speed: float = 0.05, most_deeds: int | None = None
    ) -> None:
        """`most_deeds`: only the first so many are followed, and no report is read."""
        self._most = most_deeds
        self._folder, self._day, self._seed, self._speed = folder, day, seed, speed
        self.went = Driven()
        self._during, self._drift = bool(day.get("during")), bool(day.get("drift"))

    def run(self) -> Driven:
        """From the first screen to the report."""
        began = time.monotonic()
        words = ["--unit", "V6", "--speed", f"{self._speed}", "--seed", f"{self._seed}"]
        raw = ["--raw"] if self._day.get("raw") else []
        with start_bench([*words, *raw]) as bench:
            self._hand = BenchHand(bench, self._day, np.random.default_rng(self._seed))
            self._home = {"XDG_DATA_HOME": str(self._folder), "XDG_STATE_HOME": str(self._folder / "state")}
            sites = self._folder / "deepnotch/sites"
            sites.mkdir(parents=True)
            (sites / "site.toml").write_text(SITE.read_text(encoding="utf-8"), encoding="utf-8")
            command = ["live", "--marks", "ascii", "--kit", str(KIT), "--sweeps", "25"]
            self._screen = Terminal(command, {**self._home, "OPENBLAS_NUM_THREADS": "1"})
            try:
                self._start(bench.node)
                self._work()
                self._press("q")
                self._press("\r")  # a run may go on
                self._screen.wait_for_end(PATIENCE_S)
            finally:
                self._screen.close()
            status = bench.say("status")
        self.went.status, self.went.bench_min = status, float(status.rpartition(", ")[2].split()[0]) / 60.0
        if self._most is None:
            self._report()
        self.went.turned, self.went.real_s = self._hand.turned, time.monotonic() - began
        return self.went

    # The terminal

    def _press(self, key: str) -> None:
        self.went.keys += 1
        self.went.pressed.append((key, self._screen.text))
        self._screen.type(key)

    def _wait(self, shown: str | Callable[[str], bool]) -> str:
        return self._screen.wait_moving(shown)

    def _note(self, *said: str) -> None:
        for words in said:
            if words and words not in self.went.seen:
                self.went.seen.append(words)

    # The start

    def _start(self, node: str) -> None:
        self._wait("ENTER")
        self._press("p")
        self._wait("Name of the port")
        self._press(node)
        self._press("\r")
        self._wait("ENTER  learn this analyzer")
        self._press("f")
        text = self._wait("Which profile fits?")
        names = [line.strip(" |").strip() for line in text.splitlines()]
        first = next(number for number, line in enumerate(names) if "Which profile fits?" in line) + 1
        wanted = "a file: type its name" if self._day.get("raw") else "scpi"
        for _ in range(names.index(wanted) - first):
            self._press("\x1b[B")
        self._press("\r")
        if self._day.get("raw"):
            profile = (ROOT / "fixtures/profiles/scpi.toml").read_text(encoding="utf-8")
            path = self._folder / "own.toml"
            path.write_text(profile.replace("corrects_itself = true", "corrects_itself = false"), encoding="utf-8")
            self._wait("File of the profile")
            self._press(str(path))
            self._press("\r")
        self._wait("ENTER  go on")
        self._press("\r")
        self._wait(" SWEEPS")

    # The live screen

    def _work(self) -> None:
        """What NEXT says, until the report is written or nobody can do more."""
        for _ in range(MOST_DEEDS if self._most is None else self._most):
            said = self._advice()
            self.went.deeds.append(said)
            if self._follow(said):
                return
        if self._most is not None:
            self.went.deeds.append(self._advice())
            return
        raise AssertionError("no end:\n" + "\n".join(self.went.deeds))

    def _advice(self) -> str:
        """The NEXT row once it has stood for a while; the rows above it are read, too."""
        until, stood, since = time.monotonic() + PATIENCE_S, "", time.monotonic()
        while True:
            self._screen.read(0.1)
            text, now = self._screen.text, time.monotonic()
            said, rows = block(text, "NEXT"), [block(text, label) for label in ("HOOK-UP", "NOTE", "FAULT")]
            self._note(said, *rows)
            if said != stood:
                stood, since = said, now
            doing = said.startswith(SWEEPING) and not (self._stopped(text) and now - since > STUCK_S)
            if said and said != UNKNOWN and not doing and now - since > SETTLED_S and not text.startswith("DAY"):
                return said
            assert now < until, f"no advice that ends:\n{text}"

    @staticmethod
    def _stopped(text: str) -> bool:
        """Whether the run has come to its end."""
        found = re.search(r"SWEEPS +(\d+) of (\d+)", text)
        return found is not None and found[1] == found[2]

    def _follow(self, said: str) -> bool:
        """One advice; True at the end of the day."""
        do = said.partition(":")[0]
        hang = re.search(r"(?:leads on|sweep) .*?\b([ALH]>[ALH])", said)
        bench = deed_in(said)
        if do.startswith(("calibrate", "read the thru")):
            self._calibrate("v" if "(v" in said else "c")
        elif do.startswith("survey") and "loads" in said:
            self._hook("loads")
        elif do.startswith("measure the third port's load"):
            self._hook("load")
        elif do.startswith("freeze as found"):
            self._guide("freeze as found")
        elif do.startswith("freeze as left"):
            self._guide("report")
        elif do.startswith("write the report"):
            self._guide("report")
            return True
        elif do.startswith("turn screws"):
            self._tune()
        elif do.startswith("prove"):
            self._prove()
        elif hang and bench == "":
            self._hook(hang[1])
        elif bench and self._hand.done[-1:] == [bench] and "; y if" in said:
            self._press("y")  # it was done already and hangs as declared
        elif bench:
            self._hand.do(bench)
            self._hook("loads") if "both leads on loads" in said else self._again()
        elif key := re.search(r"\((\w|space)[,)]", said):
            self._press(" " if key[1] == "space" else key[1])
        else:
            raise AssertionError(f"nothing that a hand can do: {said}\n{self._screen.text}")
        return False

    def _again(self) -> None:
        """After something was changed at the bench: what was averaged before does not count."""
        text = self._screen.text
        if self._stopped(text) or " stopped" in text or "(space)" in block(text, "NEXT"):
            self._press(" ")
        self._wait(lambda now: now != text)

    def _hook(self, what: str) -> None:
        """The hand hangs the leads, then declares it."""
        self._press("k")
        alone = {"loads": "both leads on loads", "load": "the third port's load on P1"}
        wanted = alone.get(what) or f"P1 on {what[0]}, P2 on {what[2]}"
        self._wait("Where do the leads hang?")
        text = self._wait("put in after calibration")
        lines = text.partition("Where do the leads hang?")[2].partition("put in after calibration")[0].splitlines()
        first = next(at for at, line in enumerate(lines) if "P1 on" in line)
        at = next(at for at, line in enumerate(lines) if wanted in line)
        self._hand.hang(what)
        for _ in range(at - first):
            self._press("\x1b[B")
        self._press("\r")
        self._wait(lambda text: "Where do the leads hang?" not in text)

    def _prove(self) -> None:
        self._press("p")
        text = self._wait(lambda text: "Prove the rejection" in text or "a proof needs" in text)
        if "a proof needs" in text:
            raise AssertionError(text)
        self._press("\r")
        self._wait(lambda text: "Prove the rejection" not in text)
        if self._during:
            self._during = False
            self._wait(lambda text: (found := re.search(r"SWEEPS +(\d+) of", text)) is not None and int(found[1]) >= 12)
            self._hand.say("during")

    def _calibrate(self, key: str) -> None:
        self._press(key)
        self._wait("CALIBRATE")
        while True:
            text = self._wait(lambda text: "measuring..." not in text and bool(block(text, "DO")) and "Esc" in text)
            do = block(text, "DO")
            self._note(do)
            if do.startswith(("Calibrated and proved", "Done, but not proved")):
                break
            told = STANDARD.search(do)
            assert told, f"no part to hang:\n{text}"
            part = next(part for part in told.groups() if part).lower()
            self._hand.hang({"leave the thru in": "thru", "each": "loads"}.get(part, part))
            self._press("\r")
            self._wait(lambda text, before=do: block(text, "DO") != before)  # type: ignore[misc]
        self._hand.back()
        self._press("\r")
        self._wait(" SWEEPS")
        if self._drift:
            self._drift = False
            self._hand.say("drift")

    # The guide

    def _guide(self, title: str) -> None:
        """Freeze under the guide's step of that title, by way of the gates that it names."""
        self._press("g")
        self._to_step(title)
        for _ in range(6):
            while self._screen.read(0.3):
                pass  # a line is drawn after another: what stood before is no answer
            self._press("\r")
            text = self._wait(
                lambda text: any(words in text for words in ("freeze this for good", " ! ", "Write it with"))
            )
            if "Write it with" in text:
                self._press("q")
                return
            if "freeze this for good" in text:
                self._press("\r")
                text = self._wait(lambda text: "is frozen" in text or "Report of this visit" in text)
                if "Report of this visit" in text:
                    self._press("q")
                    self._wait(" SWEEPS")
                return
            first = re.search(r"! first step (\d+)", text)
            if first is None:
                self.went.ended = block(text, "!") or text
                self._press("q")
                return
            number = re.search(r"STEP (\d+)", text)
            self._digits(first[1])
            self._press("f")
            self._fill()
            self._press("d")
            self._wait(f"step {first[1]} done")
            assert number
            self._digits(number[1])
        raise AssertionError(self._screen.text)

    def _to_step(self, title: str) -> None:
        text = self._wait("STEP ")
        for _ in range(45):
            text = self._wait("STEP ")
            if re.search(rf"STEP \d+ +\[.*\] +{title}", text):
                return
            here = _step(text)
            self._press("\x1b[B")
            self._wait(lambda text, here=here: _step(text) != here)  # type: ignore[misc]
        raise AssertionError(f"no step {title}:\n{text}")

    def _digits(self, number: str) -> None:
        for _ in range(5):
            for digit in number:
                self._press(digit)
            until = time.monotonic() + 5.0
            while _step(self._screen.text) != number and time.monotonic() < until:
                self._screen.read()
            if _step(self._screen.text) == number:
                return
        raise AssertionError(f"no step {number}:\n{self._screen.text}")

    def _fill(self) -> None:
        """Write down what is asked; what was seen at the wattmeter is nothing."""
        asked, done = "", "all is written down"
        for _ in range(6):
            text = self._wait(lambda text, last=asked: done in text or _asked(text) not in ("", last))  # type: ignore[misc]
            if done in text:
                return
            asked = _asked(text)
            self._press("0" if " in W" in asked or " in dBm" in asked else "the technician")
            self._press("\r")

    # The screws

    def _tune(self) -> None:
        """Until the screen says to prove it, or that no screw brings the goal."""
        self._press("x")
        text = self._wait(lambda text: " TUNE" in text or "freeze the" in text)
        if " TUNE" not in text:
            raise AssertionError(text)
        turned: set[int] = set()
        for _ in range(3 * MOST_TURNS):
            text = advised(self._screen)
            do, why = block(text, "DO"), block(text, "WHY")
            self.went.deeds.append(f"TUNE {do} | {why}")
            self._note(do, why, block(text, "LAST"), block(text, "CAVITY"))
            longer = re.search(r"until (\d+) sweeps a look", do)
            turn = TURN.search(do)
            if "y if it hangs" in do:
                self._press("y")
                self._wait(lambda text: "y if it hangs" not in text)
            elif "prove it" in do:
                self._lock(turned)
                self._press("q")
                self._wait(" SWEEPS")
                return
            elif "out of reach" in why or "no screw brings" in do:
                self.went.ended = f"{do} | {why}"
                self._press("q")
                self._wait(" SWEEPS")
                return
            elif "survey first" in do:
                survey_between(self._screen, self._hand.bench)
                self.went.keys += 3
            elif longer:
                self._average_longer(int(longer[1]))
            elif turn and self.went.turns < MOST_TURNS:
                self._turn(int(turn[1]), float(turn[2]), turn[3])
                turned.add(int(turn[1]))
            else:
                raise AssertionError(f"{do} | {why}\n" + "\n".join(self.went.deeds))
        raise AssertionError("no end of turning:\n" + "\n".join(self.went.deeds))

    def _average_longer(self, sweeps: int) -> None:
        for _ in range(12):
            now = planned(self._screen.text)
            if now == sweeps:
                return
            self._press("+")
            self._wait(lambda text, now=now: planned(text) == 2 * now)  # type: ignore[misc]
        raise AssertionError(self._screen.text)

    def _turn(self, cavity: int, turns: float, direction: str) -> None:
        self._press("t")
        self._wait("TURNING")
        self._hand.turn(cavity, turns, direction)
        self.went.turns += 1
        self._press("t")
        self._wait(lambda text: "TURNING" not in text)

    def _lock(self, turned: set[int]) -> None:
        """Nut by nut, as the screen says."""
        for cavity in sorted(turned):
            self._press("o")
            self._wait("tighten")
            self._press("t")
            self._wait("TURNING")
            self._hand.lock(cavity)
            self._press("t")
            self._wait(lambda text: "TURNING" not in text)
            text = advised(self._screen)
            self._note(block(text, "LAST"))

    # The report

    def _report(self) -> None:
        """The command that the screen named, on the visit that it kept."""
        visit = next((self._folder / "deepnotch").glob("*.visit"))
        self.went.keys += 1
        done = subprocess.run(
            [sys.executable, "-m", "tui", "report", str(visit)],
            cwd=ROOT, env={**os.environ, **self._home}, capture_output=True, text=True, check=True,
        )  # fmt: skip
        self.went.report = done.stdout


def _asked(text: str) -> str:
    """The line that says what is typed; "" while nothing is."""
    return next((line for line in text.splitlines() if "Enter: write" in line), "")


def _step(text: str) -> str:
    """Number of the step that is shown."""
    found = re.search(r"STEP (\d+)", text)
    return found[1] if found else ""
