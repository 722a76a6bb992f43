"""The guided day: what is next, what a step asks, done, left out with a reason, written down.

Owns: showing the steps and their keys; any step is three keys away (g, then its number). Refuses: to judge;
`visit.day.day` says what may not come yet.
"""

from __future__ import annotations

from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.events import Key
from textual.screen import Screen
from textual.widgets import Input

from protocol.errors import RequestError
from tui.drawing.plain import Plain
from tui.screens.calibration_screen import folded
from visit.day.day import STEPS, Ask, Step, turning_order
from visit.run.tool import Tool

ROWS = 24


class DayScreen(Screen[str | None]):
    """Answers with the `screen` word of the step that is to be carried out, or None."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "go", "do it"),
        Binding("d", "done", "done"),
        Binding("s", "skip", "leave out"),
        Binding("f", "fill", "write down"),
        Binding("up", "move(-1)", "up"),
        Binding("down", "move(1)", "down"),
        Binding("escape,q", "leave", "back"),
    ]
    AUTO_FOCUS = ""
    DEFAULT_CSS = """
    DayScreen { layout: vertical; overflow: hidden; }
    DayScreen Input, DayScreen Input:focus { height: 1; border: none; padding: 0; background: $boost; }
    DayScreen #text { height: auto; }
    """

    def __init__(self, tool: Tool) -> None:
        super().__init__()
        self._tool, self._day = tool, tool.visit.day()
        following = self._day.next_three()
        self._at = following[0].number if following else len(STEPS)
        self._typed = ""
        self._asking: Ask | None = None
        self._skipping = False
        self._words = ""

    def compose(self) -> ComposeResult:
        """Text, and a line to type into."""
        with Vertical():
            yield Plain(id="text")
            field = Input(id="line")
            field.cursor_blink = False
            field.display = False
            yield field

    def on_mount(self) -> None:
        """Show where the day stands."""
        self._draw()

    @property
    def _step(self) -> Step:
        return STEPS[self._at - 1]

    def _draw(self) -> None:
        states, step = self._day.states(), self._step
        done = sum(state == "done" for state, _ in states.values())
        lines = [
            f" DAY  {self._tool.site.name}   {done} of {len(STEPS)} done, {len(states) - done} left out",
            "",
            *(
                f" {'NEXT ' if index == 0 else '     '} {one.number:2d}  {one.title}"
                for index, one in enumerate(self._day.next_three())
            ),
            "",
            f" {'-' * 77}",
            f" STEP {step.number}  [{step.phase}]  {step.title}",
            *folded(step.hint, 2),
        ]
        if step.screen == "tune":
            lines += [f"   {line}" for line in turning_order(self._tool.site.kind)]
        state = states.get(step.number)
        if state is not None:
            lines.append(f"   {state[0]}" + (f": {state[1]}" if state[1] else ""))
        written = {name: words for number, name, _, _, words in self._day.entries() if number == step.number}
        for ask in step.asks:
            unit = f" ({ask.unit})" if ask.unit else ""
            lines.append(f"   {ask.name}{unit}: {written.get(ask.name, '...')}"[:79])
        lines += ["", *folded(self._words, 2)]
        if self._asking is not None:
            lines.append(f" {self._asking.name}{f' in {self._asking.unit}' if self._asking.unit else ''}; Enter: write")
        elif self._skipping:
            lines.append(" Why is it left out? Enter: leave it out   Esc: no")
        else:
            does = {"": "", "freeze": "Enter freeze   ", "report": "Enter report   "}.get(
                step.screen, "Enter go there   "
            )
            fill = "f write down   " if step.asks else ""
            lines.append(f" {does}{fill}d done   s leave out   1-{len(STEPS)} go to step   q back")
        self.query_one("#text", Plain).show(line[:79] for line in lines[: ROWS - 1])

    # Keys

    def on_key(self, event: Key) -> None:
        """Digits go to a step: two of them, or one and a pause of another key."""
        if self._asking is not None or self._skipping or not event.key.isdigit():
            return
        self._typed = (self._typed + event.key)[-2:]
        number = int(self._typed)
        if not 1 <= number <= len(STEPS):
            number = int(event.key)
            self._typed = event.key
        if 1 <= number <= len(STEPS):
            self._at = number
        self._words = ""
        self._draw()

    def action_move(self, by: int) -> None:
        """The step before or after."""
        self._at = min(max(self._at + by, 1), len(STEPS))
        self._typed = self._words = ""
        self._draw()

    def action_go(self) -> None:
        """Carry the step out where the program can."""
        if self._asking is None and not self._skipping and self._step.screen:
            try:
                self._day.check(self._at)
            except RequestError as error:
                self._words = f"! {error}"
                self._draw()
                return
            self.dismiss(self._step.screen)

    def action_done(self) -> None:
        """Mark it done and go to the next."""
        self._try(lambda: self._day.done(self._at))

    def _try(self, act: object) -> None:
        assert callable(act)
        try:
            act()
            following = self._day.next_three()
            self._words = ""
            if following:
                self._at = following[0].number
        except RequestError as error:
            self._words = f"! {error}"
        self._draw()

    def action_skip(self) -> None:
        """Ask for the reason."""
        self._skipping = True
        self._type()

    def action_fill(self) -> None:
        """Ask for the first thing that is not written down yet."""
        self._next_ask()

    def _next_ask(self) -> None:
        written = {name for number, name, _, _, _ in self._day.entries() if number == self._at}
        self._asking = next((ask for ask in self._step.asks if ask.name not in written), None)
        if self._asking is None and self._step.asks and not self._words:
            self._words = "all is written down; later values are added by leaving and coming back"
        self._type() if self._asking is not None else self._draw()

    def _type(self) -> None:
        field = self.query_one("#line", Input)
        field.value, field.display = "", True
        self.set_focus(field)  # at once: what is typed next is for the field, not for the keys
        self._draw()

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Take what was typed."""
        event.input.display = False
        self.set_focus(None)
        text, asking, skipping = event.value, self._asking, self._skipping
        self._asking, self._skipping, self._words = None, False, ""
        if skipping:
            self._try(lambda: self._day.skip(self._at, text))
            return
        if asking is None:
            return
        try:
            self._day.enter(self._at, asking.name, text)
        except RequestError as error:
            self._words = f"! {error}"
        self._next_ask() if not self._words else self._draw()

    def action_leave(self) -> None:
        """Back, or out of the line that is typed."""
        if self._asking is not None or self._skipping:
            self._asking, self._skipping = None, False
            self.query_one("#line", Input).display = False
            self.set_focus(None)
            self._draw()
        else:
            self.dismiss(None)
