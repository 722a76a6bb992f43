"""The keys of the tuning screen that change no turn in hand: what is told of the next one, the ledger, the bell, the
strip.

Owns: what was entered, and what the last key answered. Refuses: to order a sweep on its own and to judge one.
"""

from __future__ import annotations

from dataclasses import replace

from textual.widgets import Input

from rf.repeater.hookup_check import State
from tui.drawing.marks import MarkSet
from tui.screens.dialogs import BenchDialog
from tui.screens.framed import TextScreen
from tui.screens.tune_rows import bench_line, told_from
from tui.screens.turns_dialog import TurnsDialog
from visit.day.next_deed import TRUSTED
from visit.day.nudges import LOCK_NUT, Told
from visit.day.tuning import Advice
from visit.figures.assessment import Assessment
from visit.run.conductor import RunOrder
from visit.run.tool import Tool
from visit.site.hookup import Side


class TuneKeys(TextScreen[None]):
    """A side whose screws are turned: what its keys have in common."""

    PLACEHOLDER = "cavity 1-8, rod or trimmer, turns, direction: 1 rod 0.25 clockwise"

    def __init__(self, tool: Tool, side: Side, order: RunOrder, marks: MarkSet) -> None:
        super().__init__()
        self._tool, self._side, self._order, self._marks = tool, side, order, marks
        self._told: Told | None = None  # what was entered of the next turn; None: as advised
        self._bell = self._typing = self._strip = False
        self._last = ""
        self._shown: Assessment | None = None
        self._judged: tuple[int, Assessment] | None = None  # the last complete look, on which the advice rests
        self._advice: Advice | None = None

    def _now(self) -> RunOrder:
        raise NotImplementedError

    def _judge(self, run: int, seen: Assessment) -> None:
        raise NotImplementedError

    def _told_now(self) -> Told | None:
        """The next turn as it was entered, else as it is advised."""
        return self._told or (self._advice.told if self._advice is not None else None)

    def action_correct(self) -> None:
        """An entry of the ledger was wrong."""
        if not self._typing:
            self.app.push_screen(TurnsDialog(self._tool.visit, self._side), self._corrected)

    def _corrected(self, changed: bool | None) -> None:
        if changed:
            self._last = "corrected; the first entry stays in the visit file"
            if self._judged is not None:
                self._judge(*self._judged)
        self.draw()

    def action_lock(self) -> None:
        """The next turn is the lock nut."""
        told = self._told_now() or Told()
        self._told = Told(told.cavity, LOCK_NUT, "", None)
        self._last = "press t, tighten while watching, press t again: what moves is the locking"
        self.draw()

    def action_bell(self) -> None:
        """Sound the bell when it gets better, or not."""
        self._bell = not self._bell
        self._last = f"bell {'on' if self._bell else 'off'}"
        self.draw()

    def action_strip(self) -> None:
        """Where the notch was at each look, or not."""
        self._strip = not self._strip
        self.draw()

    def action_trust(self) -> None:
        """A duplexer that is far off looks like a wrong hook-up: somebody has gone and seen."""
        if self._shown is None or self._shown.check.state is not State.WRONG:
            self._last = "the hook-up looks as declared"
        else:
            self._tool.visit.note("hook-up", f"{self._order.hookup.text}{TRUSTED}")
            self._order = replace(self._order, trusted=True)
            self._tool.station.order(self._now())
        self.draw()

    def action_bench(self) -> None:
        """Demo only: turn a screw of the bench, or change it otherwise; the advised turn stands there."""
        if self._tool.bench is not None and not self._typing:
            self.app.push_screen(BenchDialog(self._tool.bench, bench_line(self._told_now())))

    def action_tell(self) -> None:
        """Which screw it is, how far and which way."""
        self._typing = True
        self.type_in()

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Take the words."""
        self.close_line()
        self._typing = False
        self._told = told_from(event.value) if event.value.strip() else None
        self.draw()
