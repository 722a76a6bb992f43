"""Learning an unknown analyzer: how far it is, what was found out, one question at a time, and the console's own words.

Owns: the dialogue between the learner and the technician on a screen. Refuses: to know what is sent; the learner does,
on a loop of its own, and leaves the analyzer alone once this screen is left.
"""

from __future__ import annotations

import asyncio
import textwrap
import time
from collections.abc import Awaitable, Callable, Sequence
from concurrent.futures import Future
from pathlib import Path
from typing import Any, ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.events import Key
from textual.screen import Screen
from textual.widgets import Input

from protocol.errors import AnalyzerError, RequestError
from protocol.files.harmless import harmless
from protocol.learn.corrections import parse_corrections
from protocol.learn.dialogue import Correction, Dialogue, Progress, Role, Word
from protocol.learn.learner import Learned, NotLearnedError
from protocol.learn.learner import learn as learn_port
from protocol.wire.loop_thread import LoopThread
from tui.drawing.plain import Plain
from tui.drawing.shortened import shortened
from visit.run.set_up import kept_under
from visit.site.folders import data_folder

Learn = Callable[[str, Dialogue], Awaitable[Learned]]
WIDTH, ROWS = 78, 23
FINDINGS = 9
"""So many of the newest findings stand on the screen."""
WORDS_A_PAGE = 15
CAUTIONS = (
    "Transmitter off, locked, proved dead before a lead is touched.",
    "Local rules come first. Never key into the analyzer.",
    "Take both leads off the duplexer: nothing hangs on port 1 and port 2.",
    "Only words are sent whose own text says that a sweep needs them. One that",
    "lies about itself can't be told from a harmless one.",
)


class LearnScreen(Screen[Learned | None]):
    """Answers with what was learned, None when it was stopped or failed."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "leave", "stop"),
        Binding("enter", "go", "on", priority=False),
        Binding("up", "page(-1)", "back", show=False),
        Binding("down", "page(1)", "on", show=False),
        Binding("pageup", "page(-1)", "back", show=False),
        Binding("pagedown", "page(1)", "on", show=False),
    ]
    AUTO_FOCUS = ""
    DEFAULT_CSS = """
    LearnScreen { layout: vertical; overflow: hidden; }
    LearnScreen #text { height: auto; }
    LearnScreen Input, LearnScreen Input:focus { height: 1; border: none; padding: 0 1; background: $boost; }
    """

    def __init__(self, port: str, learn: Learn = learn_port, folder: Path | None = None) -> None:
        super().__init__()
        self._port, self._learn_with, self._folder = port, learn, folder
        self._loop: LoopThread | None = None
        self._session: Future[Learned] | None = None
        self._progress = Progress(0, 1, "")
        self._found: list[str] = []
        self._asked: _Asked | None = None
        self._page = 0
        self._fault = ""
        self._learned: Learned | None = None
        self._over: list[str] = []

    def compose(self) -> ComposeResult:
        """Text, and a line to type into."""
        with Vertical():
            yield Plain(id="text")
            field = Input(id="line", max_length=400)
            field.cursor_blink = False
            field.display = False
            yield field

    def on_mount(self) -> None:
        """The cautions come first; nothing is sent before Enter."""
        self._draw()

    def on_unmount(self) -> None:
        """However the screen ends, the session does."""
        self._stop()

    def _stop(self) -> None:
        loop, self._loop = self._loop, None
        if self._session is not None:
            self._session.cancel()
        if loop is not None:
            loop.stop()

    # The session

    def _begin(self) -> None:
        self._loop = LoopThread("learning").start()
        self._session = self._loop.submit(self._learn(_OnScreen(self)))
        self.run_worker(self._hear_the_end(self._session))
        self._draw()

    async def _learn(self, dialogue: Dialogue) -> Learned:
        return await self._learn_with(self._port, dialogue)

    async def _hear_the_end(self, session: Future[Learned]) -> None:
        try:
            self._learned = await asyncio.wrap_future(session)
        except NotLearnedError as error:
            self._over = [f"NOT LEARNED  {error}", *self._keep_half(error.half)]
        except (AnalyzerError, RequestError) as error:
            self._over = [f"NOT LEARNED  {error}"]
        except Exception as error:  # a fault of ours must leave the technician a way on
            self._over = [f"NOT LEARNED  a fault of this program ({type(error).__name__}: {error})"]
        except asyncio.CancelledError:
            if self._loop is not None:
                raise
            return
        self._ask(None)

    def _keep_half(self, half: str) -> list[str]:
        what_next = "Esc, then try other leads or cable, or write the rest by hand (docs/profiles.md)"
        if not half:
            return ["Nothing was found that could be kept.", what_next]
        name = time.strftime("half-filled-%Y%m%d-%H%M%S")
        try:
            path = kept_under(self._folder or data_folder() / "profiles", name, half)
        except RequestError as error:
            return [str(error), what_next]
        return [f"What was found, with its evidence, is in {path}; what is missing is marked there.", what_next]

    # What the learner says and asks; called on the screen's own loop

    def heard(self, progress: Progress) -> None:
        """How far it is."""
        self._progress = progress
        if progress.evidence:
            self._found.append(progress.evidence)
        if self._asked is None or not self._asked.listing:
            self._draw()

    def _ask(self, asked: _Asked | None) -> None:
        self._asked, self._page, self._fault = asked, 0, ""
        field = self.query_one("#line", Input)
        field.value, field.display = "", asked is not None and asked.typed
        field.password = asked is not None and asked.secret
        self.set_focus(field if field.display else None)
        self._draw()

    def ask(self, asked: _Asked) -> None:
        """Show it; the answer goes into its future."""
        self._ask(asked)

    def _answer(self, value: object) -> None:
        asked = self._asked
        self._ask(None)
        if asked is not None and not asked.answer.done():
            asked.answer.set_result(value)

    # Keys

    def action_go(self) -> None:
        """Begin, done, or go on, whichever stands."""
        if self._over:
            self.dismiss(None)
        elif self._learned is not None:
            self.dismiss(self._learned)
        elif self._session is None:
            self._begin()
        elif self._asked is not None and not self._asked.typed:
            self._answer(True if self._asked.deed else "")

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """The corrections, or an answer in words."""
        asked = self._asked
        if asked is None:
            return
        if not asked.listing:
            self._answer(event.value.strip())
            return
        try:
            self._answer(tuple(parse_corrections(event.value, asked.words)))
        except RequestError as error:
            self._fault = str(error)
            self._draw()

    def on_key(self, event: Key) -> None:
        """A number chooses an answer; n says that a deed is not possible; q leaves where nothing is typed."""
        asked = self._asked
        if asked is not None and asked.typed:
            return
        if event.key == "q":
            self.action_leave()
        elif asked is not None and asked.deed and event.key == "n":
            self._answer(False)
        elif asked is not None and event.key.isdigit() and 1 <= int(event.key) <= len(asked.answers):
            self._answer(asked.answers[int(event.key) - 1])

    def action_page(self, by: int) -> None:
        """Another page of words."""
        if self._asked is not None and self._asked.listing:
            pages = max(-(-len(self._asked.words) // WORDS_A_PAGE), 1)
            self._page = min(max(self._page + by, 0), pages - 1)
            self._draw()

    def action_leave(self) -> None:
        """Stop: the port is closed, nothing more is sent."""
        self._stop()
        self.dismiss(None)

    # Drawing

    def _draw(self) -> None:
        asked = self._asked
        if self._session is None:
            lines = self._cautions()
        elif asked is not None and asked.listing:
            lines = self._words(asked)
        else:
            lines = self._standing(asked)
        self.query_one("#text", Plain).show(line[: WIDTH + 1] for line in lines[:ROWS])

    def _cautions(self) -> list[str]:
        return [
            f" LEARN  {shortened(self._port, WIDTH - 9)}",
            "",
            " Nobody here knows this analyzer yet. It will be asked, a few minutes at most,",
            " and what is learned is kept for this port and proved by a sweep.",
            "",
            *(f" {line}" for line in CAUTIONS),
            "",
            " Enter begin   Esc leave",
        ]

    def _standing(self, asked: _Asked | None) -> list[str]:
        p = self._progress
        filled = round(20 * p.step / max(p.steps, 1))
        lines = [
            f" LEARN  {shortened(self._port, WIDTH - 9)}",
            f" [{'#' * filled}{'.' * (20 - filled)}] step {p.step} of {p.steps}  {shortened(p.says, 42)}",
            "",
            *(f"  found  {shortened(line, WIDTH - 10)}" for line in self._found[-FINDINGS:]),
            "",
        ]
        if self._over:
            for words in self._over:
                lines += [f" {line}" for line in textwrap.wrap(harmless(words), WIDTH - 1, break_on_hyphens=False)]
            return [*lines[: ROWS - 2], "", " Enter, Esc back"]
        if self._learned is not None:
            lines += [" LEARNED  " + shortened(self._learned.profile.name, 60)]
            lines += [f" {line}" for line in textwrap.wrap(harmless(f"proof: {self._learned.proof}"), WIDTH - 1)[:2]]
            unknown = [f" not known: {shortened(text, WIDTH - 13)}" for text in self._learned.unknown]
            return [*lines, *unknown[: max(ROWS - len(lines) - 2, 0)], "", " Enter go on   Esc let it be"]
        if asked is None:
            return [*lines, " Esc, q stop (the analyzer is left alone)"]
        if asked.deed:
            return [
                *lines,
                *_lines(f"DO  {asked.text}"),
                f" {CAUTIONS[0]}",
                "",
                " Enter done   n not possible   Esc stop",
            ]
        lines += [*_lines(f"?  {asked.text}")]
        if asked.answers:
            lines += [f"   {number}  {shortened(one, WIDTH - 8)}" for number, one in enumerate(asked.answers[:9], 1)]
            return [*lines, "", " a number answers   Enter not known   Esc stop"]
        return [*lines, "", " Enter answer (empty: not known)   Esc stop"]

    def _words(self, asked: _Asked) -> list[str]:
        words = asked.words
        pages = -(-len(words) // WORDS_A_PAGE)
        page = words[self._page * WORDS_A_PAGE : (self._page + 1) * WORDS_A_PAGE]
        sent = sum(word.role not in (Role.NEVER, Role.UNKNOWN) for word in words)
        more = f"   page {self._page + 1} of {pages} (down, up)" if pages > 1 else ""
        return [
            f" WORDS  of the console, {len(words)}; only {sent} will be sent{more}"
            if words
            else " WORDS  none is known",
            f" ? {shortened(asked.text, WIDTH - 4)}" if asked.text else "",
            *(_word_line(word) for word in page),
            *[""] * (WORDS_A_PAGE - len(page) if pages > 1 else 0),
            "",
            f" ! {shortened(self._fault, WIDTH - 3)}"
            if self._fault
            else " Correct by number:  7 sets start, 12 never, 9 sets stop in kHz",
            ' From the manual:  fz sets start   "sw {start} {stop}" sets span  tr1 reads s11',
            " Enter as it stands, or with what is typed   Esc stop",
        ]


def _word_line(word: Word) -> str:
    """Number, what it is taken for, name and arguments, what the console or the learner says of it."""
    usage = word.usage if word.usage.split(" ")[0] == word.name else f"{word.name} {word.usage}".strip()
    name = shortened(usage, 19)
    taken = "NEVER SENT" if word.role is Role.NEVER else word.role.value
    why = word.reason if word.role is Role.NEVER or not word.description else word.description
    return f" {word.number:3d}  {name:<19}  {taken:<19}  {shortened(why, 30)}"


def _lines(text: str) -> list[str]:
    return [f" {line}" for line in textwrap.wrap(harmless(text), WIDTH - 1)][:6]


class _Asked:
    """One thing that is asked, and where its answer goes."""

    def __init__(
        self, text: str = "", answers: Sequence[str] = (), *, deed: bool = False,
        words: Sequence[Word] | None = None, secret: bool = False,
    ) -> None:  # fmt: skip
        self.text, self.answers, self.deed, self.secret = text, tuple(answers), deed, secret
        self.listing, self.words = words is not None, tuple(words or ())
        self.answer: Future[Any] = Future()

    @property
    def typed(self) -> bool:
        """True when the answer is a line of text."""
        return self.listing or not (self.deed or self.answers)


class _OnScreen:
    """The learner's side: runs on the learner's loop, hands everything over to the screen's."""

    def __init__(self, screen: LearnScreen) -> None:
        self._screen, self._home = screen, asyncio.get_running_loop()

    def progress(self, progress: Progress) -> None:
        self._home.call_soon_threadsafe(self._screen.heard, progress)

    async def words(self, words: Sequence[Word], why: str = "") -> Sequence[Correction]:
        answer: Sequence[Correction] = await self._ask(_Asked(why, words=words))
        return answer

    async def question(self, text: str, answers: Sequence[str], *, secret: bool = False) -> str:
        return str(await self._ask(_Asked(text, answers, secret=secret)))

    async def deed(self, text: str) -> bool:
        return bool(await self._ask(_Asked(text, deed=True)))

    async def _ask(self, asked: _Asked) -> Any:
        self._home.call_soon_threadsafe(self._screen.ask, asked)
        return await asyncio.wrap_future(asked.answer)
