"""A survey between two turns: the leads go from the duplexer to loads and back, and no look is made meanwhile.

Owns: the stages of it and the words of each. Refuses: to sweep loads before somebody has said that the leads hang
there, and to look at the duplexer before somebody has said that they are back.
"""

from __future__ import annotations

import enum

from tui.screens.bench_words import bench_lines
from visit.day.planner import SurveyPlan
from visit.run.conductor import Phase, RunOrder
from visit.run.live import LiveState
from visit.run.tool import Tool
from visit.site.hookup import LOADS, HookUp


class Stage(enum.Enum):
    """How far it is."""

    NONE = "none"
    LEADS_OFF = "leads off"
    SWEEPING = "sweeping"
    LEADS_BACK = "leads back"


class SurveyBetween:
    """One survey, as it was planned; `hookup` is where the leads hang before and after."""

    def __init__(self, tool: Tool, hookup: HookUp) -> None:
        self._tool, self._hookup = tool, hookup
        self._plan: SurveyPlan | None = None
        self._run: RunOrder | None = None
        self.stage, self.words = Stage.NONE, ""
        """Words: what the hands do now."""

    @property
    def going(self) -> bool:
        """Whether the duplexer is not looked at meanwhile."""
        return self.stage is not Stage.NONE

    def next(self, plan: SurveyPlan | None) -> bool:
        """The key was pressed: what was asked for is done. True once the leads are back on the duplexer. Raises
        RequestError."""
        if self.stage is Stage.NONE and plan is not None:
            self._plan, self.stage = plan, Stage.LEADS_OFF
            self._tool.station.stop_run()
            self.words = "both leads off the duplexer and on loads, then s; u if not"
        elif self.stage is Stage.LEADS_OFF and self._plan is not None and self._plan.settings is not None:
            self._hang(HookUp.parse(LOADS))
            self._run = RunOrder(HookUp.parse(LOADS), self._plan.settings, self._plan.sweeps)
            self.stage, self.words = Stage.SWEEPING, f"hands off: survey of {self._plan.sweeps} sweeps on loads"
            self._tool.station.order(self._run)
        elif self.stage is Stage.LEADS_BACK:
            return self.give_up()
        return False

    def give_up(self) -> bool:
        """The leads hang on the duplexer again. Raises RequestError."""
        self._hang(self._hookup)
        self.stage, self.words = Stage.NONE, ""
        return True

    def look(self, state: LiveState) -> None:
        """Follow the survey's own run."""
        progress, run = state.progress, self._run
        if self.stage is not Stage.SWEEPING or run is None or progress.order != run:
            return
        back = f"leads back on {self._hookup.text} as they hung, then s"
        if progress.refusal is not None:
            self.words = f"{progress.refusal.cure}: {progress.refusal.short}; no sweep of it is kept"
        elif progress.phase is Phase.COMPLETE:
            self.stage, self.words = Stage.LEADS_BACK, back
        elif progress.phase in (Phase.FAULT, Phase.BROKEN_OFF, Phase.STOPPED):
            why = f" ({progress.message})" if progress.message else ""
            self.stage, self.words = Stage.LEADS_BACK, f"the survey ended early{why}: {back}"
        else:
            self.words = f"hands off: survey on loads, {progress.done} of {run.planned_sweeps} sweeps"

    def _hang(self, hookup: HookUp) -> None:
        if self._tool.bench is not None:
            for line in bench_lines(hookup, self._tool.site):
                self._tool.bench.say(line)
