"""The live screen of somebody else's run: shows what another process measures, and can take it over.

Owns: three keys. Refuses: to measure; taking over ends this screen, and the caller opens the analyzer.
"""

from __future__ import annotations

import threading
from typing import ClassVar

from textual.binding import Binding, BindingType

from protocol.errors import RequestError
from tui.drawing.marks import FAINT, MarkSet
from tui.drawing.report_lines import budget_lines
from tui.drawing.rows import Row
from tui.screens.panel import Panel
from tui.screens.reading_dialogs import LinesDialog
from visit.record.owner import take_over
from visit.record.visit_file import VisitFile
from visit.run.live import LiveState
from visit.run.watch import Watcher


class WatchScreen(Panel):
    """Looks on. `can_take_over`: the caller knows the analyzer's port and profile."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("o", "take_over", "take over", tooltip="the other process stops at the end of a sweep; go on here"),
        Binding("u", "budget", "budget", tooltip="what every figure is made of"),
        Binding("question_mark", "help", "help", tooltip="all keys and words"),
        Binding("l", "redraw", "redraw", show=False, tooltip="draw the whole screen again"),
        Binding("q", "leave", "leave", tooltip="leave; the other process goes on measuring"),
    ]

    def __init__(self, watcher: Watcher, marks: MarkSet, *, can_take_over: bool) -> None:
        super().__init__(marks)
        self._watcher, self._can_take_over = watcher, can_take_over
        self._left = threading.Event()

    def picture(self) -> LiveState:
        """What the file shows."""
        return self._watcher.state()

    def key_row(self, width: int) -> Row:
        """Keys, and that this screen only watches."""
        words = "o take over  " if self._can_take_over else ""
        return [(f" WATCHING  {words}u budget  ? help  q leave (the run goes on)", FAINT)]

    def action_take_over(self) -> None:
        """Ask the measuring process for the analyzer, through the file."""
        if not self._can_take_over:
            path = self._watcher.visit.path
            self.notify(f"to take over: deepnotch live --visit {path} with --port, --profile and --site", timeout=10)
            return
        self.notify("asked: the other process stops at the end of its sweep", timeout=10)
        self.run_worker(self._take_over, thread=True, exclusive=True)

    def _take_over(self) -> None:
        owner = self._watcher.owner
        try:
            if owner is not None:
                visit = VisitFile.open(self._watcher.visit.path)
                try:
                    take_over(visit, owner, self._left)
                finally:
                    visit.close()
        except RequestError as error:
            if not self._left.is_set():
                self.app.call_from_thread(self.notify, str(error), severity="error", timeout=15)
            return
        self.app.call_from_thread(self.app.exit, True)

    def action_budget(self) -> None:
        """What every figure is made of."""
        self.app.push_screen(LinesDialog(budget_lines(self.picture().assessment)))

    def action_leave(self) -> None:
        """Leave; nothing of the measurement changes."""
        self._left.set()
        self.app.exit(False)
