"""A learning session on a plain terminal, for commands without a screen.

Owns: one question, one line of answer; the console's words in lines. Refuses: to ask where nobody can answer.
"""

from __future__ import annotations

import asyncio
import getpass
import sys
from collections.abc import Sequence

from protocol.errors import RequestError
from protocol.files.harmless import harmless
from protocol.learn.corrections import EXAMPLES, parse_corrections
from protocol.learn.dialogue import Correction, Nobody, Progress, Role, Word
from tui.commands.printing import say, show

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


async def _line(prompt: str) -> str:
    show(f"{harmless(prompt)} ")
    return str(await asyncio.to_thread(sys.stdin.readline)).strip()


async def _hidden(prompt: str) -> str:
    """A line that the terminal does not show."""
    return str(await asyncio.to_thread(getpass.getpass, f"{harmless(prompt)} ", sys.stderr)).strip()


class NobodyThere(Nobody):
    """Nobody answers, but how far it is can be read."""

    def progress(self, progress: Progress) -> None:
        """A line a step, a line a finding."""
        _tell(progress)


class AtTheTerminal:
    """Somebody sits before the terminal."""

    def progress(self, progress: Progress) -> None:
        """A line a step, a line a finding."""
        _tell(progress)

    async def words(self, words: Sequence[Word], why: str = "") -> Sequence[Correction]:
        """All words, and why they are shown; a line that is not understood is asked again."""
        if why:
            say(f"! {harmless(why)}")
        for word in words:
            taken = "NEVER SENT" if word.role is Role.NEVER else word.role.value
            name = f"{word.name} {word.usage}".strip()
            say(f"{word.number:4d}  {name:<28}  {taken:<20}  {word.reason}".rstrip())
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
