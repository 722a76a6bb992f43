"""A piece of text on a screen that is text only: no markup, no control characters, whoever wrote it.

Owns: the one widget for text that may hold untrusted words. Refuses: styles within a text; see `tui.drawing.rows`.
"""

from __future__ import annotations

from collections.abc import Iterable

from textual.widgets import Static

from protocol.files.harmless import harmless


class Plain(Static):
    """Lines, each made harmless."""

    def __init__(self, lines: Iterable[str] = (), *, id: str | None = None) -> None:  # noqa: A002 - Textual's own word
        super().__init__(_text(lines), id=id, markup=False)

    def show(self, lines: Iterable[str]) -> None:
        """Show these instead."""
        self.update(_text(lines))


def _text(lines: Iterable[str]) -> str:
    return "\n".join(harmless(line) for line in lines)
