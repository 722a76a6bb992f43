"""Turning screws: where each cavity is, which screw to turn next and how far, what the last turn did.

Owns: looks one after the other, and the two keys around a turn. Refuses: to compute; places, advice and the nudge come
from `visit`.
"""

from __future__ import annotations

import asyncio
from dataclasses import replace
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.screen import Screen
from textual.widgets import Input

from protocol.errors import RequestError
from rf.repeater.hookup_check import State
from rf.values.words import text
from tui.drawing.blocks import WIDTH, Block, labelled, stacked
from tui.drawing.cautions import SAFETY_SHORT
from tui.drawing.digits import big
from tui.drawing.marks import MarkSet
from tui.drawing.plain import Plain
from tui.screens.dialogs import BenchDialog
from visit.day.nudges import LOCK_NUT, Told
from visit.day.tuning import Advice, Deed, Tuning, advise, cavity_lines, spread_words
from visit.figures.assessment import Assessment, Role
from visit.run.conductor import Phase, RunOrder
from visit.run.tool import Tool
from visit.site.presets import wide

LOOK_S = 0.2
SWEEPS = 8
"""Sweeps of one look: a few seconds at usual settings, and a zero's place within a few kilohertz."""
GLANCE = 2
"""Sweeps of a look while a screw turns: the hand sees what it does."""
MOST_SWEEPS = 512
KEYS = (
    " t before and after a turn  e it was another turn  o lock nut  + - sweeps a look",
    " u not turned after all  g bell  q back",
)


class TuneScreen(Screen[None]):
    """One side's cavities, live."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("t", "turning", "before and after a turn"),
        Binding("e", "tell", "enter which screw"),
        Binding("o", "lock", "locking"),
        Binding("u", "undo", "not turned after all"),
        Binding("g", "bell", "bell"),
        Binding("y", "trust", "it hangs as declared"),
        Binding("b", "bench", "bench"),
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
        # Both channels: the pass tells the circuit, without which single cavities are not told apart.
        settings = wide(tool.site, tool.profile.limits, order.settings.bandwidth_hz)
        self._order = RunOrder(order.hookup, settings, SWEEPS, "tune", order.trusted)
        self._told: Told | None = None
        """What was entered of the next turn; None: it is made as advised."""
        self._turning = self._bell = self._typing = False
        self._before: tuple[int, Assessment] | None = None
        self._after: tuple[Told, int] | None = None
        """The turn that was made and the last run that may still hold sweeps of it, until its look is complete."""
        self._comparing = False
        """The turn's two looks are being compared: nothing new may be advised until that is done."""
        self._seen: int | None = None
        self._last = ""
        self._best_db = float("-inf")
        self._shown: Assessment | None = None
        self._judged: tuple[int, Assessment] | None = None
        """The last complete look, on which the advice rests."""
        self._tuning: Tuning | None = None
        self._advice: Advice | None = None

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
            self._shown = state.assessment
            self._ring(state.assessment)
        if progress.phase is Phase.FAULT:
            self._last = f"! {progress.message}"
        elif progress.phase is Phase.COMPLETE and progress.run_id is not None and progress.run_id != self._seen:
            assessed = state.assessment
            if assessed is None or assessed.sweeps + assessed.thrown_sweeps < self._planned():
                return  # its figures are on their way
            self._complete(progress.run_id, assessed)
        self._draw()

    def _complete(self, run: int, seen: Assessment) -> None:
        """A look is complete: it is 'after' where a turn waits for one, else it is what the advice rests on."""
        self._seen = run
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
        notch = seen.notch
        if notch is not None and notch.trusted and notch.rejection_at and notch.rejection_at[0].known:
            value = notch.rejection_at[0].value
            if value > self._best_db + 0.1:
                self._best_db = value
                if self._bell:
                    self.app.bell()

    def _judge(self, run: int, seen: Assessment) -> None:
        """The advice rests on whole looks only: half a look says now this, now that."""
        try:
            self._tuning = self._tool.visit.tuning(self._side, seen)
        except RequestError as error:
            self._last = f"! {error}"
            return
        self._judged = run, seen
        self._advice = advise(self._tuning)

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
        self._draw()

    # What stands on the screen

    def _draw(self) -> None:
        self.query_one("#text", Plain).show(stacked(self._blocks(), 22 if self._typing else 23))

    def _blocks(self) -> list[Block]:
        a, site = self._shown, self._tool.site
        now = "TURNING: t when done" if self._turning else "measuring the turn" if self._after else "looking"
        if a is not None and not self._turning:
            now += f" {min(a.sweeps + a.thrown_sweeps, self._planned())} of {self._planned()}"
        title = f" TUNE  {self._side.value} side to {site.reject_hz(self._side) / 1e6:.4f} MHz"
        return [
            Block((f"{title}{now:>{max(WIDTH - len(title), len(now) + 3)}}",)),
            Block(tuple(self._mean(a)), 5),
            Block(tuple(self._places()), 9),
            Block(tuple(self._do())),
            Block(tuple(labelled("LAST", self._last)), 8),
            Block(tuple(self._states(a)), 6),
            Block(tuple(labelled("BEST", self._best())), 2),
            Block(tuple(line for ghost in self._tool.visit.ghosts(self._side) for line in labelled(*ghost)), 3),
            Block(KEYS),
            Block((f" {SAFETY_SHORT}",)),
        ]

    def _mean(self, a: Assessment | None) -> list[str]:
        """How far the mean notch is off, to be read from the duplexer's other end."""
        if a is None:
            return labelled("MEAN", "waiting for the first figures")
        if not a.notch_offset.known:
            return labelled("MEAN", f"CAN'T SAY: {a.notch_offset.why}")
        digits = big(f"{a.notch_offset.value / 1e3:+.1f}", self._marks)
        beside = ("  MEAN OF ALL ", f"  {a.notch_offset.kind.value:<12}", "")
        after = ("", "", f"  kHz off the channel   {text(a.notch_offset, signed=True)}")
        return [f"{left:<14}{line}{right}" for left, line, right in zip(beside, digits, after, strict=True)]

    def _places(self) -> list[str]:
        if self._tuning is None:
            return []
        lines = cavity_lines(self._tuning)
        heads = ["CAVITY", *[""] * len(lines)]
        return [line for head, one in zip(heads, lines, strict=False) for line in labelled(head, one)]

    def _do(self) -> list[str]:
        advice, seen = self._advice, self._shown
        if seen is not None and seen.check.state is State.WRONG and not self._order.trusted:
            return [
                *labelled("DO", f"{seen.check.cure}; or y if it hangs as declared"),
                *labelled("WHY", f"{seen.check.short}: no sweep is kept while it looks so"),
            ]
        if self._turning:
            told = self._told or (advice.told if advice is not None else None)
            if told is None or told == Told():
                return labelled("DO", "turn ONE screw a little, then t; e says which it was")
            return labelled("DO", f"{_told_words(told)}; then t (e if it was another turn)")
        if self._after is not None:
            return labelled("DO", "hands off: the look after the turn is being taken")
        if advice is None:
            return labelled("DO", f"wait for a whole look of {self._planned()} sweeps")
        key = ": t, turn, t" if advice.told is not None and advice.deed is not Deed.OUT_OF_REACH else ""
        lines = labelled("DO", f"{advice.do}{key}") if self._told is None else self._entered(self._told)
        return [*lines, *labelled("WHY", advice.why), *labelled("EXPECT", advice.expect)]

    @staticmethod
    def _entered(told: Told) -> list[str]:
        return labelled("DO", f"as entered, {_told_words(told)}: t, turn, t")

    def _states(self, a: Assessment | None) -> list[str]:
        reject = a.channel(Role.REJECT) if a is not None else None
        goal = f"goal {self._tool.site.goals.rejection_db:g}"
        lines = labelled("NOW", f"rejection {text(reject.transmission)}, {goal}") if reject is not None else []
        if self._tuning is not None:
            skirts = self._tuning.rejection
            if skirts.known:
                lines += labelled("SKIRTS", f"{text(skirts)} at the channel")
            lines += labelled("", spread_words(self._tuning))
        return lines

    def _best(self) -> str:
        return f"so far INFERRED {self._best_db:.1f} dB" if self._best_db > float("-inf") else ""

    # Keys

    def action_turning(self) -> None:
        """First press: what stands now is 'before'. Second press: the next look is 'after'."""
        if self._typing:
            return
        progress = self._tool.station.state().progress
        if self._after is not None:
            self._last = "! the look after the last turn is not complete yet: hands off until it is"
        elif self._turning:
            told = self._told or (self._advice.told if self._advice is not None else None) or Told()
            # Sweeps of the run in hand may have been taken while the screw turned: only a later run is 'after'.
            self._turning, self._after = False, (told, progress.run_id or 0)
            self._tool.station.order(self._now())
        elif self._seen is None or self._judged is None:
            self._last = "! no look is complete yet: wait for the first figures"
        else:
            self._before = self._judged
            self._turning, self._last = True, ""
            self._tool.station.order(self._now())
        self._draw()

    def action_undo(self) -> None:
        """The screw was not turned after all: what stood before still stands."""
        if self._comparing:
            self._last = "the turn is being written down already: turn it back and tell that as a turn"
        elif self._turning or self._after is not None:
            self._turning, self._after, self._last = False, None, "taken back: no turn was made"
            self._tool.station.order(self._now())
        elif self._told is not None:
            self._told, self._last = None, "what was entered is taken back"
        else:
            self._last = "nothing to take back: no turn is in hand"
        self._draw()

    def action_lock(self) -> None:
        """The next turn is the lock nut."""
        told = self._told or (self._advice.told if self._advice is not None else None) or Told()
        self._told = Told(told.cavity, LOCK_NUT, "", None)
        self._last = "press t, tighten while watching, press t again: what moves is the locking"
        self._draw()

    def action_bell(self) -> None:
        """Sound the bell when it gets better, or not."""
        self._bell = not self._bell
        self._last = f"bell {'on' if self._bell else 'off'}"
        self._draw()

    def action_trust(self) -> None:
        """A duplexer that is far off looks like a wrong hook-up: somebody has gone and seen."""
        if self._shown is None or self._shown.check.state is not State.WRONG:
            self._last = "the hook-up looks as declared"
        else:
            self._tool.visit.note("hook-up", f"{self._order.hookup.text} trusted against its looks")
            self._order = replace(self._order, trusted=True)
            self._tool.station.order(self._now())
        self._draw()

    def action_bench(self) -> None:
        """Demo only: turn a screw of the simulated bench, or change it otherwise."""
        if self._tool.bench is not None and not self._typing:
            self.app.push_screen(BenchDialog(self._tool.bench))

    def action_longer(self, factor: float) -> None:
        """More or fewer sweeps a look."""
        planned = min(max(round((self._order.planned_sweeps or SWEEPS) * factor), 1), MOST_SWEEPS)
        self._order, self._advice = replace(self._order, planned_sweeps=planned), None
        if not self._turning:
            self._tool.station.order(self._order)
        self._draw()

    def action_tell(self) -> None:
        """Which screw it is, how far and which way."""
        self._typing = True
        field = self.query_one("#line", Input)
        field.value, field.display = "", True
        self._draw()
        self.set_focus(field)  # at once: what is typed next is for the field, not for the keys

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Take the words."""
        event.input.display = False
        self.set_focus(None)
        self._typing = False
        self._told = told_from(event.value) if event.value.strip() else None
        self._draw()

    def action_leave(self) -> None:
        """Back to the live screen."""
        if self._typing:
            self._typing = False
            self.query_one("#line", Input).display = False
            self.set_focus(None)
            self._draw()
            return
        self._tool.station.stop_run()
        self.dismiss(None)


def _told_words(told: Told) -> str:
    """A turn in words."""
    parts = (
        f"cavity {told.cavity}" if told.cavity else "a cavity",
        told.screw,
        f"{told.turns:g} turn" if told.turns else "",
        told.direction,
    )
    return (
        ", ".join(part for part in parts[:2] if part)
        + ": " * bool(told.turns or told.direction)
        + " ".join(part for part in parts[2:] if part)
    )


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
