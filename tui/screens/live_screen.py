"""The live screen for one hook-up: trace, big rejection figure with its word, notch place, pass, floor, path, safety.

Owns: where the blocks stand and which key does what. Looks at `Station.state()` twice a second and repaints only rows
that changed. Refuses: to compute figures and to wait for the analyzer.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import replace
from typing import ClassVar

from textual.binding import Binding, BindingType

from protocol.errors import RequestError
from protocol.sweep import SweepSettings
from tui.drawing.marks import FAINT
from tui.drawing.report_lines import budget_lines
from tui.drawing.rows import Row
from tui.screens.dialogs import BenchDialog, SweepDialog
from tui.screens.reading_dialogs import KEY_NAMES, AskDialog, LinesDialog
from tui.screens.too_small import useful_size
from tui.screens.visit_keys import VisitKeys
from visit.day.next_deed import USUAL_SWEEP_S
from visit.day.planner import ProofPlan, plan_proof
from visit.figures.assessment import Assessment
from visit.record.instrument_card import ability_in
from visit.site.presets import wide

ALWAYS = 2
"""So many of the last keys always stand in the row: help and quit."""


class LiveScreen(VisitKeys):
    """The screen a technician watches while measuring."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("space", "start_stop", "go/stop", id="start-stop", tooltip="start the sweeps anew, or stop them"),
        Binding("w", "wide", "wide", id="wide", tooltip="sweep over both channels"),
        Binding("z", "zoom", "zoom", id="zoom", tooltip="zoom on the channel to reject"),
        Binding("n", "more", "more", id="more", tooltip="ten times as many sweeps in a new average"),
        Binding("e", "edit", "edit", id="edit", tooltip="type span, points, bandwidth, sweeps"),
        Binding("u", "budget", "budget", id="budget", show=False, tooltip="what every figure is made of"),
        Binding("k", "hookup", "leads", id="hookup", tooltip="declare the hook-up"),
        Binding("c", "calibrate", "cal", id="calibrate", tooltip="calibrate: short, open, load, thru, proof"),
        Binding(
            "v", "verify", "check cal", id="verify", show=False, tooltip="read a known thru: does the calibration hold?"
        ),
        Binding("p", "prove", "prove", id="prove", show=False, tooltip="plan the proof of the rejection and start it"),
        Binding("g", "day", "guide", id="day", show=False, tooltip="the day step by step: what is next"),
        Binding("x", "tune", "turn screws", id="tune", show=False, tooltip="turn screws: which way, how far"),
        Binding("a", "beside('feeder')", "feeder", id="feeder", show=False, tooltip="feeder and antenna"),
        Binding(
            "W", "beside('witness')", "witness", id="witness", show=False, tooltip="a source and a receiver beside it"
        ),
        Binding("X", "beside('cavity')", "cavity", id="cavity", show=False, tooltip="a single cavity: what to turn"),
        Binding("m", "beside('gains')", "gains", id="gains", show=False, tooltip="what the repeater gains; desense"),
        Binding(
            "A",
            "beside('suits')",
            "suits",
            id="suits",
            show=False,
            tooltip="is the analyzer good enough, how long it takes",
        ),
        Binding("d", "temperature", "degrees", id="temperature", show=False, tooltip="enter the temperature now"),
        Binding(
            "y", "trust", "trust", id="trust", show=False, tooltip="the hook-up is as declared, whatever it looks like"
        ),
        Binding("f", "confirm", "confirm", id="confirm", show=False, tooltip="confirm frequencies and traces in doubt"),
        Binding("t", "together", "together", id="together", show=False, tooltip="what several hook-ups show together"),
        Binding(
            "o", "sides", "both sides", id="sides", show=False, tooltip="both sides at once, with ages and verdicts"
        ),
        Binding("r", "report", "report", id="report", show=False, tooltip="the report: read it, write it as a page"),
        Binding("h", "visits", "visits", id="visits", show=False, tooltip="the visits that are there"),
        Binding("s", "site", "site", id="site", show=False, tooltip="edit the site; counts for runs begun afterwards"),
        Binding("b", "bench", "bench", id="bench", tooltip="demo only: change the simulated bench"),
        Binding("question_mark", "help", "help", id="help", tooltip="all keys and words"),
        Binding("l", "redraw", "redraw", id="redraw", show=False, tooltip="draw the whole screen again"),
        Binding(
            "q",
            "quit",
            "quit",
            id="quit",
            tooltip="leave; what was measured is kept, and a run is ended only when asked",
        ),
    ]

    def on_mount(self) -> None:
        """Start measuring; the panel's own handler, which Textual calls too, begins to look."""
        self._tool.station.order(self._order)

    def key_row(self, width: int) -> Row:
        """Keys, as many as fit."""
        return key_row(self.BINDINGS, width, demo=self._tool.bench is not None)

    # What the keys do

    def action_start_stop(self) -> None:
        """Stop what runs, or start the same again."""
        if self._tool.station.running:
            self._tool.station.stop_run()
        else:
            self._start(self._order)

    def action_wide(self) -> None:
        """Sweep over both channels."""
        settings = wide(self._tool.site, self._tool.profile.limits, self._bandwidth_hz)
        self._start(replace(self._order, settings=settings, planned_sweeps=self._usual))

    def action_prove(self) -> None:
        """Plan the proof from what the wide run showed, say how long it takes, start it."""
        state, deed = self._tool.station.state(), self._tool.station.state().deed
        if deed is not None and deed.key == "p" and deed.settings is not None:
            settings, sweeps, says = deed.settings, deed.sweeps, deed.why  # by all that the visit holds
        elif state.assessment is None:
            self.notify("a proof is planned from figures: wait for the first ones, then p", severity="error", timeout=6)
            return
        else:
            try:
                plan = self._plan(state.assessment, state.progress.sweep_time_s or USUAL_SWEEP_S)
            except RequestError as error:
                self.notify(str(error), severity="error", timeout=8)
                return
            settings, sweeps, says = plan.settings, plan.sweeps, plan.says
        order = replace(self._order, settings=settings, planned_sweeps=sweeps)
        lines = textwrap.wrap(f"Prove the rejection: {says}", 72)
        if self._tool.station.running:
            lines += ["", "The run in hand ends; what it has is kept."]
        self.app.push_screen(AskDialog(lines, "start"), lambda yes: self._start(order) if yes else None)

    def _plan(self, seen: Assessment, sweep_s: float) -> ProofPlan:
        """The proof by what the run in hand shows. Raises RequestError."""
        now, ability = self._order.settings, ability_in(self._tool.visit.file)
        if ability is not None:
            ability = ability.with_pace(now.points, now.bandwidth_hz, sweep_s)
        return plan_proof(self._tool.site, seen, now.bandwidth_hz, sweep_s / now.points, ability=ability)

    def action_more(self) -> None:
        """Ten times as many sweeps: the floor falls 10 dB."""
        planned = self._order.planned_sweeps
        self._start(replace(self._order, planned_sweeps=None if planned is None or planned >= 1000 else planned * 10))

    def action_edit(self) -> None:
        """Type the sweep."""
        self.app.push_screen(SweepDialog(self._order), self._edited)

    def _edited(self, answer: tuple[SweepSettings, int | None] | None) -> None:
        if answer is not None:
            self._bandwidth_hz = answer[0].bandwidth_hz
            self._start(replace(self._order, settings=answer[0], planned_sweeps=answer[1]))

    def action_bench(self) -> None:
        """Change the simulated bench by a line of words."""
        if self._tool.bench is not None:
            self.app.push_screen(BenchDialog(self._tool.bench))

    def action_budget(self) -> None:
        """What every figure is made of."""
        self.app.push_screen(LinesDialog(budget_lines(self._tool.station.state().assessment)))

    def action_quit(self) -> None:
        """Leave; the station is closed by whoever opened it. Asked first while a run goes on: whoever backs out of
        other screens by q may press it once too often. A terminal too small for the question has told that q leaves."""
        progress = self._tool.station.state().progress
        whole = (
            progress.order is not None and progress.done == progress.order.planned_sweeps
        )  # its end is being written
        if whole or not self._tool.station.running or useful_size(self.app) != self.app.size:
            self.app.exit()
            return
        lines = [f"A run goes on, {progress.done} sweeps so far. Leaving ends it; what it has is kept."]
        self.app.push_screen(AskDialog(lines, "end it and leave"), lambda yes: self.app.exit() if yes else None)


def key_row(bindings: Sequence[BindingType], width: int, *, demo: bool) -> Row:
    """The keys in one row, as many as fit, the last ones in any case; the help has all of them."""
    shown = [
        f"{KEY_NAMES.get(b.key, b.key)} {b.description}"
        for b in bindings
        if isinstance(b, Binding) and b.show and (demo or b.id != "bench")
    ]
    first, last = shown[:-ALWAYS], shown[-ALWAYS:]
    while first and len(" " + "  ".join([*first, *last])) > width:
        first.pop()
    return [(" " + "  ".join([*first, *last]), FAINT)]
