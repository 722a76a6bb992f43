"""The second witness: levels of a source and a receiver in the order in which they are taken, held against the proof.

Owns: the keys. Refuses: figures of its own.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from textual.binding import Binding, BindingType

from protocol.errors import RequestError
from tui.drawing.blocks import Block
from tui.screens.file_page import FilePage
from tui.screens.page_screen import block
from visit.day.witness import SideWitness, at_channel, take_level, witnesses
from visit.figures.replay import Replay
from visit.figures.run_figures import no_figures
from visit.record.sheet import write
from visit.record.witness import (
    CORRECTION,
    LOSS,
    PAD,
    REJECTION,
    SCALE,
    STATES,
    TAKEN,
    maker_line,
    witness_line,
)
from visit.report.witness_page import SAFE, side_lines
from visit.run.tool import Tool
from visit.site.hookup import Side

OTHERS = tuple(state for state in STATES if state not in (*TAKEN, PAD, SCALE))
"""What is typed by name."""


class WitnessScreen(FilePage[dict[Side, SideWitness]]):
    """The page of the second witness, one side at a time."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("n", "following", "next level"),
        Binding("p", f"type('{PAD}')", "pad"),
        Binding("s", f"type('{SCALE}')", "scale"),
        Binding("o", "other", "source, leads and curve by their sheets"),
        Binding("m", "maker", "maker's rejection and loss"),
        Binding("l", "side('L')", "the low side"),
        Binding("h", "side('H')", "the high side"),
        Binding("escape,q", "leave", "back"),
    ]

    def __init__(self, tool: Tool) -> None:
        super().__init__(tool)
        self._side = Side.LOW

    def make(self) -> dict[Side, SideWitness]:
        """What the witness says of each side anew."""
        with no_figures(self._tool.visit.file, "its second witness"):
            return {one.side: one for one in witnesses(Replay(self._tool.visit.file))}

    def page(self, width: int) -> Sequence[Block]:
        """What the witness says, then what was typed."""
        blocks = [block("", f"SECOND WITNESS, {self._side.word} side  {self._tool.site.name}", width, column=1)]
        one = (self.made or {}).get(self._side)
        if one is None:
            return [*blocks, block("WAIT", self.computing, width)]
        blocks.append(block("AT", f"{one.reject_hz / 1e6:.4f} MHz, the channel that is held back: source there", width))
        if one.following:
            blocks.append(block("NEXT", f"{STATES[one.following]}: type its level (n)", width))
        blocks += [block("SHOWS", line, width) for line in side_lines(one) if not line.startswith("next level")]
        blocks += [
            block("TYPED", f"{STATES[state]}: {value:g} {witness_line(one.side, state).unit}", width, 2)
            for state, value in one.typed.items()
        ]
        return [*blocks, block("", SAFE, width)]

    def keys(self) -> Sequence[str]:
        """What the keys do."""
        return ("n next level", "p pad", "s scale", "o by sheets", "m maker's", "l low side", "h high side", "q back")

    def action_side(self, port: str) -> None:
        """The other side."""
        self._side = Side(port)
        self.draw()

    def action_following(self) -> None:
        """Type the level that is next; when all are there, they are taken anew."""
        one = (self.made or {}).get(self._side)
        self.action_type((one.following if one is not None else "") or next(iter(STATES)))

    def action_type(self, state: str) -> None:
        """Type one level."""
        side = self._side

        def take(typed: str) -> None:
            take_level(self._tool.visit.file, side, state, typed)
            self.again()

        self.ask(f"{STATES[state]}, in {witness_line(side, state).unit}", take)

    def action_other(self) -> None:
        """Type what sheets say, by name; the answer names what there is."""
        side = self._side

        def take(typed: str) -> None:
            name, _, value = typed.strip().rpartition(" ")
            if name.strip() not in OTHERS:
                raise RequestError(f"name and number; names: {', '.join(OTHERS)}")
            words = at_channel(value, self._tool.site.reject_hz(side)) if name.strip() == CORRECTION else value
            take_level(self._tool.visit.file, side, name.strip(), words)
            self.again()

        self.ask(f"which and how much, e.g. source 10 ({', '.join(OTHERS)})", take)

    def action_maker(self) -> None:
        """Type what the maker's sheet promises."""
        side = self._side

        def take(typed: str) -> None:
            words = typed.split()
            if len(words) != 2:
                raise RequestError("two numbers: rejection and loss in dB, e.g. 90 1.5")
            for what, word in zip((REJECTION, LOSS), words, strict=True):
                write(self._tool.visit.file, maker_line(side, what), word)
            self.again()

        self.ask("the maker's rejection and loss at the channels, in dB", take)
