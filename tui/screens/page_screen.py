"""A page of labelled blocks over one line to type into: what the screens beside the duplexer have in common.

Owns: the foot with the keys, the line, who hears what was typed. Refuses: to know what the page says.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from textual.widgets import Input

from protocol.errors import RequestError
from tui.drawing.blocks import LABEL, Block, flowed, labelled
from tui.screens.framed import TextScreen
from visit.run.conductor import RunOrder


def block(label: str, text: str, width: int, weight: int | None = None, column: int = LABEL) -> Block:
    """A label and text beside it, as one block."""
    return Block(tuple(labelled(label, text, width, column)), weight)


class PageScreen(TextScreen[RunOrder | None]):
    """Whoever derives from it says what stands on the page, and the keys. Answers with the order that it last gave."""

    def __init__(self) -> None:
        super().__init__()
        self.said = ""
        """What is said of the last key."""
        self._prompt = ""
        self._take: Callable[[str], None] | None = None
        self.ordered: RunOrder | None = None

    def page(self, width: int) -> Sequence[Block]:
        """The page without its foot."""
        raise NotImplementedError

    def keys(self) -> Sequence[str]:
        """What the keys do, one each."""
        raise NotImplementedError

    def on_mount(self) -> None:
        """Show the page."""
        self.draw()

    def text_blocks(self, width: int) -> Sequence[Block]:
        """The page, what is said of the last key, the keys."""
        page = self.page(width)
        foot = (f"{self._prompt};", "Enter: write", "Esc: no") if self.typing else self.keys()
        return [*page, block("", self.said, width), Block(tuple(flowed(foot, width)))]

    @property
    def typing(self) -> bool:
        """A line is being typed."""
        return self._take is not None

    def ask(self, prompt: str, take: Callable[[str], None]) -> None:
        """Have a line typed; `take` hears it and may raise RequestError, whose words are shown."""
        self._prompt, self._take, self.said = prompt, take, ""
        self.type_in()

    def attempt(self, deed: Callable[[], None]) -> None:
        """Do something whose RequestError is shown."""
        try:
            deed()
        except RequestError as error:
            self.said = f"! {error}"

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Hand on what was typed."""
        take, self._take = self._take, None
        self.close_line()
        if take is not None:
            self.attempt(lambda: take(event.value))
        self.draw()

    def action_leave(self) -> None:
        """Out of the line that is typed, or back."""
        if self.typing:
            self._take = None
            self.close_line()
            self.draw()
        else:
            self.dismiss(self.ordered)
