"""Turning screws: where the notch is, which way to go, what the last turn did, and when to stop.

Owns: short runs one after the other, and the two keys around a turn. Refuses: to compute; the notch fit, the nudge
and the advice come from `visit`.
"""

from __future__ import annotations

import asyncio
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.screen import Screen
from textual.widgets import Input

from protocol.errors import RequestError
from protocol.sweep import SweepSettings
from rf.values.words import text
from tui.drawing.digits import big
from tui.drawing.marks import MarkSet
from tui.drawing.plain import Plain
from tui.screens.calibration_screen import folded
from visit.day.nudges import LOCK_NUT, REACH, Told, gain_words
from visit.figures.assessment import Assessment, Role
from visit.run.conductor import Phase, RunOrder
from visit.run.tool import Tool

LOOK_S = 0.2
SWEEPS = 2
"""Sweeps of one look: under a second at usual settings, so that the hand sees what it does."""
POINTS = 201


class TuneScreen(Screen[None]):
    """One side's notch, live."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("t", "turning", "before and after a turn"),
        Binding("e", "tell", "enter which screw"),
        Binding("o", "lock", "locking"),
        Binding("g", "bell", "bell"),
        Binding("plus", "longer(2)", "average longer"),
        Binding("minus", "longer(0.5)", "shorter"),
        Binding("escape,q", "leave", "back"),
    ]
    AUTO_FOCUS = ""
    DEFAULT_CSS = """
    TuneScreen { layout: vertical; overflow: hidden; }
    TuneScreen Input, TuneScreen Input:focus { height: 1; border: none; padding: 0; background: $boost; }
    TuneScreen #text { height: auto; }
    """

    def __init__(self, tool: Tool, order: RunOrder, marks: MarkSet) -> None:
        super().__init__()
        side = order.hookup.side
        assert side is not None
        self._tool, self._marks, self._side = tool, marks, side
        site = tool.site
        span = 2.0 * REACH * (site.high_hz - site.low_hz)
        settings = SweepSettings.around(site.reject_hz(side), span, POINTS, order.settings.bandwidth_hz)
        self._order = RunOrder(order.hookup, settings, SWEEPS, "tune", order.trusted)
        self._told = Told()
        self._turning = self._bell = self._typing = False
        self._before: int | None = None
        self._awaiting = False
        self._mixed = 0
        self._seen: int | None = None
        self._last = "press t, turn one screw, press t again"
        self._best_db = float("-inf")
        self._shown: Assessment | None = None

    def compose(self) -> ComposeResult:
        """Text, and a line to type into."""
        with Vertical():
            yield Plain(id="text")
            field = Input(id="line", placeholder="cavity 1-8, rod or trimmer, turns, direction: 1 rod 0.25 clockwise")
            field.cursor_blink = False
            field.display = False
            yield field

    def on_mount(self) -> None:
        """Start looking."""
        self._tool.station.order(self._order)
        self.set_interval(LOOK_S, self._look)
        self._draw()

    def _look(self) -> None:
        state = self._tool.station.state()
        progress = state.progress
        if progress.order is None or progress.order.purpose != "tune":
            return
        if state.assessment is not None and state.assessment is not self._shown:
            self._take(state.assessment)
        if progress.phase is Phase.FAULT:
            self._last = f"! {progress.message}"
            self._draw()
        elif progress.phase is Phase.COMPLETE and progress.run_id is not None and progress.run_id != self._seen:
            assessed = state.assessment
            if assessed is None or assessed.sweeps + assessed.thrown_sweeps < self._planned():
                return  # its figures are on their way
            self._seen = progress.run_id
            later = progress.run_id > self._mixed
            if self._awaiting and self._before is not None and not self._turning and later:
                self._awaiting = False
                self.run_worker(self._compare(self._before, progress.run_id), exclusive=True)
            if not self._turning:
                self._tool.station.order(self._order)
        self._draw()

    def _planned(self) -> int:
        return self._order.planned_sweeps or SWEEPS

    def _take(self, assessment: Assessment) -> None:
        self._shown = assessment
        notch = assessment.notch
        if notch is not None and notch.trusted and notch.rejection_at and notch.rejection_at[0].known:
            value = notch.rejection_at[0].value
            if value > self._best_db + 0.1:
                self._best_db = value
                if self._bell:
                    self.app.bell()

    async def _compare(self, before: int, after: int) -> None:
        """What the turn did, written into the ledger."""
        try:
            self._last = await asyncio.to_thread(self._tool.visit.nudged, before, after, self._told)
        except RequestError as error:
            self._last = f"! {error}"
        self._draw()

    def _draw(self) -> None:
        a, site = self._shown, self._tool.site
        reject = site.reject_hz(self._side)
        told = self._told
        which = " ".join(
            part
            for part in (
                f"cavity {told.cavity}" if told.cavity else "",
                told.screw,
                f"{told.turns:g} turns" if told.turns else "",
                told.direction,
            )
            if part
        )
        lines = [
            f" TUNE  side {self._side.value}, notch to {reject / 1e6:.4f} MHz   {self._planned()} sweeps a look"
            f"   {'TURNING: press t when done' if self._turning else 'looking'}",
            "",
        ]
        known = a is not None and a.notch_offset.known
        shown = f"{a.notch_offset.value / 1e3:+.1f}" if a is not None and known else ""
        digits = big(shown, self._marks) if shown else ("", "", "")
        word = a.notch_offset.kind.value if a is not None else "waiting"
        for index, line in enumerate(digits):
            left = f"  {word:<11}" if index == 1 else " " * 13
            lines.append(f"{left}{line}{'  kHz' if index == 2 and shown else ''}")
        lines.append(f"   {text(a.notch_offset, signed=True)} off the channel" if a is not None and known else "")
        if a is not None and not known:
            lines[-1] = f"   {a.notch_offset.why}"[:79]
        lines += ["", *folded(self._advice(a), 2), "", *folded(f"LAST   {self._last}", 2)]
        lines += ["", *self._states(a), ""]
        lines.append(f" NEXT   {which}")
        lines.append(" t before and after a turn  e which screw  o locking  + - longer  q back")
        self.query_one("#text", Plain).show(line[:79] for line in lines[:23])

    def _advice(self, a: Assessment | None) -> str:
        if a is None or not a.notch_offset.known:
            return "DO     wait for the fit; sweep a little longer (+) if it does not come"
        return f"DO     {self._tool.visit.turning_advice(self._side, a.notch_offset)}"

    def _states(self, a: Assessment | None) -> list[str]:
        lines = []
        reject = a.channel(Role.REJECT) if a is not None else None
        if reject is not None:
            lines.append(f" NOW    rejection {text(reject.transmission)}")
        if a is not None and a.notch is not None and a.notch.trusted and a.notch.rejection_at[0].known:
            lines.append(f" SKIRTS {text(a.notch.rejection_at[0])} here; best so far {self._best_db:.1f}")
            lines.append(f"        {gain_words(a.notch, a.notch_offset.value)}")
        lines += [f" {line}" for line in self._tool.visit.ghosts(self._side)]
        return lines

    # Keys

    def action_turning(self) -> None:
        """First press: what stands now is 'before'. Second press: the next look is 'after'."""
        if self._typing:
            return
        if not self._turning:
            if self._seen is None:
                self._last = "! no look is complete yet: wait for the first figures"
            else:
                self._before, self._turning = self._seen, True
        else:
            # Sweeps of the run in hand may have been taken while the screw turned: only a later run is 'after'.
            self._mixed = self._tool.station.state().progress.run_id or 0
            self._turning, self._awaiting = False, True
            self._tool.station.order(self._order)
        self._draw()

    def action_lock(self) -> None:
        """The next turn is the lock nut."""
        self._told = Told(self._told.cavity, LOCK_NUT, "", None)
        self._last = "press t, tighten while watching, press t again: what moves is the locking"
        self._draw()

    def action_bell(self) -> None:
        """Sound the bell when it gets better, or not."""
        self._bell = not self._bell
        self._last = f"bell {'on' if self._bell else 'off'}"
        self._draw()

    def action_longer(self, factor: float) -> None:
        """More or fewer sweeps a look."""
        planned = min(max(round(self._planned() * factor), 1), 400)
        self._order = RunOrder(self._order.hookup, self._order.settings, planned, "tune", self._order.trusted)
        self._tool.station.order(self._order)
        self._draw()

    def action_tell(self) -> None:
        """Which screw is next, how far and which way."""
        self._typing = True
        field = self.query_one("#line", Input)
        field.value, field.display = "", True
        self.call_after_refresh(field.focus)

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Take the words."""
        event.input.display = False
        self.set_focus(None)
        self._typing = False
        self._told = told_from(event.value)
        self._draw()

    def action_leave(self) -> None:
        """Back to the live screen."""
        if self._typing:
            self._typing = False
            self.query_one("#line", Input).display = False
            self.set_focus(None)
            return
        self._tool.station.stop_run()
        self.dismiss(None)


def told_from(line: str) -> Told:
    """Words to what was told: the first whole number is the cavity, a number with a point or a second one the turns."""
    cavity: int | None = None
    turns: float | None = None
    screw, rest = "rod", []
    for word in line.replace(",", " ").split():
        try:
            number = float(word)
        except ValueError:
            if word.lower() in ("rod", "trimmer"):
                screw = word.lower()
            else:
                rest.append(word)
            continue
        if cavity is None and number == int(number) and 1 <= number <= 8:
            cavity = int(number)
        else:
            turns = number
    return Told(cavity, screw, " ".join(rest), turns)
