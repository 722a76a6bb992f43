"""A piece of text on a screen that is text only: no markup, no control characters, whoever wrote it.

Owns: the one widget for text that may hold untrusted words. Refuses: styles within a text; see `tui.drawing.rows`.
"""

from __future__ import annotations

from collections.abc import Iterable

from textual.widgets import Static

from protocol.files.harmless import harmless
from tui.drawing.marks import MarkSet, plain


class Plain(Static):
    """Lines, each made harmless, in the signs that the app's terminal has."""

    def __init__(self, lines: Iterable[str] = (), *, id: str | None = None) -> None:  # noqa: A002 - Textual's own word
        self._text = _text(lines)
        super().__init__(self._text, id=id, markup=False)

    def on_mount(self) -> None:
        """Now it is known on what terminal."""
        self._put(self._text)

    def show(self, lines: Iterable[str]) -> None:
        """Show these instead; the same once more writes nothing to the terminal."""
        self._put(_text(lines))

    def _put(self, text: str) -> None:
        new = plain(text, signs_of(self.app))
        if new != self._text:
            self._text = new
            self.update(new)


def signs_of(app: object) -> MarkSet:
    """The signs of an app that was told them; all signs otherwise."""
    found = getattr(app, "marks", MarkSet.BRAILLE)
    return found if isinstance(found, MarkSet) else MarkSet.BRAILLE


def _text(lines: Iterable[str]) -> str:
    return "\n".join(harmless(line) for line in lines)
