"""The turns that are written down already: told anew, or struck out with a reason, when the entry was wrong.

Owns: choosing the turn and typing what it was. Refuses: to take anything out of the file; the first entry stays there.
"""

from __future__ import annotations

import time
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.widgets import Input, OptionList
from textual.widgets.option_list import Option

from protocol.errors import RequestError
from tui.drawing.plain import Plain
from tui.screens.framed import Dialog
from tui.screens.tune_rows import told_from
from visit.day.nudges import NudgeRow
from visit.day.turn_words import did_words, told_words
from visit.run.site_visit import SiteVisit
from visit.site.hookup import Side

NONE = "none"
"""Typed in front of the reason where no screw was turned."""
MOST_ROWS = 10


class TurnsDialog(Dialog[bool]):
    """Answers True when something was corrected."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("q", "leave", "leave", show=False)]
    DEFAULT_CSS = f"TurnsDialog OptionList {{ max-height: {MOST_ROWS}; }}"

    def __init__(self, visit: SiteVisit, side: Side) -> None:
        super().__init__()
        self._visit, self._side = visit, side
        self._rows: list[NudgeRow] = []
        self._chosen: NudgeRow | None = None
        self._changed = False

    def compose(self) -> ComposeResult:
        """The turns, newest first; the line to type into comes with the choice."""
        with Vertical(classes="box"):
            yield Plain(["Which turn was entered wrongly? Enter: take   Esc: back"], id="asked")
            yield OptionList(id="turns", markup=False)
            field = Input(id="line", placeholder=f"1 rod 0.25 clockwise   or: {NONE} and why", max_length=200)
            field.cursor_blink = False
            field.display = False
            yield field
            yield Plain(id="fault")

    def on_mount(self) -> None:
        """Read the ledger."""
        self._show()

    def _show(self) -> None:
        turns = self.query_one("#turns", OptionList)
        turns.clear_options()
        try:
            self._rows = [row for row in reversed(self._visit.turns()) if row.side == self._side.value]
        except RequestError as error:
            self.query_one("#fault", Plain).show([f"! {error}"])
        turns.add_options([Option(turn_words(row, self._visit.site.cavities)) for row in self._rows])
        turns.highlighted = 0 if self._rows else None
        if not self._rows:
            self.query_one("#asked", Plain).show(["No turn of this side is written down yet. Esc: back"])
        turns.focus()

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        """Ask what it was."""
        self._chosen = self._rows[event.option_index]
        self.query_one("#asked", Plain).show(
            [
                f"Turn {self._chosen.number}: what was it? Enter: write   Esc: no",
                f"(or: {NONE}, and why it was no turn)",
            ]
        )
        field = self.query_one("#line", Input)
        field.value, field.display = "", True
        field.focus()

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Write it down; a fault leaves all as it is."""
        typed, chosen = event.value.strip(), self._chosen
        if chosen is None or not typed:
            self.action_leave()
            return
        try:
            word, _, why = typed.partition(" ")
            if word.lower().rstrip(":,") == NONE:
                self._visit.strike_turn(chosen.number, why)
            else:
                self._visit.correct_turn(chosen.number, told_from(typed))
        except RequestError as error:
            self.query_one("#fault", Plain).show([f"! {error}"])
            return
        self._changed = True
        self.dismiss(True)

    def action_leave(self) -> None:
        """Out of the line, then out of the dialog."""
        if self._chosen is None:
            self.dismiss(self._changed)
            return
        self._chosen = None
        self.query_one("#line", Input).display = False
        self.query_one("#fault", Plain).show([])
        self.query_one("#asked", Plain).show(["Which turn was entered wrongly? Enter: take   Esc: back"])
        self.query_one("#turns", OptionList).focus()


def turn_words(row: NudgeRow, cavities: int | None) -> str:
    """A row of the ledger in a line: number, time, what was told, what moved, and what was corrected."""
    at = time.strftime("%H:%M", time.localtime(row.at_s))
    later = f"; struck out: {row.struck}" if row.struck else "; corrected" if row.first is not None else ""
    return f"{row.number}  {at}  {told_words(row.told)}: {did_words(row, cavities)}{later}"
