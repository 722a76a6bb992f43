"""Feeder and antenna: incoming power first, then sweeps with the antenna and with the far end open and shorted.

Owns: the keys, and which figures give way on a small screen. Refuses: to sweep before the incoming power is written
down and small, and figures of its own.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from textual.binding import Binding, BindingType

from protocol.sweep import SweepSettings
from rf.values.words import text
from tui.drawing.blocks import Block
from tui.screens.file_page import SweptPage
from tui.screens.page_screen import block
from visit.day.day import FEEDER_STEP
from visit.figures.feeder import INCOMING, FeederSight, feeder_sight
from visit.figures.run_figures import RunFigures
from visit.record.sheet import CABLE, LENGTH, VELOCITY, Line, write
from visit.report.feeder_page import FIRST, cable_line, loss_lines, place_lines
from visit.run.conductor import Phase
from visit.run.tool import Tool
from visit.site.hookup import ANTENNA, FEEDER_OPEN, FEEDER_SHORT, HookUp
from visit.site.presets import feeder_sweep, wide

SWEEPS = 10


class FeederScreen(SweptPage[FeederSight]):
    """The feeder's page, live."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("p", "power", "incoming power"),
        Binding("a", "sweep('antenna')", "sweep with the antenna"),
        Binding("o", "sweep('feeder-open')", "sweep with the far end open"),
        Binding("s", "sweep('feeder-short')", "sweep with the far end shorted"),
        Binding("c", "cable", "cable"),
        Binding("m", "length", "length in metres"),
        Binding("v", "velocity", "velocity factor"),
        Binding("escape,q", "leave", "back"),
    ]

    def __init__(self, tool: Tool) -> None:
        super().__init__(tool)
        self._then: SweepSettings | None = None
        """What is swept when the run in hand is complete."""

    def make(self) -> FeederSight:
        """The feeder's figures anew."""
        return feeder_sight(RunFigures(self._tool.visit.file))

    def page(self, width: int) -> Sequence[Block]:
        """Power first; distances and match before what the cable is called."""
        sight, progress = self.made, self._tool.station.state().progress
        hangs = progress.order.hookup.name if progress.order is not None and progress.order.hookup.feeder else ""
        run = f"   {hangs}: {progress.phase.value}, {progress.done} sweeps" if hangs else ""
        blocks = [block("", f"FEEDER AND ANTENNA  {self._tool.site.name}{run}", width, column=1)]
        if progress.phase is Phase.FAULT and hangs:
            blocks.append(block("FAULT", progress.message, width))
        if sight is None:
            return [*blocks, *self.wait(width)]
        power = "not written down: p" if sight.incoming_dbm is None else f"{sight.incoming_dbm:g} dBm, written down"
        blocks.append(block("POWER", f"incoming {power}; {FIRST}", width))
        blocks.append(block("CABLE", cable_line(sight), width, 3))
        if not sight.runs:
            return [*blocks, block("NEXT", "hang the feeder on lead 1, then sweep: a", width)]
        for channel in sight.channels:
            known = channel.return_loss.known
            more = f", VSWR {text(channel.vswr)}" if known else f" ({channel.return_loss.why})"
            behind = f"; antenna alone {text(channel.behind)}" if channel.behind.known else ""
            words = f"{channel.frequency_hz / 1e6:.4f} MHz return loss {text(channel.return_loss)}{more}{behind}"
            blocks.append(block("MATCH", words, width, 5))
        last = sight.channels[-1]  # the higher channel, which loses more; the command prints both
        blocks += [block("LOSS", line, width, 4) for line in loss_lines(last.measured_loss, last.table_loss)]
        blocks += [block("ALONG", line, width, 4) for line in place_lines(sight)]
        return [*blocks, *(block("DOUBT", doubt, width, 1) for doubt in sight.doubts)]

    def keys(self) -> Sequence[str]:
        """What the keys do."""
        return ("p power", "a antenna", "o open end", "s short end", "c cable", "m metres", "v velocity", "q")

    # What the keys do

    def action_power(self) -> None:
        """Type the power that comes down the feeder."""
        self.ask(
            "power that comes down the feeder, in dBm",
            lambda typed: self._wrote(lambda: self._tool.visit.day().enter(FEEDER_STEP, INCOMING, typed)),
        )  # fmt: skip

    def action_cable(self) -> None:
        """Type which cable it is."""
        self._type(CABLE, "cable, e.g. RG-213, foam-10mm, hard-1/2 (deepnotch feeder --cables)")

    def action_length(self) -> None:
        """Type how long it is."""
        self._type(LENGTH, "length of the feeder in metres")

    def action_velocity(self) -> None:
        """Type its velocity factor."""
        self._type(VELOCITY, "velocity factor by the cable's sheet, e.g. 0.85")

    def _type(self, line: Line, prompt: str) -> None:
        self.ask(prompt, lambda typed: self._wrote(lambda: write(self._tool.visit.file, line, typed)))

    def _wrote(self, deed: object) -> None:
        assert callable(deed)
        deed()
        self.again()

    def action_sweep(self, end: str) -> None:
        """Sweep the feeder with this at its far end."""
        self.attempt(lambda: self._swept(end))
        self.draw()

    def _swept(self, end: str) -> None:
        tool = self._tool
        tool.visit.day().check_incoming()
        hookup = HookUp.parse(end)
        length_m = None if self.made is None else self.made.length_m
        settings = feeder_sweep(tool.site, tool.profile.limits, length_m)
        self.hang(hookup, settings, SWEEPS, "feeder")
        self.said = HANGS[end]
        calibration = tool.visit.calibrator.in_use
        self._then = None
        if calibration is not None and calibration.problem(settings):
            # Places need no correction; levels do, and the calibration reaches over the channels alone.
            closer = wide(tool.site, tool.profile.limits)
            if not calibration.problem(closer):
                self._then = closer
                self.said += "; first wide for the places, then within the calibration for the levels"

    def _look(self) -> None:
        progress, closer, ordered = self._tool.station.state().progress, self._then, self.ordered
        ended = ordered is not None and progress.order is ordered and progress.phase is Phase.COMPLETE
        if closer is not None and ordered is not None and ended:
            self._then = None
            self.attempt(lambda: self.hang(ordered.hookup, closer, SWEEPS, "feeder"))
        super()._look()


HANGS = {
    ANTENNA: "the feeder on lead 1, its antenna at the far end",
    FEEDER_OPEN: "the far end must be open: antenna taken off there, nothing on it",
    FEEDER_SHORT: "the far end must be shorted at the connector",
}
