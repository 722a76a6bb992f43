"""The site form: name, channels, transmit side, kind, cavities, goals, each looked at while it is typed.

Owns: the fields and the place of each fault. Refuses: to judge; `visit.site.typed` and `visit.site.site` do.
"""

from __future__ import annotations

from pathlib import Path
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical
from textual.screen import Screen
from textual.widgets import Input, Label

from protocol.errors import RequestError
from tui.drawing.blocks import flowed, labelled
from tui.drawing.plain import Plain
from tui.screens.framed import MARGIN, SafetyRow
from tui.screens.too_small import useful_size
from visit.run.set_up import keep_site
from visit.site.site import Site
from visit.site.typed import FIELDS, Checked, check_fields, fields_of

LABEL, FIELD = 29, 24
HINTS = {
    "low": "as said on the air: 450, 450.5, 450,5 or 450500 kHz; without a unit it is MHz",
    "high": "the higher of the two channels, typed in the same way",
    "transmit": "the side on which the transmitter works: l or h",
    "kind": "band-reject: notches only; pass-reject: both; band-pass; preselector, single-cavity: one alone",
    "cavities": "cavities on each side, 1 to 8; empty: not told",
    "load": "return loss of the load on the third port; empty: 20 dB is counted with",
    "name": "any name; it names the visit files and stands on the report",
}


class SiteScreen(Screen[tuple[Path, Site] | None]):
    """Answers with the saved file and its site, or None when it was left. `site` is edited; None: a new one."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "leave", "leave"),
        Binding("enter", "next", "next", priority=True),
        Binding("up", "app.focus_previous", "up", show=False),
        Binding("down", "app.focus_next", "down", show=False),
        Binding("f2", "save", "save"),
    ]
    DEFAULT_CSS = f"""
    SiteScreen {{ layout: vertical; overflow: hidden; }}
    SiteScreen Horizontal {{ height: 1; }}
    SiteScreen Label {{ width: {LABEL}; }}
    SiteScreen Input, SiteScreen Input:focus {{
        height: 1; width: {FIELD}; border: none; padding: 0; background: $boost;
    }}
    SiteScreen Horizontal Plain {{ width: 1fr; height: 1; }}
    SiteScreen #head, SiteScreen #foot {{ height: auto; }}
    """

    def __init__(self, site: Site | None = None, path: Path | None = None, why: str = "") -> None:
        super().__init__()
        self._site, self._path, self._why = site, path, why
        self._start = fields_of(site)
        self._visited: set[str] = set()
        self._leaving = False

    def compose(self) -> ComposeResult:
        """One line a field, its remark beside it."""
        with Vertical():
            yield Plain(id="head")
            for key, label in FIELDS:
                with Horizontal():
                    yield Label(f" {label}")
                    field = Input(self._start[key], id=key, max_length=60)
                    field.cursor_blink = False
                    yield field
                    yield Plain(id=f"at-{key}")
            yield Plain(id="foot")
        yield SafetyRow()

    def on_mount(self) -> None:
        """Begin at the name."""
        self.query_one("#name", Input).focus()
        self._draw()

    @property
    def checked(self) -> Checked:
        """What stands in the fields now."""
        return check_fields({key: self.query_one(f"#{key}", Input).value for key, _ in FIELDS}, self._site)

    def on_input_changed(self, event: Input.Changed) -> None:
        """Look while it is typed."""
        self._leaving = False
        if event.value != self._start.get(str(event.input.id), ""):
            self._visited.add(str(event.input.id))
        self._draw()

    def on_descendant_focus(self) -> None:
        """Another field has another hint."""
        self._draw()

    def action_next(self) -> None:
        """On to the next field at once, so that what is typed ahead on a slow line falls where it belongs; what was
        left is looked at after its last letter has come."""
        left, order = self.focused, [name for name, _ in FIELDS]
        if isinstance(left, Input) and left.id is not None:
            following = order[(order.index(left.id) + 1) % len(order)]
            self.set_focus(self.query_one(f"#{following}", Input))
            left.call_later(self._was_left, left.id, following)

    def _was_left(self, key: str, following: str) -> None:
        """Save when all stands; go back to a fault; pass by fields that stand already."""
        self._visited.add(key)
        checked, order = self.checked, [name for name, _ in FIELDS]
        at = order.index(key)
        if not checked.faults:
            self.action_save()
        elif self.focused is not None and self.focused.id == following:
            wrong = (
                key if key in checked.faults else next(n for n in order[at + 1 :] + order[:at] if n in checked.faults)
            )
            self.set_focus(self.query_one(f"#{wrong}", Input))
        self._draw()

    def action_save(self) -> None:
        """Write the file and answer."""
        checked = self.checked
        self._visited.update(key for key, _ in FIELDS)
        if checked.site is None:
            first = next(key for key, _ in FIELDS if key in checked.faults)
            self.query_one(f"#{first}", Input).focus()
            self._draw()
            return
        try:
            path = keep_site(checked.site, self._path)
        except RequestError as error:
            self.notify(str(error), severity="error", timeout=10)
            return
        self.dismiss((path, checked.site))

    def action_leave(self) -> None:
        """Leave; what was typed is asked for once."""
        typed = any(self.query_one(f"#{key}", Input).value != self._start[key] for key, _ in FIELDS)
        if typed and not self._leaving:
            self._leaving = True
            self._draw()
            return
        self.dismiss(None)

    def on_resize(self) -> None:
        """Another size."""
        self._draw()

    def _draw(self) -> None:
        width = useful_size(self.app).width - MARGIN
        title = "a new one" if self._site is None else self._site.name
        head = [*labelled("SITE", title, width, 7), *labelled("", self._why, width, 1)]
        checked = self.checked
        for key, _ in FIELDS:
            fault = checked.faults.get(key, "")
            wrong = bool(fault) and key in self._visited
            shown = f" ! {fault}" if wrong else f" {checked.remarks.get(key, '')}"
            if len(shown) > width - LABEL - FIELD:
                shown = " ! wrong" if wrong else ""
            self.query_one(f"#at-{key}", Plain).show([shown])
        now = str(self.focused.id) if self.focused is not None else ""
        fault = checked.faults.get(now, "") if now in self._visited else ""
        beside = checked.remarks.get(now, "")
        said = f"! {fault}" if fault else f"{HINTS.get(now, 'what this duplexer has to reach')}"
        if beside and not fault and len(beside) > width - LABEL - FIELD - 1:
            said = f"{beside}: {said}"
        enter = "Enter save" if not checked.faults else "Enter next"
        leaving = ["Leave without saving?", "Esc again: leave", "any letter: stay"]
        keys = leaving if self._leaving else [enter, "up, down another field", "F2 save", "Esc leave"]
        foot = ["", *labelled("", said, width, 1), "", *flowed(keys, width)]
        if useful_size(self.app).height - 1 >= len(head) + len(FIELDS) + len(foot) + 1:
            head.append("")
        self.query_one("#head", Plain).show(head)
        self.query_one("#foot", Plain).show(foot)
