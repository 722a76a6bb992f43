"""Small dialogs over the live screen: type a sweep, declare the hook-up, change the simulated bench, read the help.

Owns: turning what was typed into settings, with the fault said beside the field. Refuses: to start anything; the caller
gets the answer, or None when the dialog was left.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import ClassVar, Protocol

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical, VerticalScroll
from textual.screen import ModalScreen
from textual.widgets import Input, Label, OptionList, Static
from textual.widgets.option_list import Option

from protocol.errors import RequestError
from protocol.sweep import SweepSettings
from rf.values.match import SOLID, line_m
from tui.drawing.cautions import SAFETY_SHORT
from tui.drawing.plain import Plain
from visit.run.conductor import RunOrder
from visit.site.hookup import HookUp
from visit.site.site import Site

BOX_CSS = """
{name} {{ align: center middle; background: transparent; }}
{name} > .safety {{ dock: bottom; width: 1fr; height: 1; background: $surface; }}
{name} > .box {{
    width: 64; height: auto; max-height: 22; border: ascii $foreground; padding: 0 1; background: $surface;
}}
{name} Input, {name} Input:focus {{ height: 1; border: none; padding: 0; width: 1fr; background: $boost; }}
{name} OptionList, {name} OptionList:focus {{ height: auto; border: none; padding: 0; }}
{name} Label {{ width: 26; }}
{name} Horizontal {{ height: 1; }}
"""

LEAVE: list[BindingType] = [Binding("escape", "leave", "leave"), Binding("f10", "leave", "leave", show=False)]

MARKS_HELP = (
    "bar        filled: what is shown; arrow: a bound, the truth lies further; hatched: interval; diamond: goal",
    "trace      dotted line: the averaged floor; between the hatching no information; L and H: the channels",
    "LOSS       what the channel that shall pass loses; [pass]: a verdict, the goal is met and shown",
)
"""What the signs of the live screen mean."""

WORDS_HELP = (
    "READING    the interval keeps clear of floor and leakage; may prove a goal",
    "AT LEAST   only a bound: the floor covers the rest; may prove a goal",
    "AT MOST    a bound from above: what follows from one that is AT LEAST",
    "INFERRED   from a model fitted to what stands above the floor; guides the hand, proves nothing",
    "CAN'T SAY  nothing follows from the data",
)


class Bench(Protocol):
    """What the demo's simulated bench can be told."""

    def say(self, line: str) -> str:
        """Send a line, return the answer. Raises RequestError when it makes no sense."""


class SweepDialog(ModalScreen[tuple[SweepSettings, int | None] | None]):
    """Type centre, span, points, bandwidth and number of sweeps."""

    BINDINGS: ClassVar[list[BindingType]] = LEAVE
    DEFAULT_CSS = BOX_CSS.format(name="SweepDialog")

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
        yield Static(f" {SAFETY_SHORT}", classes="safety", markup=False)
        with Vertical(classes="box"):
            yield Static("Sweep. Tab: next field   Enter: start   Esc: leave")
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

    def action_leave(self) -> None:
        """Leave without a change."""
        self.dismiss(None)


class HookUpDialog(ModalScreen[HookUp | None]):
    """Choose which port is driven and which is read, and say what lies in the leads."""

    BINDINGS: ClassVar[list[BindingType]] = [*LEAVE, Binding("q", "leave", "leave", show=False)]
    DEFAULT_CSS = BOX_CSS.format(name="HookUpDialog") + "HookUpDialog > .box { width: 78; }"
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
        yield Static(f" {SAFETY_SHORT}", classes="safety", markup=False)
        with Vertical(classes="box"):
            yield Static(
                "Where do the leads hang? Transmitter off, locked, proved dead first.\n"
                "Enter: take   Tab: what lies in the leads   Esc: leave"
            )
            yield OptionList(*(Option(self._text(hookup), id=hookup.name) for hookup in self.CHOICES))
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

    def action_leave(self) -> None:
        """Leave without a change."""
        self.dismiss(None)


class TemperatureDialog(ModalScreen[float | None]):
    """Type the temperature at the analyzer."""

    BINDINGS: ClassVar[list[BindingType]] = LEAVE
    DEFAULT_CSS = BOX_CSS.format(name="TemperatureDialog")

    def __init__(self, now_c: float | None) -> None:
        super().__init__()
        self._now_c = now_c

    def compose(self) -> ComposeResult:
        """One number."""
        yield Static(f" {SAFETY_SHORT}", classes="safety", markup=False)
        with Vertical(classes="box"):
            yield Static("Temperature at the analyzer. Enter: take   Esc: leave")
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

    def action_leave(self) -> None:
        """Leave without a change."""
        self.dismiss(None)


class BenchDialog(ModalScreen[None]):
    """Demo only: an invented case, or a line of words to the simulated bench."""

    BINDINGS: ClassVar[list[BindingType]] = LEAVE
    DEFAULT_CSS = BOX_CSS.format(name="BenchDialog") + "BenchDialog > .box { width: 78; }"

    def __init__(self, bench: Bench) -> None:
        super().__init__()
        self._bench = bench

    def compose(self) -> ComposeResult:
        """The cases, a line to type, and the answer."""
        from protocol.simulated.cases import CASES  # noqa: PLC0415 - only the demo has them

        yield Static(f" {SAFETY_SHORT}", classes="safety", markup=False)
        with Vertical(classes="box"):
            yield Plain(
                [
                    "Simulated bench. Type a line, or Tab and choose a case. Esc: leave",
                    "  turn L 1 +30kHz   a notch of the low side   close H open   no load there",
                    "  bursts 0.1 40     another transmitter       leakage -85    a leak",
                    "  unplug, replug    the USB cable",
                ]
            )
            field = Input(id="line")
            field.cursor_blink = False
            yield field
            yield Plain(id="fault")
            yield OptionList(*(Option(f"case {name:<9}{case.title}", id=name) for name, case in CASES.items()))

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Tell the bench and show what it answers."""
        self._say(event.value.strip())
        event.input.value = ""

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        """Bring the bench into a case."""
        self._say(f"case {event.option.id}")

    def _say(self, line: str) -> None:
        try:
            answer = self._bench.say(line)
        except RequestError as error:
            answer = f"! {error}"
        self.query_one("#fault", Plain).show((answer or "done").splitlines())

    def action_leave(self) -> None:
        """Back to the live screen."""
        self.dismiss(None)


class AskDialog(ModalScreen[bool]):
    """One question before something is thrown over: Enter does it, Esc leaves all as it is."""

    BINDINGS: ClassVar[list[BindingType]] = [*LEAVE, Binding("enter", "do", "do it"), Binding("q", "leave", show=False)]
    DEFAULT_CSS = BOX_CSS.format(name="AskDialog") + "AskDialog > .box { width: 78; }"

    def __init__(self, lines: Sequence[str], does: str) -> None:
        super().__init__()
        self._lines, self._does = lines, does

    def compose(self) -> ComposeResult:
        """What it is about, and the two keys."""
        yield Static(f" {SAFETY_SHORT}", classes="safety", markup=False)
        with Vertical(classes="box"):
            yield Plain([*self._lines, "", f"Enter: {self._does}   Esc: no"])

    def action_do(self) -> None:
        """Yes."""
        self.dismiss(True)

    def action_leave(self) -> None:
        """No."""
        self.dismiss(False)


class HelpDialog(ModalScreen[None]):
    """All keys, and the four words."""

    BINDINGS: ClassVar[list[BindingType]] = [*LEAVE, Binding("q,question_mark,enter", "leave", "leave", show=False)]
    DEFAULT_CSS = BOX_CSS.format(name="HelpDialog") + "HelpDialog > .box { width: 78; }"

    def __init__(self, keys: Sequence[tuple[str, str]]) -> None:
        super().__init__()
        self._keys = keys

    def compose(self) -> ComposeResult:
        """Generated from the bindings, so that it cannot go stale."""
        lines = [f"  {key:<6} {what}" for key, what in self._keys]
        yield Static(f" {SAFETY_SHORT}", classes="safety", markup=False)
        with VerticalScroll(classes="box"):
            yield Plain(
                [
                    "Keys (Esc or q: back)",
                    *lines,
                    "",
                    "Words beside every figure",
                    *WORDS_HELP,
                    "",
                    "Signs",
                    *MARKS_HELP,
                ]
            )

    def action_leave(self) -> None:
        """Back to the live screen."""
        self.dismiss(None)


class ConfirmDialog(ModalScreen[bool]):
    """Something that only a person can answer for; answers True when he does."""

    BINDINGS: ClassVar[list[BindingType]] = [*LEAVE, Binding("q,n", "leave", "leave", show=False)]
    DEFAULT_CSS = BOX_CSS.format(name="ConfirmDialog") + "ConfirmDialog > .box { width: 78; }"

    def __init__(self, words: str) -> None:
        super().__init__()
        self._words = words

    def compose(self) -> ComposeResult:
        """The words, and the letter that confirms: Enter alone is pressed too easily."""
        with Vertical(classes="box"):
            yield Plain([*textwrap.wrap(self._words, 74), "", "y: I looked, and it is so   Esc: leave it in doubt"])

    def key_y(self) -> None:
        """It is so."""
        self.dismiss(True)

    def action_leave(self) -> None:
        """Left in doubt."""
        self.dismiss(False)


class BudgetDialog(ModalScreen[None]):
    """Contributions behind every figure."""

    BINDINGS: ClassVar[list[BindingType]] = [*LEAVE, Binding("q,u,t,enter", "leave", "leave", show=False)]
    DEFAULT_CSS = BOX_CSS.format(name="BudgetDialog") + "BudgetDialog > .box { width: 78; }"

    def __init__(self, lines: Sequence[str], title: str = "What the figures are made of") -> None:
        super().__init__()
        self._lines, self._title = lines, title

    def compose(self) -> ComposeResult:
        """The lines as they stand in the report."""
        yield Static(f" {SAFETY_SHORT}", classes="safety", markup=False)
        with VerticalScroll(classes="box"):
            yield Plain([f"{self._title} (Esc or q: back)", "", *self._lines])

    def action_leave(self) -> None:
        """Back to the live screen."""
        self.dismiss(None)
