"""The live screen for one hook-up: trace, big rejection figure with its word, notch place, pass, floor, path, safety.

Owns: where the blocks stand and which key does what. Looks at `Station.state()` twice a second and repaints only rows
that changed. Refuses: to compute figures and to wait for the analyzer.
"""

from __future__ import annotations

import textwrap
from dataclasses import replace
from pathlib import Path
from typing import ClassVar

from textual.binding import Binding, BindingType

from protocol.errors import RequestError
from protocol.sweep import SweepSettings
from rf.repeater.hookup_check import State
from tui.drawing.marks import FAINT, MarkSet
from tui.drawing.report_lines import budget_lines
from tui.drawing.rows import Row
from tui.screens.bench_words import bench_lines
from tui.screens.calibration_screen import CalibrationScreen
from tui.screens.day_screen import DayScreen
from tui.screens.dialogs import (
    AskDialog,
    BenchDialog,
    BudgetDialog,
    ConfirmDialog,
    HelpDialog,
    HookUpDialog,
    SweepDialog,
    TemperatureDialog,
)
from tui.screens.panel import Panel
from tui.screens.tune_screen import TuneScreen
from visit.day.day import FREEZE_STEP
from visit.day.planner import plan_proof
from visit.run.conductor import RunOrder
from visit.run.live import LiveState
from visit.run.tool import Tool
from visit.site.hookup import HookUp
from visit.site.presets import first_sweep, wide, zoom
from visit.site.site import Site

WIDE_KEYS = 90
"""Columns from which all keys fit into the last row."""


class LiveScreen(Panel):
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
        Binding("m", "beside('feeder')", "mast", id="feeder", show=False, tooltip="feeder and antenna up the mast"),
        Binding(
            "r", "beside('gains')", "gains", id="gains", show=False, tooltip="what the repeater gains; desense test"
        ),
        Binding("d", "temperature", "degrees", id="temperature", show=False, tooltip="enter the temperature now"),
        Binding(
            "y", "trust", "trust", id="trust", show=False, tooltip="the hook-up is as declared, whatever it looks like"
        ),
        Binding("f", "confirm", "confirm", id="confirm", show=False, tooltip="confirm frequencies and traces in doubt"),
        Binding("t", "together", "together", id="together", show=False, tooltip="what several hook-ups show together"),
        Binding("s", "site", "site", id="site", show=False, tooltip="edit the site; counts for runs begun afterwards"),
        Binding("b", "bench", "bench", id="bench", tooltip="demo only: change the simulated bench"),
        Binding("question_mark", "help", "help", id="help", tooltip="all keys and words"),
        Binding("l", "redraw", "redraw", id="redraw", show=False, tooltip="draw the whole screen again"),
        Binding("q", "quit", "quit", id="quit", tooltip="stop, keep all that was measured, leave"),
    ]

    def __init__(self, tool: Tool, order: RunOrder, marks: MarkSet) -> None:
        super().__init__(marks)
        self._tool, self._order = tool, order
        self._usual = order.planned_sweeps
        """Sweeps of a run that nobody chose otherwise: a proof's many, or few, are its own."""
        self.edited = False
        """True once the site was edited: the screen ended for it."""

    def on_mount(self) -> None:
        """Start measuring; the panel's own handler, which Textual calls too, begins to look."""
        self._tool.station.order(self._order)

    def picture(self) -> LiveState:
        """The station's latest picture."""
        return self._tool.station.state()

    def key_row(self, width: int) -> Row:
        """Keys, as many as fit."""
        return key_row([b for b in self.BINDINGS if isinstance(b, Binding)], width, self._tool.bench is not None)

    # What the keys do

    def _start(self, order: RunOrder) -> None:
        self._order = order = replace(order, resume=None)  # whatever is started from here is a run of its own
        self._tool.station.order(order)
        self.look()

    def action_start_stop(self) -> None:
        """Stop what runs, or start the same again."""
        if self._tool.station.running:
            self._tool.station.stop_run()
        else:
            self._start(self._order)

    def action_wide(self) -> None:
        """Sweep over both channels."""
        settings = wide(self._tool.site, self._tool.profile.limits, self._order.settings.bandwidth_hz)
        self._start(replace(self._order, settings=settings, planned_sweeps=self._usual))

    def action_zoom(self) -> None:
        """Zoom on the reject channel as far as the fitted bottom allows."""
        state = self._tool.station.state()
        notch = state.assessment.notch if state.assessment else None
        side = self._order.hookup.side
        if side is None or notch is None or not notch.trusted or not notch.bottom_width_hz > 0:
            self.notify("zoom needs a fitted notch first: take a wide sweep (w) of a hook-up with A", timeout=6)
            return
        settings = zoom(self._tool.site.reject_hz(side), notch.bottom_width_hz, self._order.settings.bandwidth_hz)
        self._start(replace(self._order, settings=settings))

    def action_prove(self) -> None:
        """Plan the proof from what the wide run showed, say how long it takes, start it."""
        state = self._tool.station.state()
        if state.assessment is None:
            self.notify("a proof needs a fitted wide sweep first (w)", severity="error", timeout=6)
            return
        points = self._order.settings.points
        each = (state.progress.sweep_time_s or 0.5) / points
        try:
            plan = plan_proof(self._tool.site, state.assessment, self._order.settings.bandwidth_hz, each)
        except RequestError as error:
            self.notify(str(error), severity="error", timeout=8)
            return
        order = replace(self._order, settings=plan.settings, planned_sweeps=plan.sweeps)
        lines = textwrap.wrap(f"Prove the rejection: {plan.says}", 72)
        if self._tool.station.running:
            lines += ["", "The run in hand ends; what it has is kept."]
        self.app.push_screen(AskDialog(lines, "start"), lambda yes: self._start(order) if yes else None)

    def action_more(self) -> None:
        """Ten times as many sweeps: the floor falls 10 dB."""
        planned = self._order.planned_sweeps
        self._start(replace(self._order, planned_sweeps=None if planned is None or planned >= 1000 else planned * 10))

    def action_edit(self) -> None:
        """Type the sweep."""
        self.app.push_screen(SweepDialog(self._order), self._edited)

    def _edited(self, answer: tuple[SweepSettings, int | None] | None) -> None:
        if answer is not None:
            self._start(replace(self._order, settings=answer[0], planned_sweeps=answer[1]))

    def action_hookup(self) -> None:
        """Tell where the leads hang."""
        self.app.push_screen(HookUpDialog(self._order.hookup, self._tool.site), self._hooked_up)

    def _hooked_up(self, hookup: HookUp | None) -> None:
        if hookup is None:
            return
        self._tool.station.stop_run().result()
        try:
            if self._tool.bench is not None:
                for line in bench_lines(hookup, self._tool.site):
                    self._tool.bench.say(line)
        except RequestError as error:
            self.notify(str(error), severity="error")
            return
        if hookup.feeder != self._order.hookup.feeder:  # what parts places on a cable is far wider than a duplexer
            first = first_sweep(self._tool.site, hookup, self._tool.profile.limits, self._order.settings.bandwidth_hz)
            self._order = replace(self._order, settings=first)
        # A zoom's span and a proof's number of sweeps belong to the hook-up that they were planned for.
        self._start(replace(self._order, hookup=hookup, trusted=False, planned_sweeps=self._usual))

    def action_calibrate(self) -> None:
        """Calibrate on this computer with the sweep in hand."""
        self._leave_for(CalibrationScreen(self._tool, self._order))

    def action_verify(self) -> None:
        """Read a known thru through the correction in use."""
        self._leave_for(CalibrationScreen(self._tool, self._order, proof_only=True))

    def _leave_for(self, screen: CalibrationScreen) -> None:
        # The duplexer goes back on the leads: in the demo the bench does it.
        self.app.push_screen(screen, lambda _: self._hooked_up(self._order.hookup))

    def action_day(self) -> None:
        """The day, step by step."""
        self.app.push_screen(DayScreen(self._tool), self._carry_out)

    def _carry_out(self, what: str | None) -> None:
        """What a step of the day asks the program for."""
        if what in ("freeze", "report"):
            self._freeze_or_report(what)
        elif what == "calibrate":
            self.action_calibrate()
        elif what == "verify":
            self.action_verify()
        elif what == "zoom":
            self.action_zoom()
        elif what == "tune":
            self.action_tune()
        elif what == "antenna":
            self.action_beside("feeder")
        elif what:
            self._order = replace(self._order, settings=wide(self._tool.site, self._tool.profile.limits))
            self._hooked_up(HookUp.parse(what))

    def _freeze_or_report(self, what: str) -> None:
        try:
            self.notify(frozen_now(self._tool, what), timeout=10)
        except RequestError as error:
            self.notify(str(error), severity="error", timeout=10)

    def action_tune(self) -> None:
        """Turn screws."""
        side = self._order.hookup.side
        if side is None:
            self.notify("tuning needs a hook-up with the antenna port and one side (k)", severity="error", timeout=6)
            return
        if not self._tool.visit.day().frozen(side.value):
            self.notify(
                f"freeze the {side.word} side as found first (g, step {FREEZE_STEP}): without it nobody can tell what"
                " the turning did", timeout=10,
            )  # fmt: skip
            return
        self.app.push_screen(TuneScreen(self._tool, self._order, self._marks), lambda _: self._start(self._order))

    def action_beside(self, name: str) -> None:
        """A screen of its own: feeder and antenna, or what the repeater gains. What it ordered last stays the order."""
        from tui.screens.beside import beside  # noqa: PLC0415 - only where it is asked for

        self.app.push_screen(beside(name, self._tool), self._came_back)

    def _came_back(self, ordered: RunOrder | None) -> None:
        self._order = ordered or self._order

    def action_temperature(self) -> None:
        """Tell the temperature; five kelvin from the calibration's put it in doubt."""
        calibrator = self._tool.visit.calibrator
        self.app.push_screen(TemperatureDialog(calibrator.temperature_c), self._warmed)

    def _warmed(self, celsius: float | None) -> None:
        if celsius is not None:
            self._tool.visit.calibrator.warm(celsius)
            self._start(self._order)

    def action_site(self) -> None:
        """Edit the site."""
        why = "Saving ends the run; what is begun afterwards is judged by the new site."
        from tui.screens.site_screen import SiteScreen  # noqa: PLC0415 - only where the site is edited

        self.app.push_screen(SiteScreen(self._tool.site, self._tool.site_path, why), self._site_edited)

    def _site_edited(self, answer: tuple[Path, Site] | None) -> None:
        if answer is None:
            return
        path, site = answer
        self._tool.station.stop_run().result()
        self._tool.visit.change_site(site, path)
        self.edited = True
        self.app.exit()  # whoever opened the station opens it anew, for the new site

    def action_trust(self) -> None:
        """Store what comes even if the hook-up looks wrong; somebody has gone and seen."""
        state = self._tool.station.state()
        doubted = state.assessment is not None and state.assessment.check.state in (State.WRONG, State.NOTE)
        if not doubted:
            self.notify("the hook-up looks as declared: there is nothing to trust against its looks", timeout=6)
            return
        self._tool.visit.note("hook-up", f"{self._order.hookup.text} trusted against its looks")
        self._start(replace(self._order, trusted=True))

    def action_confirm(self) -> None:
        """Answer for frequencies or traces that nothing confirms; it is written into the visit."""
        doubt = self._tool.visit.axis_doubt()
        if not doubt:
            self.notify("frequencies and traces are not in doubt", timeout=6)
            return
        self.app.push_screen(ConfirmDialog(f"{doubt}."), self._confirmed)

    def _confirmed(self, so: bool | None) -> None:
        if so:
            self._tool.visit.confirm_axis(self._tool.station.state().progress.identity)
            self._start(self._order)

    def action_together(self) -> None:
        """What the runs of this visit show only together."""
        self.app.push_screen(BudgetDialog(self._tool.visit.together(), "What several hook-ups show together"))

    def action_bench(self) -> None:
        """Change the simulated bench by a line of words."""
        if self._tool.bench is not None:
            self.app.push_screen(BenchDialog(self._tool.bench))

    def action_budget(self) -> None:
        """What every figure is made of."""
        self.app.push_screen(BudgetDialog(budget_lines(self._tool.station.state().assessment)))

    def action_help(self) -> None:
        """All keys and words."""
        keys = [(b.key.replace("question_mark", "?"), b.tooltip) for b in self.BINDINGS if isinstance(b, Binding)]
        self.app.push_screen(HelpDialog(keys))

    def action_quit(self) -> None:
        """Leave; the station is closed by whoever opened it."""
        self.app.exit()


def key_row(bindings: list[Binding], width: int, demo: bool) -> Row:
    """The keys in one row, as many as fit; the help has all of them."""
    shown = [b for b in bindings if b.show and (demo or b.id != "bench") and (width >= WIDE_KEYS or b.id != "edit")]
    names = {"question_mark": "?", "space": "space"}
    return [(" " + "  ".join(f"{names.get(b.key, b.key)} {b.description}" for b in shown), FAINT)]


def frozen_now(tool: Tool, what: str) -> str:
    """Freeze as left for the report, or as found; what was done, in words. Raises RequestError."""
    if what == "report":
        tool.freeze("as left")
        return "as left is frozen; write it with: deepnotch report FILE.visit --html FILE"
    names = ", ".join(tool.freeze("as found"))
    tool.visit.day().done(FREEZE_STEP, names)
    return f"as found is frozen: {names}"
