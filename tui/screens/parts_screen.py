"""Further two-ports of the chain: measured from both ends and kept under a name, with what the chain makes of them.

Owns: the keys. Refuses: figures of its own; a Touchstone file is given to the command (deepnotch part).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from textual.binding import Binding, BindingType

from protocol.errors import RequestError
from tui.drawing.blocks import Block, labelled
from tui.screens.file_page import LOOK_S, FilePage
from tui.screens.page_screen import block
from tui.screens.too_small import useful_size
from visit.day.parts import paths_of
from visit.figures.replay import Replay
from visit.figures.run_figures import no_figures
from visit.record.parts import KINDS, PLACES, StoredPart, write_part
from visit.report.parts_page import parts_lines
from visit.run.conductor import Phase
from visit.run.tool import Tool
from visit.site.hookup import PART, PART_BACK, HookUp
from visit.site.presets import wide

SWEEPS = 20
WORDS_OF_A_PART = 3
ASKED = "name kind place [noise figure], e.g. iso1 isolator transmit"


ROWS_BESIDE = 4
"""The cautions, the keys in two lines at most, the line that is typed into."""


def _indent(line: str) -> int:
    return len(line) - len(line.lstrip())


def paged(items: Sequence[Sequence[str]], room: int) -> list[list[str]]:
    """Items of so many lines each on pages of `room` lines, none parted: one page at least."""
    pages: list[list[str]] = [[]]
    for item in items:
        if pages[-1] and len(pages[-1]) + len(item) > room:
            pages.append([])
        pages[-1] += item
    return pages


class PartsScreen(FilePage[list[str]]):
    """The parts' page; made anew when something was kept."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("m", "sweep('part')", "measure"),
        Binding("t", "sweep('part-back')", "turned round"),
        Binding("n", "keep", "keep under a name"),
        Binding("down,pagedown", "turn(1)", "next page"),
        Binding("up,pageup", "turn(-1)", "page before"),
        Binding("escape,q", "leave", "back"),
    ]

    def __init__(self, tool: Tool) -> None:
        super().__init__(tool)
        self._page, self._pages = 0, 1
        self._runs: dict[str, int] = {}
        """Complete runs of this screen that belong to the part on the leads."""

    def on_mount(self) -> None:
        """Look for complete runs twice a second."""
        self.set_interval(LOOK_S, self._look)

    def _look(self) -> None:
        progress = self._tool.station.state().progress
        if progress.order is not None and progress.order is self.ordered:
            if progress.phase is Phase.COMPLETE and progress.run_id is not None:
                self._runs[progress.order.hookup.name] = progress.run_id
            self.draw()

    def make(self) -> list[str]:
        """The lines of the parts anew."""
        visit = self._tool.visit.file
        with no_figures(visit, "the parts of its chain"):
            return parts_lines(paths_of(Replay(visit)), self._tool.site)

    def page(self, width: int) -> Sequence[Block]:
        """What was measured just now, then the parts."""
        progress = self._tool.station.state().progress
        mine = progress.order is not None and progress.order is self.ordered
        run = f"   {progress.phase.value}, {progress.done} sweeps" if mine else ""
        blocks = [block("", f"FURTHER PARTS OF THE CHAIN  {self._tool.site.name}{run}", width, column=1)]
        if mine and progress.phase is Phase.FAULT:
            blocks.append(block("FAULT", progress.message, width))
        hangs = ", ".join(f"{name}: run {run_id}" for name, run_id in self._runs.items())
        blocks.append(
            block("ON LEADS", hangs or "lead 1 on the part's input, lead 2 on its output, then m", width, column=10)
        )
        said = labelled("", self.said, width)
        room = useful_size(self.app).height - ROWS_BESIDE - len(said) - sum(len(one.lines) for one in blocks)
        pages = paged([labelled("", line.strip(), width, 1 + _indent(line)) for line in self.made or ()], room)
        self._pages = len(pages)
        self._page = min(self._page, self._pages - 1)
        return [*blocks, Block(tuple(pages[self._page]))]

    def keys(self) -> Sequence[str]:
        """What the keys do."""
        more = (f"page {self._page + 1} of {self._pages}: up, down",) if self._pages > 1 else ()
        return ("m measure", "t turned round", "n name it and keep it", "q back", *more)

    def action_turn(self, by: int) -> None:
        """Another page of the parts."""
        self._page = min(max(self._page + by, 0), self._pages - 1)
        self.draw()

    def action_sweep(self, hangs: str) -> None:
        """Sweep the part as it hangs."""
        self.attempt(lambda: self._swept(HookUp.parse(hangs)))
        self.draw()

    def _swept(self, hookup: HookUp) -> None:
        tool = self._tool
        if hookup.name == PART:
            self._runs.clear()  # another part may hang there now
        self.hang(hookup, wide(tool.site, tool.profile.limits), SWEEPS, "part")

    def action_keep(self) -> None:
        """Keep what was measured under a name."""
        if PART not in self._runs:
            self.said = "! nothing was measured yet: m"
            self.draw()
        else:
            self.ask(ASKED, self._kept)

    def _kept(self, typed: str) -> None:
        words = typed.split()
        if not WORDS_OF_A_PART <= len(words) <= WORDS_OF_A_PART + 1:
            raise RequestError(f"say: {ASKED}; kinds are {', '.join(KINDS)}, places {', '.join(PLACES)}")
        try:
            noise = float(words[3]) if len(words) > WORDS_OF_A_PART else None
        except ValueError:
            raise RequestError("the noise figure is no number of dB") from None
        name, kind, place = words[:3]
        part = StoredPart(name, kind, place, "", self._runs[PART], self._runs.get(PART_BACK), noise)
        write_part(self._tool.visit.file, part)
        self.said, self._page = f"{name} is kept", 0
        self.again()
