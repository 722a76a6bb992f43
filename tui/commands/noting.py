"""`note`: what the day asks for, written into a visit without a screen.

Owns: which step a name belongs to, photographs as names with hashes. Refuses: rules; `visit.day.day` has them.
"""

from __future__ import annotations

import argparse
import hashlib
from pathlib import Path

from protocol.errors import RequestError
from protocol.files.harmless import harmless
from tui.commands.exit_status import ExitStatus
from tui.commands.printing import row, say
from visit.day.day import STEPS, Day, Step
from visit.record.visit_file import VisitFile

PHOTOGRAPHS = "photographs"


def note(options: argparse.Namespace) -> ExitStatus:
    """Write down, or list what may be written down and what was."""
    wanted = [bool(options.words), bool(options.photo), options.done is not None, options.skip is not None]
    if sum(wanted) > 1:
        raise RequestError("one thing at a time: a name with its words, --photo, --done or --skip; nothing was written")
    visit = VisitFile.open(options.visit, read_only=not any(wanted))
    try:
        day = Day(visit)
        if options.photo:
            step = _step(day, PHOTOGRAPHS, options.step)
            for path in options.photo:
                day.enter(step.number, PHOTOGRAPHS, _hashed(path))
        elif options.done is not None:
            day.done(options.done)
        elif options.skip is not None:
            number, reason = options.skip
            if not number.isdecimal() or len(number) > 3:
                raise RequestError(f"--skip {harmless(number, 20)}: not the number of a step")
            day.skip(int(number), reason)
        elif options.words:
            name, *words = options.words
            step = _step(day, name, options.step)
            if not words:
                raise RequestError(f"{name}: nothing to write down; give a number or words after the name")
            day.enter(step.number, name, " ".join(words))
            say(f"step {step.number}, {step.title}: {name} written down")
        else:
            _list(day)
    finally:
        visit.close()
    return ExitStatus.GOALS_MET


def _step(day: Day, name: str, number: int | None) -> Step:
    """The step that asks for a name: the given one, else the first that is not behind us, else the last."""
    asking = [step for step in STEPS if any(ask.name == name for ask in step.asks)]
    if not asking:
        raise RequestError(f"{harmless(name, 60)!r} is nothing that the day asks for; 'note FILE.visit' lists all")
    if number is not None:
        found = next((step for step in asking if step.number == number), None)
        if found is None:
            steps = ", ".join(str(step.number) for step in asking)
            raise RequestError(f"step {number} does not ask for {name}; step {steps} does")
        return found
    states = day.states()
    return next((step for step in asking if step.number not in states), asking[-1])


def _hashed(path: Path) -> str:
    """Name, length and SHA-256 of a file: who has it later can show that it is the same. Raises RequestError."""
    sha, size = hashlib.sha256(), 0
    try:
        with path.open("rb") as stream:
            while block := stream.read(1 << 20):
                sha.update(block)
                size += len(block)
    except OSError as error:
        raise RequestError(f"can't read {path}: {error.strerror}; nothing was written down for it") from None
    return f"{path.name}, {size} bytes, SHA-256 {sha.hexdigest()}"


def _list(day: Day) -> None:
    """Each thing that may be written down: step, name, unit, what stands there now."""
    entered = {(step, name): words for step, name, _, _, words in day.entries()}
    row("step", "name", "unit", "written down")
    for step in STEPS:
        for ask in step.asks:
            row(str(step.number), ask.name, ask.unit or "words", entered.get((step.number, ask.name), ""))
