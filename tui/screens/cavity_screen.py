"""A single cavity on the bench: sweeps by both of its ports and by one, what it is, what to turn.

Owns: the keys. Refuses: figures of its own.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from textual.binding import Binding, BindingType

from tui.drawing.blocks import Block
from tui.screens.file_page import SweptPage
from tui.screens.page_screen import block
from visit.figures.resonators import CavitySight, cavity_settings, cavity_sight
from visit.figures.run_figures import RunFigures
from visit.record.sheet import CAVITY_AT, CAVITY_DEPTH, CAVITY_LOSS, LINES, write
from visit.report.resonator_page import LOCK, cavity_words, wish_words
from visit.run.conductor import Phase
from visit.site.hookup import CAVITY, CAVITY_ONE, HookUp

SWEEPS = 4
HANGS = {
    CAVITY: "lead 1 on one port of the cavity, lead 2 on the other; a notch cavity on its piece of line",
    CAVITY_ONE: "lead 1 on one port of the cavity, its other loop left as it stands, open",
}


class CavityScreen(SweptPage[CavitySight]):
    """The cavity's page, live."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("m", f"sweep('{CAVITY}')", "measure by both ports"),
        Binding("o", f"sweep('{CAVITY_ONE}')", "measure by one port"),
        Binding("f", f"type('{CAVITY_AT.name}')", "wanted frequency"),
        Binding("l", f"type('{CAVITY_LOSS.name}')", "wanted loss"),
        Binding("d", f"type('{CAVITY_DEPTH.name}')", "wanted depth"),
        Binding("escape,q", "leave", "back"),
    ]

    def make(self) -> CavitySight:
        """The cavity's figures anew."""
        return cavity_sight(RunFigures(self._tool.visit.file))

    def page(self, width: int) -> Sequence[Block]:
        """What to turn first; then what it is."""
        sight, progress = self.made, self._tool.station.state().progress
        mine = progress.order is not None and progress.order.hookup.cavity
        run = f"   {progress.phase.value}, {progress.done} sweeps" if mine else ""
        blocks = [block("", f"A SINGLE CAVITY  {self._tool.site.name}{run}", width, column=1)]
        if mine and progress.phase is Phase.FAULT:
            blocks.append(block("FAULT", progress.message, width))
        blocks += self.wait(width)
        if sight is None:
            return blocks
        blocks.append(block("WANTED", wish_words(sight).removeprefix("wanted: "), width))
        blocks += [block("DO", f"{deed.do} ({deed.why})", width) for deed in sight.deeds]
        if not sight.runs:
            return [*blocks, block("NEXT", f"{HANGS[CAVITY]}: m; or one port: o", width)]
        for label, one, weight in (("BOTH", sight.cavity, None), ("ONE", sight.one_port, 3)):
            if one is not None:
                blocks += [block(label, line, width, weight) for line in cavity_words(one)]
        return [*blocks, block("", LOCK, width, 1)]

    def keys(self) -> Sequence[str]:
        """What the keys do."""
        return ("m both ports", "o one port", "f wanted MHz", "l wanted loss", "d wanted depth", "q back")

    def action_type(self, name: str) -> None:
        """Type what the cavity shall be."""
        line = LINES[name]

        def take(typed: str) -> None:
            write(self._tool.visit.file, line, typed)
            self.again()

        self.ask(f"{line.name} in {line.unit}, {line.says}", take)

    def action_sweep(self, hangs: str) -> None:
        """Sweep the cavity as it hangs, as closely as is known where it stands."""
        self.attempt(lambda: self._swept(HookUp.parse(hangs)))
        self.draw()

    def _swept(self, hookup: HookUp) -> None:
        tool = self._tool
        settings = cavity_settings(tool.site, tool.profile.limits, self.made)
        self.hang(hookup, settings, SWEEPS, "cavity")
        self.said = HANGS[hookup.name]
