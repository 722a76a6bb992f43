"""Small dialogs over the live screen that are filled in: a sweep, the hook-up, the temperature, the simulated bench.

Owns: turning what was typed into settings, with the fault said beside the field. Refuses: to start anything; the caller
gets the answer, or None when the dialog was left.
"""

from __future__ import annotations

from typing import ClassVar, Protocol

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical
from textual.widgets import Input, Label, OptionList
from textual.widgets.option_list import Option

from protocol.errors import RequestError
from protocol.sweep import SweepSettings
from rf.values.match import SOLID, line_m
from tui.drawing.plain import Plain
from tui.screens.choosing import Choices
from tui.screens.framed import Dialog
from visit.run.conductor import RunOrder
from visit.site.hookup import HookUp
from visit.site.site import Site


class Bench(Protocol):
    """What the demo's simulated bench can be told."""

    def say(self, line: str) -> str:
        """Send a line, return the answer. Raises RequestError when it makes no sense."""


class SweepDialog(Dialog[tuple[SweepSettings, int | None] | None]):
    """Type centre, span, points, bandwidth and number of sweeps."""

    def __init__(self, order: RunOrder) -> None:
        super().__init__()
        s = order.settings
        self._fields = (
            ("start", "start, MHz", f"{s.start_hz / 1e6:.6f}"),
            ("stop", "stop, MHz", f"{s.stop_hz / 1e6:.6f}"),
            ("points", "points", str(s.points)),
            ("bandwidth", "bandwidth, Hz", f"{s.bandwidth_hz:g}"),
            ("sweeps", "sweeps (empty: no end)", "" if order.planned_sweeps is None else str(order.planned_sweeps)),
        )
        self._level_dbm = s.level_dbm

    def compose(self) -> ComposeResult:
        """One line a field."""
        with Vertical(classes="box"):
            yield Plain(["Sweep. Tab: next field   Enter: start   Esc: leave"])
            for name, label, value in self._fields:
                with Horizontal():
                    yield Label(label)
                    field = Input(value, id=name)
                    field.cursor_blink = False
                    yield field
            yield Plain(id="fault")

    def on_input_submitted(self) -> None:
        """Check all fields; say what is wrong, or answer."""
        try:
            settings = SweepSettings(
                self._number("start") * 1e6,
                self._number("stop") * 1e6,
                int(self._number("points")),
                self._number("bandwidth"),
                self._level_dbm,
            )
            typed = self.query_one("#sweeps", Input).value.strip()
            planned = int(self._number("sweeps")) if typed else None
            if planned is not None and planned < 1:
                raise RequestError("sweeps must be 1 or more")
        except RequestError as error:
            self.query_one("#fault", Plain).show([f"! {error}"])
            return
        self.dismiss((settings, planned))

    def _number(self, name: str) -> float:
        text = self.query_one(f"#{name}", Input).value.strip().replace(",", ".")
        try:
            return float(text)
        except ValueError:
            raise RequestError(f"{name}: {text!r} is not a number") from None


class HookUpDialog(Dialog[HookUp | None]):
    """Choose which port is driven and which is read, and say what lies in the leads."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("q", "leave", "leave", show=False)]
    CHOICES: ClassVar[tuple[HookUp, ...]] = (
        HookUp("A", "L"),
        HookUp("A", "H"),
        HookUp("L", "H"),
        HookUp("L", "A"),
        HookUp("H", "A"),
        HookUp.parse("loads"),
        HookUp.parse("load"),
        HookUp.parse("antenna"),
    )

    def __init__(self, now: HookUp, site: Site | None = None) -> None:
        super().__init__()
        self._now, self._site = now, site

    def compose(self) -> ComposeResult:
        """The choices with what they show, the path, and what to mind before it is changed."""
        with Vertical(classes="box"):
            yield Plain(["Where do the leads hang?", "Enter: take   Tab: what lies in the leads   Esc: leave"])
            yield Choices(*(Option(self._text(hookup), id=hookup.name) for hookup in self.CHOICES))
            with Horizontal():
                yield Label("put in after calibration")
                field = Input(self._now.path.text, id="path", placeholder="pad1=6 pad2=10 amp=20 jumper=half")
                field.cursor_blink = False
                yield field
            yield Plain(self._cautions().splitlines(), id="fault")

    def _cautions(self) -> str:
        lines = ["amp: only before port 2; lower the level by its gain first, a pad proves it is not overdriven"]
        side = self._now.side
        if self._site is not None and side is not None:
            metres = line_m(self._site.reject_hz(side), 0.5, SOLID)
            lines.append(f"half-wave jumper: {metres:.3f} m of solid-dielectric cable (velocity {SOLID}), with plugs")
        return "\n".join(lines)

    def _text(self, hookup: HookUp) -> str:
        here = " <- now" if hookup.name == self._now.name else ""
        if hookup.alone:
            return {
                "loads": "both leads on loads: survey of floor and leakage",
                "load": "the third port's load on P1: taken into three ports",
                "antenna": "feeder on P1 (measure incoming power first): its match, isolation with it",
            }[hookup.name] + here
        side = hookup.side
        what = "both channels, side to side" if side is None else f"{side.word} side"
        advice = "" if hookup.driven == "A" or side is None else " (driving A sees more)"
        return f"P1 on {hookup.driven}, P2 on {hookup.read}, load on {hookup.third_port}: {what}{advice}{here}"

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        """Answer with the chosen hook-up."""
        self._take(str(event.option.id))

    def on_input_submitted(self) -> None:
        """The present hook-up with what was typed."""
        self._take(self._now.name)

    def _take(self, name: str) -> None:
        try:
            self.dismiss(HookUp.parse(f"{name} {self.query_one('#path', Input).value}"))
        except RequestError as error:
            self.query_one("#fault", Plain).show([f"! {error}"])


class TemperatureDialog(Dialog[float | None]):
    """Type the temperature at the analyzer."""

    def __init__(self, now_c: float | None) -> None:
        super().__init__()
        self._now_c = now_c

    def compose(self) -> ComposeResult:
        """One number."""
        with Vertical(classes="box"):
            yield Plain(["Temperature at the analyzer. Enter: take   Esc: leave"])
            with Horizontal():
                yield Label("degrees Celsius")
                field = Input("" if self._now_c is None else f"{self._now_c:g}", id="celsius")
                field.cursor_blink = False
                yield field
            yield Plain(id="fault")

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Answer with a number that can be."""
        try:
            value = float(event.value.strip().replace(",", "."))
            if not -60.0 <= value <= 80.0:
                raise ValueError
        except ValueError:
            self.query_one("#fault", Plain).show([f"! {event.value.strip()!r} is not a temperature in degrees Celsius"])
            return
        self.dismiss(value)


class BenchDialog(Dialog[None]):
    """Demo only: an invented case, what hands can do, or a line of words to the simulated bench; `line` stands in the
    field already."""

    def __init__(self, bench: Bench, line: str = "") -> None:
        super().__init__()
        self._bench, self._line = bench, line

    def compose(self) -> ComposeResult:
        """The cases and deeds, a line to type, and the answer."""
        from protocol.simulated.cases import CASES, DEEDS  # noqa: PLC0415 - only the demo has them

        with Vertical(classes="box"):
            yield Plain(
                [
                    "Simulated bench. Type a line; Tab: what hands do, other cases. Esc: leave",
                    "  screw 1 0.25 clockwise   as a hand turns     close H open   no load",
                    "  turn L 1 +30kHz   a notch, exactly    unplug, replug    the USB cable",
                ]
            )
            field = Input(self._line, id="line")
            field.cursor_blink = False
            yield field
            yield Plain(id="fault")
            cases = (Option(f"case {name:<9}{case.title}", id=f"case {name}") for name, case in CASES.items())
            deeds = (Option(f"do {name:<11}{what}", id=f"do {name}") for name, what in DEEDS.items())
            listed = Choices(*deeds, *cases)
            listed.styles.max_height = 8  # the rest comes by the arrows, on a small screen too
            yield listed

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Tell the bench and show what it answers."""
        self._say(event.value.strip())
        event.input.value = ""

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        """Bring the bench into a case, or do what hands can do."""
        self._say(str(event.option.id))

    def _say(self, line: str) -> None:
        try:
            answer = self._bench.say(line)
        except RequestError as error:
            answer = f"! {error}"
        self.query_one("#fault", Plain).show((answer or "done").splitlines())
