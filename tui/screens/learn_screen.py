"""Learning an unknown analyzer: how far it is, what was found out, one question at a time, and the console's own words.

Owns: the dialogue between the learner and the technician on a screen. Refuses: to know what is sent; the learner does,
on a loop of its own, and leaves the analyzer alone once this screen is left.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Awaitable, Callable, Sequence
from concurrent.futures import Future
from pathlib import Path
from typing import Any, ClassVar

from textual.binding import Binding, BindingType
from textual.events import Key
from textual.widgets import Input

from protocol.errors import AnalyzerError, RequestError
from protocol.learn.corrections import parse_corrections
from protocol.learn.dialogue import Correction, Dialogue, Progress, Word
from protocol.learn.learner import Learned, NotLearnedError
from protocol.learn.learner import learn as learn_port
from protocol.wire.loop_thread import LoopThread
from tui.drawing.blocks import Block
from tui.screens.framed import TextScreen
from tui.screens.learn_rows import Asked, LearnPicture, learn_blocks
from tui.screens.too_small import useful_size
from visit.run.set_up import HALF_FILLED, kept_under
from visit.site.folders import data_folder

Learn = Callable[[str, Dialogue], Awaitable[Learned]]


class LearnScreen(TextScreen[Learned | None]):
    """Answers with what was learned, None when it was stopped or failed."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "leave", "stop"),
        Binding("enter", "go", "on", priority=False),
        Binding("up", "page(-1)", "back", show=False),
        Binding("down", "page(1)", "on", show=False),
        Binding("pageup", "page(-1)", "back", show=False),
        Binding("pagedown", "page(1)", "on", show=False),
    ]

    def __init__(self, port: str, learn: Learn = learn_port, folder: Path | None = None) -> None:
        super().__init__()
        self._port, self._learn_with, self._folder = port, learn, folder
        self._loop: LoopThread | None = None
        self._session: Future[Learned] | None = None
        self._shown = LearnPicture(port)

    def on_mount(self) -> None:
        """The cautions come first; nothing is sent before Enter."""
        self.draw()

    def on_unmount(self) -> None:
        """However the screen ends, the session does."""
        self._stop()

    def _stop(self) -> None:
        loop, self._loop = self._loop, None
        if self._session is not None:
            self._session.cancel()
        if loop is not None:
            loop.stop()

    @property
    def left_words(self) -> str:
        """What a session that taught nothing leaves behind."""
        if not self._shown.begun:
            return "not learned; nothing was sent to it"
        return "not learned; what was tried on it stays as it was set last: switch it off and on before it is used"

    # The session

    def _begin(self) -> None:
        self._loop, self._shown.begun = LoopThread("learning").start(), True
        self._session = self._loop.submit(self._learn(_OnScreen(self)))
        self.run_worker(self._hear_the_end(self._session))
        self.draw()

    async def _learn(self, dialogue: Dialogue) -> Learned:
        return await self._learn_with(self._port, dialogue)

    async def _hear_the_end(self, session: Future[Learned]) -> None:
        try:
            self._shown.learned = await asyncio.wrap_future(session)
        except NotLearnedError as error:
            self._shown.over = [f"NOT LEARNED  {error}", *self._keep_half(error.half)]
        except (AnalyzerError, RequestError) as error:
            self._shown.over = [f"NOT LEARNED  {error}"]
        except Exception as error:  # a fault of ours must leave the technician a way on
            self._shown.over = [f"NOT LEARNED  a fault of this program ({type(error).__name__}: {error})"]
        except asyncio.CancelledError:
            if self._loop is not None:
                raise
            return
        self._ask(None)

    def _keep_half(self, half: str) -> list[str]:
        what_next = "Esc, then try other leads or cable, or write the rest by hand (docs/profiles.md)"
        if not half:
            return ["Nothing was found that could be kept.", what_next]
        name = time.strftime(f"{HALF_FILLED}%Y%m%d-%H%M%S")
        try:
            path = kept_under(self._folder or data_folder() / "profiles", name, half)
        except RequestError as error:
            return [str(error), what_next]
        return [f"What was found, with its evidence, is in {path}; what is missing is marked there.", what_next]

    # What the learner says and asks; called on the screen's own loop

    def heard(self, progress: Progress) -> None:
        """How far it is; of one that was stopped, what it had found."""
        if progress.half:
            self.app.notify(self._keep_half(progress.half)[0], timeout=20)
        if not self.is_mounted or not self.is_attached:
            return
        self._shown.progress = progress
        if progress.evidence:
            self._shown.found.append(progress.evidence)
        if self._shown.asked is None or not self._shown.asked.listing:
            self.draw()

    def _ask(self, asked: Asked | None) -> None:
        self._shown.asked, self._shown.page, self._shown.fault = asked, 0, ""
        field = self.field
        field.value, field.display = "", asked is not None and asked.typed
        field.password = asked is not None and asked.secret
        self.set_focus(field if field.display else None)
        self.draw()

    def ask(self, asked: Asked) -> None:
        """Show it; the answer goes into its future."""
        self._ask(asked)

    def _answer(self, value: object) -> None:
        asked = self._shown.asked
        self._ask(None)
        if asked is not None and not asked.answer.done():
            asked.answer.set_result(value)

    # Keys

    def action_go(self) -> None:
        """Begin, done, or go on, whichever stands."""
        if self._shown.over:
            self.dismiss(None)
        elif self._shown.learned is not None:
            self.dismiss(self._shown.learned)
        elif self._session is None:
            self._begin()
        elif self._shown.asked is not None and not self._shown.asked.typed:
            self._answer(True if self._shown.asked.deed else "")

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """The corrections, or an answer in words."""
        asked = self._shown.asked
        if asked is None:
            return
        if not asked.listing:
            self._answer(event.value.strip())
            return
        try:
            self._answer(tuple(parse_corrections(event.value, asked.words)))
        except RequestError as error:
            self._shown.fault = str(error)
            self.draw()

    def on_key(self, event: Key) -> None:
        """A number chooses an answer; n says that a deed is not possible; q leaves where nothing is typed."""
        asked = self._shown.asked
        if asked is not None and asked.typed:
            return
        if event.key == "q":
            event.stop()  # else the screen below would hear it too, and leave
            self.action_leave()
        elif asked is not None and asked.deed and event.key == "n":
            self._answer(False)
        elif asked is not None and event.key.isdigit() and 1 <= int(event.key) <= len(asked.answers):
            self._answer(asked.answers[int(event.key) - 1])

    def action_page(self, by: int) -> None:
        """Another page of words."""
        if self._shown.asked is not None and self._shown.asked.listing:
            self._shown.page = max(self._shown.page + by, 0)
            self.draw()

    def action_leave(self) -> None:
        """Stop: the port is closed, nothing more is sent."""
        self._stop()
        self.dismiss(None)

    def text_blocks(self, width: int) -> list[Block]:
        """How far it is, what was found, what is asked."""
        room = useful_size(self.app).height - 1 - (1 if self.field.display else 0)
        return learn_blocks(self._shown, width, room)


class _OnScreen:
    """The learner's side: runs on the learner's loop, hands everything over to the screen's."""

    def __init__(self, screen: LearnScreen) -> None:
        self._screen, self._home = screen, asyncio.get_running_loop()

    def progress(self, progress: Progress) -> None:
        self._home.call_soon_threadsafe(self._screen.heard, progress)

    async def words(self, words: Sequence[Word], why: str = "") -> Sequence[Correction]:
        answer: Sequence[Correction] = await self._ask(Asked(why, words=words))
        return answer

    async def question(self, text: str, answers: Sequence[str], *, secret: bool = False) -> str:
        return str(await self._ask(Asked(text, answers, secret=secret)))

    async def deed(self, text: str) -> bool:
        return bool(await self._ask(Asked(text, deed=True)))

    async def _ask(self, asked: Asked) -> Any:
        self._home.call_soon_threadsafe(self._screen.ask, asked)
        return await asyncio.wrap_future(asked.answer)
