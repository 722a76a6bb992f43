"""Turning the screws of a band-pass side: which resonator, which way, how far; a sweep after each turn.

Owns: the keys. Refuses: figures and advice of its own.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from textual.binding import Binding, BindingType

from protocol.errors import RequestError
from rf.values.words import text
from tui.drawing.blocks import Block
from tui.screens.file_page import SweptPage
from tui.screens.page_screen import block
from visit.figures.resonators import BandSight, band_sights, note_turn
from visit.figures.run_figures import RunFigures
from visit.report.resonator_page import LOCK, counted_from, side_words
from visit.run.conductor import Phase
from visit.run.tool import Tool
from visit.site.hookup import HookUp, Side
from visit.site.presets import wide

SWEEPS = 4
WEIGHTS = {"do": None, "expect": 6, "resonator": None, "at": 4, "centre": 3}
"""By its first word, what gives way last on a small screen; None: never."""


class ResonatorScreen(SweptPage[tuple[BandSight, ...]]):
    """The page of one band-pass side, live."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("t", "sweep", "turned: sweep again"),
        Binding("e", "enter", "write a turn down"),
        Binding("l", "side('L')", "the low side"),
        Binding("h", "side('H')", "the high side"),
        Binding("escape,q", "leave", "back"),
    ]

    def __init__(self, tool: Tool, side: Side) -> None:
        super().__init__(tool)
        self._side = side

    def make(self) -> tuple[BandSight, ...]:
        """The figures of both sides anew."""
        return band_sights(RunFigures(self._tool.visit.file))

    def page(self, width: int) -> Sequence[Block]:
        """What to turn, where each resonator stands, what it brings."""
        tool, progress = self._tool, self._tool.station.state().progress
        name = self._hookup.name
        mine = progress.order is not None and progress.order.hookup.name == name
        run = f"   {name}: {progress.phase.value}, {progress.done} sweeps" if mine else ""
        whose = "PRESELECTOR" if self._alone else f"{self._side.word.upper()} SIDE"
        blocks = [block("", f"RESONATORS OF THE {whose}  {tool.site.name}{run}", width, column=1)]
        if mine and progress.phase is Phase.FAULT:
            blocks.append(block("FAULT", progress.message, width))
        blocks += self.wait(width)
        if self.made is None:
            return blocks
        sight = next((one for one in self.made if one.side is self._side), None)
        if sight is None:
            return [*blocks, block("NEXT", f"{self._leads()}: t", width)]
        blocks += self._side_blocks(sight, width)
        return [*blocks, block("", LOCK, width, 1)]

    def _side_blocks(self, sight: BandSight, width: int) -> list[Block]:
        lines = [line.strip() for line in side_words(sight, self._tool.site)]
        deeds = [line for line in lines if line.startswith(("do: ", "expect: "))]
        blocks = []
        for line in deeds:
            label, _, rest = line.partition(": ")
            blocks.append(block(label.upper(), rest, width, WEIGHTS[label]))
        if any(off.known for off in sight.figures.offsets):
            places = ", ".join(f"{n}: {text(off, signed=True)}" for n, off in enumerate(sight.figures.offsets, 1))
            blocks.append(block("OFF", f"{places}; {counted_from(sight.hookup)}", width))
        others = [line for line in lines if line not in deeds and not line.startswith("resonator ")]
        return [*blocks, *(block("", line, width, WEIGHTS.get(line.split(maxsplit=1)[0], 2)) for line in others)]

    def keys(self) -> Sequence[str]:
        """What the keys do."""
        sides = () if self._alone else ("l low side", "h high side")
        return ("e write a turn down", "t sweep again", *sides, "q back")

    def action_side(self, port: str) -> None:
        """The other side."""
        self._side = self._side if self._alone else Side(port)
        self.draw()

    @property
    def _alone(self) -> bool:
        """A preselector: both of its ends hang on the leads, there is no other side."""
        return self._tool.site.own_side is not None

    @property
    def _hookup(self) -> HookUp:
        return HookUp.parse(self._tool.site.first_hookup if self._alone else f"{self._side.value}>A")

    def _leads(self) -> str:
        if self._alone:
            return "lead 1 on its input, lead 2 on its output"
        return f"lead 1 on port {self._side.value}, lead 2 on the antenna port"

    def action_enter(self) -> None:
        """Write down what is turned now: by it the screw's way and step are learned."""

        def take(typed: str) -> None:
            if self.made is None:
                raise RequestError("the sweeps are being read: wait until it is shown where everything stands")
            note_turn(self._tool.visit.file, self.made, self._side, typed)
            self.again()

        self.ask("which, turns, in or out, e.g. 2 0.25 in (a coupling: 1-2 0.5 out); then turn it, then t", take)

    def action_sweep(self) -> None:
        """Sweep the side from its own port."""
        self.attempt(self._swept)
        self.draw()

    def _swept(self) -> None:
        tool, hookup = self._tool, self._hookup
        self.hang(hookup, wide(tool.site, tool.profile.limits), SWEEPS, "tune")
        self.said = self._leads() + (f", a load on {hookup.third_port}" if hookup.third_port else "")
