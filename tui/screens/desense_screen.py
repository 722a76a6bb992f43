"""The desense test step by step: set up, four levels, what they say; before the work and after it.

Owns: the keys. Refuses: a level while the analyzer sweeps, or before somebody said that it is off the duplexer.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import ClassVar

from textual.binding import Binding, BindingType

from protocol.errors import RequestError
from rf.repeater.desense_levels import STATES
from rf.values.figure import Figure
from tui.drawing.blocks import Block
from tui.screens.page_screen import PageScreen, block
from visit.day.day import LOCK_STEP
from visit.day.desense_test import AFTER, BEFORE, DO, SET_UP, check_keying, take, taken
from visit.report.desense_page import desense_lines
from visit.run.tool import Tool

OFF = "off"


class DesenseScreen(PageScreen):
    """One test; `explained`: what the duplexer's figures explain of the loss on a load, before and after."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "next", "next level"),
        Binding("1", "level(0)", "load, off"),
        Binding("2", "level(1)", "load, on"),
        Binding("3", "level(2)", "antenna, off"),
        Binding("4", "level(3)", "antenna, on"),
        Binding("w", "when", "before or after"),
        Binding("escape,q", "leave", "back"),
    ]

    def __init__(self, tool: Tool, explained: Mapping[str, Figure]) -> None:
        super().__init__()
        self._tool, self._explained = tool, explained
        done = {number for number, (state, _) in tool.visit.day().states().items() if state == "done"}
        self._when = AFTER if LOCK_STEP in done else BEFORE
        self._off = False
        """Somebody said that the analyzer is off the duplexer."""

    def page(self, width: int) -> Sequence[Block]:
        """What to do now; levels and findings."""
        now = taken(self._tool.visit.file, self._when, self._explained.get(self._when))
        blocks = [block("", f"DESENSE TEST {self._when.upper()}  {self._tool.site.name}", width, column=1)]
        if not self._off:
            blocks += [block("SET UP" if number == 0 else "", line, width) for number, line in enumerate(SET_UP)]
        if now.following:
            blocks.append(block("NOW", DO[now.following], width))
        if now.dbm:
            blocks += [block("", line.strip(), width, 2) for line in desense_lines(now)]
        return blocks

    def keys(self) -> Sequence[str]:
        """What the keys do."""
        other = AFTER if self._when == BEFORE else BEFORE
        return ("Enter next level", "1-4 one of them again", f"w the test {other}", "q back")

    def action_when(self) -> None:
        """The other test."""
        self._when, self.said, self._off = (AFTER if self._when == BEFORE else BEFORE), "", False
        self.draw()

    def action_next(self) -> None:
        """The next level that is missing."""
        following = taken(self._tool.visit.file, self._when).following
        if following:
            self.action_level(STATES.index(following))

    def action_level(self, index: int) -> None:
        """Type a level, once the analyzer is off."""
        self.attempt(lambda: self._level(STATES[index]))
        self.draw()

    def _level(self, state: str) -> None:
        if self.typing:
            return
        check_keying(self._tool.visit.day(), self._when)
        if self._tool.station.running:
            raise RequestError("the analyzer sweeps: stop it (q, then space) and take it off the duplexer first")
        if not self._off:
            self.ask(f"is the analyzer off the duplexer, out of the line? type {OFF}", self._confirmed)
            return
        self.ask(
            f"generator's level with {state}, in dBm",
            lambda typed: take(self._tool.visit.file, self._when, state, typed),
        )  # fmt: skip

    def _confirmed(self, typed: str) -> None:
        if typed.strip().lower() != OFF:
            raise RequestError("take it off first: a transmitter kills an analyzer")
        self._off = True
