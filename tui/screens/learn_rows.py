"""The words of the learning screen: cautions, findings, questions, the console's own words in pages.

Owns: what stands where, and that nothing of it is wider than the terminal. Refuses: to know what is sent.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import Future
from dataclasses import dataclass, field
from typing import Any

from protocol.files.harmless import harmless
from protocol.learn.dialogue import Progress, Role, Word
from protocol.learn.learner import Learned
from tui.drawing.blocks import Block, flowed, labelled
from tui.drawing.shortened import shortened

CAUTIONS = (
    "Local rules come first.",
    "Take both leads off the duplexer: nothing hangs on port 1 and port 2.",
    "Only words are sent whose own text says that a sweep needs them. One that lies about itself can't be told from a"
    " harmless one.",
)
NOBODY = (
    "Nobody here knows this analyzer yet. It will be asked, a few minutes at most, and what is learned is proved by a"
    " sweep and kept: for this port, where its name lasts, else under f."
)
EXAMPLE = "Correct by number:  7 sets start, 12 never, 9 sets stop in kHz"
MANUAL = ("From the manual:", "fz sets start", '"sw {start} {stop}" sets span', "tr1 reads s11")
WORD_COLUMN = 27
MOST_FOUND = 40
"""So many of the newest findings are looked at; as many as there is room for stand."""


class Asked:
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


@dataclass(slots=True)
class LearnPicture:
    """All that is shown. `begun`: words are being sent; `over`: why it ended without a profile; `page` of the list of
    words; `fault` of what was typed."""

    port: str
    begun: bool = False
    progress: Progress = field(default_factory=lambda: Progress(0, 1, ""))
    found: list[str] = field(default_factory=list)
    asked: Asked | None = None
    page: int = 0
    fault: str = ""
    learned: Learned | None = None
    over: list[str] = field(default_factory=list)


def learn_blocks(p: LearnPicture, width: int, rows: int) -> list[Block]:
    """Blocks from top to bottom."""
    title = Block(tuple(labelled("LEARN", harmless(p.port), width)), MOST_FOUND + 1)
    if not p.begun:
        return [title, *_cautions(width)]
    if p.asked is not None and p.asked.listing:
        return _listing(p, p.asked, width, rows)
    return [title, *_standing(p, width, rows)]


def _cautions(width: int) -> list[Block]:
    lines = ["", *labelled("", NOBODY, width, 1), ""]
    lines += [line for words in CAUTIONS for line in labelled("", words, width, 1)]
    return [Block((*lines, "", *flowed(["Enter begin", "Esc leave"], width)))]


def _standing(p: LearnPicture, width: int, rows: int) -> list[Block]:
    """How far it is, what was found, and what is asked or came of it."""
    filled = round(20 * p.progress.step / max(p.progress.steps, 1))
    bar = f"[{'#' * filled}{'.' * (20 - filled)}]"
    step = labelled(bar, f"step {p.progress.step} of {p.progress.steps}  {harmless(p.progress.says)}", width, 24)
    newest = p.found[-MOST_FOUND:]
    found = [Block(tuple(labelled("found", harmless(line), width)), age) for age, line in enumerate(newest)]
    return [Block((*step, ""), MOST_FOUND), *found, Block(("",), -1), *_asking(p, width, rows)]


def _asking(p: LearnPicture, width: int, rows: int) -> list[Block]:
    """The last part: what came of it, a deed, a question, or nothing yet."""
    lines: list[str] = []
    if p.over:
        lines = [line for words in p.over for line in labelled("", harmless(words), width, 1)]
        keys = ["Enter, Esc back"]
    elif p.learned is not None:
        lines = labelled("LEARNED", harmless(p.learned.profile.name), width, 10)
        lines += labelled("proof:", harmless(p.learned.proof), width)
        lines += [line for text in p.learned.unknown for line in labelled("not known:", harmless(text), width, 12)]
        keys = ["Enter go on", "Esc let it be"]
    elif p.asked is None:
        return [Block(tuple(flowed(["Esc, q stop (nothing more is sent; what was set stays)"], width)))]
    elif p.asked.deed:
        lines = labelled("DO", harmless(p.asked.text), width, 5)
        keys = ["Enter done", "n not possible", "Esc stop"]
    else:
        lines = labelled("?", harmless(p.asked.text), width, 4)
        keys = ["Enter answer (empty: not known)", "Esc stop"]
        answers = _answers(p.asked.answers[:9], width, rows - len(lines) - 2)
        if answers:
            lines, keys = [*lines, *answers], ["a number answers", "Enter not known", "Esc stop"]
    return [Block((*lines, "", *flowed(keys, width)))]


def _answers(answers: Sequence[str], width: int, room: int) -> list[str]:
    """Answers to choose from, whole; only where they would not all stand, each is shortened to one line."""
    whole = [line for n, one in enumerate(answers, 1) for line in labelled(f"  {n}", harmless(one), width, 6)]
    if len(whole) <= room:
        return whole
    return [f"   {n}  {shortened(one, width - 6)}" for n, one in enumerate(answers, 1)]


def _listing(p: LearnPicture, asked: Asked, width: int, rows: int) -> list[Block]:
    """The console's words, a page of them."""
    sent = sum(word.role not in (Role.NEVER, Role.UNKNOWN) for word in asked.words)
    head = f"of the console, {len(asked.words)}; only {sent} will be sent" if asked.words else "none is known"
    why = labelled("?", harmless(asked.text), width, 3)
    tail = ["", *(labelled("!", harmless(p.fault), width, 3) or flowed([EXAMPLE], width)), *flowed(MANUAL, width)]
    tail += flowed(["Enter as it stands, or with what is typed", "Esc stop"], width)
    most = len(labelled("WORDS", f"{head}   page 99 of 99 (down, up)", width))
    pages = word_pages(asked.words, width, rows - most - len(why) - 1 - len(tail))
    page = p.page = min(p.page, len(pages) - 1)  # another width has other pages
    more = f"   page {page + 1} of {len(pages)} (down, up)" if len(pages) > 1 else ""
    return [Block((*labelled("WORDS", f"{head}{more}", width), *why, "", *pages[page], *tail))]


def word_pages(words: Sequence[Word], width: int, rows: int) -> list[list[str]]:
    """The words in pages of `rows` lines; none is parted over two of them, one page at least."""
    pages: list[list[str]] = [[]]
    for word in words:
        lines = _word_lines(word, width)
        if pages[-1] and len(pages[-1]) + len(lines) > rows:
            pages.append([])
        pages[-1] += lines
    return pages


def _word_lines(word: Word, width: int) -> list[str]:
    """Number, what it is taken for, name and arguments, what the console or the learner says of it."""
    usage = word.usage if f"{word.usage} ".startswith(f"{word.name} ") else f"{word.name} {word.usage}".strip()
    taken = {Role.NEVER: "NEVER SENT", Role.UNKNOWN: "not known: not sent"}.get(word.role, word.role.value)
    why = word.reason if word.role is Role.NEVER or not word.description else word.description
    label = f"{word.number:3d}  {harmless(usage)}"
    if len(label) > width // 2:  # a console's own usage line can be as long as it likes
        return [*labelled("", label, width, 1), *labelled("", f"{taken:<19}  {harmless(why)}", width, WORD_COLUMN)]
    return labelled(label, f"{taken:<19}  {harmless(why)}", width, WORD_COLUMN)
