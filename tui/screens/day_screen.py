"""The guided day: what is next, what a step asks, done, left out with a reason, written down.

Owns: showing the steps and their keys; any step is three keys away (g, then its number). Refuses: to judge;
`visit.day.day` says what may not come yet.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from typing import ClassVar

from textual.binding import Binding, BindingType
from textual.widgets import Input

from protocol.errors import RequestError
from tui.drawing.blocks import Block, flowed, labelled
from tui.screens.day_freeze import FREEZES, DayFreeze
from tui.screens.dialogs import BenchDialog
from visit.day.day import STEPS, Ask, Day, Step, turning_order
from visit.run.tool import Tool

DIGITS_S = 1.5
"""A second digit within this time belongs to the first; later it begins a new number."""


class DayScreen(DayFreeze):
    """Answers with the `screen` word of the step that is to be carried out, or None."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "go", "do it"),
        Binding("d", "done", "done"),
        Binding("s", "skip", "leave out"),
        Binding("f", "fill", "write down"),
        Binding("c", "fill(True)", "correct"),
        Binding("u", "undo", "take back"),
        Binding("up,left", "move(-1)", "up"),
        Binding("down,right", "move(1)", "down"),
        Binding("b", "bench", "bench"),
        *(Binding(digit, f"digit('{digit}')", show=False) for digit in "0123456789"),
        Binding("escape,q", "leave", "back"),
    ]

    def __init__(self, tool: Tool) -> None:
        super().__init__(tool)
        following, deed = self._day.next_three(), tool.station.state().deed
        self._at = following[0].number if following else len(STEPS)
        if deed is not None and deed.step is not None:
            self._at = deed.step  # the live screen's NEXT led here
        self.clock: Callable[[], float] = time.monotonic
        """What tells how long a digit ago was."""
        self._typed, self._typed_s = "", 0.0
        self._asking: Ask | None = None
        self._correcting: list[Ask] = []
        """What is left to correct; the first is being typed."""
        self._skipping = False
        self._wanted: int | None = None
        """The step that another one had to come before: back to it once that is done."""

    @property
    def _step(self) -> Step:
        return STEPS[self._at - 1]

    def text_blocks(self, width: int) -> list[Block]:
        """Where the day stands, the step in hand, the keys."""
        states = self._day.states()
        done = sum(state == "done" for state, _ in states.values())
        counted = f"{done} of {len(STEPS)} done, {len(states) - done} left out"
        title = labelled("DAY", f"{self._tool.site.name}   {counted}", width, 6)
        following = [f"{one.number:2d}  {one.title}" for one in self._day.next_three()]
        heads = ("TO DO", "", "")
        steps = [line for head, one in zip(heads, following, strict=False) for line in labelled(head, one, width)]
        return [
            Block(tuple(title)),
            Block(tuple(labelled("NEXT", self._deed(), width)), 4),
            Block((*steps, ""), 3),
            Block(tuple(step_lines(self._step, self._day, self._tool.site.kind, self._freezing or (), width))),
            Block(tuple(labelled("", self._words, width))),
            Block(tuple(flowed(self._foot(), width))),
        ]

    @property
    def _typing(self) -> bool:
        return self._asking is not None or self._skipping

    def _deed(self) -> str:
        """What the figures ask for next."""
        deed = self._tool.station.state().deed
        return "" if deed is None else deed.words

    def _foot(self) -> list[str]:
        """What may be typed, or the keys."""
        if self._asking is not None:
            unit = f" in {self._asking.unit}" if self._asking.unit else ""
            return [f"{self._asking.name}{unit};", "Enter: write", "Esc: no"]
        if self._skipping:
            return ["Why is it left out?", "Enter: leave it out", "Esc: no"]
        if self._freezing is not None:
            return ["Enter: freeze this for good", "Esc: no, measure again first"]
        step = self._step
        does = [] if not step.screen else ["Enter freeze"] if step.screen in FREEZES else ["Enter go there"]
        written = any(number == step.number for number, *_ in self._day.entries())
        fill = (["f write down"] if step.asks else []) + (["c correct"] if written else [])
        back = ["u take back"] if written or step.number in self._day.states() else []
        return [*does, *fill, "d done", "s leave out", *back, f"1-{len(STEPS)} or arrows: another step", "q back"]

    # Keys

    def action_digit(self, digit: str) -> None:
        """Digits go to a step: two of them soon after one another, or one. By a binding, as all other keys: a digit
        that was typed after `d` must not overtake it."""
        if self._typing:
            return
        now_s = self.clock()
        self._typed = (self._typed + digit)[-2:] if now_s - self._typed_s < DIGITS_S else digit
        self._typed_s = now_s
        number = int(self._typed)
        if not 1 <= number <= len(STEPS):
            number = int(digit)
            self._typed = digit
        if 1 <= number <= len(STEPS):
            self._at = number
        self._words = ""
        self.forget()
        self.draw()

    def action_move(self, by: int) -> None:
        """The step before or after."""
        self._at = min(max(self._at + by, 1), len(STEPS))
        self._typed, self._words = "", ""
        self.forget()
        self.draw()

    def action_go(self) -> None:
        """Carry the step out where the program can; what is frozen for good is shown first."""
        if self._typing or not self._step.screen:
            return
        if self._freezing is not None:
            self.dismiss(self._step.screen)
            return
        try:
            self._day.check(self._at)
        except RequestError as error:
            self._words, self._wanted = f"! {error}", self._at
            self.draw()
            return
        if self._step.screen in FREEZES:
            self.look_at(FREEZES[self._step.screen])
        else:
            self.dismiss(self._step.screen)

    def action_done(self) -> None:
        """Mark it done and go to the next."""
        self._try(lambda: self._day.done(self._at))

    def _try(self, act: object) -> None:
        assert callable(act)
        try:
            act()
            following, was = self._day.next_three(), self._at
            self._words = ""
            if self._wanted not in (None, was):
                self._at, self._words = self._wanted or was, f"step {was} done; this one was wanted"
            elif following:
                self._at = following[0].number
            self._wanted = None
        except RequestError as error:
            self._words = f"! {error}"
        self.draw()

    def action_skip(self) -> None:
        """Ask for the reason."""
        self._skipping = True
        self.type_in()

    def action_fill(self, correct: bool = False) -> None:
        """Ask for the first thing that is not written down yet, or for all that is, to correct it."""
        if not self._step.asks:
            self._words = "this step asks for nothing"
            self.draw()
            return
        written = {name for number, name, *_ in self._day.entries() if number == self._at}
        self._words = ""
        if correct:
            self._correcting = [ask for ask in self._step.asks if ask.name in written]
            self._words = "" if self._correcting else "nothing is written down yet: f"
        self._next_ask()

    def _next_ask(self) -> None:
        written = {name: words for number, name, _, _, words in self._day.entries() if number == self._at}
        if self._correcting:
            self._asking = self._correcting[0]
            self.type_in(written.get(self._asking.name, ""))
            return
        self._asking = next((ask for ask in self._step.asks if ask.name not in written), None)
        if self._asking is None and not self._words:
            self._words = "all is written down: c corrects, u takes the last one back"
        self.type_in() if self._asking is not None else self.draw()

    def action_bench(self) -> None:
        """Demo only: change the simulated bench."""
        if self._tool.bench is not None and not self._typing:
            self.app.push_screen(BenchDialog(self._tool.bench))

    def action_undo(self) -> None:
        """Take back the newest thing that stands at this step."""
        try:
            self._words = f"taken back: {self._day.take_back(self._at)}"
        except RequestError as error:
            self._words = f"! {error}"
        self.forget()
        self.draw()

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Take what was typed."""
        self.close_line()
        text, asking, skipping = event.value, self._asking, self._skipping
        self._asking, self._skipping, self._words = None, False, ""
        if skipping:
            self._try(lambda: self._day.skip(self._at, text))
            return
        if asking is None:
            return
        correcting = bool(self._correcting)
        try:
            if correcting:
                self._day.correct(self._at, asking.name, text)
                self._correcting = self._correcting[1:]
            else:
                self._day.enter(self._at, asking.name, text)
        except RequestError as error:
            self._words, self._correcting = f"! {error}", []
        if self._words or (correcting and not self._correcting):
            self._words = self._words or "corrected"
            self.draw()
        else:
            self._next_ask()

    def action_leave(self) -> None:
        """Back, or out of the line that is typed."""
        if self._typing:
            self._asking, self._skipping, self._correcting = None, False, []
            self.close_line()
            self.draw()
        elif self._freezing is not None:
            self.forget()
            self._words = "nothing was frozen"
            self.draw()
        else:
            self.dismiss(None)


def step_lines(step: Step, day: Day, kind: str, freezing: Sequence[str], width: int) -> list[str]:
    """A step with what stands there already; `freezing`: what would be frozen, while that is asked."""
    said = [(f"STEP {step.number}", f"[{step.phase}]  {step.title}"), ("", step.hint)]
    if step.screen == "tune":
        said += [("", words) for words in turning_order(kind)]
    state = day.states().get(step.number)
    if state is not None:
        said.append(("", state[0] + (f": {state[1]}" if state[1] else "")))
    written = {name: words for number, name, _, _, words in day.entries() if number == step.number}
    for ask in step.asks:
        unit = f" ({ask.unit})" if ask.unit else ""
        said.append(("", f"{ask.name}{unit}: {written.get(ask.name, '...')}"))
    said += [("FREEZES" if number == 0 else "", line) for number, line in enumerate(freezing)]
    return [line for head, words in said for line in labelled(head, words, width)]
