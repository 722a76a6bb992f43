"""What the repeater gains, on one screen: the change in words, before, after, what was seen, what it rests on.

Owns: the keys that type the radios' numbers, and the way to the desense test. Refuses: figures of its own.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from textual.binding import Binding, BindingType

from rf.values.words import text
from tui.drawing.blocks import Block
from tui.screens.desense_screen import DesenseScreen
from tui.screens.file_page import FilePage
from tui.screens.page_screen import block
from tui.screens.parts_screen import PartsScreen
from visit.day.gains import At, Gains, gains_of
from visit.figures.replay import Replay
from visit.figures.run_figures import no_figures
from visit.record.sheet import BLOCKING, LINES, NOISE, NOISE_FIGURE, POWER, SENSITIVITY, SITE_NOISE, write
from visit.report.gains_page import NO_POWER, heard_words, radiated_words, said, seen_lines
from visit.run.conductor import RunOrder


class GainScreen(FilePage[Gains]):
    """The page of gains; made anew when something was typed."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("p", f"type('{POWER.name}')", "power"),
        Binding("n", f"type('{NOISE.name}')", "noise"),
        Binding("s", f"type('{SENSITIVITY.name}')", "sensitivity"),
        Binding("f", f"type('{NOISE_FIGURE.name}')", "noise figure"),
        Binding("b", f"type('{BLOCKING.name}')", "blocking"),
        Binding("o", f"type('{SITE_NOISE.name}')", "site noise"),
        Binding("t", "test", "desense test"),
        Binding("c", "parts", "further parts of the chain"),
        Binding("escape,q", "leave", "back"),
    ]

    def make(self) -> Gains:
        """The gains anew."""
        with no_figures(self._tool.visit.file, "what the repeater gains"):
            return gains_of(self._tool.visit.day(), Replay(self._tool.visit.file))

    def page(self, width: int) -> Sequence[Block]:
        """The change first; what it rests on gives way first."""
        blocks = [block("", f"WHAT THE REPEATER GAINS  {self._tool.site.name}", width, column=1)]
        gains = self.made
        blocks += self.wait(width)
        if gains is None:
            return blocks
        if not gains.known.radios.power_dbm.known:
            return [*blocks, block("NEXT", NO_POWER.replace("(deepnotch", "(p; or deepnotch"), width)]
        blocks.append(block("HEARS", heard_words(gains), width))
        blocks.append(block("SENDS", radiated_words(gains.radiates), width, 3))
        for at in (gains.before, gains.after):
            if at is not None:
                blocks += [block(at.when.upper(), line, width, weight, 15) for weight, line in _at_lines(at)]
        blocks += [block("SEEN", line.removeprefix("seen "), width, 5) for line in seen_lines(gains)]
        assumed = [source.partition(": ASSUMED")[0] for source in gains.known.sources if "ASSUMED" in source]
        blocks += [block("ASSUMED", line, width, 2, 15) for line in assumed]
        return blocks

    def keys(self) -> Sequence[str]:
        """What the keys do."""
        return (
            "p power",
            "n noise",
            "s sensitivity",
            "f noise figure",
            "b blocking",
            "o site noise",
            "t test",
            "c chain",
            "q back",
        )

    def action_type(self, name: str) -> None:
        """Type a number of the radios."""
        line = LINES[name]

        def take(typed: str) -> None:
            write(self._tool.visit.file, line, typed)
            self.again()

        self.ask(f"{line.name} in {line.unit} ({line.says})", take)

    def action_parts(self) -> None:
        """Isolator, preamplifier and their like."""
        self.app.push_screen(PartsScreen(self._tool), self._parted)

    def _parted(self, ordered: RunOrder | None) -> None:
        self.ordered = ordered or self.ordered
        self.again()

    def action_test(self) -> None:
        """The desense test."""
        explained = {"before": self.made and self.made.before, "after": self.made and self.made.after}
        loads = {when: at.on_load for when, at in explained.items() if at}
        self.app.push_screen(DesenseScreen(self._tool, loads), lambda _: self.again())


def _at_lines(at: At) -> list[tuple[int, str]]:
    """Weights and lines of one time."""
    follows = at.outcome
    site = [(2, f"the site's noise alone makes it deafer by {text(at.site)}")] if at.site.known else []
    return [
        *site,
        (6, f"desense {said(follows.desense)}, noise below the receiver's by {text(follows.noise_margin)}"),
        (4, f"carrier {text(follows.carrier_dbm)}, below what blocks by {text(follows.carrier_margin)}"),
        (3, f"isolation {text(at.between.noise)}; lost in all {text(follows.deafness)}"),
    ]
