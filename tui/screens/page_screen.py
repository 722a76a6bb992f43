"""A page of labelled blocks over one line to type into: what the screens beside the duplexer have in common.

Owns: the text, the line, who hears what was typed. Refuses: to know what the page says.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from textual.app import ComposeResult
from textual.containers import Vertical
from textual.screen import Screen
from textual.widgets import Input

from protocol.errors import RequestError
from tui.drawing.blocks import Block, labelled, stacked
from tui.drawing.cautions import SAFETY_SHORT
from tui.drawing.plain import Plain
from visit.run.conductor import RunOrder

ROWS = 23


class PageScreen(Screen[RunOrder | None]):
    """Whoever derives from it says what stands on the page, and the keys. Answers with the order that it last gave."""

    AUTO_FOCUS = ""
    DEFAULT_CSS = """
    PageScreen { layout: vertical; overflow: hidden; }
    PageScreen Input, PageScreen Input:focus { height: 1; border: none; padding: 0; background: $boost; }
    PageScreen #text { height: auto; }
    """

    def __init__(self) -> None:
        super().__init__()
        self.said = ""
        """What is said of the last key."""
        self._prompt = ""
        self._take: Callable[[str], None] | None = None
        self.ordered: RunOrder | None = None

    def blocks(self) -> Sequence[Block]:
        """The page without its foot."""
        raise NotImplementedError

    def keys(self) -> str:
        """What the keys do."""
        raise NotImplementedError

    def compose(self) -> ComposeResult:
        """Text, and a line to type into."""
        with Vertical():
            yield Plain(id="text")
            field = Input(id="line")
            field.cursor_blink = False
            field.display = False
            yield field

    def on_mount(self) -> None:
        """Show the page."""
        self.draw()

    @property
    def typing(self) -> bool:
        """A line is being typed."""
        return self._take is not None

    def draw(self) -> None:
        """Show the page anew."""
        foot = f" {self._prompt}; Enter: write   Esc: no" if self.typing else f" {self.keys()}"
        blocks = [*self.blocks(), Block(tuple(labelled("", self.said))), Block((foot, f" {SAFETY_SHORT}"))]
        self.query_one("#text", Plain).show(stacked(blocks, ROWS - 1 if self.typing else ROWS))

    def ask(self, prompt: str, standing: str, take: Callable[[str], None]) -> None:
        """Have a line typed; `take` hears it and may raise RequestError, whose words are shown."""
        self._prompt, self._take, self.said = prompt, take, ""
        field = self.query_one("#line", Input)
        field.value, field.display = standing, True
        field.cursor_position = len(standing)
        self.set_focus(field)
        self.draw()

    def attempt(self, deed: Callable[[], None]) -> None:
        """Do something whose RequestError is shown."""
        try:
            deed()
        except RequestError as error:
            self.said = f"! {error}"

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Hand on what was typed."""
        take, self._take = self._take, None
        event.input.display = False
        self.set_focus(None)
        if take is not None:
            self.attempt(lambda: take(event.value))
        self.draw()

    def action_leave(self) -> None:
        """Out of the line that is typed, or back."""
        if self.typing:
            self._take = None
            self.query_one("#line", Input).display = False
            self.set_focus(None)
            self.draw()
        else:
            self.dismiss(self.ordered)
