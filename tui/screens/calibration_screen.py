"""Calibration, one standard per screen: what to hang where, what was seen, what comes next.

Owns: the order of the steps and the words for each. Refuses: to judge; `visit.calibration.calibrating` does, and
stores all of it.
"""

from __future__ import annotations

import asyncio
from dataclasses import dataclass
from typing import ClassVar

from textual.binding import Binding, BindingType

from protocol.errors import RequestError
from protocol.sweep import bandwidth_words
from rf.calibration.standard_check import PAD_WITHIN_DB, THRU_WITHIN_DB
from tui.drawing.blocks import Block, flowed, labelled
from tui.screens.bench_words import bench_lines
from tui.screens.dialogs import BenchDialog
from tui.screens.framed import TextScreen
from visit.calibration.corrector import SWEEPS
from visit.run.conductor import Phase, RunOrder
from visit.run.tool import Tool
from visit.site.hookup import HookUp

LOOK_S = 0.2
MOST_ISOLATION = 400

DIRECTIONS = {
    "short": "Put the SHORT on the end of lead 1, there where it will meet the duplexer. Lead 2 hangs free.",
    "open": "Put the OPEN on the end of lead 1 in place of the short. Lead 2 hangs free.",
    "load": "Put the LOAD on the end of lead 1 in place of the open. Lead 2 hangs free.",
    "thru": "Join lead 1 and lead 2 by the THRU, with nothing else between them.",
    "isolation": "Take the leads apart. A LOAD on each; keep them as far apart as the duplexer will.",
    "proof": "Leave the thru in. It is now read through the calibration and must give 0 dB.",
    "proof load": "Put the load on the end of lead 1; it must return no more than -30 dB.",
    "proof pad": "Put the 10 dB PAD between the leads; it must read -10 dB.",
}
HUNG = {"isolation": "loads", "proof": "thru", "proof load": "load", "proof pad": "thru pad2=10"}
"""Which hook-up a step measures, where it is not called like the step."""

JOIN_AGAIN = "Take the leads off the duplexer and join them by the THRU. It must read 0 dB through the calibration."
"""A proof that no standard went before: the leads hang on the duplexer."""

FIRST = ("short", "open", "load", "thru", "proof")


@dataclass(slots=True)
class Step:
    """One line of the list: its name, how it went, what was seen."""

    name: str
    state: str = ""
    said: str = ""
    sweeps: int = SWEEPS


class CalibrationScreen(TextScreen[None]):
    """Steps from the short to the proof on the thru. `proof_only`: known parts through the calibration in use."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "go", "measure"),
        Binding("r", "again", "again"),
        Binding("i", "isolation", "isolation"),
        Binding("a", "accept", "take it all the same"),
        Binding("v", "load", "check load"),
        Binding("p", "pad", "check 10 dB pad"),
        Binding("b", "bench", "bench"),
        Binding("escape,q", "leave", "leave"),
    ]

    def __init__(self, tool: Tool, order: RunOrder, *, proof_only: bool = False) -> None:
        super().__init__()
        self._tool, self._order = tool, order
        self._steps = [Step(name) for name in (("proof",) if proof_only else FIRST)]
        self._at, self._measuring, self._words = 0, False, ""
        if not proof_only:
            tool.visit.calibrator.begin()

    def on_mount(self) -> None:
        """Show the first step; stop what ran."""
        self._tool.station.stop_run()
        self.set_interval(LOOK_S, self._look)
        self.draw()

    @property
    def _step(self) -> Step | None:
        return self._steps[self._at] if self._at < len(self._steps) else None

    def _direction(self, name: str) -> str:
        return JOIN_AGAIN if name == "proof" and self._steps[0].name == "proof" else DIRECTIONS[name]

    def text_blocks(self, width: int) -> list[Block]:
        """The steps, what the one in hand asks for, the keys."""
        s, changes = self._order.settings, self._tool.station.state().progress.changes
        calibrator = self._tool.visit.calibrator
        steps = [Block(("",), 0)]
        for number, entry in enumerate(self._steps):
            mark = ">" if number == self._at else " "
            head = f"{mark} {number + 1} {entry.name}"
            lines = labelled(head, f"{entry.state:<5} {entry.said}".strip(), width, 16) or [f" {head}"]
            steps.append(Block(tuple(lines), None if number == self._at else number + 2))
        step = self._step
        bandwidth = bandwidth_words(s.bandwidth_hz, changes)
        sweep = f"{s.start_hz / 1e6:.4f} to {s.stop_hz / 1e6:.4f} MHz, {s.points} points, {bandwidth}"
        return [
            Block(tuple(labelled("CALIBRATE", sweep, width, 12))),
            Block(tuple(labelled("kit", f"{calibrator.book.kit.name}; {SWEEPS} sweeps each", width)), 1),
            *steps,
            Block(("", *labelled("DO", self._direction(step.name) if step else self._summary(), width))),
            Block(tuple(labelled("", self._words, width))),
            Block(("", *flowed(self._keys(), width))),
        ]

    def _summary(self) -> str:
        checks = self._tool.visit.calibrator.checks
        good = bool(checks) and checks[-1].verified.good
        return "Calibrated and proved. Enter or Esc: back to the duplexer." if good else "Done, but not proved."

    def _keys(self) -> list[str]:
        if self._measuring:
            return ["measuring...", "Esc stop"]
        if self._step is None:
            return ["Enter or Esc back", "v check the load", "p check a 10 dB pad", "r read the thru again"]
        extra = ["i isolation first"] if self._step.name == "proof" and len(self._steps) == len(FIRST) else []
        refused = ["a take it all the same"] if self._step.state == "NO" else []
        return ["Enter measure", *refused, *extra, "r one back", "Esc leave"]

    # What the keys do

    def action_go(self) -> None:
        """Measure the step in hand; leave when all are done."""
        if self._measuring:
            return
        step = self._step
        if step is None:
            self.action_leave()
            return
        hookup = HookUp.parse(HUNG.get(step.name, step.name))
        purpose = "known part" if step.name.startswith("proof") else "calibration"
        try:
            if self._tool.bench is not None:
                for line in bench_lines(hookup, self._tool.site):
                    self._tool.bench.say(line)
        except RequestError as error:
            self._words = f"! {error}"
            self.draw()
            return
        self._measuring, step.state, self._words = True, "...", ""
        self._tool.station.order(RunOrder(hookup, self._order.settings, step.sweeps, purpose))
        self.draw()

    def _look(self) -> None:
        """Has the run that was ordered ended?"""
        progress = self._tool.station.state().progress
        if not self._measuring or progress.order is None or progress.order.purpose == "live":
            return
        step = self._step
        assert step is not None
        if progress.order.hookup != HookUp.parse(HUNG.get(step.name, step.name)):
            return
        if progress.phase is Phase.FAULT:
            self._measuring, step.state, self._words = False, "", f"! {progress.message}"
            self.draw()
        elif progress.phase is Phase.COMPLETE and progress.run_id is not None:
            self._measuring = False
            self.run_worker(self._judge(step, progress.run_id), exclusive=True)
        else:
            step.said = f"{progress.done} of {step.sweeps} sweeps"
            self.draw()

    async def _judge(self, step: Step, run_id: int) -> None:
        """Look at what was measured; go on when it fits."""
        calibrator = self._tool.visit.calibrator
        try:
            if step.name.startswith("proof"):
                part = step.name.removeprefix("proof").strip() or "thru"
                verified = await asyncio.to_thread(calibrator.read_known, part, run_id, 10.0 if part == "pad" else 0.0)
                step.state, step.said = ("ok" if verified.good else "NO"), verified.says
                self._words = "" if verified.good else f"! {self._cure(part)}"
                self._at = len(self._steps)
            else:
                check = await asyncio.to_thread(calibrator.judge, step.name, run_id)
                step.state, step.said = ("ok" if check.fits else "NO"), check.says
                self._words = "" if check.fits else f"! {check.says}: {check.cure}. Then Enter."
                if check.fits:
                    await self._keep(step)
        except RequestError as error:
            step.state, self._words = "NO", f"! {error}"
        self.draw()

    @staticmethod
    def _cure(part: str) -> str:
        within = {"pad": PAD_WITHIN_DB, "thru": THRU_WITHIN_DB}.get(part)
        limit = f"it should be right within {within:g} dB" if within else "it should return -30 dB or less"
        return f"{limit}: clean and torque the connectors, let it warm up, calibrate again"

    async def _keep(self, step: Step) -> None:
        calibrator = self._tool.visit.calibrator
        calibrator.keep(step.name)
        self._at += 1
        following = self._step
        if following is not None and following.name == "proof" and not calibrator.book.missing:
            await asyncio.to_thread(calibrator.finish)

    def action_accept(self) -> None:
        """Take a standard that does not look like one; the record says so."""
        step = self._step
        if step is not None and step.state == "NO" and not self._measuring and not step.name.startswith("proof"):
            step.state = "kept"
            self._tool.visit.note("calibration", f"{step.name} taken although: {step.said}")
            self.run_worker(self._accepted(step), exclusive=True)

    async def _accepted(self, step: Step) -> None:
        try:
            await self._keep(step)
            self._words = ""
        except RequestError as error:
            self._words = f"! {error}"
        self.draw()

    def action_again(self) -> None:
        """One step back."""
        step = self._step
        if self._measuring:
            return
        if step is not None and step.name == "isolation":
            self._steps.remove(step)
        elif self._at > 0:
            self._at -= 1
        self._words = ""  # what was said was of the step before
        self.draw()

    def action_isolation(self) -> None:
        """Put an isolation step before the proof, or say why it is not worth it."""
        step = self._step
        if self._measuring or step is None or step.name != "proof" or len(self._steps) != len(FIRST):
            return
        planned = self._order.planned_sweeps or 100
        advice = self._tool.visit.calibrator.book.advice(planned, SWEEPS, None)
        count = min(4 * planned, MOST_ISOLATION)
        self._words = f"{SWEEPS} sweeps: {advice.why}. Enter takes {count}, r leaves it out."
        self._steps.insert(self._at, Step("isolation", sweeps=count))
        self.draw()

    def action_load(self) -> None:
        """Check the load through the calibration."""
        self._more("proof load")

    def action_pad(self) -> None:
        """Check a 10 dB pad through the calibration."""
        self._more("proof pad")

    def _more(self, name: str) -> None:
        if self._step is None and not self._measuring:
            self._steps.append(Step(name))
            self.draw()

    def action_bench(self) -> None:
        """Demo only: change the simulated bench."""
        if self._tool.bench is not None:
            self.app.push_screen(BenchDialog(self._tool.bench))

    def action_leave(self) -> None:
        """Back to the live screen; an unfinished calibration changes nothing."""
        self._tool.station.stop_run()
        self.dismiss(None)
