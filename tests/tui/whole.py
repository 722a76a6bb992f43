"""Whether what stands on a screen stands whole: no text cut at an edge, the cautions once, in the last row.

Looks at the widgets and at the cells that the terminal would get. Scrolled texts count as whole when their lines are.
"""

from __future__ import annotations

from textual.app import App
from textual.containers import VerticalScroll
from textual.geometry import Region
from textual.widget import Widget
from textual.widgets import Input, Label, OptionList

from tui.drawing.plain import Plain
from tui.drawing.rows import Rows

CAUTION = "never key into the analyzer"


def cells(app: App[bool]) -> list[str]:
    """The rows of the terminal as text."""
    return ["".join(segment.text for segment in strip) for strip in app.screen._compositor.render_strips()]


def _squeezed(text: str) -> str:
    return "".join(text.split())


def _drawn(widget: Widget, height: int) -> str:
    strips = widget.render_lines(Region(0, 0, widget.size.width, height))
    return _squeezed("".join(segment.text for strip in strips for segment in strip))


def faults(app: App[bool]) -> list[str]:
    """What is cut, hidden or doubled on the screen that stands."""
    found = []
    rows, (columns, height) = cells(app), app.size
    if sum(CAUTION in row for row in rows) != 1 or CAUTION not in rows[-1]:
        found.append(f"the cautions stand in rows {[y for y, row in enumerate(rows) if CAUTION in row]}, not the last")
    for widget in app.screen.query("Plain, Rows, Label, OptionList, Input"):
        if not widget.display or not widget.is_attached or widget.parent is None:
            continue
        name = f"{type(widget).__name__}#{widget.id}"
        scrolls = any(isinstance(one, VerticalScroll) for one in widget.ancestors)
        region, room = widget.region, height if widget.id == "safety" else height - 1
        if region.right > columns or (region.bottom > room and not scrolls and region.height):
            found.append(f"{name} leaves the screen: {region}")
        if isinstance(widget, Rows):
            lines = widget.texts
            if len(lines) > widget.size.height or any(len(line.rstrip()) > widget.size.width for line in lines):
                found.append(f"{name} is cut: {[line for line in lines if len(line.rstrip()) > widget.size.width]}")
        elif isinstance(widget, (Plain, Label)):
            if _drawn(widget, widget.size.height) != _squeezed(str(widget.content)):
                found.append(f"{name} is cut: {str(widget.content)!r}")
        elif isinstance(widget, OptionList):
            whole = "".join(str(widget.get_option_at_index(n).prompt) for n in range(widget.option_count))
            if widget.virtual_size.height <= widget.size.height and _drawn(widget, widget.size.height) != _squeezed(
                whole
            ):
                found.append(f"{name} is cut: {whole}")
            if widget.virtual_size.width > widget.size.width:
                found.append(f"{name} is wider than its box")
        elif isinstance(widget, Input) and len(widget.placeholder) >= widget.size.width:
            found.append(f"{name}: the hint is cut: {widget.placeholder!r}")
    return found
