"""A widget made of lines that repaints only the lines that changed. Every figure on the live screen is one of these.

Owns: keeping the shown lines and refreshing the differing ones, so that a thin SSH line carries little (a general plot
widget repaints every cell each time). Refuses: to know what the lines mean.
"""

from __future__ import annotations

from collections.abc import Sequence

from rich.segment import Segment
from rich.style import Style
from textual.geometry import Region
from textual.strip import Strip
from textual.widget import Widget

from protocol.files.harmless import harmless

Run = tuple[str, str]
"""Text and its style."""


class Rows(Widget):
    """Shows a list of rows; a row is a list of (text, style) runs."""

    DEFAULT_CSS = "Rows { height: 1; width: 1fr; }"

    def __init__(self, *, id: str | None = None) -> None:  # noqa: A002 - Textual's own word
        super().__init__(id=id)
        self._rows: list[tuple[Run, ...]] = []

    @property
    def texts(self) -> list[str]:
        """The shown lines as plain text, for tests and for reading aloud."""
        return ["".join(text for text, _ in row) for row in self._rows]

    def show(self, rows: Sequence[Sequence[Run]]) -> None:
        """Show these rows; only rows that differ from what stands are repainted."""
        new = [tuple((harmless(text), style) for text, style in row) for row in rows]
        old, self._rows = self._rows, new
        changed = [y for y in range(max(len(old), len(new))) if old[y : y + 1] != new[y : y + 1]]
        if changed:
            self.refresh(*(Region(0, y, max(self.size.width, 1), 1) for y in changed))

    def render_line(self, y: int) -> Strip:
        """One line of the widget, padded to its width."""
        width = self.size.width
        if y >= len(self._rows):
            return Strip.blank(width, self.rich_style)
        base = self.rich_style
        segments = [Segment(text, base + Style.parse(style) if style else base) for text, style in self._rows[y]]
        strip = Strip(segments)
        if strip.cell_length > width > 2:  # what is cut off must not look whole
            return Strip([*strip.crop(0, width - 2), Segment("..", base)]).adjust_cell_length(width, base)
        return strip.adjust_cell_length(width, base)


Row = list[Run]
"""What a caller builds: runs of (text, style)."""
