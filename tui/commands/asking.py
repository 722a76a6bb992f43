"""A learning session on a plain terminal, for commands without a screen.

Owns: one question, one line of answer; the console's words in lines. Refuses: to ask where nobody can answer.
"""

from __future__ import annotations

import asyncio
import getpass
import shutil
import sys
import textwrap
from collections.abc import Sequence

from protocol.errors import RequestError
from protocol.files.harmless import harmless
from protocol.learn.corrections import EXAMPLES, parse_corrections
from protocol.learn.dialogue import Correction, Nobody, Progress, Role, Word
from tui.commands.printing import say, show
from tui.drawing.shortened import shortened

CAUTION = "Transmitter off, locked, proved dead before a lead is touched."


async def at_the_terminal(question: str, answers: Sequence[str]) -> str:
    """Ask on stderr, read one line: an answer or its number; "" for an empty line or one that was not offered."""
    for number, answer in enumerate(answers, 1):
        say(f"   {number}  {harmless(answer)}")
    line = await _line(f"? {question} (Enter: I don't know)")
    if not answers or line in answers:
        return line
    if line.isdigit() and 1 <= int(line) <= len(answers):
        return answers[int(line) - 1]
    matching = [answer for answer in answers if line and answer.startswith(line.lower())]
    return matching[0] if len(matching) == 1 else ""


def _columns() -> int:
    return shutil.get_terminal_size((80, 24)).columns


def _wrapped(text: str) -> str:
    """Our own words in lines that fit, the last one open for the answer."""
    return "\n".join(textwrap.wrap(harmless(text), max(_columns() - 8, 20), break_on_hyphens=False)) + " "


async def _line(prompt: str) -> str:
    """One line of the terminal; waited for on the loop, so that Ctrl-C ends the question at once."""
    show(_wrapped(prompt))
    loop, typed = asyncio.get_running_loop(), asyncio.Event()
    try:
        loop.add_reader(sys.stdin.fileno(), typed.set)
    except (OSError, ValueError):  # a file, or a stand-in without a descriptor, is always ready
        return sys.stdin.readline().strip()
    try:
        await typed.wait()
    finally:
        loop.remove_reader(sys.stdin.fileno())
    return sys.stdin.readline().strip()


async def _hidden(prompt: str) -> str:
    """A line that the terminal does not show."""
    return str(await asyncio.to_thread(getpass.getpass, _wrapped(prompt), sys.stderr)).strip()


class Told:
    """How far it is can be read."""

    half = ""
    """The half-filled profile of a session that was stopped."""

    def progress(self, progress: Progress) -> None:
        """A line a step, a line a finding."""
        self.half = progress.half or self.half
        if not progress.half:
            _tell(progress)


class NobodyThere(Told, Nobody):
    """Nobody answers."""


class AtTheTerminal(Told):
    """Somebody sits before the terminal."""

    async def words(self, words: Sequence[Word], why: str = "") -> Sequence[Correction]:
        """All words, and why they are shown; a line that is not understood is asked again."""
        if why:
            say(f"! {harmless(why)}")
        for word in words:
            taken = "NEVER SENT" if word.role is Role.NEVER else word.role.value
            usage = word.usage if word.usage.split(" ")[0] == word.name else f"{word.name} {word.usage}".strip()
            line = f"{word.number:4d}  {shortened(harmless(usage), 22):<22}  {taken:<19}  {harmless(word.reason)}"
            say(shortened(line, _columns() - 1))
        while True:
            line = await _line(f"Correct by number or name a word ({EXAMPLES}), or Enter as it stands:")
            try:
                return tuple(parse_corrections(line, words))
            except RequestError as error:
                say(f"! {error}")

    async def question(self, text: str, answers: Sequence[str], *, secret: bool = False) -> str:
        """One line; a number chooses one of `answers`."""
        return await (_hidden(f"? {text}") if secret else at_the_terminal(text, answers))

    async def deed(self, text: str) -> bool:
        """Enter says that it is done."""
        say(CAUTION)
        line = await _line(f"DO {text} (Enter: done / n: not possible)")
        return not line.lower().startswith("n")


def _tell(progress: Progress) -> None:
    if progress.evidence:
        say(f"   found: {progress.evidence}")
    else:
        say(f".. {progress.step} of {progress.steps}: {progress.says}")
