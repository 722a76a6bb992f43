"""Dialogs that are read, not filled in: help, what figures are made of, a question before something is thrown over.

Owns: lines that wrap under themselves, scrolled where they are many. Refuses: to change anything; a question answers
True or False to whoever asked.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical, VerticalScroll

from tui.drawing.blocks import labelled
from tui.drawing.marks import MarkSet, plain
from tui.drawing.plain import Plain
from tui.screens.framed import Dialog, hanging
from tui.screens.too_small import useful_size

BOX_COLUMNS = 78
BESIDE_TEXT = 7
"""Border, padding, the bar that tells how far one has scrolled, and the label's own blank."""

WORDS_HELP = (
    ("READING", "the interval keeps clear of floor and leakage; may show a goal met"),
    ("AT LEAST", "only a bound: the floor covers the rest; may show a goal met"),
    ("AT MOST", "a bound from above: a level under the floor, or what follows from AT LEAST"),
    ("INFERRED", "from a model fitted to what stands above the floor; guides the hand, proves nothing"),
    ("CAN'T SAY", "nothing follows from the data"),
)
VERDICTS_HELP = (
    ("met", "the whole interval, or the bound, clears the goal"),
    ("met on condition", "it reads so, and a doubt is left: a survey, a proof, a correction that may not hold"),
    ("missed on condition", "it reads so, and the interval still reaches the goal, or a doubt is left"),
    ("missed", "the whole interval lies on the wrong side of the goal"),
    ("can't say", "neither is shown yet; NEXT says what would show it"),
)
MARKS_HELP = (
    ("─ █", "goal bar: filled up to what is shown"),
    ("▒", "goal bar: the interval of a READING"),
    ("→", "goal bar: a bound, the truth lies further this way"),
    ("◆", "the goal, in the bar and in the picture"),
    ("┄", "picture: the floor of the average; what lies under it is noise"),
    ("╱", "picture: hatched where the trace is under the floor: no information there"),
    ("│ L H", "picture: the two channels, low and high"),
    ("S21 S11", "picture: what passes through, and what comes back at port 1"),
    ("┊ M", "picture: the marker; its row says place, level and word"),
)
"""What the signs of the live screen mean."""
KEY_NAMES = {
    "question_mark": "?", "plus": "+", "minus": "-",
    "comma": ",", "full_stop": ".", "plus,equals_sign": "+", "left": "arrows", "q,escape": "q",
}  # fmt: skip
"""Keys as they are written on a keyboard, where the screen's library calls them otherwise."""


def key_pairs(bindings: Sequence[BindingType]) -> list[tuple[str, str]]:
    """Keys and what they do, as the help shows them."""
    return [(KEY_NAMES.get(b.key, b.key), b.tooltip) for b in bindings if isinstance(b, Binding) and b.tooltip]


class ReadingDialog(Dialog[None]):
    """Lines made for the width of the terminal; arrows and page keys scroll."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("q,enter", "leave", "leave", show=False)]

    def lines(self, width: int) -> list[str]:
        """What is to be read, no line wider than `width`."""
        raise NotImplementedError

    def compose(self) -> ComposeResult:
        """One text in a box that scrolls."""
        with VerticalScroll(classes="box"):
            yield Plain(id="read")

    def on_resize(self) -> None:
        """Wrapped anew for another size."""
        self.show_lines()

    def show_lines(self) -> None:
        """The lines as they are now."""
        width = min(BOX_COLUMNS, useful_size(self.app).width) - BESIDE_TEXT
        self.query_one("#read", Plain).show(self.lines(width))


class HelpDialog(ReadingDialog):
    """All keys of a screen, the words beside figures, the signs."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("question_mark", "leave", "leave", show=False)]

    def __init__(self, keys: Sequence[tuple[str, str]], marks: MarkSet = MarkSet.BRAILLE) -> None:
        super().__init__()
        self._keys, self._marks = keys, marks

    def lines(self, width: int) -> list[str]:
        """Generated from the bindings, so that it cannot go stale."""
        signs = [(plain(sign, self._marks), means) for sign, means in MARKS_HELP]
        return [
            "Keys (up, down: more   Esc or q: back)",
            *hanging(self._keys, 9, width),
            "",
            "Words beside every figure",
            *hanging(WORDS_HELP, 12, width),
            "",
            "Verdicts on a goal",
            *hanging(VERDICTS_HELP, 22, width),
            "",
            "Signs",
            *hanging(signs, 8, width),
        ]


class LinesDialog(ReadingDialog):
    """Lines under a title, such as what every figure is made of."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("u,t", "leave", "leave", show=False)]

    def __init__(self, lines: Sequence[str], title: str = "What the figures are made of") -> None:
        super().__init__()
        self._lines, self._title = lines, title

    def lines(self, width: int) -> list[str]:
        """The lines as they stand in the report, wrapped under themselves."""
        return [f"{self._title} (Esc or q: back)", "", *(part for line in self._lines for part in under(line, width))]


def under(line: str, width: int) -> list[str]:
    """A line wrapped two columns under its own beginning."""
    indent = len(line) - len(line.lstrip())
    return labelled(" " * indent, line.lstrip(), width, indent + 2) or [""]


class AskDialog(Dialog[bool]):
    """One question before something is thrown over: Enter does it, Esc leaves all as it is."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("enter", "do", "do it"), Binding("q", "leave", show=False)]

    def __init__(self, lines: Sequence[str], does: str) -> None:
        super().__init__()
        self._lines, self._does = lines, does

    def compose(self) -> ComposeResult:
        """What it is about, and the two keys."""
        with Vertical(classes="box"):
            yield Plain([*self._lines, "", f"Enter: {self._does}   Esc: no"])

    def action_do(self) -> None:
        """Yes."""
        self.dismiss(True)

    def action_leave(self) -> None:
        """No."""
        self.dismiss(False)


class ConfirmDialog(Dialog[bool]):
    """Something that only a person can answer for; answers True when he does."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("q,n", "leave", "leave", show=False)]

    def __init__(self, words: str) -> None:
        super().__init__()
        self._words = words

    def compose(self) -> ComposeResult:
        """The words, and the letter that confirms: Enter alone is pressed too easily."""
        with Vertical(classes="box"):
            yield Plain([self._words, "", "y: I looked, and it is so   Esc: leave it in doubt"])

    def key_y(self) -> None:
        """It is so."""
        self.dismiss(True)

    def action_leave(self) -> None:
        """Left in doubt."""
        self.dismiss(False)
