"""Turning screws: where each cavity is, which screw to turn next and how far, what the last turn did.

Owns: looks one after the other, and the two keys around a turn. Refuses: to compute; places, advice and the nudge come
from `visit`.
"""

from __future__ import annotations

import asyncio
import math
import time
from collections import deque
from collections.abc import Callable
from dataclasses import replace
from typing import ClassVar

from textual.binding import Binding, BindingType

from protocol.errors import RequestError
from protocol.sweep import SweepSettings
from tui.drawing.blocks import Block
from tui.drawing.marks import MarkSet
from tui.drawing.strip import Place
from tui.screens.too_small import useful_size
from tui.screens.tune_keys import TuneKeys
from tui.screens.tune_rows import STRIP_ROWS, TunePicture, tune_blocks
from tui.screens.tune_survey import SurveyBetween
from visit.day.nudges import Told
from visit.day.tuning import Tuning, advise
from visit.figures.assessment import Assessment
from visit.run.conductor import Phase, RunOrder
from visit.run.tool import Tool
from visit.site.hookup import Side
from visit.site.presets import far_sweeps, wide

LOOK_S = 0.2
SWEEPS = 8
"""Sweeps of one look: a few seconds at usual settings, and a zero's place within a few kilohertz."""
GLANCE = 2
"""Sweeps of a look while a screw turns: the hand sees what it does."""
MOST_SWEEPS = 512
MOST_PLACES = 200
USUAL_ROWS = 24


def _sweep(tool: Tool, side: Side, level: int, bandwidth_hz: float) -> SweepSettings:
    """The usual sweep over both channels (0), or one for a side that is far off (1, 2, ...: wider and wider)."""
    if level == 0:
        return wide(tool.site, tool.profile.limits, bandwidth_hz)
    return far_sweeps(tool.site, side, tool.profile.limits, bandwidth_hz)[level - 1]


def _skirts_db(seen: Assessment) -> float:
    """The rejection by the skirts; minus infinity while they do not tell."""
    notch = seen.notch
    if notch is None or not notch.trusted or not notch.rejection_at or not notch.rejection_at[0].known:
        return float("-inf")
    return notch.rejection_at[0].value


class TuneScreen(TuneKeys):
    """One side's cavities, live."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("t", "turning", "before and after a turn"),
        Binding("e", "tell", "enter which screw"),
        Binding("s", "survey", "survey: leads on loads and back"),
        Binding("o", "lock", "locking"),
        Binding("u", "undo", "not turned after all"),
        Binding("c", "correct", "correct a turn"),
        Binding("g", "bell", "bell"),
        Binding("h", "strip", "strip of places"),
        Binding("y", "trust", "it hangs as declared"),
        Binding("b", "bench", "bench"),
        Binding("plus", "longer(2)", "average longer"),
        Binding("minus", "longer(0.5)", "shorter"),
        Binding("escape,q", "leave", "back"),
    ]

    def __init__(self, tool: Tool, order: RunOrder, marks: MarkSet) -> None:
        side = order.hookup.side
        assert side is not None
        # Both channels: the pass tells the circuit, without which single cavities are not told apart.
        settings = _sweep(tool, side, 0, order.settings.bandwidth_hz)
        super().__init__(tool, side, RunOrder(order.hookup, settings, SWEEPS, "tune", order.trusted), marks)
        self._between = SurveyBetween(tool, order.hookup)
        self._turning = False
        self._before: tuple[int, Assessment] | None = None
        # The turn that was made and the last run that may still hold sweeps of it, until its look is complete.
        self._after: tuple[Told, int] | None = None
        self._comparing = False  # the turn's two looks: nothing new may be advised until that is done
        self._seen: int | None = None
        self._best_db = float("-inf")
        self._tuning: Tuning | None = None
        self._places: deque[Place] = deque(maxlen=MOST_PLACES)

    def on_mount(self) -> None:
        """Start looking."""
        self._tool.station.order(self._order)
        self.set_interval(LOOK_S, self._look)
        self.draw()

    def _look(self) -> None:
        progress = (state := self._tool.station.state()).progress
        if self._between.going:
            self._between.look(state)
            self.draw()
            return  # a look that ended just before the key may not begin another: the leads come off
        if progress.order is None or progress.order.purpose != "tune":
            return
        if state.assessment is not None and state.assessment is not self._shown:
            self._shown = state.assessment
            self._ring(state.assessment)
        if progress.phase is Phase.FAULT:
            self._last = f"! {progress.message}"
        elif progress.phase is Phase.COMPLETE and progress.run_id is not None and progress.run_id != self._seen:
            assessed = state.assessment
            if assessed is None or assessed.sweeps + assessed.thrown_sweeps < self._planned():
                return  # its figures are on their way
            self._complete(progress.run_id, assessed)
        self.draw()

    def _complete(self, run: int, seen: Assessment) -> None:
        """A look is complete: it is 'after' where a turn waits for one, else it is what the advice rests on."""
        self._seen = run
        if seen.notch_offset.known or self._places:
            self._places.append(Place(time.monotonic(), seen.notch_offset, self._turning))
        if self._turning:
            self._tool.station.order(self._now())
        elif self._comparing:
            return
        elif self._after is not None and self._before is not None and run > self._after[1]:
            told, before = self._after[0], self._before
            self._comparing = True
            self.run_worker(self._compare(before, (run, seen), told), exclusive=True)
        else:
            self._judge(run, seen)
            self._tool.station.order(self._now())

    def _now(self) -> RunOrder:
        return replace(self._order, planned_sweeps=GLANCE) if self._turning else self._order

    def _planned(self) -> int:
        return self._now().planned_sweeps or SWEEPS

    def _ring(self, seen: Assessment) -> None:
        if _skirts_db(seen) > self._best_db + 0.1:
            self._best_db = _skirts_db(seen)
            if self._bell:
                self.app.bell()

    def _judge(self, run: int, seen: Assessment) -> None:
        """The advice rests on whole looks only: half a look says now this, now that."""
        try:
            self._tuning = self._tool.visit.tuning(self._side, seen, run, self._tool.profile.limits)
        except RequestError as error:
            self._last = f"! {error}"
            return
        self._judged = run, seen
        self._advice = advise(self._tuning)
        if self._advice.level is not None:
            self._sweep_over(self._advice.level)

    def _sweep_over(self, level: int) -> None:
        """The next looks are made over another span; what stands of this one is no 'before' any more."""
        settings = _sweep(self._tool, self._side, level, self._order.settings.bandwidth_hz)
        self._order, self._judged = replace(self._order, settings=settings), None

    async def _compare(self, before: tuple[int, Assessment], after: tuple[int, Assessment], told: Told) -> None:
        """What the turn did, written into the ledger."""
        try:
            self._last = await asyncio.to_thread(
                self._tool.visit.nudged, before[0], after[0], told, before[1], after[1]
            )  # fmt: skip
        except RequestError as error:
            self._last = f"! {error}"
        self._told = self._after = None
        self._comparing = False
        self._judge(*after)
        self._tool.station.order(self._now())
        self.draw()

    def text_blocks(self, width: int) -> list[Block]:
        """All that is known, and what to do."""
        picture = TunePicture(
            self._tool.site, self._side, self._marks, self._planned(), self._shown, self._tuning, self._advice,
            self._told, self._turning, self._after is not None, self._order.trusted, self._last,
            self._best_db if math.isfinite(self._best_db) else None,
            self._tool.visit.ghosts(self._side), tuple(self._places) if self._strip else None, time.monotonic(),
            STRIP_ROWS if useful_size(self.app).height >= USUAL_ROWS else STRIP_ROWS // 2, self._between.words,
        )  # fmt: skip
        return tune_blocks(picture, width)

    # Keys

    def action_turning(self) -> None:
        """First press: what stands now is 'before'. Second press: the next look is 'after'."""
        if self._typing or self._between.going:
            return
        progress = self._tool.station.state().progress
        if self._after is not None:
            self._last = "! the look after the last turn is not complete yet: hands off until it is"
        elif self._turning:
            told = self._told_now()
            if told is None:  # a turn of nobody knows which screw makes all places unknown
                self._last = "! which screw was it? e says so (? when nobody knows), u when none was turned"
                self.draw()
                return
            # Sweeps of the run in hand may have been taken while the screw turned: only a later run is 'after'.
            self._turning, self._after = False, (told, progress.run_id or 0)
            self._tool.station.order(self._now())
        elif self._seen is None or self._judged is None:
            self._last = "! no look is complete yet: wait for the first figures"
        else:
            self._before = self._judged
            self._turning, self._last = True, ""
            self._tool.station.order(self._now())
        self.draw()

    def action_undo(self) -> None:
        """The screw was not turned after all: what stood before still stands."""
        if self._between.going:
            self._last = "no survey: looking at the duplexer again"
            self._looking_again(self._between.give_up)
        elif self._comparing:
            self._last = "the turn is being written down: c corrects it then"
        elif self._turning or self._after is not None:
            self._turning, self._after, self._last = False, None, "taken back: no turn was made"
            self._tool.station.order(self._now())
        elif self._told is not None:
            self._told, self._last = None, "what was entered is taken back"
        else:
            self._last = "nothing to take back: no turn is in hand; c corrects one that is written down"
        self.draw()

    def action_survey(self) -> None:
        """Leads on loads, and back: each press says that what was asked for is done."""
        if self._typing or self._turning or self._after is not None or self._comparing:
            self._last = "! a turn is in hand: first its look"
        elif not self._between.going and (self._tuning is None or self._tuning.survey is None):
            self._last = "no survey is lacking here"
        else:
            plan = None if self._tuning is None else self._tuning.survey
            self._looking_again(lambda: self._between.next(plan))
        self.draw()

    def _looking_again(self, done: Callable[[], bool]) -> None:
        """Look at the duplexer once `done` says that the leads are back on it."""
        try:
            if done():
                self._judged = self._advice = None
                self._tool.station.order(self._now())
        except RequestError as error:
            self._last = f"! {error}"

    def action_longer(self, factor: float) -> None:
        """More or fewer sweeps a look."""
        planned = min(max(round((self._order.planned_sweeps or SWEEPS) * factor), 1), MOST_SWEEPS)
        self._order, self._advice = replace(self._order, planned_sweeps=planned), None
        if not self._turning and not self._between.going:
            self._tool.station.order(self._order)
        self.draw()

    def action_leave(self) -> None:
        """Back to the live screen."""
        if self._typing:
            self._typing = False
            self.close_line()
            self.draw()
            return
        if self._between.going:  # the live screen would sweep the duplexer, which is not on the leads
            self._last = "! first the leads back on the duplexer, then u gives the survey up"
            self.draw()
            return
        self._tool.station.stop_run()
        self.dismiss(None)
