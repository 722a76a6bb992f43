"""Is the analyzer good enough, on one screen: the answer, the proof, what each way of sweeping reaches, what helps.

Owns: the keys that type the data sheet. Refuses: figures of its own.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from textual.binding import Binding, BindingType

from protocol.errors import RequestError
from rf.values.words import text
from tui.drawing.blocks import Block
from tui.screens.file_page import FilePage
from tui.screens.page_screen import block
from visit.day.instrument import of_sheet
from visit.day.suits import Suits, fitted_q, suits_of
from visit.figures.replay import Replay
from visit.figures.run_figures import no_figures
from visit.record.sheet import INSTRUMENT, Sheet, write
from visit.report.suits_page import (
    ENDS,
    help_texts,
    no_leak_words,
    other_words,
    place_words,
    proof_words,
    rests_words,
    timed,
    verdict_words,
)
from visit.run.tool import Tool

COLUMN = 11

SHORT_ENDS = {way: says.partition(":")[0] for way, says in ENDS.items()}
"""What ends a way, without its reason."""


class SuitsScreen(FilePage[Suits]):
    """The page of the forecast; made anew when something was typed."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("f", "type('floor')", "floor"),
        Binding("l", "type('leak')", "leak"),
        Binding("p", "type('points')", "points"),
        Binding("t", "type('point-time')", "time a point"),
        Binding("n", "type('narrowest')", "narrowest"),
        Binding("d", "type('drift')", "drift"),
        Binding("v", "type('level')", "level"),
        Binding("escape,q", "leave", "back"),
    ]

    def __init__(self, tool: Tool) -> None:
        super().__init__(tool)
        self._missing = ""

    def make(self) -> Suits:
        """The forecast anew."""
        visit = self._tool.visit.file
        with no_figures(visit, "whether the analyzer is good enough"):
            replay = Replay(visit)
            return suits_of(replay, self._tool.site, fitted_q(replay))

    def failed(self, error: RequestError) -> None:
        """A forecast of other numbers does not stay."""
        self.made, self._missing = None, str(error)

    def page(self, width: int) -> Sequence[Block]:
        """The answer first; what it rests on gives way first."""
        blocks = [block("", f"IS THE ANALYZER GOOD ENOUGH?  {self._tool.site.name}", width, column=1)]
        made = self.made
        if made is None:
            return [*blocks, block("NEXT", self._missing.replace("--floor", "it (f)") or self.computing, width)]
        blocks += [block("", verdict_words(made), width, column=1), block("PROOF", proof_words(made), width, 9, COLUMN)]
        blocks.append(block("", other_words(made), width, 3, COLUMN))
        blocks.append(block("RESTS ON", rests_words(made), width, column=COLUMN))
        where = no_leak_words(made)
        for way in made.ways:
            label = way.name.upper().removesuffix(" SWEEP")
            shows = f"a bound up to {text(way.shows)} in {timed(way.minutes)}"
            blocks.append(
                block(
                    label, f"READING up to {text(way.reads)}; {shows}{where}; {SHORT_ENDS[way.ends]}", width, 8, COLUMN
                )
            )
        blocks += [block("PLACE", line, width, 6, COLUMN) for line in place_words(made)]
        for number, line in enumerate(help_texts(made)):
            blocks.append(block("HELPS" if number == 0 else "", line, width, 7 if number == 0 else 4 - number, COLUMN))
        blocks += [block("SOURCES", line, width, 1, COLUMN) for line in made.known.sources]
        return blocks

    def keys(self) -> Sequence[str]:
        """What the keys do."""
        return (
            "by its sheet: f floor",
            "l leak",
            "p points",
            "t time a point",
            "n narrowest",
            "d drift",
            "v level",
            "q back",
        )

    def action_type(self, name: str) -> None:
        """Type a number of the analyzer's sheet."""
        line = INSTRUMENT[name]

        def take(typed: str) -> None:
            sheet = Sheet(self._tool.visit.file)
            known = {key: sheet.words(one) for key, one in INSTRUMENT.items() if sheet.words(one)}
            of_sheet({**known, name: typed})  # refuses what can't be before it is written down
            write(self._tool.visit.file, line, typed)
            self.again()

        self.ask(f"{line.name} ({line.says})", take)
