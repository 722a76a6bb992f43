"""What the keys of the live screen do with the visit: leads, calibration, the day, screws, site, report, both sides.

Owns: the order of the run in hand, and which screen or dialog each deed opens. Refuses: to compute, and to draw; the
panel does.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from protocol.errors import RequestError
from rf.repeater.hookup_check import State
from tui.drawing.marks import MarkSet
from tui.screens.bench_words import bench_lines
from tui.screens.calibration_screen import CalibrationScreen
from tui.screens.day_screen import DayScreen
from tui.screens.dialogs import HookUpDialog, TemperatureDialog
from tui.screens.panel import Panel
from tui.screens.reading_dialogs import ConfirmDialog, LinesDialog
from tui.screens.report_dialog import ReportDialog
from tui.screens.sides_dialog import SidesDialog
from tui.screens.start_rows import visit_words
from tui.screens.tune_screen import TuneScreen
from visit.day.day import FREEZE_STEP
from visit.day.next_deed import AS_DECLARED, TRUSTED
from visit.run.conductor import RunOrder
from visit.run.live import LiveState
from visit.run.set_up import about_visit, recent_visits
from visit.run.tool import Tool
from visit.site.hookup import HookUp
from visit.site.presets import first_sweep, wide, zoom
from visit.site.site import SINGLE_CAVITY, Site

VISIT_COLUMNS = 64
"""Name and time of a visit."""


class VisitKeys(Panel):
    """A panel over a visit that is being measured into."""

    def __init__(self, tool: Tool, order: RunOrder, marks: MarkSet) -> None:
        super().__init__(marks)
        self._tool, self._order = tool, order
        self._usual = order.planned_sweeps
        """Sweeps of a run that nobody chose otherwise: a proof's many, or few, are its own."""
        self._bandwidth_hz = order.settings.bandwidth_hz
        """Bandwidth of a sweep that nobody chose otherwise: a proof's is its own, too."""
        self.edited = False
        """True once the site was edited: the screen ended for it."""

    def picture(self) -> LiveState:
        """The station's latest picture."""
        return self._tool.station.state()

    def _start(self, order: RunOrder) -> None:
        self._order = order = replace(order, resume=None)  # whatever is started from here is a run of its own
        self._tool.station.order(order)
        self.look()

    def _as_usual(self) -> RunOrder:
        """The order in hand at the usual bandwidth."""
        return replace(self._order, settings=replace(self._order.settings, bandwidth_hz=self._bandwidth_hz))

    def action_zoom(self) -> None:
        """Zoom on the reject channel as far as the fitted bottom allows."""
        state = self._tool.station.state()
        notch = state.assessment.notch if state.assessment else None
        side = self._order.hookup.side
        if side is None or notch is None or not notch.trusted or not notch.bottom_width_hz > 0:
            self.notify("zoom needs a fitted notch first: take a wide sweep (w) of a hook-up with A", timeout=6)
            return
        settings = zoom(self._tool.site.reject_hz(side), notch.bottom_width_hz, self._bandwidth_hz)
        self._start(replace(self._order, settings=settings))

    def action_hookup(self) -> None:
        """Tell where the leads hang."""
        self.app.push_screen(HookUpDialog(self._order.hookup, self._tool.site), self._hooked_up)

    def _hooked_up(self, hookup: HookUp | None) -> None:
        if hookup is None:
            return
        if hookup.feeder:
            try:
                self._tool.visit.day().check_incoming()
            except RequestError as error:
                self.notify(f"{error}: a, then p", severity="error", timeout=8)
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
            first = first_sweep(self._tool.site, hookup, self._tool.profile.limits, self._bandwidth_hz)
            self._order = replace(self._order, settings=first)
        # A zoom's span and a proof's number of sweeps belong to the hook-up that they were planned for.
        settings, planned, deed = self._order.settings, self._usual, self._tool.station.state().deed
        if not settings.start_hz <= self._tool.site.low_hz < self._tool.site.high_hz <= settings.stop_hz:
            settings = wide(self._tool.site, self._tool.profile.limits, self._bandwidth_hz)
        if hookup.survey and deed is not None and deed.key == "k" and deed.sweeps is not None:
            settings, planned = deed.settings or settings, deed.sweeps
        self._start(replace(self._order, hookup=hookup, trusted=False, settings=settings, planned_sweeps=planned))

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
        elif what in ("antenna", "gains", "suits"):
            self.action_beside("feeder" if what == "antenna" else what)
        elif what:
            self._order = replace(self._order, settings=wide(self._tool.site, self._tool.profile.limits))
            self._hooked_up(HookUp.parse(what))

    def _freeze_or_report(self, what: str) -> None:
        try:
            self.notify(frozen_now(self._tool, what), timeout=10)
            if what == "report":
                self.action_report()
        except RequestError as error:
            self.notify(str(error), severity="error", timeout=10)

    def action_tune(self) -> None:
        """Turn screws."""
        own = self._tool.site.own_side
        if own is not None or self._tool.site.kind == SINGLE_CAVITY:  # on a bench: nothing of a site is at stake
            self.action_beside("cavity" if own is None else own.value)
            return
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
        if self._tool.site.kind == "band-pass":
            self.action_beside(side.value)
            return
        self.app.push_screen(TuneScreen(self._tool, self._as_usual(), self._marks), lambda _: self._start(self._order))

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
        asked = state.deed is not None and AS_DECLARED in state.deed.do
        if not (doubted or asked):
            self.notify("the hook-up looks as declared: there is nothing to trust against its looks", timeout=6)
            return
        self._tool.visit.note("hook-up", f"{self._order.hookup.text}{TRUSTED}")
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
        self.app.push_screen(LinesDialog(self._tool.visit.together(), "What several hook-ups show together"))

    def action_report(self) -> None:
        """Read the report, write it as a page."""
        self.app.push_screen(ReportDialog(self._tool.visit.file.path))

    def action_visits(self) -> None:
        """The visits that are there; the one in hand is marked."""
        here = self._tool.visit.file.path
        try:
            paths = recent_visits(here)
        except RequestError as error:
            self.notify(str(error), severity="error", timeout=10)
            return
        lines = [
            f"{'> ' if path == here else '  '}{visit_words(path, VISIT_COLUMNS)}  {about_visit(path)}" for path in paths
        ]
        foot = ["", "> is measured into now; the start screen takes another (v) or renames one (m)"]
        self.app.push_screen(LinesDialog([*lines, *foot], f"Visits in {here.parent}"))

    def action_sides(self) -> None:
        """Low and high side at once."""
        self.app.push_screen(SidesDialog(self._tool.visit.sides))


def frozen_now(tool: Tool, what: str) -> str:
    """Freeze as left for the report, or as found; what was done, in words. Raises RequestError."""
    if what == "report":
        tool.freeze("as left")
        return "as left is frozen; w writes the page"
    names = ", ".join(tool.freeze("as found"))
    tool.visit.day().done(FREEZE_STEP, names)
    return f"as found is frozen: {names}"
